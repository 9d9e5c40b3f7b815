package watch

import "math"

// How a rise of the noise and a dead input are told.
const (
	riseRatio     = 4    // 6 dB over what the programme explains count as a rise
	riseThreshold = 8    // steps' worth of evidence
	deadRatio     = 1e-3 // of the energy expected
	deadSteps     = 4
)

// listen follows the noise: a cumulative sum of how far the residual exceeds
// what reverberation and the baseline's noise explain.
func (w *Watch) listen(direct, residual float64) {
	expected := w.b.reverb*direct + w.b.noise
	if w.waiting > 0 || w.suspicious() || expected <= 0 || w.wrong() {
		w.rise = 0
		return
	}
	ratio := residual / expected
	w.rise = math.Max(0, w.rise+min(max(math.Log(ratio/riseRatio), -1), 1))
	if w.rise < riseThreshold {
		return
	}
	w.rise = 0
	w.events = append(w.events, Event{
		Change: Change{Kind: NoiseRose, ChangeDB: 10 * math.Log10(ratio)},
		Sample: w.sample, Onset: w.sample, Confidence: 1,
	})
	w.b = w.b.noisier(ratio)
}

// suspicious tells that a sum is on its way to the threshold.
func (w *Watch) suspicious() bool {
	for i := range w.tests {
		if w.tests[i].sum > w.b.cfg.Threshold/2 {
			return true
		}
	}
	return false
}

// noisier is the baseline with more noise in the room.
func (b *Baseline) noisier(ratio float64) *Baseline {
	c := *b
	c.reverb *= ratio
	c.noise *= ratio
	return &c
}

// input tells whether the microphone is deaf although there is programme.
func (w *Watch) input(direct float64) bool {
	yy := 0.0
	for k := w.b.low; k < w.b.high; k++ {
		yy += w.yy[k]
	}
	dead := w.peak == 0 || yy < deadRatio*(direct*(1+w.b.reverb)+w.b.noise)
	if dead == w.deaf {
		w.silent = 0
		return w.deaf
	}
	if w.silent++; w.silent < deadSteps {
		return true // neither: wait
	}
	w.silent, w.deaf = 0, dead
	kind := InputBack
	if dead {
		kind = InputLost
	}
	w.events = append(w.events, Event{Change: Change{Kind: kind}, Sample: w.sample, Onset: w.sample, Confidence: 1})
	for i := range w.tests {
		w.tests[i].sum = 0
	}
	return dead
}
