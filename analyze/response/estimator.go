package response

import (
	"fmt"
	"math"

	"plumbline/analyze/setting"
)

// MaxMicrophones is how many microphones one Estimator takes.
const MaxMicrophones = setting.MaxMicrophones

// NoOverlap is the Config.Overlap of windows that do not overlap.
const NoOverlap = -1

// The range of SetDelay, seconds.
const (
	MinDelayS = -0.5
	MaxDelayS = 2.0
)

// AveragingMode is how segments are weighted.
type AveragingMode int

// The averagings.
const (
	Exponential AveragingMode = iota // by TimeConstantS
	Count                            // plain mean of Count segments of each window, from then on each new one weighs 1/Count
	Infinite                         // plain mean of all
)

// Averaging is how segments are averaged.
type Averaging struct {
	Mode          AveragingMode
	TimeConstantS float64 // Exponential; 0 is 2 s
	Count         int     // Count; 0 is 32
}

// Config sets up an Estimator.
type Config struct {
	SampleRateHz float64 // 8000…192000
	Microphones  int     // 1…32; 0 is 1
	Window       int     // samples, a power of two 16…2^20; 0 is multi-resolution
	Overlap      float64 // 0…<1, or NoOverlap; 0 is 0.75
	Averaging    Averaging
	// EverySegment counts every whole segment and bin, as scipy.signal.welch
	// does. Otherwise bins without reference energy and disturbed segments are
	// left out.
	EverySegment bool
	// LookBackS is how many of the newest seconds Restart can make averages of, up
	// to 5; 0 keeps no more than the next segments need.
	LookBackS float64
}

func (c *Config) check() error {
	if c.Microphones == 0 {
		c.Microphones = 1
	}
	switch {
	case !(c.SampleRateHz >= 8000 && c.SampleRateHz <= 192000):
		return fmt.Errorf("sample rate %v Hz is not within 8000…192000 Hz", c.SampleRateHz)
	case c.Microphones < 1 || c.Microphones > MaxMicrophones:
		return fmt.Errorf("%d microphones are not within 1…%d", c.Microphones, MaxMicrophones)
	case c.Window != 0 && (c.Window < 16 || c.Window > 1<<20 || c.Window&(c.Window-1) != 0):
		return fmt.Errorf("window of %d samples is not a power of two within 16…%d", c.Window, 1<<20)
	}
	if !(c.LookBackS >= 0 && c.LookBackS <= 5) {
		return fmt.Errorf("look back of %v s is not within 0…5 s", c.LookBackS)
	}
	switch {
	case c.Overlap == 0:
		c.Overlap = 0.75
	case c.Overlap == NoOverlap:
		c.Overlap = 0
	case !(c.Overlap > 0 && c.Overlap < 1):
		return fmt.Errorf("overlap %v is not within 0…1", c.Overlap)
	}
	return c.Averaging.check()
}

func (a *Averaging) check() error {
	if a.TimeConstantS == 0 {
		a.TimeConstantS = 2
	}
	if a.Count == 0 {
		a.Count = 32
	}
	switch {
	case a.Mode < Exponential || a.Mode > Infinite:
		return fmt.Errorf("unknown averaging %d", a.Mode)
	case !(a.TimeConstantS > 0) || math.IsInf(a.TimeConstantS, 0):
		return fmt.Errorf("time constant %v s is not positive", a.TimeConstantS)
	case a.Count < 1:
		return fmt.Errorf("%d averages are not at least 1", a.Count)
	}
	return nil
}

// Estimator averages the spectra of one reference and its microphones. Not for
// two goroutines at once. Feed and Spectra do not allocate once they have run.
//
// All microphones share the segments of the reference; each microphone's
// segment starts later by its own delay, so that a far one loses no coherence,
// and what is left of the delay turns the phase. Each microphone takes a segment
// in as soon as it has heard it, whatever the others' delays.
type Estimator struct {
	cfg         Config
	grid        *grid // nil for a fixed window
	frequencyHz []float64
	bands       []*band // ascending window length; the first runs at the full rate
	lates       []*late // of each band; nil for none
	all         []*band // bands, and those of lates
	chains      [][]halver
	work, spare [2][]float64
	delays      []delay
}

type delay struct {
	seconds float64
	mean    float64 // weighted mean over the averages, samples
}

