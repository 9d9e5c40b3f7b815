package arrival

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Config of a Finder. The zero value of a field means its default.
type Config struct {
	SampleRateHz  float64 // required, 44100…192000
	MaxDelayS     float64 // longest delay looked for, up to 3, default 1.5; the earliest is −0.02
	Max           int     // most arrivals reported, default 5
	TimeConstantS float64 // exponential forgetting, seconds; 0 averages all that was fed alike
	// Stagger, 0…1, shortens the first long block, so that the finders of several
	// microphones do their long transforms at different times: i/n for microphone i of n.
	Stagger float64
	// Workspace is scratch to share with finders of the same rate and range on
	// the same goroutine; nil makes one.
	Workspace *Workspace
}

func (c *Config) setDefaults() {
	if c.MaxDelayS == 0 {
		c.MaxDelayS = 1.5
	}
	if c.Max == 0 {
		c.Max = 5
	}
}

// Finder looks for the arrivals of a reference in one microphone. It allocates
// nothing after NewFinder. Not for two goroutines at once, nor are two finders
// that share a Workspace.
type Finder struct {
	*Workspace
	cfg     Config
	history history
	sum     long
	fine    short
	start   int64 // microphone sample that the next long block starts at
	length  int   // of the next long block
	blocks  int   // long blocks since Reset
	weights []float64
	flat    []float64
	list    []peak
	known   []float64 // band weights that long blocks told
	// repeating is the period of the reference, samples, as the last search found it;
	// 0: it does not repeat itself exactly within the range.
	repeating int
	several   bool     // delays fit, as the last search found it
	reason    struct { // why it cannot be told with that period, made once
		repeating int
		text      string
	}
	coarse bool // a Follower does the transforms itself, when it has the time
}

// NewFinder checks cfg and returns an empty finder.
func NewFinder(cfg Config) (*Finder, error) {
	cfg.setDefaults()
	l, err := newLayout(cfg)
	if err != nil {
		return nil, err
	}
	if cfg.Workspace == nil {
		cfg.Workspace = newWorkspace(l)
	}
	if cfg.Workspace.n != l.n || cfg.Workspace.latest != l.latest || cfg.Workspace.rate != l.rate {
		return nil, errWorkspace
	}
	f := &Finder{
		Workspace: cfg.Workspace, cfg: cfg, history: newHistory(l.n), sum: newLong(l), fine: newShort(l),
		weights: make([]float64, len(l.bands)), flat: make([]float64, len(l.bands)), known: make([]float64, len(l.bands)), list: make([]peak, max(cfg.Max, 1)),
	}
	for i := range f.flat {
		f.flat[i] = 1
	}
	f.Reset()
	return f, nil
}

// Reset forgets everything.
func (f *Finder) Reset() {
	f.sum.reset()
	f.fine.reset()
	f.fine.on = false
	f.history.end = 0
	f.start, f.blocks = 0, 0
	f.length = max(f.block-int(f.cfg.Stagger*float64(f.block)), f.block/16)
	copy(f.known, f.flat)
}

// Break says that samples are missing between the last Feed and the next.
func (f *Finder) Break() {
	if count := f.rest(); count > 0 && !f.coarse {
		f.sum.add(f.Workspace, &f.history, f.start, count, f.keep(count))
	}
	if !f.coarse && !f.fine.on {
		f.total.copyFrom(&f.sum)
		f.realign(0)
	}
	f.fine.finish(f.Workspace, &f.history)
	f.history.end, f.start, f.length = 0, 0, f.block
	f.fine.next = int64(max(f.fine.delay, 0) - f.m/2)
}

// rest is how many samples wait for a whole long block, at most one; too few
// are not worth it.
func (f *Finder) rest() int {
	if n := int(f.history.end-f.start) - f.ramp; n > f.ramp {
		return min(n, f.length)
	}
	return 0
}

// keep is the factor of forgetting over count samples.
func (f *Finder) keep(count int) float64 {
	if f.cfg.TimeConstantS <= 0 {
		return 1
	}
	return math.Exp(-float64(count) / f.rate / f.cfg.TimeConstantS)
}

