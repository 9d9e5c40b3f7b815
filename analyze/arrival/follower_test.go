package arrival

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// A loudspeaker in a reverberant room is moved, delayed and flipped every four
// seconds. On noise each change is followed within half a second, on programme,
// which pauses, within a second and a half; and once found it stays.
func TestFollowerFollows(t *testing.T) {
	const rate = 48000
	delays := []float64{0.012, 0.015, 0.0152, 0.3, 0.04, -0.005, 0.039}
	for kind, limit := range map[string]float64{"pink": 0.5, "music": 1.5, "speech": 1.5} {
		const part = 4 * rate
		x := play(kind, 7, rate, part*len(delays))
		y := zeros(len(x))
		r := programme.New(3)
		const shift = 480 // so that a negative delay has a room, too
		for i, d := range delays {
			// Two seconds before its part still sound in it.
			from := max(0, i*part-2*rate)
			z := programme.Convolve(x[from:min((i+1)*part+shift, len(x))], programme.Room(r, rate, float64(shift)/rate+d, 0.8, 0))
			for k := i * part; k < (i+1)*part && k-from+shift < len(z); k++ {
				y[k] = float64(1-2*(i%2)) * z[k-from+shift]
			}
		}
		programme.AddNoise(r, y, 20)
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		const frame = rate / 20
		since := -1.0
		for at := 0; at < len(x)-shift; at += frame {
			to := min(at+frame, len(x)-shift)
			f.Feed(x[at:to], y[at:to])
			f.Step()
			i := at / part
			into := float64(at%part+frame) / rate
			a, ok, reason := f.Delay()
			if at%part == 0 {
				since = -1
			}
			switch right := ok && math.Abs(a.DelayMs-1000*delays[i]) < 0.05 && a.Sign == 1-2*(i%2); {
			case right && since < 0:
				since = into
			case !right && since >= 0:
				t.Errorf("%s, %g ms: lost again after %.2f s: %+v %v %s", kind, 1000*delays[i], into, a, ok, reason)
				since = into
			}
			if at%part == part-frame {
				most := limit
				if i == 0 {
					most += 0.5 // from nothing
				}
				if since < 0 || since > most {
					t.Errorf("%s, %g ms: found after %.2f s", kind, 1000*delays[i], since)
				}
				if list := f.Arrivals(nil); len(list) == 0 || math.Abs(list[0].DelayMs-1000*delays[i]) > 0.02 {
					t.Errorf("%s, %g ms: list %+v", kind, 1000*delays[i], list)
				}
			}
		}
	}
}

// A box whose second lobe, of the other sign, is as large as its first.
func TestFollowerOfABox(t *testing.T) {
	const rate = 48000
	box := programme.Box{LowHz: 60, LowOrder: 2, LowQ: 0.7, HighHz: 17000, Crossover: programme.LinkwitzRiley4, CrossoverHz: 1200}
	r := programme.New(12)
	x := programme.Pink(r, rate, 12*rate)
	z := programme.Filter(x, rate, box.Response)
	y := zeros(len(x))
	delays := []float64{0.010, 0.0111, 0.060}
	for i, d := range delays {
		copy(y[i*4*rate:(i+1)*4*rate], programme.Delay(z, rate, d)[i*4*rate:])
	}
	programme.AddNoise(r, y, 30)
	f, err := NewFollower(Config{SampleRateHz: rate})
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at < len(x); at += 2400 {
		f.Feed(x[at:at+2400], y[at:at+2400])
		f.Step()
		into := float64(at%(4*rate)+2400) / rate
		if into < 1.2 {
			continue
		}
		d := 1000 * delays[at/(4*rate)]
		if a, ok, reason := f.Delay(); !ok || math.Abs(a.DelayMs-d) > 0.03 || a.Sign != 1 {
			t.Errorf("%g ms, after %.2f s: %+v %v %s", d, into, a, ok, reason)
		}
	}
}

// A loudspeaker that is muted is not heard for long, and is found when it is back:
// within half a second where somebody says that something was changed.
func TestFollowerMute(t *testing.T) {
	const rate = 48000
	r := programme.New(4)
	x := programme.Pink(r, rate, 12*rate)
	y := programme.Delay(x, rate, 0.02)
	clear(y[4*rate : 8*rate])
	programme.AddNoise(r, y, 20)
	for _, said := range []bool{false, true} {
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		mute, back := 6.5, 10.5
		if said {
			mute, back = 4.5, 8.5
		}
		for at := 0; at < len(x); at += 2400 {
			if said && (at == 4*rate || at == 8*rate) {
				f.Changed()
			}
			f.Feed(x[at:at+2400], y[at:at+2400])
			f.Step()
			a, ok, reason := f.Delay()
			switch s := float64(at+2400) / rate; {
			case s > 0.5 && s <= 4 || s > back:
				if !ok || math.Abs(a.DelayMs-20) > 0.01 {
					t.Errorf("said %v, after %.2f s: %+v %v %s", said, s, a, ok, reason)
				}
			case s > mute && s <= 8:
				if ok || reason == "" {
					t.Errorf("said %v, muted, after %.2f s: %+v, reason %q", said, s, a, reason)
				}
			}
		}
	}
}

func BenchmarkFollower(b *testing.B) {
	const rate = 48000
	r := programme.New(1)
	x := programme.Pink(r, rate, 10*rate)
	y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3)), 20)
	f, err := NewFollower(Config{SampleRateHz: rate})
	if err != nil {
		b.Fatal(err)
	}
	at := 0
	b.ReportAllocs()
	for b.Loop() {
		f.Feed(x[at:at+2400], y[at:at+2400])
		f.Step()
		at = (at + 2400) % len(x)
	}
	b.ReportMetric(0.05/(b.Elapsed().Seconds()/float64(b.N)), "x-realtime")
}

// One search of the whole range in the newest fifth of a second, as after a jump.
func BenchmarkFindNewest(b *testing.B) {
	const rate = 48000
	r := programme.New(1)
	x := programme.Pink(r, rate, 3*rate)
	y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3)), 20)
	f := newFinder(b, Config{})
	f.Feed(x, y)
	var list []Arrival
	b.ReportAllocs()
	for b.Loop() {
		list, _ = f.FindNewest(list, newS)
	}
	if len(list) == 0 {
		b.Error("nothing found")
	}
}
