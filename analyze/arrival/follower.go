package arrival

import "math"

// Follower keeps one microphone's arrivals up to date. Feed it each block, call
// Step once a frame, read Delay and Arrivals. It follows a loudspeaker that is
// moved, delayed or flipped within half a second: short averages around the
// known delay (±21 ms) see each change at once, and when they no longer explain
// what is heard the whole range is searched in the newest fifth of a second.
//
// It stays with the arrival it has while that can be heard; another one must be
// 3 dB stronger to be preferred. Like Finder it does not allocate after
// NewFollower, and is not for two goroutines.
type Follower struct {
	finder *Finder
	fast   short // about 0.12 s
	slow   short // Config.TimeConstantS, begun anew after each change
	clock  int64 // samples fed in all

	nextTrack, nextSearch, nextList int64
	failures                        int
	changed                         int64   // clock since when what is heard is as it is
	said                            int64   // clock of Changed, −1 once what followed on it is known
	fresh                           int64   // history number of the first sample after Changed, −1 once the windows are past it
	usual                           float64 // share of the sound that arrives as known, lately
	doubtSince                      int64   // clock when the delay stopped to explain what is heard, −1 if it does

	looks   int
	sign    int // of the followed arrival, as glance last told
	known   fit // what slow told last
	found   bool
	arrival Arrival
	reason  string
	list    []Arrival
	trust   []float64 // of the third octaves
}

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
	f.nextTrack, f.nextSearch, f.nextList = f.clock, f.clock, f.clock
	for b := range f.trust {
		f.trust[b] = 1
	}
}

// Break says that samples are missing between the last Feed and the next.
func (f *Follower) Break() {
	f.finder.Break()
	f.fast.next = int64(max(f.fast.delay, 0) - f.finder.m/2)
	f.fresh = -1
}

// Changed says that what is measured was changed on purpose in front of the next
// sample. Nothing is missing: the reference of before is what late arrivals are
// found with. It may be said again and again, as while a loudspeaker is dragged.
func (f *Follower) Changed() {
	w := f.finder
	f.said, f.fresh = f.clock, w.history.end
	f.failures = 0
	soon := f.clock + int64(newS*w.rate)
	switch {
	case !f.found:
		f.nextSearch = min(f.nextSearch, soon)
	case f.doubtSince < 0:
		f.nextSearch = soon
	}
	f.nextList = f.clock + int64(0.4*w.rate)
	f.restart(0)
}

// SettledS is for how long, as far as is known, what is heard has been as it is.
func (f *Follower) SettledS() float64 { return float64(f.clock-f.changed) / f.finder.rate }

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
			f.nextTrack = f.clock + int64(w.m/2)
		}
		if weight := f.fast.transform(w, &f.finder.history); weight > 0 {
			f.fast.add(w, weight, math.Exp(-hop/fastS))
			f.slow.add(w, weight, math.Exp(-hop/f.finder.cfg.TimeConstantS))
		}
	}
}

// Delay is the arrival that the reference should be delayed to; ok is false
// while there is none, and reason then says why.
func (f *Follower) Delay() (a Arrival, ok bool, reason string) {
	return f.arrival, f.found, f.reason
}

// Arrivals appends the latest list to dst[:0], earliest first.
func (f *Follower) Arrivals(dst []Arrival) []Arrival { return append(dst[:0], f.list...) }

// Step does at most one piece of work, a few milliseconds at most, and reports
// whether Delay or Arrivals changed.
func (f *Follower) Step() bool {
	seconds := func(s float64) int64 { return int64(s * f.finder.rate) }
	doubt := f.doubtSince >= 0
	switch {
	case (!f.found || doubt) && f.clock >= f.nextSearch:
		return f.search(seconds)
	case f.found && !doubt && f.clock >= f.nextList:
		f.nextList = f.clock + seconds(6)
		return f.refresh(seconds)
	case f.found && f.clock >= f.nextTrack:
		f.nextTrack = f.clock + seconds(0.045)
		return f.track(seconds)
	}
	return false
}

