package arrival

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// What does not change is not said to have changed, whatever is played: a change
// throws away what was averaged.
func TestFollowerSeesNoChangeWhereThereIsNone(t *testing.T) {
	const rate, frame, seconds = 48000, 2400, 20
	for _, kind := range []string{"pink", "music", "speech"} {
		seed := uint64(20)
		x := play(kind, seed, rate, seconds*rate)
		r := programme.New(seed)
		y := programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3))[:len(x)]
		for i, v := range programme.Delay(x, rate, 0.047) {
			y[i] += 0.6 * v
		}
		programme.AddNoise(r, y, 20)
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		early := uint64(0)
		for at := 0; at+frame <= len(x); at += frame {
			f.Feed(x[at:at+frame], y[at:at+frame])
			f.Step()
			if at < 3*rate {
				early = f.Changes()
			}
		}
		if n := f.Changes() - early; n > 0 {
			t.Errorf("%s: %d changes in %d s of what stays as it is", kind, n, seconds-3)
		}
	}
}

// Two loudspeakers, and the one that is not followed is turned, muted, delayed,
// put back: the list follows within two seconds, however often Step is called.
func TestFollowerNoticesTheOther(t *testing.T) {
	const rate, part = 48000, 3 * 48000
	type other struct{ late, gain float64 }
	states := []other{{0.017, 0.5}, {0.017, -0.5}, {0.017, 0}, {0.131, 0.5}, {0.0145, 0.9}}
	x := play("pink", 5, rate, part*len(states))
	y := programme.Delay(x, rate, 0.010)
	for i, s := range states {
		z := programme.Delay(x, rate, s.late)
		for k := i * part; k < (i+1)*part; k++ {
			y[k] += s.gain * z[k]
		}
	}
	programme.AddNoise(programme.New(6), y, 25)
	for _, perSecond := range []int{5, 12, 20, 22, 30, 100} {
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		frame := rate / perSecond
		for at := 0; at+frame <= len(x); at += frame {
			f.Feed(x[at:at+frame], y[at:at+frame])
			f.Step()
			s := states[at/part]
			if into := float64((at+frame)%part) / rate; into < 2 {
				continue
			}
			if err := holds(f.Arrivals(nil), s.late*1000, s.gain); err != nil {
				t.Errorf("%d steps a second, %+v, after %.2f s: %v", perSecond, s, float64((at+frame)%part)/rate, err)
			}
		}
	}
}

// holds says what is wrong with a list that should hold 10 ms, and another.
func holds(list []Arrival, lateMs, gain float64) error {
	found := gain == 0
	for _, a := range list {
		switch {
		case math.Abs(a.DelayMs-10) < 0.02 && a.Sign == 1:
		case gain != 0 && math.Abs(a.DelayMs-lateMs) < 0.02 && float64(a.Sign)*gain > 0 && math.Abs(a.LevelDB-20*math.Log10(math.Abs(gain))) < 1.5:
			found = true
		default:
			return fmt.Errorf("%+v does not arrive", a)
		}
	}
	if !found || len(list) == 0 {
		return fmt.Errorf("%+v", list)
	}
	return nil
}
