package watch

import "math"

// Difference is how a band stands against the baseline.
type Difference struct {
	LowHz, HighHz float64
	DB            float64 // NaN while nothing is known
	ErrorDB       float64 // half width of the 95 % interval
}

// recent averages the newest steps, bin by bin, for Differences.
type recent struct {
	bounds []int
	xx     []float64    // Σ|X|²
	xy     []complex128 // Σ X*Y
	noise  []float64    // variance of xy
}

// fade is the weight of what was before the newest step: about 4 s.
const fade = 0.88

func (r *recent) init(b *Baseline) {
	for hz := 1000 * math.Pow(10, -1.35); b.bin(hz) < b.high; hz *= math.Pow(10, 0.1) {
		if k := b.bin(hz); k >= b.low {
			r.bounds = append(r.bounds, k)
		}
	}
	bins := b.n/2 + 1
	r.xx, r.xy, r.noise = make([]float64, bins), make([]complex128, bins), make([]float64, bins)
}

func (r *recent) add(w *Watch) {
	for k := w.b.low; k < w.b.high; k++ {
		r.xx[k] = fade*r.xx[k] + w.xx[k]
		r.xy[k] = complex(fade, 0)*r.xy[k] + w.ex[k] + w.now[k]*complex(w.xx[k], 0)
		r.noise[k] = fade*fade*r.noise[k] + w.xx[k]*w.noise[k]
	}
}

// restart leaves nothing of what was heard before the last steps.
func (r *recent) restart(s *snapshot) {
	copy(r.xx, s.xx)
	copy(r.xy, s.xy)
	for k, xx := range s.xx {
		r.noise[k] = s.noise[k] * xx
	}
}

// change is the power of what is heard of the reference in some bins against
// the baseline's, H, in the air of now: with E = Y − HX,
//
//	1 + Σ(2 Re H*·X*E + |X*E|²/|X|²) / Σ|H|²|X|²
//
// less what noise contributes to |X*E|². sd is its standard deviation; a ratio
// of NaN says that nothing is known.
func (r *recent) change(b *Baseline, base []complex128, from, to int) (ratio, sd float64) {
	var power, gained, variance float64
	for k := from; k < to; k++ {
		xx := r.xx[k]
		if !b.usable[k] || xx == 0 {
			continue
		}
		h, e := base[k], r.xy[k]-base[k]*complex(xx, 0)
		power += abs2(h) * xx
		gained += 2*real(conj(h)*e) + (abs2(e)-r.noise[k])/xx
		variance += 2*abs2(r.xy[k]/complex(xx, 0))*r.noise[k] + r.noise[k]*r.noise[k]/(xx*xx)
	}
	if power == 0 {
		return math.NaN(), math.NaN()
	}
	return 1 + gained/power, math.Sqrt(leastSpread*variance) / power
}

// Differences appends, by third of an octave, the level of what is heard of the
// reference against the baseline, in the air of now, over the last few seconds, with
// its 95 % interval.
func (w *Watch) Differences(dst []Difference) []Difference {
	for i, from := range w.recent.bounds[:len(w.recent.bounds)-1] {
		to := w.recent.bounds[i+1]
		d := Difference{LowHz: w.b.hz(from), HighHz: w.b.hz(to), DB: math.NaN(), ErrorDB: math.NaN()}
		if ratio, sd := w.recent.change(w.b, w.base, from, to); ratio > 0 {
			d.DB = 10 * math.Log10(ratio)
			d.ErrorDB = 1.96 * sd / ratio * 10 / math.Ln10
		}
		dst = append(dst, d)
	}
	return dst
}
