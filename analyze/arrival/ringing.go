package arrival

import (
	"math"
	"math/cmplx"
)

const (
	// ringMs is how far from an arrival its ringing is looked for.
	ringMs = 4.0
	// rings is what share of a candidate the pulse must explain. A second arrival of
	// any level leaves half of itself at most on both sides of a pulse without phase.
	rings = 0.55
)

// ringing says whether a candidate may be but what the band that is heard makes of a
// pulse: a steep edge rings, before the pulse as well where its filter is symmetric.
// Whatever the phase, the ringing of a pulse without phase tells how much.
func (w *Workspace) ringing(list []peak, at int, value float64) bool {
	if w.smear < apartMs/1000*w.grid {
		return false // a wide band has rung out by then
	}
	n := len(w.straight)
	for _, f := range list {
		away := int(math.Round(float64(at) - f.at))
		if math.Abs(float64(away)) > ringMs/1000*w.grid {
			continue
		}
		w.straighten()
		side := 0.0
		for i := away - 4; i <= away+4; i++ {
			side = max(side, math.Abs(w.straight[(i+n)%n]))
		}
		if side*math.Abs(f.amplitude) > rings*value {
			return true
		}
	}
	return false
}

// straighten fills w.straight, once for each correlation, with the pulse that has the
// magnitude of what is heard and no phase, 1 in the middle.
func (w *Workspace) straighten() {
	if w.straightened {
		return
	}
	w.straightened = true
	for k, q := range w.q {
		w.spectrumX[k] = q * complex(cmplx.Abs(w.total.xy[k]), 0)
	}
	w.back.Inverse(w.straight, w.spectrumX[:w.bins])
	if top := w.straight[0]; top > 0 {
		for i := range w.straight {
			w.straight[i] /= top
		}
	}
}