// search looks over the whole range in the newest sound, or, where that does not
// do, in all since the last change.
func (f *Follower) search(seconds func(float64) int64) bool {
	w := f.finder
	settled := max(f.clock-f.changed, seconds(newS))
	count := int(min(settled, seconds(0.5)))
	if f.found {
		// What was heard since the doubt arose is all new.
		count = int(min(max(f.clock-f.doubtSince, seconds(newS)), settled, seconds(1)))
	} else if count = min(count, int(w.history.end)-w.m); count < int(seconds(newS)) {
		return false
	}
	w.newest(count)
	if !f.found && f.failures%2 == 1 && w.blocks > 0 {
		w.total.copyFrom(&w.sum)
	}
	n, u, reason := w.search()
	f.failures++
	if n == 0 {
		f.nextSearch = f.clock + seconds(min(0.1*float64(f.failures), 0.2))
		if gone := f.said >= 0 && f.clock-f.said >= seconds(mutedS); f.found && !gone && f.clock-f.doubtSince < seconds(pauseS) {
			return false
		}
		if !f.found { // no use in looking as often at what does not change
			f.nextSearch = f.clock + seconds(min(0.25*math.Pow(2, float64(f.failures/2)), 2))
		}
		changed := f.found || f.reason != reason
		if f.found {
			since := f.changed
			f.restart(0)
			f.changed, f.failures = since, 0
		}
		f.found, f.reason, f.doubtSince, f.said, f.list = false, reason, -1, -1, f.list[:0]
		return changed
	}
	f.failures, f.doubtSince, f.said = 0, -1, -1
	f.nextTrack, f.nextList = f.clock+seconds(0.2), f.clock+seconds(1.5)
	chosen := f.choose(w.list[:n])
	p, before := w.list[chosen], f.changed
	f.begin(p, count)
	f.changed = max(before, f.clock-w.since(p, seconds(lookBackS)))
	f.report(n, u, chosen)
	return true
}

// choose is the arrival to stay with: the one already followed unless another is
// 3 dB stronger.
func (f *Follower) choose(list []peak) int {
	best := 0
	for i, p := range list {
		if math.Abs(p.amplitude) > math.Abs(list[best].amplitude) {
			best = i
		}
	}
	if f.found {
		for i, p := range list {
			ms := f.finder.delayOf(p) * 1000 / f.finder.rate
			if math.Abs(ms-f.arrival.DelayMs) < 0.1 && math.Abs(p.amplitude) > 0.7*math.Abs(list[best].amplitude) {
				return i
			}
		}
	}
	return best
}

// begin lays the short windows to p and starts all averages with the newest count samples.
func (f *Follower) begin(p peak, count int) {
	w := f.finder
	delay := int(math.Round(w.delayOf(p)))
	from := w.history.end - int64(count)
	f.fast.align(w.Workspace, &w.history, delay, from)
	f.slow.align(w.Workspace, &w.history, delay, from)
	f.windows()
	f.known, f.usual = fit{}, 0
	f.restart(count)
}

// restart begins the long blocks anew with the newest count samples.
func (f *Follower) restart(count int) {
	w := f.finder
	f.changed = f.clock - int64(count)
	if w.sum.samples > 0 {
		w.sum.reset()
	}
	w.blocks = 0
	// The next long block ends about when it would have.
	end := w.start + int64(w.length)
	w.start = max(w.start, w.history.end-int64(min(count, w.block-1)))
	w.length = int(max(end, w.history.end+1) - w.start)
}

// report takes over list; list[chosen] is the one that is followed.
func (f *Follower) report(n int, u pulse, chosen int) {
	w := f.finder
	ms := w.delayOf(w.list[chosen]) * 1000 / w.rate
	f.list = w.report(f.list, w.list[:n], u, chosen, &f.slow)
	for _, a := range f.list {
		if math.Abs(a.DelayMs-ms) < 0.05 {
			f.arrival = a
			break
		}
	}
	f.found, f.reason = true, ""
}

// refresh makes the list from the long blocks.
func (f *Follower) refresh(seconds func(float64) int64) bool {
	w := f.finder
	if w.blocks == 0 {
		w.newest(int(min(seconds(1), f.clock-f.changed)))
	} else {
		w.total.copyFrom(&w.sum)
	}
	n, u, _ := w.search()
	if n == 0 {
		return false // the short windows still hold on to it
	}
	chosen := f.choose(w.list[:n])
	if math.Abs(w.delayOf(w.list[chosen])*1000/w.rate-f.arrival.DelayMs) > 0.1 {
		f.begin(w.list[chosen], int(seconds(0.5)))
	}
	f.report(n, u, chosen)
	return true
}

