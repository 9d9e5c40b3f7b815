package caution

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/golden"
)

// spoilt is a reference and a microphone of a few seconds at so many samples a second,
// with what goes wrong with takes: runs of zeros long and short, rails and flat tops,
// coarse samples, one or both that stop, levels about those that count as silence.
func spoilt(seed uint64, rateHz int) (ref, mic []float64) {
	r := rand.New(rand.NewPCG(seed, 77))
	n := rateHz*(2+r.IntN(4)) + r.IntN(rateHz)
	ref, mic = make([]float64, n), make([]float64, n)
	for i := range ref {
		ref[i] = 0.2 * r.NormFloat64()
		mic[i] = 0.02 * r.NormFloat64()
		if i >= 40 {
			mic[i] += 0.4 * ref[i-40]
		}
	}
	both := func(do func(x []float64)) {
		switch r.IntN(3) {
		case 0:
			do(ref)
		case 1:
			do(mic)
		default:
			do(ref)
			do(mic)
		}
	}
	stretch := func(x []float64, longest int) []float64 {
		length := min(1+r.IntN(longest), n)
		at := r.IntN(n - length + 1)
		if r.IntN(8) == 0 {
			at = 0
		}
		return x[at : at+length]
	}
	for range 1 + r.IntN(4) {
		switch r.IntN(8) {
		case 0: // samples that never came
			for range 1 + r.IntN(4) {
				both(func(x []float64) { clear(stretch(x, 60)) })
			}
		case 1: // a cable
			both(func(x []float64) { clear(stretch(x, 2*rateHz)) })
		case 2: // full scale
			limit, times := 1., 1+6*r.Float64()
			both(func(x []float64) {
				for i := range x {
					x[i] = max(-limit, min(limit, times*x[i]))
				}
			})
		case 3: // flat tops under it
			limit := 0.1 + 0.3*r.Float64()
			both(func(x []float64) {
				for i := range x {
					x[i] = max(-limit, min(limit, x[i]))
				}
			})
		case 4: // coarse samples
			step := math.Pow(2, -float64(4+r.IntN(10)))
			both(func(x []float64) {
				for i := range x {
					x[i] = step * math.Round(x[i]/step)
				}
			})
		case 5: // it stops, and the room may go on
			at := r.IntN(n)
			clear(ref[at:])
			fall := math.Pow(10, -r.Float64()*0.6)
			for i := at; i < n; i++ {
				mic[i] *= fall
			}
		case 6: // about what counts as silence
			gain := math.Pow(10, -(60+30*r.Float64())/20)
			both(func(x []float64) {
				for i := range x {
					x[i] *= gain
				}
			})
		case 7: // samples at a rail, one by one and in runs
			for range r.IntN(8) {
				both(func(x []float64) {
					rail := 1. - 2*float64(r.IntN(2))
					for _, x := range [][]float64{stretch(x, 4)} {
						for i := range x {
							x[i] = rail
						}
					}
				})
			}
		}
	}
	return ref, mic
}

// What is found in spoilt takes, and said of it, is as before; and in whatever blocks a
// take comes, and from whatever parts it is joined, it is the same.
func TestUnchanged(t *testing.T) {
	const rateHz = 800
	type found struct {
		Facts     Facts
		Rails     uint64
		Sentences []string
	}
	var all []found
	for seed := range uint64(160) {
		ref, mic := spoilt(seed, rateHz)
		take := NewTake(rateHz, 1)
		take.Feed(ref, [][]float64{mic})
		f := found{Facts: take.Facts(0)}
		var rail Rail
		rail.Add(mic)
		f.Rails = rail.Samples
		for _, c := range f.Facts.Cautions(At(1), At(2), 10) {
			f.Sentences = append(f.Sentences, string(c.Code)+": "+c.Text())
		}
		all = append(all, f)

		r := rand.New(rand.NewPCG(seed, 78))
		blocks := NewTake(rateHz, 1)
		for at := 0; at < len(ref); {
			to := min(len(ref), at+1+r.IntN(90))
			blocks.Feed(ref[at:to], [][]float64{mic[at:to]})
			at = to
		}
		segment := int(take.SegmentFrames())
		joined, seams := NewTake(rateHz, 1), []int{}
		for at := 0; at < len(ref); {
			to := min(len(ref), at+segment*(1+r.IntN(len(ref)/segment)))
			part := NewTake(rateHz, 1)
			part.Feed(ref[at:to], [][]float64{mic[at:to]})
			joined.Join(part)
			at = to
			seams = append(seams, at)
		}
		for how, other := range map[string]Facts{"in blocks": blocks.Facts(0), fmt.Sprintf("joined at %d", seams): joined.Facts(0)} {
			for _, c := range [][2]*Clip{{&other.ReferenceClipped, &f.Facts.ReferenceClipped}, {&other.MicrophoneClipped, &f.Facts.MicrophoneClipped}} {
				if c[0].Below && c[1].Below && max(c[0].Samples-c[1].Samples, c[1].Samples-c[0].Samples) <= int64(len(seams)) {
					c[0].Samples = c[1].Samples // flat tops at the seams
				}
			}
			if a, b := fmt.Sprint(rounded(other)), fmt.Sprint(rounded(f.Facts)); a != b {
				t.Errorf("seed %d, %s: %s, whole %s", seed, how, a, b)
			}
		}
	}
	golden.Check(t, "spoilt", all)
}

// rounded has levels to 1e-9 dB: sums in other blocks round otherwise.
func rounded(f Facts) Facts {
	round := func(x float64) float64 { return math.Round(x*1e9) / 1e9 }
	f.ReferenceDBFS, f.MicrophoneDBFS = round(f.ReferenceDBFS), round(f.MicrophoneDBFS)
	return f
}