// NewEstimator checks cfg and plans the transforms.
func NewEstimator(cfg Config) (*Estimator, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	e := &Estimator{cfg: cfg, delays: make([]delay, cfg.Microphones)}
	if cfg.Window != 0 {
		b := newBand(&e.cfg, cfg.Window, cfg.hop(cfg.Window), 1, 0, cfg.Window/2+1)
		e.bands = []*band{b}
		e.frequencyHz = make([]float64, cfg.Window/2+1)
		for k := range e.frequencyHz {
			e.frequencyHz[k] = float64(k) * cfg.SampleRateHz / float64(cfg.Window)
		}
	} else {
		e.grid, e.bands = newGrid(&e.cfg)
		e.frequencyHz = e.grid.frequencyHz
		e.chains = make([][]halver, cfg.Microphones+1)
		for c := range e.chains {
			e.chains[c] = make([]halver, log2(e.bands[len(e.bands)-1].decimation))
		}
		for i := range e.work {
			e.work[i] = make([]float64, 0, feedBlock)
			e.spare[i] = make([]float64, 0, feedBlock+halveMemory)
		}
	}
	e.all = e.bands
	for _, b := range e.bands {
		b.letInS = e.bands[0].letInS
		l := newLate(&e.cfg, b)
		e.lates = append(e.lates, l)
		if l != nil {
			e.all = append(e.all[:len(e.all):len(e.all)], l.band)
		}
	}
	e.planLate()
	e.Reset()
	return e, nil
}

// planLate gives each point, or part of one, its lines of late sound.
func (e *Estimator) planLate() {
	if e.grid != nil {
		for p := range e.grid.points {
			for side := range e.grid.points[p].parts {
				q := &e.grid.points[p].parts[side]
				if l := e.lates[q.band]; q.share > 0 && l != nil {
					q.late = l.add(e.bands[q.band], q.first, q.bins)
				}
			}
		}
	} else if l, b := e.lates[0], e.bands[0]; l != nil {
		one := []float64{1}
		for k := range e.frequencyHz {
			if k <= hannReach {
				l.add(b, k, one)
			} else {
				l.same(1)
			}
		}
	}
	for _, l := range e.lates {
		if l != nil {
			l.planned()
		}
	}
}

// Config is what the Estimator was made with, defaults filled in.
func (e *Estimator) Config() Config { return e.cfg }

// FrequencyHz is the grid; not to be changed. With a fixed window it is
// k·rate/Window, k = 0…Window/2; else 1000·2^(k/48) within 20 Hz…20 kHz and
// below 0.46 of the sample rate.
func (e *Estimator) FrequencyHz() []float64 { return e.frequencyHz }

const feedBlock = 1024

// Feed takes the next samples: ref and each of mics (one a microphone) of equal
// length, any length. It panics when they are not.
func (e *Estimator) Feed(ref []float64, mics [][]float64) {
	if len(mics) != e.cfg.Microphones {
		panic(fmt.Sprintf("response: %d microphones fed to an estimator of %d", len(mics), e.cfg.Microphones))
	}
	for _, m := range mics {
		if len(m) != len(ref) {
			panic(fmt.Sprintf("response: %d samples of a microphone and %d of the reference", len(m), len(ref)))
		}
	}
	for from := 0; from < len(ref); from += feedBlock {
		to := min(from+feedBlock, len(ref))
		e.push(0, ref[from:to])
		for m := range mics {
			e.push(m+1, mics[m][from:to])
		}
		e.run()
	}
}

// run averages what has been heard.
func (e *Estimator) run() {
	for i, b := range e.all {
		b.run(func(mic int) {
			if d := &e.delays[mic]; i == 0 {
				d.mean += (d.seconds*e.cfg.SampleRateHz - d.mean) / max(1, b.mics[mic].weight)
			}
		})
	}
}

// push appends one channel's samples to its track in every band.
func (e *Estimator) push(channel int, x []float64) {
	e.bands[0].tracks[channel].push(x)
	if e.grid == nil {
		return
	}
	next := 1
	for i := range e.chains[channel] {
		x = e.chains[channel][i].run(e.work[i&1], x, e.spare[0])
		if next < len(e.bands) && e.bands[next].decimation == 2<<i {
			e.bands[next].tracks[channel].push(x)
			next++
		}
	}
}

// Break says that the next samples do not follow on the last ones: no segment
// spans the two.
func (e *Estimator) Break() {
	for _, chain := range e.chains {
		clear(chain)
	}
	for _, b := range e.all {
		b.cut()
	}
}

// Reset drops all averages, not the delays, nor the samples that wait for their
// segment to be whole.
func (e *Estimator) Reset() {
	for m := range e.delays {
		e.drop(m)
	}
}

func (e *Estimator) drop(mic int) {
	for _, b := range e.all {
		b.mics[mic].reset()
		b.letInS[mic] = math.Inf(-1)
	}
	e.delays[mic].mean = e.delays[mic].seconds * e.cfg.SampleRateHz
}

