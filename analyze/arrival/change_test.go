package arrival

import (
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
)

// What does not change is not said to have changed, whatever is played: a change
// throws away what was averaged.
func TestFollowerSeesNoChangeWhereThereIsNone(t *testing.T) {
	const rate, frame = 48000, 2400
	seconds := 30
	for _, kind := range []string{"pink", "music", "speech"} {
		for seed := range uint64(3) {
			x := play(kind, seed+20, rate, seconds*rate)
			r := programme.New(seed + 9)
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
				if at == 3*rate {
					early = f.Changes()
				}
			}
			t.Logf("%s: %d changes, %d of them in 3 s, %+v", kind, f.Changes(), early, f.Arrivals(nil))
		}
	}
	_ = math.Abs
}
