package arrival

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

// jumps are delays of a loudspeaker one after the other, seconds: a drag across
// a room, a delay dialled in, and the whole range there and back.
var jumps = []float64{0.012, 0.040, 0.160, 0.015, 0.120, 0.5, 0.011, 1.5, 0.009, 0.75, 1.49, 0.002, 0.031, 0.004}

// The delay of a loudspeaker in pink noise, 20 dB above the noise, jumps every
// 1.5 s and a bit. Whatever the jump it is found within half a second, whether
// somebody says that something was changed or not.
func TestFollowerJumps(t *testing.T) {
	trials := 2
	if truth.Thorough {
		trials = 12
	}
	worst := zeros(trials)
	truth.Trials(trials, func(i int) {
		delays := jumps
		if r := programme.New(uint64(i)); i > 1 {
			delays = zeros(len(jumps))
			for k := range delays {
				delays[k] = 0.002 * math.Pow(740, r.Float64())
				if k > 0 && math.Abs(delays[k]-delays[k-1]) < 0.001 {
					delays[k] += 0.002
				}
			}
			delays[0] = jumps[0] // a late one would hardly be heard before the next
		}
		worst[i] = followJumps(t, uint64(i), delays, i%2 == 1)
	})
	truth.Claim(t, "a jump of the delay by 1 ms…1.5 s, 20 dB SNR, is followed: 0.5 s", "simulated path, pink noise",
		fmt.Sprintf("%.2f s at most", slices.Max(worst)), truth.AtMost(slices.Max(worst), "0.5"))
}

// followJumps is the longest that it takes to find one of delays.
func followJumps(t *testing.T, seed uint64, delays []float64, said bool) (worst float64) {
	const rate, frame, part = 48000, 2400, 72000 + 1111
	x := play("pink", seed, rate, part*len(delays)+rate)
	y := zeros(len(x))
	for i, d := range delays {
		late := int(math.Round(d * rate))
		for k := max(i*part, late); k < min((i+1)*part, len(y)); k++ {
			y[k] = x[k-late]
		}
	}
	programme.AddNoise(programme.New(seed+1000), y, 20)
	f, err := NewFollower(Config{SampleRateHz: rate})
	if err != nil {
		t.Fatal(err)
	}
	found := zeros(len(delays))
	for at := 0; at+frame <= part*len(delays); at += frame {
		i := (at + frame - 1) / part
		if said && at < i*part {
			f.Feed(x[at:i*part], y[at:i*part])
			f.Changed()
			f.Feed(x[i*part:at+frame], y[i*part:at+frame])
		} else {
			f.Feed(x[at:at+frame], y[at:at+frame])
		}
		f.Step()
		a, ok, _ := f.Delay()
		right := ok && math.Abs(a.DelayMs-1000*delays[i]) < 0.02 && a.Sign == 1
		if since := float64(at+frame-i*part) / rate; right && found[i] == 0 {
			found[i] = since
			// What averages begin anew with must be new, and most of what there is.
			if s := f.SettledS(); i > 0 && (s > since+0.002 || s < since-0.1) {
				t.Errorf("said %v, %g → %g ms: settled for %.3f s, true %.3f s", said, 1000*delays[i-1], 1000*delays[i], s, since)
			}
		} else if !right && found[i] > 0 {
			t.Errorf("said %v, %g ms: lost again after %.2f s: %+v %v", said, 1000*delays[i], since, a, ok)
		}
	}
	for i, s := range found[1:] {
		if s == 0 || s > 0.5 {
			t.Errorf("said %v, %g → %g ms: found after %.3f s", said, 1000*delays[i], 1000*delays[i+1], s)
		}
		worst = max(worst, s)
	}
	return worst
}

// While a loudspeaker is dragged away by 15 cm ten times a second, and both ends
// of each fade are said to change it, the delay follows, a third of a second
// behind.
func TestFollowerOfADrag(t *testing.T) {
	const rate, frame, step, fade = 48000, 2400, 4800, 1440
	x := play("pink", 3, rate, 6*rate)
	late := func(at int) int { // of the step that lasts at sample at
		return 480 + 21*min(max(at/step-20, 0), 20)
	}
	y := zeros(len(x))
	for k := range y {
		if d := late(k); k >= d {
			g := min(float64(k%step)/fade, 1)
			y[k] = g*x[k-d] + (1-g)*x[max(k-late(k-step), 0)]
		}
	}
	programme.AddNoise(programme.New(4), y, 20)
	f, err := NewFollower(Config{SampleRateHz: rate})
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; at+frame <= len(x); {
		for end := at + frame; at < end; at += 480 {
			if late(at) != late(at-step) && (at%step == 0 || at%step == fade) {
				f.Changed()
			}
			f.Feed(x[at:at+480], y[at:at+480])
		}
		f.Step()
		if at < rate {
			continue
		}
		a, ok, reason := f.Delay()
		samples := a.DelayMs * rate / 1000
		if oldest := late(at - rate*35/100); !ok || samples < float64(oldest)-0.5 || samples > float64(late(at))+0.5 {
			t.Errorf("after %.2f s: %.1f samples %s, want %d…%d", float64(at)/rate, samples, reason, oldest, late(at))
		}
	}
}
