package arrival

import "math"

// Follower keeps one microphone's arrivals up to date. Feed it each block, call
// Step once a frame, read Delay and Arrivals. It follows a loudspeaker that is
// moved, delayed or flipped within half a second: short averages around the
// known delay (±21 ms) see each change at once, and when they no longer explain
// what is heard the whole range is searched in the newest fifth of a second.
// About once a second it holds the newest sound against all that was averaged,
// over the whole range: what another loudspeaker does is known within two.
//
// It stays with the arrival it has while that can be heard; another one must be
// 3 dB stronger to be preferred. Like Finder it does not allocate after
// NewFollower, and is not for two goroutines.
//
// Step may be called at any rate from some four a second on. Of the work that is
// due it does what has waited longest, so that nothing waits for ever:
//
//	track   every 45 ms    is the followed arrival where it was?
//	search  in doubt       where is it, then?
//	check   every second   is the newest sound what was averaged? then average it
//	renew   when due       the list of arrivals, out of the averages
//	ahead   while nothing  does the microphone hear it before the reference? The channels
//	        is found       change their parts, over the whole range
type Follower struct {
	finder *Finder
	fast   short // about 0.12 s
	slow   short // Config.TimeConstantS, begun anew after each change
	clock  int64 // samples fed in all

	jobs       [jobCount]job
	failures   int
	changed    int64   // clock since when what is heard is as it is
	changes    uint64  // how many changes were noticed
	said       int64   // clock of Changed, −1 once what followed on it is known
	fresh      int64   // history number of the first sample after Changed, −1 once the windows are past it
	usual      float64 // share of the sound that arrives as known, lately
	doubtSince int64   // clock when the delay stopped to explain what is heard, −1 if it does
	staleSince int64   // clock since when the list may be of what is over, −1 if it is not
	gathered   int64   // clock up to which the long averages have heard

	looks   int
	loud    int // looks in a row that found it louder, or softer if negative
	sign    int // of the followed arrival, as glance last told
	known   fit // what slow told last
	found   bool
	arrival Arrival
	reason  string
	list    []Arrival
	trust   []float64 // of the third octaves

	basis basis // what the list rests on

	back    []Arrival // of the channels exchanged, scratch
	aheadMs float64   // as last seen, 0: not seen
	ahead   Arrival   // of a microphone that hears it before the reference
	isAhead bool
}

// job is a kind of work that comes again.
type job struct{ due, ran int64 }

const (
	trackJob = iota
	searchJob
	checkJob
	renewJob
	aheadJob
	jobCount
)

const (
	fastS = 0.12
	// A delay that is farMs from what it was must be known to sureMs (one standard
	// deviation) to be taken from a few windows.
	farMs  = 0.3
	sureMs = 0.1
	// newS is the least sound that a search of the whole range is made in: what
	// steady needs to see that several windows agree.
	newS = 0.2
	// For so long what was followed may not be heard before it is given up: a pause
	// in the programme, or, when something was changed, what steady cannot do without.
	pauseS = 1.5
	mutedS = 0.3

	trackS = 0.045
	checkS = 1.0
	// soonS is how much sound a list is made of after a change, and when it is
	// looked at again.
	soonS = 0.35
	// For so long a list is kept that may be of what is over, while no new one can
	// be had; from then on only the followed arrival is told.
	expireS = 1.2
)

// NewFollower checks cfg; a TimeConstantS of 0 means 3 s.
func NewFollower(cfg Config) (*Follower, error) {
	if cfg.TimeConstantS == 0 {
		cfg.TimeConstantS = 3
	}
	finder, err := NewFinder(cfg)
	if err != nil {
		return nil, err
	}
	finder.coarse = true
	f := &Follower{
		finder: finder, fast: newShort(finder.layout), slow: newShort(finder.layout),
		list: make([]Arrival, 0, len(finder.list)), trust: make([]float64, len(finder.shorts)),
		basis: newBasis(finder), back: make([]Arrival, 0, len(finder.list)),
	}
	f.Reset()
	return f, nil
}