// Feed takes the next samples of both channels; equal lengths, any size.
func (f *Finder) Feed(ref, mic []float64) {
	if len(ref) != len(mic) {
		panic("arrival: channels of different length")
	}
	if f.coarse {
		f.history.write(ref, mic)
		return
	}
	for len(ref) > 0 {
		due := f.start + int64(f.length+f.early+2*f.ramp) - f.history.end
		n := min(len(ref), int(due), f.m/2)
		f.history.write(ref[:n], mic[:n])
		ref, mic = ref[n:], mic[n:]
		for f.fine.due(f.Workspace, &f.history) {
			f.fine.step(f.Workspace, &f.history, f.keep(f.m/2))
		}
		if int64(n) == due {
			f.sum.add(f.Workspace, &f.history, f.start, f.length, f.keep(f.length))
			f.start += int64(f.length)
			f.length = f.block
			f.blocks++
			// Windows can be laid out once the delay is roughly known; look again
			// at ever longer intervals whether it still is that one.
			if f.blocks&(f.blocks-1) == 0 && !f.coarse {
				f.total.copyFrom(&f.sum)
				f.realign(0)
			}
		}
	}
}

// realign looks for the strongest arrival in f.total and lays the short windows
// to it, from sample number from on, unless they already are.
func (f *Finder) realign(from int64) (n int, u pulse, reason string) {
	n, u, reason = f.search()
	if n == 0 {
		return n, u, reason
	}
	delay := int(math.Round(f.delayOf(f.list[strongest(f.list[:n])])))
	if off := delay - f.fine.delay; !f.fine.on || off > f.m/32 || off < -f.m/32 {
		f.fine.align(f.Workspace, &f.history, delay, from)
		for f.fine.due(f.Workspace, &f.history) {
			f.fine.step(f.Workspace, &f.history, f.keep(f.m/2))
		}
	}
	return n, u, reason
}

// search looks for the arrivals in f.total.
func (f *Finder) search() (n int, u pulse, reason string) {
	f.repeating, f.several = 0, false
	switch x, y := f.total.silent(f.layout); {
	case f.total.samples == 0:
		return 0, u, "nothing was heard yet"
	case x && y:
		return 0, u, "both channels are silent"
	case x:
		return 0, u, "the reference is silent"
	case y:
		return 0, u, "the microphone is silent"
	}
	f.measureOwn(&f.total)
	f.several = true
	if f.tonal(&f.total) > 0.99 {
		return 0, u, "the reference is a single tone, so that several delays fit"
	}
	if f.tones(&f.total) {
		return 0, u, "the reference is a few tones, so that several delays fit"
	}
	if top, first, near := f.repeats(); top > likeItself {
		f.repeating = f.period(first)
		switch {
		case f.repeating == 0:
			return 0, u, "the programme repeats itself, so that several delays fit"
		case float64(f.repeating) < leastPeriodS*f.rate || near > sides:
			return 0, u, f.periodic()
		}
	}
	f.lined, f.several = f.repeating > 0, false
	f.correlate(&f.total, f.weights, f.known)
	if f.total.averages() >= 4 {
		// Later, shorter searches know which bands are worth listening to.
		top := slices.Max(f.weights)
		for b, v := range f.weights {
			f.known[b] = 0.1 + v/max(top, 1e-9)
		}
	}
	if f.width(f.weights) < narrowBands {
		return 0, u, "the programme is too narrow a band to tell one of its cycles from the next"
	}
	if f.repeating > 0 {
		f.withinPeriod(f.repeating)
	}
	n, u, reason = f.peaks(f.list)
	if n > 0 && f.total.averages() < 4 {
		count := int(f.total.samples)
		if !f.steady(f.list[strongest(f.list[:n])], count) {
			return 0, u, "too little sound so far to be sure of a delay"
		}
	}
	return n, u, reason
}

// newest makes f.total the newest count samples.
func (f *Finder) newest(count int) {
	count = min(count, f.block, int(f.history.end)) - f.ramp
	f.total.reset()
	if count > f.ramp {
		f.total.add(f.Workspace, &f.history, f.history.end-int64(count+f.ramp), count, 1)
	}
}

// FindNewest is Find in the newest seconds of what was fed, at most about one:
// for when the sound has just changed.
func (f *Finder) FindNewest(dst []Arrival, seconds float64) (list []Arrival, reason string) {
	count := int(seconds * f.rate)
	f.newest(count)
	n, u, reason := f.search()
	if n == 0 {
		return dst[:0], reason
	}
	f.window.align(f.Workspace, &f.history, int(math.Round(f.delayOf(f.list[strongest(f.list[:n])]))), f.history.end-int64(count))
	f.window.finish(f.Workspace, &f.history)
	return f.report(dst[:0], f.list[:n], u, strongest(f.list[:n]), &f.window), ""
}

