package watch

import "math"

const (
	// DefaultThreshold of the cumulative sums. Mean time between false alarms of
	// one sum with Gaussian data is at least e^h steps; 8 h hold 57 000 steps and
	// about 70 sums are watched, so that h = 15 would do for one false alarm in a
	// day. The rest is for programme that is not Gaussian; found by simulation.
	DefaultThreshold = 25
	// octaveBound and stepBound limit what one octave and one step can say: no
	// single event in the programme can raise an alarm.
	octaveBound = 3
	stepBound   = 6
	// deliberate is how many steps pass between the first sum over the threshold
	// and the verdict, for the best hypothesis to get ahead of its neighbours.
	deliberate = 3
	// relearn is how many steps the response is averaged after an event, before
	// it is the one in force.
	relearn = 16
	// settleSteps pass before the noise estimate is trusted.
	settleSteps = 4
	// keep is how many steps of evidence are kept to tell hypotheses apart.
	keep = 24
	// forget is the weight of the newest step in the noise estimate.
	forget = 0.2
)

// Event is a change that was found.
type Event struct {
	Change
	Sample     uint64  // where it was found; it happened a few seconds before
	Onset      uint64  // where the evidence begins
	Confidence float64 // 0…1, against all other kinds of change, known or not
}

// Watch compares audio with a Baseline.
type Watch struct {
	b       *Baseline
	seg     *segments
	climate climate

	// The response in force, and what is tested against it.
	now   []complex128
	parts [][]complex128
	tests []test
	state Change // what is wrong; the zero Change when nothing is

	// Sums of the current step.
	count  int
	xx     []float64    // Σ|X|²
	ex     []complex128 // Σ X*E
	ee     []float64    // Σ|E|²
	yy     float64
	peak   float64
	noise  []float64 // estimate of |E|² a segment
	smooth []float64
	weight []float64 // 1/(spread·noise)
	steps  int
	paused float64 // steps without programme just now

	learning int          // steps left of an average after an event
	newXX    []float64    // of that average
	newXY    []complex128 // Σ X*Y
	waiting  int          // steps left to deliberate, 0 when no sum is over
	at       int          // where the newest step stands in the tests' rings

	rise   float64 // cumulative sum of the noise
	silent int     // steps without input
	deaf   bool

	recent recent
	events []Event
	sample uint64
	onStep func() // for learning
}

// test is a hypothesis under test.
type test struct {
	hypothesis
	sum    float64
	onset  int           // steps since sum was last zero
	newest [keep]float64 // the steps' log-likelihood ratios, unbounded, in a ring
	energy [keep]float64 // of what it would change, Σ|D|²|X|²/S, likewise
}

// evidence is the log-likelihood ratio of the newest steps.
func (t *test) evidence(at, steps int) float64 {
	e := 0.0
	for i := range min(steps, keep) {
		e += t.newest[(at-i+keep)%keep]
	}
	return e
}

// extent is how much of its change the newest steps show, by least squares: 1 is
// all of it.
func (t *test) extent(at, steps int) float64 {
	var e, q float64
	for i := range min(steps, keep) {
		k := (at - i + keep) % keep
		e += t.newest[k]
		q += t.energy[k]
	}
	return (e/q + 1) / 2
}

// New starts a watch.
func New(b *Baseline) *Watch {
	bins := b.n/2 + 1
	w := &Watch{
		b:      b,
		seg:    newSegments(b.cfg.SampleRateHz, b.lead),
		xx:     make([]float64, bins),
		ex:     make([]complex128, bins),
		ee:     make([]float64, bins),
		noise:  make([]float64, bins),
		smooth: make([]float64, bins+1),
		weight: make([]float64, bins),
		newXX:  make([]float64, bins),
		newXY:  make([]complex128, bins),
	}
	w.recent.init(b)
	w.climate.init(b)
	w.restore()
	return w
}

// restore puts the baseline back in force.
func (w *Watch) restore() {
	w.now, w.parts = w.climate.responses()
	w.state = Change{}
	w.arm()
}

// arm makes the tests for the response in force.
func (w *Watch) arm() {
	w.tests = w.tests[:0]
	for _, h := range hypotheses(w.b, w.now, w.parts) {
		w.tests = append(w.tests, test{hypothesis: h})
	}
	if w.state != (Change{}) {
		h, _ := w.climate.responses()
		d := make([]complex128, len(h))
		for k := range d {
			d[k] = h[k] - w.now[k]
		}
		w.tests = append(w.tests, test{hypothesis: hypothesis{Change: Change{Kind: Restored, What: w.state.What}, d: d, from: w.b.low, to: w.b.high, part: -1}})
	}
}

