package offline

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"plumbline/analyze/apart"
	"plumbline/analyze/arrival"
	"plumbline/analyze/response"
	"plumbline/analyze/stationarity"
)

// Several is the part of a WAV file that is analysed with several references, all of
// which play.
type Several struct {
	Recording  // its Reference is not looked at
	References []int
}

// Of is the same part with reference p alone.
func (s Several) Of(p int) Recording {
	rec := s.Recording
	rec.Reference = s.References[p]
	return rec
}

// together is the recording whose reference is the first, and whose microphones are the
// other references and those in mics.
func (s Several) together(mics ...int) Recording {
	rec := s.Of(0)
	rec.Microphones = append(slices.Clone(s.References[1:]), mics...)
	return rec
}

// hold is a feed for together: all references, and the microphones.
func (s Several) hold(feed func(refs, mics [][]float64)) func(ref []float64, mics [][]float64) {
	refs := make([][]float64, len(s.References))
	return func(ref []float64, mics [][]float64) {
		refs[0] = ref
		copy(refs[1:], mics)
		feed(refs, mics[len(refs)-1:])
	}
}

// PathArrivalsS is how much of a recording the arrivals of paths are looked for in at
// most: it is kept in memory.
const PathArrivalsS = 60

// PathArrivals looks for the arrivals of each reference by itself in every microphone,
// and whether the path stood still: found[microphone][reference], in excerpts of cfg.ExcerptsS, at most PathArrivalsS.
func PathArrivals(ctx context.Context, rec Several, cfg ArrivalsConfig) ([][]PathFound, error) {
	if cfg.ExcerptsS == 0 || cfg.ExcerptsS > PathArrivalsS {
		cfg.ExcerptsS = PathArrivalsS
	}
	found := make([][]PathFound, len(rec.Microphones))
	for m := range found {
		var err error
		if found[m], err = rec.arrivals(ctx, rec.Microphones[m], cfg); err != nil {
			return nil, err
		}
		if cfg.Progress != nil {
			cfg.Progress(float64(m+1), float64(len(found)))
		}
	}
	return found, nil
}

// PathFound is what was found of one path.
type PathFound struct {
	Found
	Movement stationarity.Verdict
}

// stretch is an excerpt in memory.
type stretch struct {
	fromS      float64
	refs       [][]float64
	mic        []float64
	own, heard [][]float64 // of each reference
}

// arrivals are those at one microphone.
func (s Several) arrivals(ctx context.Context, mic int, cfg ArrivalsConfig) ([]PathFound, error) {
	separator, err := apart.New(s.RateHz(), len(s.References))
	if err != nil {
		return nil, err
	}
	rec := s.together(mic)
	b := rec.newBlock()
	var take []stretch
	for _, e := range arrival.Excerpts(s.To-s.From, s.RateHz(), cfg.ExcerptsS) {
		n := len(s.References)
		one := stretch{fromS: float64(e.From) / s.RateHz(), refs: make([][]float64, n), own: make([][]float64, n), heard: make([][]float64, n)}
		err := rec.each(ctx, b, e.From, e.To, s.hold(func(refs, mics [][]float64) {
			for p, x := range refs {
				one.refs[p] = append(one.refs[p], x...)
			}
			one.mic = append(one.mic, mics[0]...)
		}))
		if err != nil {
			return nil, err
		}
		separator.Break()
		separator.Learn(one.refs, one.mic)
		take = append(take, one)
	}
	found := make([]PathFound, len(s.References))
	paths := make([]*apart.Path, len(found))
	for p := range paths {
		paths[p] = separator.Path(p)
	}
	errs := make([]error, len(found))
	share(len(found), runtime.GOMAXPROCS(0), func(p int) { errs[p] = found[p].apart(s.RateHz(), p, paths[p], take, cfg) })
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return found, nil
}

// apart looks for the arrivals of one path by itself.
func (f *PathFound) apart(rateHz float64, p int, path *apart.Path, take []stretch, cfg ArrivalsConfig) error {
	finder, err := arrival.NewFinder(arrival.Config{SampleRateHz: rateHz, MaxDelayS: cfg.MaxDelayS, Max: cfg.Max})
	if err != nil {
		return fmt.Errorf("look for arrivals: %w", err)
	}
	for _, one := range take {
		one.own[p], one.heard[p] = path.Separate(one.refs, one.mic)
		finder.Break()
		finder.Feed(one.own[p], one.heard[p])
	}
	if !path.Tells() {
		f.Reason = WhyAlike
		return nil
	}
	f.Arrivals, f.Reason = finder.Find(nil)
	f.PeriodS, f.Several = finder.PeriodS(), finder.Several()
	if a, ok := f.Main(); ok {
		return f.still(rateHz, p, int(math.Round(a.DelayMs/1000*rateHz)), take)
	}
	return nil
}