// PeriodS is after how many seconds the reference repeats itself exactly, as the
// last Find heard it; 0: not within the range. A delay is then one within a
// period, the smallest that is not negative, and may be whole periods longer.
func (f *Finder) PeriodS() float64 { return float64(f.repeating) / f.rate }

// Several says that the last Find told no delay since the reference is so like itself,
// later or earlier, that several fit.
func (f *Finder) Several() bool { return f.several }

// periodic is why a period in which no delay can be told has none.
func (f *Finder) periodic() string {
	if r := &f.reason; r.repeating != f.repeating {
		r.repeating, r.text = f.repeating, fmt.Sprintf("the programme repeats itself every %.1f ms, so that several delays fit", 1000*f.PeriodS())
	}
	return f.reason.text
}

// delayOf is a peak's delay in samples.
func (f *Finder) delayOf(p peak) float64 {
	return p.at*float64(f.decimate) - float64(f.early)
}

// Find appends the arrivals in all that was fed to dst[:0], earliest first.
// When none can be told the list is empty and reason says why in one clause.
func (f *Finder) Find(dst []Arrival) (list []Arrival, reason string) {
	f.total.copyFrom(&f.sum)
	if count := f.rest(); count > 0 {
		f.total.add(f.Workspace, &f.history, f.start, count, 1)
	}
	dst = dst[:0]
	n, u, reason := f.realign(0)
	if n == 0 {
		return dst, reason
	}
	f.window.copyFrom(&f.fine)
	f.window.finish(f.Workspace, &f.history)
	return f.report(dst, f.list[:n], u, strongest(f.list[:n]), &f.window), ""
}

func strongest(list []peak) (best int) {
	for i, p := range list {
		if math.Abs(p.amplitude) > math.Abs(list[best].amplitude) {
			best = i
		}
	}
	return best
}

// overlaid says whether p lies in the tail of an earlier arrival that is not much
// weaker: what a crossover and the edges of a box make of it, of either sign.
func (f *Finder) overlaid(list []peak, p peak) bool {
	for _, o := range list {
		if off := p.at - o.at; off > 0 && off <= blurMs/1000*f.grid && 2*math.Abs(o.amplitude) > math.Abs(p.amplitude) {
			return true
		}
	}
	return false
}

// report turns peaks into arrivals, earliest first. The short windows are laid
// to list[aligned], which they refine.
func (f *Finder) report(dst []Arrival, list []peak, u pulse, aligned int, windows *short) []Arrival {
	dst = dst[:0]
	for i := range list {
		// Less of the recording holds a late arrival than an early one.
		g := 1 / f.total.overlap(f.delayOf(list[i]))
		list[i].amplitude *= g
		list[i].floor *= g
		list[i].box = f.boxSD(list[i])
	}
	f.impulse()
	top := math.Abs(list[strongest(list)].amplitude)
	toMs := 1000 / f.rate
	for i, p := range list {
		if i != aligned && f.tail(list, i) {
			continue
		}
		size := math.Abs(p.amplitude)
		sign := math.Copysign(1, p.amplitude)
		delay := f.delayOf(p)
		// Noise of standard deviation floor moves a peak of this curvature by so much.
		sd := math.Hypot(p.floor/size/math.Sqrt(u.curvature)*float64(f.decimate), p.box)
		if i == aligned {
			if fit := windows.refine(f.Workspace, delay, sign); fit.ok {
				delay, sd = fit.delay, fit.sd
			}
		}
		a := Arrival{DelayMs: delay * toMs, DelaySDMs: sd * toMs, LevelDB: min(0, 20*math.Log10(size/top))}
		if size*(1-u.opposite) > 5*p.floor && u.opposite < 0.9 {
			a.front = int(sign)
			if !p.torn && !f.overlaid(list, p) {
				a.own = f.sign(list, i)
				a.Sign = a.own.sign
			}
		}
		dst = append(dst, a)
	}
	if f.delayOf(list[strongest(list)]) >= 0 {
		// Nothing is heard before it was sent, unless the channels are swapped.
		dst = slices.DeleteFunc(dst, func(a Arrival) bool { return a.DelayMs < -beforeMs })
	}
	slices.SortFunc(dst, func(a, b Arrival) int { return cmp.Compare(a.DelayMs, b.DelayMs) })
	return dst
}

// beforeMs is by how much the converters of one device may differ.
const beforeMs = 0.5
