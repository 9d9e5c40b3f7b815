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
	// and the verdict, for enough to be heard of what the change has left.
	deliberate = 3
	// relearn is how many steps after an event improve the response in force.
	relearn = 16
	// settleSteps pass before the noise estimate is trusted.
	settleSteps = 4
	// forget is the weight of the newest step in the noise estimate.
	forget = 0.2
)

// Event is a change that was found.
type Event struct {
	Change
	Sample     uint64  // where it was found; it happened a few seconds before
	Onset      uint64  // where the evidence begins
	Confidence float64 // 0…1, against all other kinds of change, known or not
	Harmless   float64 // 0…1: how likely it is that nothing is at fault
}

// Watch compares audio with a Baseline.
type Watch struct {
	b       *Baseline
	seg     *segments
	climate climate

	// The baseline's response and that in force, in the air of now, and what is
	// tested against it.
	base   []complex128
	now    []complex128
	parts  [][]complex128
	tests  []test
	active []active // what is wrong, the newest last

	// Sums of the current step.
	count  int
	xx     []float64    // Σ|X|²
	ex     []complex128 // Σ X*E
	ee     []float64    // Σ|E|²
	yy     []float64    // Σ|Y|²
	peak   float64
	noise  []float64 // estimate of |E|² a segment
	smooth []float64
	weight []float64 // 1/(spread·noise)
	steps  int
	paused float64 // steps without programme just now

	heard    heard
	learning int          // steps left of an average after an event
	newXX    []float64    // of that average
	newXY    []complex128 // Σ X*Y
	variance []float64    // of the response that was measured last, by bin
	waiting  int          // steps left to deliberate, 0 when no sum is over
	waits    int          // how often that began anew

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
	sum   float64
	onset int // steps since sum was last zero
}

// New starts a watch.
func New(b *Baseline) *Watch {
	bins := b.n/2 + 1
	w := &Watch{
		b:        b,
		seg:      newSegments(b.cfg.SampleRateHz, b.lead),
		xx:       make([]float64, bins),
		ex:       make([]complex128, bins),
		ee:       make([]float64, bins),
		yy:       make([]float64, bins),
		variance: make([]float64, bins),
		noise:    make([]float64, bins),
		smooth:   make([]float64, bins+1),
		weight:   make([]float64, bins),
		newXX:    make([]float64, bins),
		newXY:    make([]complex128, bins),
	}
	w.recent.init(b)
	w.heard.init(bins)
	w.climate.init(b)
	w.restore()
	return w
}

// arm makes the tests for the response in force.
func (w *Watch) arm() {
	w.tests = w.tests[:0]
	for _, h := range hypotheses(w.b, w.now, w.parts) {
		w.tests = append(w.tests, test{hypothesis: h})
	}
	w.base = w.now
	for i, back := range w.undoings() {
		if i == 0 {
			w.base = back.mu
		}
		d := w.sure(minus(back.mu, w.now), 2) // where there is little but noise, it says nothing about a return
		w.tests = append(w.tests, test{hypothesis: hypothesis{Change: back.Change, d: d, from: w.b.low, to: w.b.high}})
	}
}

// Sample is how many samples were fed.
func (w *Watch) Sample() uint64 { return w.sample }

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
		w.yy[k] += abs2(y)
	}
	w.peak = max(w.peak, w.seg.peak)
	if w.count++; w.count == perStep {
		w.step()
		w.count, w.peak = 0, 0
		clear(w.xx)
		clear(w.ex)
		clear(w.ee)
		clear(w.yy)
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
	w.heard.add(w)
	if w.steps <= settleSteps {
		return
	}
	w.learn()
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
	for i := range w.tests {
		t := &w.tests[i]
		bounded := 0.0
		for o := range b.spread {
			from, to := max(t.from, b.octaves[o]), min(t.to, b.octaves[o+1])
			s, q := 0.0, 0.0
			for k := from; k < to; k++ {
				d, e := t.d[k], w.ex[k]
				s += w.weight[k] * (real(d)*real(e) + imag(d)*imag(e))
				q += w.weight[k] * abs2(d) * w.xx[k]
			}
			s = 2*s - q
			bounded += min(max(s, -octaveBound), octaveBound)
		}
		t.onset++
		t.sum += min(max(bounded, -stepBound), stepBound)
		if t.sum <= 0 {
			t.sum, t.onset = 0, 0
		}
	}
}