// Break says that samples are missing in front of what is fed next.
func (w *Watch) Break() { w.seg.clear() }

// Feed takes the next samples of both channels; equal lengths, any length.
// It allocates only when an event is found or the air has warmed.
func (w *Watch) Feed(ref, mic []float64) {
	for len(ref) > 0 {
		k, whole := w.seg.feed(ref, mic)
		ref, mic = ref[k:], mic[k:]
		w.sample += uint64(k)
		if whole {
			w.add()
		}
	}
}

// Events appends what was found since the last call to dst.
func (w *Watch) Events(dst []Event) []Event {
	dst = append(dst, w.events...)
	w.events = w.events[:0]
	return dst
}

// add takes a segment into the step.
func (w *Watch) add() {
	b := w.b
	for k := b.low; k < b.high; k++ {
		x, y := w.seg.X[k], w.seg.Y[k]
		e := y - w.now[k]*x
		w.xx[k] += abs2(x)
		w.ex[k] += conj(x) * e
		w.ee[k] += abs2(e)
		w.yy += abs2(y)
	}
	w.peak = max(w.peak, w.seg.peak)
	if w.count++; w.count == perStep {
		w.step()
		w.count, w.yy, w.peak = 0, 0, 0
		clear(w.xx)
		clear(w.ex)
		clear(w.ee)
	}
}

// step weighs three segments.
func (w *Watch) step() {
	w.estimateNoise()
	if w.onStep != nil {
		w.onStep()
		return
	}
	direct, residual := w.powers()
	if !w.programme() || w.input(direct) {
		w.paused++
		return
	}
	w.recent.add(w)
	if w.steps <= settleSteps {
		return
	}
	if w.learning > 0 {
		w.learn()
		return
	}
	w.temper()
	w.accumulate()
	w.decide()
	w.listen(direct, residual)
}

// estimateNoise follows the spectrum of the residual: a mean over a sixth of an
// octave and the last seconds, and never below that of this very step.
func (w *Watch) estimateNoise() {
	b := w.b
	sum := 0.0
	w.smooth[b.low] = 0
	for k := b.low; k < b.high; k++ {
		if b.usable[k] {
			sum += w.ee[k] / perStep
		}
		w.smooth[k+1] = sum
	}
	w.steps++
	rate := math.Max(forget, 1/float64(w.steps))
	for o := range b.spread {
		for k := b.octaves[o]; k < b.octaves[o+1]; k++ {
			half := max(2, k/12)
			from, to := max(b.low, k-half), min(b.high, k+half+1)
			s := (w.smooth[to] - w.smooth[from]) / float64(to-from)
			w.noise[k] += rate * (s - w.noise[k])
			w.weight[k] = 0
			if s = math.Max(s, w.noise[k]); s > 0 && b.usable[k] {
				w.weight[k] = 1 / (b.spread[o] * s)
			}
		}
	}
}

// powers are the energy that the response in force expects and what is left.
func (w *Watch) powers() (direct, residual float64) {
	for k := w.b.low; k < w.b.high; k++ {
		if w.b.usable[k] {
			direct += abs2(w.now[k]) * w.xx[k]
			residual += w.ee[k]
		}
	}
	return direct, residual
}

// programme tells whether there is any: 40 dB below the baseline's is a pause.
func (w *Watch) programme() bool {
	var p float64
	for k := w.b.low; k < w.b.high; k++ {
		p += w.xx[k]
	}
	return p > 1e-4*w.b.level
}

// accumulate adds the step to the cumulative sums.
func (w *Watch) accumulate() {
	b := w.b
	w.at = (w.at + 1) % keep
	for i := range w.tests {
		t := &w.tests[i]
		bounded, whole, energy := 0.0, 0.0, 0.0
		for o := range b.spread {
			from, to := max(t.from, b.octaves[o]), min(t.to, b.octaves[o+1])
			s, q := 0.0, 0.0
			for k := from; k < to; k++ {
				d, e := t.d[k], w.ex[k]
				s += w.weight[k] * (real(d)*real(e) + imag(d)*imag(e))
				q += w.weight[k] * abs2(d) * w.xx[k]
			}
			s = 2*s - q
			energy += q
			whole += s
			bounded += min(max(s, -octaveBound), octaveBound)
		}
		t.newest[w.at], t.energy[w.at] = whole, energy
		t.onset++
		t.sum += min(max(bounded, -stepBound), stepBound)
		if t.sum <= 0 {
			t.sum, t.onset = 0, 0
		}
	}
}

