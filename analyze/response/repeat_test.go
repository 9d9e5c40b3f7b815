package response

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/fft"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

const repeatRate = 16000 // low, to be quick: window lengths follow time

// repertoire is what takes are made with, each with its own.
var repertoire = []struct {
	name string
	make func(r *rand.Rand, rateHz float64, n int) []float64
}{
	{"pink noise", programme.Pink}, {"gated noise", programme.Gated},
	{"music", programme.Music}, {"loud music", programme.Loud}, {"choir", programme.Choir},
	{"speech", programme.Speech}, {"plucked notes", programme.Plucked}, {"a loop", programme.Loop},
}

// way is how a take is measured.
type way struct {
	name    string
	cfg     Config
	seconds float64
	least   float64 // per cent that have to agree
}

// What is meant is 93…97 %. Above it is most of what is played, since late sound within
// the lines' window counts as noise; below it, for which least makes room, are a loop
// and held chords where reverberation of 3 s goes on for longer than is remembered.
var ways = []way{
	{"19 s", Config{Averaging: Averaging{Mode: Infinite}}, 19, 92},
	{"window of 4096", Config{Window: 4096, EverySegment: true, Averaging: Averaging{Mode: Infinite}}, 19, 89},
	{"live, 10 s", Config{}, 10, 90},
}

// repeats counts how often takes agree.
type repeats struct {
	points, agree    [2]float64 // at 1/48 and 1/6 octave
	checked, covered float64    // against the true response
	square           float64    // of the difference at 1/48 octave, dB
	grid             float64    // points there could have been
}

// windows48 are the spectral windows of the multi-resolution grid over lines
// of spacing Hz: what its points measure with noise for programme.
func windows48(e *Estimator, spacing float64) (first []int, weights [][]float64) {
	for p := range e.frequencyHz {
		low, high := math.Inf(1), 0.0
		pt := &e.grid.points[p]
		for side := range pt.parts {
			if q := &pt.parts[side]; q.share > 0 {
				b := e.bands[q.band]
				bin := b.rateHz / float64(b.size)
				low = min(low, bin*float64(b.low+q.first-4))
				high = max(high, bin*float64(b.low+q.first+len(q.bins)+3))
			}
		}
		from := max(0, int(low/spacing))
		w := make([]float64, int(high/spacing)-from+1)
		for side := range pt.parts {
			q := &pt.parts[side]
			if q.share == 0 {
				continue
			}
			b := e.bands[q.band]
			bin := b.rateHz / float64(b.size)
			for i, v := range q.bins {
				for k := range w {
					if x := spacing*float64(from+k)/bin - float64(b.low+q.first+i); math.Abs(x) < 4 {
						w[k] += q.share * v * hannPower(x) * spacing / bin / 1.5
					}
				}
			}
		}
		first, weights = append(first, from), append(weights, w)
	}
	return first, weights
}

// run makes two takes of one room of that reverberation time with different
// programme and compares them, and with the room.
func (n *repeats) run(t *testing.T, w *way, play func(*rand.Rand, float64, int) []float64, rt60 float64, seed uint64, first []int, weights [][]float64) {
	const delayS = 0.012
	r := programme.New(seed)
	room := programme.Room(r, repeatRate, delayS, rt60, 0)
	cfg := w.cfg
	cfg.SampleRateHz = repeatRate
	var curves [2][2]Curve
	for k := range curves {
		x := play(r, repeatRate, int(w.seconds*repeatRate))
		y := programme.AddNoise(r, programme.Convolve(x, room), 50)
		e := newEstimator(t, cfg)
		if err := e.SetDelay(0, delayS); err != nil {
			t.Fatal(err)
		}
		e.Feed(x, [][]float64{y})
		var s, smooth Spectra
		e.Spectra(0, &s)
		s.Curve(&curves[k][0])
		Smooth(&smooth, &s, 6)
		smooth.Curve(&curves[k][1])
	}
	for f := range n.points {
		a, b := &curves[0][f], &curves[1][f]
		for i, hz := range a.FrequencyHz {
			if hz < 50 || hz > 6000 {
				continue
			}
			if f == 0 {
				n.grid++
			}
			if !(a.Coherence[i] > a.Threshold[i] && b.Coherence[i] > b.Threshold[i]) {
				continue
			}
			n.points[f]++
			d := math.Abs(a.MagnitudeDB[i] - b.MagnitudeDB[i])
			if d <= math.Hypot(a.MagnitudeHighDB[i]-a.MagnitudeDB[i], b.MagnitudeHighDB[i]-b.MagnitudeDB[i]) {
				n.agree[f]++
			}
			if f == 0 {
				n.square += d * d
			}
		}
	}
	if cfg.Window != 0 {
		return
	}
	const size = 1 << 16 // of the windows' lines; the longest room lasts 3.3 s
	padded := make([]float64, size)
	copy(padded, room)
	h := fft.NewReal(size).Forward(nil, padded)
	for k := range h {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) * repeatRate / float64(size) * delayS)
		h[k] *= complex(cos, sin)
	}
	for k := range curves {
		c := &curves[k][0]
		for p, hz := range c.FrequencyHz {
			if hz < 50 || hz > 6000 || !(c.Coherence[p] > c.Threshold[p]) {
				continue
			}
			var want complex128
			for j, v := range weights[p] {
				want += complex(v, 0) * h[first[p]+j]
			}
			db := 10 * math.Log10(real(want)*real(want)+imag(want)*imag(want))
			n.checked++
			if c.MagnitudeLowDB[p] <= db && db <= c.MagnitudeHighDB[p] {
				n.covered++
			}
		}
	}
}

