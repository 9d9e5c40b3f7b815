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
	ex     []complex128 // Σ X*E, E against the baseline
	noise  []float64    // variance of ex
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
	r.xx, r.ex, r.noise = make([]float64, bins), make([]complex128, bins), make([]float64, bins)
}

func (r *recent) add(w *Watch) {
	for k := w.b.low; k < w.b.high; k++ {
		// Against the baseline, whatever is in force.
		e := w.ex[k] + (w.now[k]-w.b.h[k])*complex(w.xx[k], 0)
		r.xx[k] = fade*r.xx[k] + w.xx[k]
		r.ex[k] = complex(fade, 0)*r.ex[k] + e
		r.noise[k] = fade*fade*r.noise[k] + w.xx[k]*w.noise[k]
	}
}

// change is the power of what is heard of the reference in some bins against
// the baseline's: with D what the response has gained,
//
//	Σ|H+D|²|X|² / Σ|H|²|X|² = 1 + Σ(2 Re H*·X*E + |X*E|²/|X|²) / Σ|H|²|X|²
//
// less what noise contributes to |X*E|². sd is its standard deviation; a ratio
// of NaN says that nothing is known.
func (r *recent) change(b *Baseline, from, to int) (ratio, sd float64) {
	var power, gained, variance float64
	for k := from; k < to; k++ {
		xx := r.xx[k]
		if !b.usable[k] || xx == 0 {
			continue
		}
		h, d := b.h[k], r.ex[k]/complex(xx, 0)
		power += abs2(h) * xx
		gained += 2*real(conj(h)*r.ex[k]) + (abs2(r.ex[k])-r.noise[k])/xx
		variance += 2*abs2(h+d)*r.noise[k] + r.noise[k]*r.noise[k]/(xx*xx)
	}
	if power == 0 {
		return math.NaN(), math.NaN()
	}
	return 1 + gained/power, math.Sqrt(leastSpread*variance) / power
}

// restart leaves nothing of what was heard before the last steps.
func (r *recent) restart(w *Watch, s *snapshot) {
	for k := w.b.low; k < w.b.high; k++ {
		r.xx[k] = s.xx[k]
		r.ex[k] = s.xy[k] - w.b.h[k]*complex(s.xx[k], 0)
		r.noise[k] = s.noise[k] * s.xx[k]
	}
}

// Differences appends, by third of an octave, the level of what is heard of the
// reference against the baseline over the last few seconds, with its 95 % interval.
func (w *Watch) Differences(dst []Difference) []Difference {
	for i, from := range w.recent.bounds[:len(w.recent.bounds)-1] {
		to := w.recent.bounds[i+1]
		d := Difference{LowHz: w.b.hz(from), HighHz: w.b.hz(to), DB: math.NaN(), ErrorDB: math.NaN()}
		if ratio, sd := w.recent.change(w.b, from, to); ratio > 0 {
			d.DB = 10 * math.Log10(ratio)
			d.ErrorDB = 1.96 * sd / ratio * 10 / math.Ln10
		}
		dst = append(dst, d)
	}
	return dst
}