// still looks whether the path stood still, given its delay in samples.
func (f *PathFound) still(rateHz float64, p, delay int, take []stretch) error {
	s, err := stationarity.NewStretches(rateHz)
	if err != nil {
		return fmt.Errorf("look whether the path stood still: %w", err)
	}
	size, all := s.Frames(), 0
	for _, one := range take {
		all += len(one.mic) / (size / 2)
	}
	step := size / 2 * max(1, (all+mostStretches-1)/mostStretches)
	for _, one := range take {
		for at := max(0, -delay); at+size+max(0, delay) <= len(one.mic); at += step {
			s.Add(one.fromS+float64(at+size/2)/rateHz, one.own[p][at:][:size], one.heard[p][at+delay:][:size])
		}
	}
	f.Movement = s.Judge()
	return nil
}

// WhyAlike is why there is no arrival of a reference that the others make up.
const WhyAlike = "the other references play the same"

// PathsConfig says how Paths measures.
type PathsConfig struct {
	Window   int
	Overlap  float64
	DelayS   [][]float64 // of each microphone, each reference's
	PeriodS  float64     // as of ResponseConfig
	Progress func(doneS, ofS float64)
}

// Paths are those to one microphone, one a reference.
type Paths struct {
	Spectra  []response.Spectra
	Alike    [][]apart.Alike // where each cannot be told from the others, and is unknown
	Multiple []float64       // coherence with all references, at the frequencies of Spectra
}

// Measure averages the spectra of all paths over a recording.
func Measure(ctx context.Context, rec Several, cfg PathsConfig) ([]Paths, error) {
	out := make([]Paths, len(rec.Microphones))
	// As many at a time as there are cores: what each keeps grows with the square of the
	// references.
	for first := 0; first < len(out); {
		last := min(first+runtime.GOMAXPROCS(0), len(out))
		joints := make([]*response.Joint, last-first)
		for i := range joints {
			var err error
			if joints[i], err = rec.joint(cfg, cfg.DelayS[first+i]); err != nil {
				return nil, err
			}
		}
		if err := rec.feed(ctx, joints, rec.Microphones[first:last], func(doneS float64) {
			if cfg.Progress != nil {
				n := float64(len(out))
				cfg.Progress((float64(first)*rec.DurationS()+float64(last-first)*doneS)/n, rec.DurationS())
			}
		}); err != nil {
			return nil, err
		}
		for i, j := range joints {
			out[first+i].tell(j, len(rec.References))
		}
		first = last
	}
	return out, nil
}

// feed plays the recording to joint estimates, each with its microphone.
func (s Several) feed(ctx context.Context, joints []*response.Joint, mics []int, progress func(doneS float64)) error {
	rec := s.together(mics...)
	done := int64(0)
	return rec.each(ctx, rec.newBlock(), 0, s.To-s.From, s.hold(func(refs, heard [][]float64) {
		share(len(joints), len(joints), func(i int) { joints[i].Feed(refs, heard[i]) })
		done += int64(len(refs[0]))
		progress(float64(done) / s.RateHz())
	}))
}

// tell reads the paths of so many references.
func (p *Paths) tell(j *response.Joint, references int) {
	p.Spectra, p.Alike = make([]response.Spectra, references), make([][]apart.Alike, references)
	var together, aligned []float64
	for i := range p.Spectra {
		j.Spectra(i, &p.Spectra[i])
		together, aligned = j.Own(i, together, aligned)
		p.Alike[i] = apart.Blank(&p.Spectra[i], together, aligned)
	}
	p.Multiple = j.Multiple(nil)
}

// joint makes an estimate with those delays.
func (s Several) joint(cfg PathsConfig, delayS []float64) (*response.Joint, error) {
	overlap := cfg.Overlap
	if overlap == 0 {
		overlap = response.NoOverlap
	}
	j, err := response.NewJoint(response.Config{
		SampleRateHz: s.RateHz(), Window: cfg.Window, Overlap: overlap, EverySegment: cfg.Window != 0,
	}, len(s.References))
	if err != nil {
		return nil, err
	}
	if err := j.SetPeriod(cfg.PeriodS); err != nil {
		return nil, err
	}
	for p, delay := range delayS {
		if math.IsNaN(delay) {
			return nil, fmt.Errorf("no delay of reference %d", p+1)
		}
		if err := j.SetDelay(p, delay); err != nil {
			return nil, err
		}
	}
	return j, nil
}
