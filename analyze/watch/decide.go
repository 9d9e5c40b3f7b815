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
		w.waiting = 0
		return
	}
	if w.waiting == 0 {
		w.waiting = deliberate
	}
	if w.waiting--; w.waiting > 0 {
		return
	}
	w.diagnose(leader.onset)
}

const (
	// wellExplained is the share of a change from which its cause is beyond doubt. A
	// moved microphone keeps the power and turns the phases: no fault, which would
	// have to do without one or the other, accounts for more than half of that.
	wellExplained = 0.8
	// airAlone is the share that warmer air must explain to be the whole story.
	airAlone = 0.6
	// asBefore is by how much "as the baseline" is preferred.
	asBefore = 5
	// apart is by how much of its power a band must differ to have changed.
	changed = 0.03
)

// diagnose weighs all causes of a change that began so many steps ago.
func (w *Watch) diagnose(steps int) {
	// The step in which it began is half before it.
	s := w.heard.take(w, min(max(steps-1, fewest), recall))
	j := newJudge(w, s)
	causes := append(j.faults(), j.harmless()...)
	if w.state != (Change{}) {
		causes = append(causes, cause{Change: Change{Kind: Restored, What: w.state.What}, mu: w.climate.baseline(), free: -asBefore})
	}
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
	if j.weigh(&none); none.score >= best.score && !j.differs() {
		w.rest()
		return
	}
	var rivals, harmless, all float64
	for i := range causes {
		c := &causes[i]
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
		w.quiet(s)
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
	w.accept(best, s)
}

// differs tells whether what is heard is not what is expected, whatever it is.
func (j *judge) differs() bool {
	n := 0
	for i, m := range j.before {
		if m > changed+2*j.bands[i].floor {
			n++
		}
	}
	return n > 1
}

// rest forgets the evidence.
func (w *Watch) rest() {
	w.waiting, w.rise = 0, 0
	for i := range w.tests {
		w.tests[i].sum, w.tests[i].onset = 0, 0
	}
}

// accept puts what was heard since a change in force, and forgets what was before.
func (w *Watch) accept(c *cause, s *snapshot) {
	w.rest()
	w.recent.restart(w, s)
	w.quiet(s)
	w.learning = 0
	if c.Kind == Restored {
		w.restore()
		return
	}
	w.state = c.Change
	w.learning = relearn
	copy(w.newXX, s.xx)
	copy(w.newXY, s.xy)
	w.now, w.parts = s.h, c.parts
	w.climate.renew(w.now, w.parts)
	w.compare(s)
	w.arm()
}

// quiet takes the noise to be what it was in a snapshot.
func (w *Watch) quiet(s *snapshot) {
	copy(w.noise, s.noise)
}

// compare finds the bands in which what was heard is surely not the baseline: in
// the others the two differ by noise, which says nothing about a return.
func (w *Watch) compare(s *snapshot) {
	base := w.climate.baseline()
	for i, from := range w.recent.bounds[:len(w.recent.bounds)-1] {
		to := w.recent.bounds[i+1]
		var all, noise float64
		for k := from; k < to; k++ {
			all += s.xx[k] * abs2(s.h[k]-base[k])
			noise += s.noise[k]
		}
		by := 0.0
		if all > 2*noise {
			by = 1 - noise/all
		}
		for k := from; k < to; k++ {
			w.differs[k] = by
		}
	}
}

// learn improves the response that a change has left behind by what is heard
// until the next one.
func (w *Watch) learn() {
	if w.learning == 0 || w.suspicious() {
		return
	}
	for k := w.b.low; k < w.b.high; k++ {
		w.newXX[k] += w.xx[k]
		w.newXY[k] += w.ex[k] + w.now[k]*complex(w.xx[k], 0)
	}
	if w.learning--; w.learning > 0 {
		return
	}
	now := append([]complex128(nil), w.now...)
	for k := range now {
		if w.newXX[k] > 0 {
			now[k] = w.newXY[k] / complex(w.newXX[k], 0)
		}
	}
	w.now = now
	w.climate.renew(w.now, w.parts)
	w.rearm()
}