// Reset forgets everything.
func (f *Follower) Reset() {
	f.finder.Reset()
	f.fast.on, f.slow.on = false, false
	f.found, f.reason = false, "nothing was heard yet"
	f.list = f.list[:0]
	f.failures, f.doubtSince, f.said, f.fresh, f.changed = 0, -1, -1, -1, f.clock
	f.staleSince, f.gathered = -1, f.clock
	f.aheadMs, f.isAhead = 0, false
	for j := range f.jobs {
		f.jobs[j] = job{f.clock, f.clock}
	}
	for b := range f.trust {
		f.trust[b] = 1
	}
}

// Break says that samples are missing between the last Feed and the next.
func (f *Follower) Break() {
	f.finder.Break()
	f.fast.next = int64(max(f.fast.delay, 0) - f.finder.m/2)
	f.slow.next = f.fast.next
	f.fresh = -1
}

// Changed says that what is measured was changed on purpose in front of the next
// sample. Nothing is missing: the reference of before is what late arrivals are
// found with. It may be said again and again, as while a loudspeaker is dragged.
func (f *Follower) Changed() {
	w := f.finder
	f.said, f.fresh = f.clock, w.history.end
	f.failures = 0
	soon := f.clock + f.samples(newS)
	switch {
	case !f.found:
		f.jobs[searchJob].due = min(f.jobs[searchJob].due, soon)
	case f.doubtSince < 0:
		f.jobs[searchJob].due = soon
	}
	f.stale()
	f.restart(0)
}

// SettledS is for how long, as far as is known, what is heard has been as it is.
func (f *Follower) SettledS() float64 { return float64(f.clock-f.changed) / f.finder.rate }

// Changes counts how often what is heard was found to have changed, whether
// anybody had said so or not. What was averaged before is worth nothing then.
func (f *Follower) Changes() uint64 { return f.changes }

func (f *Follower) samples(seconds float64) int64 { return int64(seconds * f.finder.rate) }

// Feed takes the next samples of both channels; equal lengths, any size.
func (f *Follower) Feed(ref, mic []float64) {
	for len(ref) > 0 {
		n := min(len(ref), f.finder.m/2)
		f.finder.Feed(ref[:n], mic[:n])
		f.clock += int64(n)
		ref, mic = ref[n:], mic[n:]
		f.windows()
	}
}

// windows takes in the short windows that are due, in both averages.
func (f *Follower) windows() {
	w := f.finder.Workspace
	hop := float64(w.m/2) / w.rate
	for f.fast.due(w, &f.finder.history) {
		if f.fresh >= 0 && f.fast.next >= f.fresh {
			// The first window in which all is new; two are worth a look.
			f.fast.reset()
			f.slow.reset()
			f.known, f.fresh = fit{}, -1
			f.jobs[trackJob].due = f.clock + int64(w.m/2)
		}
		if weight := f.fast.transform(w, &f.finder.history); weight > 0 {
			f.fast.add(w, weight, math.Exp(-hop/fastS))
			f.slow.add(w, weight, math.Exp(-hop/f.finder.cfg.TimeConstantS))
		}
	}
}

// Delay is the arrival that the reference should be delayed to; ok is false
// while there is none, and reason then says why. A negative delay beyond 20 ms is of
// channels that are swapped.
func (f *Follower) Delay() (a Arrival, ok bool, reason string) {
	if f.isAhead && !f.found {
		return f.ahead, true, ""
	}
	return f.arrival, f.found, f.reason
}

// PeriodS is that of Finder, as the last look over the whole range found it.
func (f *Follower) PeriodS() float64 { return f.finder.PeriodS() }

// Arrivals appends the latest list to dst[:0], earliest first.
func (f *Follower) Arrivals(dst []Arrival) []Arrival {
	if f.isAhead && !f.found {
		return append(dst[:0], f.ahead)
	}
	return append(dst[:0], f.list...)
}

// Step does at most one piece of work, a few milliseconds at most, and reports
// whether Delay or Arrivals changed.
func (f *Follower) Step() bool {
	doubt := f.doubtSince >= 0
	wanted := [jobCount]bool{
		trackJob:  f.found,
		searchJob: !f.found || doubt,
		checkJob:  f.found && !doubt && f.staleSince < 0 && f.basis.ok,
		renewJob:  f.found && !doubt,
		aheadJob:  !f.found && f.finder.history.end > f.samples(aheadS),
	}
	next := -1
	for j, w := range wanted {
		if w && f.clock >= f.jobs[j].due && (next < 0 || f.jobs[j].ran < f.jobs[next].ran) {
			next = j
		}
	}
	if next < 0 {
		return false
	}
	f.jobs[next].ran = f.clock
	switch next {
	case trackJob:
		f.jobs[trackJob].due = f.clock + f.samples(trackS)
		return f.track()
	case searchJob:
		return f.search()
	case checkJob:
		f.check()
		return false
	case aheadJob:
		return f.lookAhead()
	}
	return f.renew()
}

