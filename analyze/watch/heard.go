package watch

// heard keeps the newest steps bin by bin, so that what a change has left
// behind can be looked at by itself, without what was before it.
type heard struct {
	xx, yy [recall][]float32   // Σ|X|², Σ|Y|²
	xy     [recall][]complex64 // Σ X*Y
	at     int                 // where the newest is
	count  int                 // how many there are, at most recall
}

const (
	// recall is how many steps are kept: as many as surely are from after a change
	// when it is decided. To reach the threshold takes five, deliberate−1 more follow,
	// and the first may be half from before.
	recall = (DefaultThreshold+stepBound-1)/stepBound + deliberate - 2
	// fewest is how many steps make a response that can be judged: two seconds.
	fewest = 4
)

func (h *heard) init(bins int) {
	for i := range h.xx {
		h.xx[i], h.yy[i], h.xy[i] = make([]float32, bins), make([]float32, bins), make([]complex64, bins)
	}
}

// add takes the step that has just ended.
func (h *heard) add(w *Watch) {
	h.at, h.count = (h.at+1)%recall, min(h.count+1, recall)
	xx, yy, xy := h.xx[h.at], h.yy[h.at], h.xy[h.at]
	for k := w.b.low; k < w.b.high; k++ {
		xx[k], yy[k] = float32(w.xx[k]), float32(w.yy[k])
		xy[k] = complex64(w.ex[k] + w.now[k]*complex(w.xx[k], 0))
	}
}

// snapshot is what was heard in some of the newest steps.
type snapshot struct {
	steps int
	xx    []float64
	xy    []complex128
	h     []complex128 // response; where the reference had no energy that in force
	noise []float64    // variance of h·√xx, the same in each bin of a sixth of an octave
}

// take sums so many steps but for the newest few, at most as many as there are. The noise is what
// no response explains: with n segments, (Σ|Y|²−|ΣX*Y|²/Σ|X|²)/(n−1) a segment,
// a little more because neighbouring segments overlap.
func (h *heard) take(w *Watch, but, steps int) *snapshot {
	steps = min(steps, h.count-but)
	bins := len(w.now)
	s := &snapshot{steps: steps, xx: make([]float64, bins), xy: make([]complex128, bins), h: make([]complex128, bins), noise: make([]float64, bins)}
	yy := make([]float64, bins)
	for i := range steps {
		at := (h.at - but - i + recall) % recall
		for k := w.b.low; k < w.b.high; k++ {
			s.xx[k] += float64(h.xx[at][k])
			yy[k] += float64(h.yy[at][k])
			s.xy[k] += complex128(h.xy[at][k])
		}
	}
	copy(s.h, w.now)
	left := make([]float64, bins+1)
	for k := w.b.low; k < w.b.high; k++ {
		left[k+1] = left[k]
		if s.xx[k] > 0 {
			s.h[k] = s.xy[k] / complex(s.xx[k], 0)
			left[k+1] += max(0, yy[k]-abs2(s.xy[k])/s.xx[k])
		}
	}
	segments := float64(steps * perStep)
	for k := w.b.low; k < w.b.high; k++ {
		half := max(2, k/12)
		from, to := max(w.b.low, k-half), min(w.b.high, k+half+1)
		s.noise[k] = overlapped / (segments - 1) * (left[to] - left[from]) / float64(to-from)
	}
	return s
}

// overlapped is by how much the variance of an average of half-overlapping Hann
// segments exceeds that of independent ones: 1+2/36.
const overlapped = 1 + 2./36
