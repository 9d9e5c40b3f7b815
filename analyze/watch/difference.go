package watch

import "math"

// Difference is how a band stands against the baseline.
type Difference struct {
	LowHz, HighHz float64
	DB            float64 // NaN while nothing is known
	ErrorDB       float64 // half width of the 95 % interval
}

// recent averages the newest steps, by third of an octave, for Differences.
type recent struct {
	bounds []int
	dot    []complex128 // Σ H*·X*E
	power  []float64    // Σ |H|²|X|²
	spread []float64    // Σ |H|²|X|²·noise
}

// fade is the weight of what was before the newest step: about 4 s.
const fade = 0.88

func (r *recent) init(b *Baseline) {
	for hz := 1000 * math.Pow(10, -1.35); b.bin(hz) < b.high; hz *= math.Pow(10, 0.1) {
		if k := b.bin(hz); k >= b.low {
			r.bounds = append(r.bounds, k)
		}
	}
	bands := len(r.bounds) - 1
	r.dot, r.power, r.spread = make([]complex128, bands), make([]float64, bands), make([]float64, bands)
}

func (r *recent) add(w *Watch) {
	for i := range r.dot {
		r.dot[i] *= fade
		r.power[i] *= fade
		r.spread[i] *= fade
		for k := r.bounds[i]; k < r.bounds[i+1]; k++ {
			if !w.b.usable[k] {
				continue
			}
			h := w.b.h[k]
			// Against the baseline, whatever is in force.
			e := w.ex[k] + (w.now[k]-h)*complex(w.xx[k], 0)
			p := abs2(h) * w.xx[k]
			r.dot[i] += conj(h) * e
			r.power[i] += p
			r.spread[i] += p * w.noise[k]
		}
	}
}

// Differences appends, by third of an octave, the level of what is heard of the
// reference against the baseline over the last few seconds, with its 95 % interval.
func (w *Watch) Differences(dst []Difference) []Difference {
	r := &w.recent
	for i := range r.dot {
		d := Difference{LowHz: w.b.hz(r.bounds[i]), HighHz: w.b.hz(r.bounds[i+1]), DB: math.NaN(), ErrorDB: math.NaN()}
		if p := r.power[i]; p > 0 {
			ratio := math.Hypot(1+real(r.dot[i])/p, imag(r.dot[i])/p)
			sd := math.Sqrt(leastSpread*r.spread[i]/2) / p
			d.DB = 20 * math.Log10(ratio)
			d.ErrorDB = 1.96 * sd / ratio * 20 / math.Ln10
		}
		dst = append(dst, d)
	}
	return dst
}

// State is what is wrong at present; ok when nothing is.
func (w *Watch) State() (c Change, ok bool) { return w.state, w.state == (Change{}) && !w.deaf }