// Restart drops the averages of one microphone (from 0) and begins them anew
// with the newest seconds of what it heard, no more than Config.LookBackS: for
// when it is known since when what is heard is as it is. With 0 they begin now.
//
// A point of the multi-resolution grid is there again when the shorter of its
// windows has been heard, and a hop more: 15 to 30 periods of its frequency, and
// no less than 53 ms. A fixed window takes its length and a hop.
func (e *Estimator) Restart(mic int, newestS float64) {
	e.drop(mic)
	newestS = min(max(newestS, 0), e.cfg.LookBackS)
	for _, b := range e.all {
		b.restart(mic, int64(newestS*b.rateHz))
	}
	e.run()
}

// SetDelay sets by how much the reference is delayed for one microphone (from
// 0); MinDelayS…MaxDelayS. Other microphones lose nothing; this one keeps its
// averages, turned in phase, while the delay stays within 1/64 of the shortest
// window of what it was on average, which costs less than 0.004 of coherence;
// a larger change drops them.
func (e *Estimator) SetDelay(mic int, seconds float64) error {
	_, err := e.setDelay(mic, seconds)
	return err
}

// SetDelaySince is SetDelay for sound that has been arriving like that for
// newestS seconds: dropped averages begin anew with those, as Restart does it.
func (e *Estimator) SetDelaySince(mic int, seconds, newestS float64) error {
	dropped, err := e.setDelay(mic, seconds)
	if dropped {
		e.Restart(mic, newestS)
	}
	return err
}

func (e *Estimator) setDelay(mic int, seconds float64) (dropped bool, err error) {
	if mic < 0 || mic >= e.cfg.Microphones {
		return false, fmt.Errorf("no microphone %d of %d", mic, e.cfg.Microphones)
	}
	if !(seconds >= MinDelayS && seconds <= MaxDelayS) {
		return false, fmt.Errorf("delay %v s is not within %v…%v s", seconds, MinDelayS, MaxDelayS)
	}
	d := &e.delays[mic]
	if d.seconds == seconds {
		return false, nil
	}
	d.seconds = seconds
	samples := seconds * e.cfg.SampleRateHz
	dropped = math.Abs(samples-d.mean) > float64(e.bands[0].size)/64
	for _, b := range e.all {
		b.setOffset(mic, int64(math.Round(samples/float64(b.decimation))))
	}
	if dropped {
		e.drop(mic)
	}
	return dropped, nil
}

// DelayS is what SetDelay set.
func (e *Estimator) DelayS(mic int) float64 { return e.delays[mic].seconds }

// SetAveraging changes the weighting from now on; the averages are kept.
func (e *Estimator) SetAveraging(a Averaging) error {
	if err := a.check(); err != nil {
		return err
	}
	e.cfg.Averaging = a
	return nil
}

// AveragedS is the time in the averages of one microphone, seconds; with
// exponential weights it tends to the time constant.
func (e *Estimator) AveragedS(mic int) float64 {
	b := e.bands[0]
	return b.mics[mic].weight * float64(b.hop) / b.rateHz
}

// Bursts is how many disturbances were left out of one microphone's averages
// since they began. With several windows two must have seen it: a dropped case
// is broad, what one window alone takes for a burst is chance.
func (e *Estimator) Bursts(mic int) uint64 {
	var most, second uint64
	for _, b := range e.bands {
		switch n := b.mics[mic].burst.count; {
		case n > most:
			most, second = n, most
		case n > second:
			second = n
		}
	}
	if len(e.bands) == 1 {
		return most
	}
	return second
}

// Spectra fills dst with the averages of one microphone. Its slices are reused
// when they are long enough.
func (e *Estimator) Spectra(mic int, dst *Spectra) {
	dst.resize(len(e.frequencyHz))
	copy(dst.FrequencyHz, e.frequencyHz)
	dst.SampleRateHz, dst.Window, dst.Overlap = e.cfg.SampleRateHz, e.cfg.Window, e.cfg.Overlap
	dst.DelayS, dst.AveragedS = e.delays[mic].seconds, e.AveragedS(mic)
	if e.grid != nil {
		e.grid.read(dst, e.bands, e.lates, mic)
		dst.blankFloor()
	} else {
		e.bands[0].read(dst, mic, e.lates[0])
	}
}

func (s *Spectra) resize(n int) {
	s.FrequencyHz = resize(s.FrequencyHz, n)
	s.Gxx, s.Gyy = resize(s.Gxx, n), resize(s.Gyy, n)
	s.Gxy = resize(s.Gxy, n)
	s.EffectiveAverages = resize(s.EffectiveAverages, n)
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

func log2(n int) int {
	l := 0
	for n > 1 {
		n >>= 1
		l++
	}
	return l
}