// search looks over the whole range in the newest sound, or, where that does not
// do, in all since the last change.
func (f *Follower) search() bool {
	w := f.finder
	settled := max(f.clock-f.changed, f.samples(newS))
	count := int(min(settled, f.samples(0.5)))
	if f.found {
		// What was heard since the doubt arose is all new.
		count = int(min(max(f.clock-f.doubtSince, f.samples(newS)), settled, f.samples(1)))
	} else if count = min(count, int(w.history.end)-w.m); count < int(f.samples(newS)) {
		return false
	}
	if !f.found && f.failures%2 == 1 {
		count = f.gather()
	} else {
		w.newest(count)
	}
	n, u, reason := w.search()
	f.failures++
	if n == 0 {
		f.jobs[searchJob].due = f.clock + f.samples(min(0.1*float64(f.failures), 0.2))
		if gone := f.said >= 0 && f.clock-f.said >= f.samples(mutedS); f.found && !gone && f.clock-f.doubtSince < f.samples(pauseS) {
			return false
		}
		if !f.found { // no use in looking as often at what does not change
			f.jobs[searchJob].due = f.clock + f.samples(min(0.25*math.Pow(2, float64(f.failures/2)), 1))
		}
		return f.lose(reason)
	}
	f.failures, f.doubtSince, f.said = 0, -1, -1
	f.jobs[trackJob].due = f.clock + f.samples(0.2)
	chosen := f.choose(w.list[:n])
	p, before := w.list[chosen], f.changed
	same := f.found && math.Abs(f.ms(p)-f.arrival.DelayMs) < sameMs && p.amplitude*float64(f.sign) > 0
	if same { // the doubt was none: it may be weaker, or another has joined it
		f.usual, f.changed = 0, before
		f.stale()
		return false
	}
	f.rest(n, chosen)
	f.begin(p, count)
	f.changed = max(before, f.clock-w.since(p, f.samples(lookBackS)))
	f.changes++
	f.report(n, u, chosen)
	f.stale() // it was made in haste
	return true
}

// lose gives up what was followed, if anything was.
func (f *Follower) lose(reason string) bool {
	changed := f.found || f.reason != reason
	if f.found {
		since := f.changed
		f.restart(0)
		f.changed, f.failures = since, 0
		f.changes++
	}
	f.found, f.reason, f.doubtSince, f.said, f.staleSince, f.list = false, reason, -1, -1, -1, f.list[:0]
	return changed
}

// choose is the arrival to stay with: the one already followed unless another is
// 3 dB stronger.
func (f *Follower) choose(list []peak) int {
	best := strongest(list)
	if f.found {
		for i, p := range list {
			if math.Abs(f.ms(p)-f.arrival.DelayMs) < 0.1 && math.Abs(p.amplitude) > 0.7*math.Abs(list[best].amplitude) {
				return i
			}
		}
	}
	return best
}

// ms is a peak's delay.
func (f *Follower) ms(p peak) float64 { return f.finder.delayOf(p) * 1000 / f.finder.rate }

// begin lays the short windows to p and starts all averages with the newest count samples.
func (f *Follower) begin(p peak, count int) {
	w := f.finder
	delay := int(math.Round(w.delayOf(p)))
	from := w.history.end - int64(count)
	f.fast.align(w.Workspace, &w.history, delay, from)
	f.slow.align(w.Workspace, &w.history, delay, from)
	f.windows()
	f.known, f.usual = fit{}, 0
	f.changed = f.clock - int64(count)
}

// restart forgets the long averages: what is heard is as it is since count samples.
func (f *Follower) restart(count int64) {
	f.changed = f.clock - count
	f.gathered = f.changed
	f.basis.ok = false
	f.finder.sum.samples = 0
}
