package arrival

import "math"

// basis is what the list of arrivals rests on: the long averages, weighted as
// they were when the list was made.
type basis struct {
	ok       bool
	gain     [32]float64 // of the third octaves
	peaks    []peak      // of the list
	top      float64     // the largest magnitude of them
	followed float64     // the amplitude of the one that is followed
	delay    float64     // and where it stands, samples
}

func newBasis(f *Finder) basis {
	return basis{peaks: make([]peak, 0, len(f.list))}
}

// rest lays down what the list that was just searched in total rests on: n peaks, the one followed being chosen.
func (f *Follower) rest(n, chosen int) {
	w, b := f.finder, &f.basis
	b.gain = w.gain
	b.peaks = append(b.peaks[:0], w.list[:n]...)
	b.top = math.Abs(w.list[strongest(w.list[:n])].amplitude)
	b.followed = w.list[chosen].amplitude
	b.delay = w.delayOf(w.list[chosen])
	b.ok = true
	w.sum.copyFrom(&w.total)
	f.gathered = f.clock
}

// stale says that the list may be of what is over: it is made anew once there is
// enough of what is new.
func (f *Follower) stale() {
	if f.staleSince >= 0 {
		return // however often it is said, as while something is dragged
	}
	f.staleSince = f.clock
	f.jobs[renewJob].due = f.clock + f.samples(soonS+0.25*f.finder.cfg.Stagger)
}

// gather takes the newest sound that the long averages have not heard in, and
// looks at all of it. The result is how many samples are new.
func (f *Follower) gather() int {
	w := f.finder
	count := int(min(f.clock-f.gathered, int64(w.block), w.history.end))
	w.newest(count)
	if w.sum.samples == 0 {
		w.sum.copyFrom(&w.total)
	} else {
		w.sum.merge(&w.total, w.keep(count))
		w.total.copyFrom(&w.sum)
	}
	f.gathered = f.clock
	return count
}

// renew makes the list anew: of the newest sound, when the old may be of what is
// over, else of all that was averaged.
func (f *Follower) renew() bool {
	w := f.finder
	haste := f.staleSince >= 0
	count := int(min(max(f.clock-f.changed, f.samples(soonS)), f.samples(1)))
	if haste {
		w.newest(count)
	} else {
		if !f.basis.ok {
			f.stale()
			return false
		}
		w.total.copyFrom(&w.sum)
	}
	n, u, _ := w.search()
	if n == 0 {
		f.jobs[renewJob].due = f.clock + f.samples(0.3)
		if haste && f.clock-f.staleSince > f.samples(expireS) && !f.paused() {
			return f.expire()
		}
		return false // the short windows still hold on to it
	}
	chosen := f.choose(w.list[:n])
	agrees := f.agrees(w.list[:n])
	f.rest(n, chosen)
	if math.Abs(f.ms(w.list[chosen])-f.arrival.DelayMs) > 0.1 {
		f.begin(w.list[chosen], min(count, int(f.samples(0.5))))
	}
	settled := f.clock - f.changed
	if !agrees && haste && settled > int64(count) {
		f.changed = f.clock - int64(count)
		f.changes++
	}
	f.report(n, u, chosen)
	f.staleSince = -1
	switch {
	case haste && settled < f.samples(soonS): // what is changing goes on changing
		f.stale()
	default:
		// Again once there is twice as much of it, until it changes little.
		again := min(w.sum.samples/w.rate, w.cfg.TimeConstantS+1)
		f.jobs[renewJob].due = f.clock + f.samples(again+0.1)
	}
	if haste {
		f.jobs[checkJob].due = f.clock + f.samples(soonS)
	}
	return true
}

// expire leaves but the followed arrival in the list.
func (f *Follower) expire() bool {
	if len(f.list) == 1 && f.list[0] == f.arrival {
		return false
	}
	f.arrival.LevelDB = 0
	f.list = append(f.list[:0], f.arrival)
	return true
}

// report takes over the list; list[chosen] is the one that is followed.
func (f *Follower) report(n int, u pulse, chosen int) {
	w := f.finder
	if p := &w.list[chosen]; f.found && f.known.ok && math.Abs(f.ms(*p)-f.arrival.DelayMs) < sameMs && f.sign != 0 {
		// They may stand on two lobes of one arrival: the first it is.
		if f.ms(*p) > f.arrival.DelayMs-0.5*1000/w.grid {
			p.at = (f.arrival.DelayMs/1000*w.rate + float64(w.early)) / float64(w.decimate)
			p.amplitude = math.Copysign(p.amplitude, float64(f.sign))
		} else {
			f.known, f.sign = fit{}, int(math.Copysign(1, p.amplitude))
		}
	}
	if !f.known.ok {
		f.sign = int(math.Copysign(1, w.list[chosen].amplitude))
	}
	ms := f.ms(w.list[chosen])
	f.list = w.report(f.list, w.list[:n], u, chosen, &f.slow)
	for i := range f.list {
		a := &f.list[i]
		if math.Abs(a.DelayMs-ms) >= 0.05 {
			continue
		}
		f.arrival = *a
		break
	}
	f.found, f.reason = true, ""
}
