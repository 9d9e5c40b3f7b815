package watch

import "math"

// decide asks what has happened when a sum has been over the threshold long
// enough. The bounded sums say that something has changed; what it is, all that
// was heard since says.
func (w *Watch) decide() {
	leader := &w.tests[0]
	for i := range w.tests {
		if w.tests[i].sum > leader.sum {
			leader = &w.tests[i]
		}
	}
	if leader.sum < w.b.cfg.Threshold {
		w.waiting, w.waits = 0, 0
		return
	}
	if w.waiting == 0 {
		w.waiting = deliberate
	}
	if w.waiting--; w.waiting > 0 {
		return
	}
	if w.waits < patience && !w.settled() {
		w.waits++
		w.waiting = deliberate
		return
	}
	w.diagnose(leader.onset)
}

// patience is how often a verdict is put off because something still changes.
const patience = 2

// settled tells whether the newest steps are all from after the change: a sum that
// was on its way up before it reaches the threshold sooner. Then the newest half
// differs from the one before.
func (w *Watch) settled() bool {
	half := recall / 2
	if w.heard.count < 2*half {
		return true
	}
	late, early := w.heard.take(w, 0, half), w.heard.take(w, half, half)
	j := newJudge(w, late)
	var between, all float64
	for i, m := range j.misfit(early.h) {
		for k := j.bands[i].from; k < j.bands[i].to; k++ {
			if early.xx[k] > 0 {
				m -= j.weight[k] * early.noise[k] / early.xx[k]
			}
		}
		between, all = between+m, all+j.before[i]
	}
	return between < mixed*all
}

// mixed is the share of a change, in power, by which the halves may differ. If two
// steps of three in the older one are from before it, they differ by 4/9.
const mixed = 0.4

const (
	// wellExplained is the share of a change from which its cause is beyond doubt. A
	// moved microphone keeps the power and turns the phases: no fault, which would
	// have to do without one or the other, accounts for more than half of that.
	wellExplained = 0.8
	// airAlone is the share that warmer air must explain to be the whole story.
	airAlone = 0.6
	// worthIt is by how much a cause must be better than none where nothing differs.
	worthIt = 6
	// asBefore is by how much "as the baseline" is preferred.
	asBefore = 5
	// changed is by how much of its power a band must differ to have changed.
	changed = 0.03
)

// diagnose weighs all causes of a change that began so many steps ago.
func (w *Watch) diagnose(steps int) {
	s := w.heard.take(w, 0, min(max(steps-1, fewest), recall))
	j := newJudge(w, s)
	if len(j.bands) == 0 { // it is too noisy to tell anything
		w.rest()
		return
	}
	causes := append(j.faults(), j.harmless()...)
	causes = append(causes, w.undoings()...)
	causes = append(causes, j.inOtherAir()...)
	best := &causes[0]
	for i := range causes {
		c := &causes[i]
		j.weigh(c)
		if c.Kind == warmed && c.explained < airAlone {
			c.score = math.Inf(-1)
		}
		if c.score > best.score {
			best = c
		}
	}
	none := cause{mu: w.now}
	if j.weigh(&none); none.score >= best.score-worthIt && !j.differs() {
		w.rest()
		return
	}
	gone := j.gone(causes, best)
	if gone >= 0 {
		best = &causes[gone]
	}
	// That it is nothing of all this is a rival as well.
	rivals, harmless, all := math.Exp(none.score-best.score), 0.0, 0.0
	for i := range causes {
		c := &causes[i]
		if gone >= 0 && (c.Kind == LevelChanged || c.Kind == BandChanged) && c.ChangeDB < 0 {
			continue // the arrivals have told these apart
		}
		p := math.Exp(c.score - best.score)
		all += p
		if c.harmless {
			harmless += p
		}
		if c.harmless != best.harmless || !c.harmless && (c.Kind != best.Kind || c.What != best.What) {
			rivals += p
		}
	}
	confidence := min(1, best.explained/wellExplained) / (1 + rivals)
	switch {
	case best.Kind == warmed:
		w.climate.change, w.climate.spread2 = best.kelvin, 0
		w.now, w.parts = w.climate.responses()
		w.rest()
		w.recent.restart(s)
		copy(w.noise, s.noise)
		w.arm()
		return
	case best.Kind == Restored:
		confidence = 1
	case best.harmless:
		confidence = doubt / (1 + rivals)
	}
	harmless /= all
	if best.Kind == Moved && math.Abs(best.ShiftMs)/1000*w.climate.speed() < nudgeMost {
		// As little as this the microphone may have moved towards the loudspeaker.
		confidence, harmless = min(confidence, doubt), max(harmless, 0.5)
	}
	w.events = append(w.events, Event{
		Change: best.Change, Sample: w.sample, Onset: w.sample - min(w.sample, uint64(steps*perStep*w.seg.hop)),
		Confidence: confidence, Harmless: harmless,
	})
	// What rings on from before the change is in the oldest of these steps, and must not
	// stay in force.
	w.accept(best, w.heard.take(w, 0, min(s.steps, fewest)))
}

// differs tells whether what is heard is not what is expected, whatever it is, and
// stays so: what differs otherwise in each half, as in a draught, is no change. What
// both halves have in common is free of noise.
func (j *judge) differs() bool {
	half := j.s.steps / 2
	late, early := j.w.heard.take(j.w, 0, half), j.w.heard.take(j.w, half, half)
	n := 0
	for i, b := range j.bands {
		lasting := 0.0
		for k := b.from; k < b.to; k++ {
			lasting += j.weight[k] * real((late.h[k]-j.w.now[k])*conj(early.h[k]-j.w.now[k]))
		}
		if min(lasting, j.before[i]) > changed+2*b.floor {
			n++
		}
	}
	return n > 1
}

// rest forgets the evidence.
func (w *Watch) rest() {
	w.waiting, w.waits, w.rise = 0, 0, 0
	for i := range w.tests {
		w.tests[i].sum, w.tests[i].onset = 0, 0
	}
}