// Two takes of one unchanged room agree within their 95 % intervals, whatever
// is repertoire, and hold the true response as the window lets it through: that is
// what music and speech in reverberation have to show.
func TestRepeatsAgree(t *testing.T) {
	rooms, plays, measured, runs := []float64{1.2}, repertoire[5:7:7], ways[:1], 1
	if truth.Thorough {
		rooms, plays, measured, runs = []float64{0.5, 1.2, 3}, repertoire, ways, 12
	}
	first, weights := windows48(newEstimator(t, Config{SampleRateHz: repeatRate}), repeatRate/float64(1<<16))
	for w := range measured {
		w := &measured[w]
		for _, play := range plays {
			for _, rt60 := range rooms {
				all := make([]repeats, runs)
				truth.Trials(runs, func(run int) {
					all[run].run(t, w, play.make, rt60, uint64(1000*run)+uint64(10*rt60), first, weights)
				})
				var n repeats
				for i := range all {
					for f := range n.points {
						n.points[f] += all[i].points[f]
						n.agree[f] += all[i].agree[f]
					}
					n.checked, n.covered = n.checked+all[i].checked, n.covered+all[i].covered
					n.square, n.grid = n.square+all[i].square, n.grid+all[i].grid
				}
				fine, coarse := 100*n.agree[0]/n.points[0], 100*n.agree[1]/n.points[1]
				differ := math.Sqrt(n.square / n.points[0])
				found := fmt.Sprintf("%.1f %%; %.1f %%", fine, coarse)
				if n.checked > 0 {
					found += fmt.Sprintf("; %.1f %%", 100*n.covered/n.checked)
					if truth.Thorough && 100*n.covered/n.checked < w.least {
						t.Errorf("%s, %s, T = %v s: the truth is covered in %.1f %%", w.name, play.name, rt60, 100*n.covered/n.checked)
					}
				}
				found += fmt.Sprintf("; %.2f dB apart, %.0f %% of the points known", differ, 100*n.points[0]/n.grid)
				t.Logf("%s, %s, T = %v s: %s", w.name, play.name, rt60, found)
				if truth.Thorough && min(fine, coarse) < w.least {
					t.Errorf("%s, %s, T = %v s: takes agree in %.1f %% at 1/48, %.1f %% at 1/6 octave", w.name, play.name, rt60, fine, coarse)
				}
				// One pair of takes; by power they would be some 2 dB apart.
				if !truth.Thorough && (fine < 85 || coarse < 85 || differ > 1) {
					t.Errorf("%s, %s, T = %v s: takes agree in %.1f %% and %.1f %%, and are %.2f dB apart", w.name, play.name, rt60, fine, coarse, differ)
				}
				if truth.Thorough {
					truth.Claim(t, fmt.Sprintf("%s, %s, T = %v s, two takes agree at 1/48; at 1/6 octave; truth held: 93…97 %%, at least %.0f", w.name, play.name, rt60, w.least), "Cochran, Sampling Techniques, ch. 5; Monte Carlo",
						found, truth.AtLeast(min(fine, coarse), fmt.Sprintf("%.0f", w.least)))
				}
			}
		}
	}
}
