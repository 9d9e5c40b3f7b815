package apart

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/response"
)

const rate = 48000

// take is a recording of loudspeakers that play a stereo programme: what all have in
// common in the middle, and as much of each side that two have the mutual coherence c.
type take struct {
	refs   [][]float64
	mic    []float64
	delayS []float64
	sign   []int
	rooms  [][]float64
}

func stereo(seed uint64, play string, references int, c, seconds float64) *take {
	r := rand.New(rand.NewPCG(seed, 0x6170617274))
	n := int(seconds * rate)
	t := &take{mic: make([]float64, n)}
	middle := programme.Play(r, play, rate, n)
	common, side := math.Sqrt(math.Sqrt(c)), math.Sqrt(1-math.Sqrt(c))
	rt60 := 0.3 + 0.6*r.Float64()
	for p := range references {
		x := programme.Play(r, play, rate, n)
		for i := range x {
			x[i] = 0.1 * (common*middle[i] + side*x[i])
		}
		t.refs = append(t.refs, x)
		t.delayS = append(t.delayS, 0.003+0.04*r.Float64())
		t.sign = append(t.sign, 1-2*r.IntN(2))
		room := programme.Room(r, rate, t.delayS[p], rt60, 6*r.Float64())
		for i := range room {
			room[i] *= float64(t.sign[p]) * math.Pow(10, -0.3*r.Float64()*0)
		}
		t.rooms = append(t.rooms, room)
		for i, v := range programme.Convolve(x, room) {
			t.mic[i] += v
		}
	}
	programme.AddPinkNoise(r, rate, t.mic, 25)
	return t
}

func (t *take) find(tb testing.TB, p int, apart bool) (ms float64, reason string) {
	f, err := arrival.NewFinder(arrival.Config{SampleRateHz: rate, Max: 1})
	if err != nil {
		tb.Fatal(err)
	}
	x, y := t.refs[p], t.mic
	if apart {
		s, err := New(rate, len(t.refs))
		if err != nil {
			tb.Fatal(err)
		}
		s.Learn(t.refs, t.mic)
		x, y = s.Path(p).Separate(t.refs, t.mic)
	}
	f.Feed(x, y)
	list, reason := f.Find(nil)
	if len(list) == 0 {
		return math.NaN(), reason
	}
	return list[0].DelayMs, ""
}

func TestSurvey(t *testing.T) {
	_ = truth.Thorough
	for _, play := range []string{"pink", "music", "speech"} {
		for _, c := range []float64{0, 0.5, 0.9, 0.95} {
			const n = 6
			type got struct{ raw, apart, offRaw, offApart int }
			var sum [n]got
			var worst [n]float64
			truth.Trials(n, func(i int) {
				tk := stereo(uint64(i), play, 2, c, 20)
				for p := range tk.refs {
					for _, a := range []bool{false, true} {
						ms, reason := tk.find(t, p, a)
						_ = reason
						off := math.Abs(ms - 1000*tk.delayS[p])
						g := &sum[i]
						if math.IsNaN(ms) {
							continue
						}
						if a {
							g.apart++
							if off > 0.1 {
								g.offApart++
							} else {
								worst[i] = max(worst[i], off)
							}
						} else {
							g.raw++
							if off > 0.1 {
								g.offRaw++
							}
						}
					}
				}
			})
			var all got
			w := 0.0
			for i, g := range sum {
				all.raw += g.raw
				all.apart += g.apart
				all.offRaw += g.offRaw
				all.offApart += g.offApart
				w = max(w, worst[i])
			}
			t.Logf("%s c=%v: of %d: raw %d (%d off), apart %d (%d off, worst else %.4f ms)", play, c, 2*n, all.raw, all.offRaw, all.apart, all.offApart, w)
		}
	}
	_ = response.MaxReferences
}
