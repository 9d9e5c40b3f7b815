package arrival

import (
	"math"
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
	const rate, frame, part = 48000, 2400, 72000 + 1111
	for _, marked := range []bool{false, true} {
		x := play("pink", 5, rate, part*len(jumps)+rate)
		y := zeros(len(x))
		for i, d := range jumps {
			late := int(math.Round(d * rate))
			for k := max(i*part, late); k < min((i+1)*part, len(y)); k++ {
				y[k] = x[k-late]
			}
		}
		programme.AddNoise(programme.New(6), y, 20)
		f, err := NewFollower(Config{SampleRateHz: rate})
		if err != nil {
			t.Fatal(err)
		}
		worst := 0.0
		found, settled := zeros(len(jumps)), zeros(len(jumps))
		for at := 0; at+frame <= part*len(jumps); at += frame {
			if i := (at + frame - 1) / part; marked && at < i*part {
				f.Feed(x[at:i*part], y[at:i*part])
				f.Changed()
				f.Feed(x[i*part:at+frame], y[i*part:at+frame])
			} else {
				f.Feed(x[at:at+frame], y[at:at+frame])
			}
			f.Step()
			i := (at + frame - 1) / part
			a, ok, _ := f.Delay()
			right := ok && math.Abs(a.DelayMs-1000*jumps[i]) < 0.02 && a.Sign == 1
			if since := float64(at+frame-i*part) / rate; right && found[i] == 0 {
				found[i], settled[i] = since, f.SettledS()-since
			} else if !right && found[i] > 0 {
				t.Errorf("%g ms: lost again after %.2f s: %+v %v", 1000*jumps[i], since, a, ok)
			}
		}
		for i, s := range found[1:] {
			t.Logf("marked %v, %g → %g ms: %.3f s; settled off by %.3f s", marked, 1000*jumps[i], 1000*jumps[i+1], s, settled[i+1])
			if s == 0 || s > 0.5 {
				t.Errorf("%g ms: found after %.3f s", 1000*jumps[i+1], s)
			}
			worst = max(worst, s)
		}
		_ = truth.Thorough
	}
}