// hears takes note that the sound arrives as known, and how much of it.
func (f *Follower) hears(share float64) {
	if f.usual == 0 {
		f.usual = share / 2 // it may have been a lucky one
	}
	f.usual += 0.05 * (share - f.usual)
	f.doubtSince = -1
	if f.fresh < 0 {
		f.said = -1
	}
}

// track looks at what the short windows say about the known delay.
func (f *Follower) track(seconds func(float64) int64) bool {
	w := f.finder.Workspace
	level := func(s *short) float64 {
		sum := 0.0
		for _, v := range s.xx {
			sum += v
		}
		return sum / max(s.sum, 1e-9)
	}
	if level(&f.fast) < 1e-5*level(&f.slow) {
		return false // a pause of the programme: nothing to learn
	}
	guess := f.arrival.DelayMs / 1000 * w.rate
	at, value, share := f.fast.glance(w, f.trust, guess)
	// To the sample, the glance sees each change at once; finer looks cost more.
	f.looks++
	same := f.known.ok && math.Abs(at-f.known.delay) <= 1 && int(math.Copysign(1, value)) == f.sign
	if same && share >= 0.5*f.usual && f.looks%6 != 0 {
		f.hears(share)
		return false
	}
	fast := f.fast.refine(w, at, math.Copysign(1, value))
	astray := math.Abs(fast.delay-guess) > farMs/1000*w.rate && fast.sd > sureMs/1000*w.rate
	if !fast.ok || astray || share < 0.5*f.usual {
		if f.doubtSince < 0 {
			// Search once the newest sound is nearly all of it new.
			f.doubtSince = f.clock
			f.nextSearch = max(f.clock+seconds(0.1), f.changed+seconds(newS))
			f.failures = 0
		}
		return false
	}
	f.hears(share)
	f.sign = int(math.Copysign(1, value))
	// The slow averages change little from one look to the next.
	slow, strays := f.known, func() bool {
		return math.Abs(fast.delay-f.known.delay) > 3*math.Hypot(fast.noise, f.known.noise)+2e-5*w.rate
	}
	again := f.looks%12 == 0
	if again || !slow.ok || strays() {
		slow = f.slow.refine(w, guess, math.Copysign(1, value))
		f.known = slow
	}
	moved := !slow.ok || strays()
	if moved {
		f.slow.copyFrom(&f.fast)
		slow = fast
	} else if again {
		f.slow.judgeBands(w, f.trust, slow.delay)
	}
	f.known = slow
	before := f.arrival
	f.arrival.DelayMs = slow.delay * 1000 / w.rate
	f.arrival.DelaySDMs = slow.sd * 1000 / w.rate
	if front := int(math.Copysign(1, value)); f.arrival.front*front < 0 {
		f.arrival.front, f.arrival.Sign, f.arrival.own.sign = front, -f.arrival.Sign, -f.arrival.own.sign // flipped
	}
	for i := range f.list {
		if f.list[i].DelayMs == before.DelayMs {
			f.arrival.LevelDB = f.list[i].LevelDB
			f.list[i] = f.arrival
		}
	}
	if moved && math.Abs(f.arrival.DelayMs-before.DelayMs) > 0.05 {
		// What the long blocks hold is out of date, and so is the list.
		changed := f.changed
		f.restart(int(seconds(0.1)))
		p := peak{at: (slow.delay + float64(w.early)) / float64(w.decimate), amplitude: value}
		f.changed = max(changed, f.clock-f.finder.since(p, seconds(lookBackS)))
		f.nextList = f.clock + seconds(0.4)
	}
	if off := slow.delay - float64(f.fast.delay); math.Abs(off) > float64(w.m/32) {
		delay, from := int(math.Round(slow.delay)), f.finder.history.end-seconds(0.25)
		f.fast.align(w, &f.finder.history, delay, from)
		f.slow.align(w, &f.finder.history, delay, from)
		f.windows()
	}
	return true
}