// decide raises an event when a sum has been over the threshold long enough.
// The bounded sums say that something has changed; what it is, the hypothesis
// with the most evidence since then says.
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
	best, most := 0, math.Inf(-1)
	for i := range w.tests {
		if e := w.tests[i].evidence(w.at, leader.onset); e > most && w.plausible(&w.tests[i]) {
			best, most = i, e
		}
	}
	if i := w.gone(&w.tests[best], leader.onset); i >= 0 {
		best = i
	}
	w.accept(best, leader.onset)
}

// gone is the test of the loudspeaker that was lost, when the best one calls it
// softer; −1 when none was. Of a loudspeaker that is known by its arrival only
// most reverberation is nobody's, so that "all softer" explains more of its loss
// than its own silence does. But then the arrivals tell: one is gone, another is not.
func (w *Watch) gone(best *test, steps int) int {
	if !best.softer() {
		return -1
	}
	steps = (steps + 1) / 2 // these are surely from after the change
	found, most, least := -1, lostExtent, math.Inf(1)
	for i := range w.tests {
		t := &w.tests[i]
		if t.Kind != Lost {
			continue
		}
		x := t.extent(w.at, steps)
		least = min(least, x)
		if x >= most && (best.part < 0 || best.part == t.part) {
			found, most = i, x
		}
	}
	if least > most/2 {
		return -1
	}
	return found
}

// lostExtent of an arrival missing, amplitude, is taken for all of it: 10 dB.
const lostExtent = 0.7

// softer tells a change of level downwards.
func (c Change) softer() bool {
	return (c.Kind == LevelChanged || c.Kind == BandChanged) && c.ChangeDB < 0
}

// plausible tells whether the power has moved as a change of everybody's level
// would have it. Without it, "softer" is the nearest word for a loudspeaker that
// was turned over and of which only the first arrival is known.
func (w *Watch) plausible(t *test) bool {
	if t.Kind != LevelChanged && t.Kind != BandChanged || t.part >= 0 || w.state != (Change{}) {
		return true
	}
	ratio, _ := w.recent.change(w.b, t.from, t.to)
	// A good half of the steps in the average are from after the change.
	return ratio > 0 && 10*math.Log10(ratio)/t.ChangeDB > 0.25
}

// accept puts a hypothesis in force, on the evidence of the newest steps.
func (w *Watch) accept(i, steps int) {
	t := &w.tests[i]
	most, rivals := t.evidence(w.at, steps), 0.0
	for j := range w.tests {
		o := &w.tests[j]
		if t.Kind == Lost && o.softer() {
			continue // the arrivals have told these apart
		}
		if o.Kind != t.Kind || o.What != t.What {
			rivals += math.Exp(o.evidence(w.at, steps) - most)
		}
	}
	w.events = append(w.events, Event{
		Change: t.Change, Sample: w.sample, Onset: w.sample - min(w.sample, uint64(steps*perStep*w.seg.hop)),
		Confidence: w.fit(t) / (1 + rivals),
	})
	w.waiting, w.rise = 0, 0
	if t.Kind == Restored {
		w.restore()
		return
	}
	if t.part >= 0 {
		w.parts[t.part] = t.after(w.parts[t.part])
	} else if g := t.gain(); g != 1 {
		for i, p := range w.parts {
			w.parts[i] = scaled(p, g)
		}
	}
	w.state = t.Change
	w.learning = relearn
	clear(w.newXX)
	clear(w.newXY)
}

// fit is how well a hypothesis that is ahead of its rivals describes what has
// changed, 0…1: the truth may be none of them, as when a loudspeaker that is not
// known was turned over. By simulation a true one accounts for at least
// wellAlone of the change where each loudspeaker was recorded alone. Where the
// reverberation is nobody's, untrue ones reach 0.66, and only what accounts for
// more than wellMixed is beyond doubt.
func (w *Watch) fit(t *test) float64 {
	const wellAlone, wellMixed = 0.4, 0.75
	switch {
	case t.Kind == Restored: // what has been before, exactly
		return 1
	case w.b.alone:
		return min(1, w.explained(t.d, t.from, t.to)/wellAlone)
	}
	return min(1, w.explained(t.d, t.from, t.to)/wellMixed)
}

// learn averages the response that a change has left behind, since no
// hypothesis describes it to the last reflection.
func (w *Watch) learn() {
	for k := w.b.low; k < w.b.high; k++ {
		w.newXX[k] += w.xx[k]
		w.newXY[k] += w.ex[k] + w.now[k]*complex(w.xx[k], 0)
	}
	if w.learning--; w.learning > 0 {
		return
	}
	now := make([]complex128, len(w.now))
	for k := range now {
		if w.newXX[k] > 0 {
			now[k] = w.newXY[k] / complex(w.newXX[k], 0)
		}
	}
	w.now = now
	w.steps = 0
	clear(w.noise)
	w.arm()
}
