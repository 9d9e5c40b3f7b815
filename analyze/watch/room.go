package watch

import "math"

// How a rise of the noise and a dead input are told.
const (
	riseRatio     = 4    // 6 dB over what the programme explains count as a rise
	riseThreshold = 8    // steps' worth of evidence
	deadRatio     = 1e-3 // of the energy expected
	deadSteps     = 4
	// stillHeard is the share of the room's own noise, in power, from which a
	// microphone that hears no programme still hears the room: −6 dB.
	stillHeard = 0.25
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

// input tells whether the microphone is deaf although there is programme. One that
// hears the room's noise as ever is not: then what plays is silent, which is for the
// judge. Where it hears less than that, but something, nobody can tell whether it is
// dead or the noise was nothing but reverberation: that is not said for sure.
func (w *Watch) input(direct float64) bool {
	yy := 0.0
	for k := w.b.low; k < w.b.high; k++ {
		yy += w.yy[k]
	}
	dead := w.peak == 0 || yy < deadRatio*(direct*(1+w.b.reverb)+w.b.noise) && !w.hearsRoom()
	if dead == w.deaf {
		w.silent = 0
		return w.deaf
	}
	if w.silent++; w.silent < deadSteps {
		return true // neither: wait
	}
	w.silent, w.deaf = 0, dead
	kind, confidence := InputBack, 1.0
	if dead {
		kind = InputLost
		if w.peak > 0 {
			confidence = doubt
		}
	}
	w.events = append(w.events, Event{Change: Change{Kind: kind}, Sample: w.sample, Onset: w.sample, Confidence: confidence})
	for i := range w.tests {
		w.tests[i].sum = 0
	}
	return dead
}

// hearsRoom tells whether most octaves are as loud as the room's noise alone.
func (w *Watch) hearsRoom() bool {
	loud := 0
	for o, quiet := range w.b.quiet {
		yy := 0.0
		for k := w.b.octaves[o]; k < w.b.octaves[o+1]; k++ {
			yy += w.yy[k] / perStep
		}
		if quiet > 0 && yy >= stillHeard*quiet {
			loud++
		}
	}
	return 2*loud > len(w.b.quiet)
}
