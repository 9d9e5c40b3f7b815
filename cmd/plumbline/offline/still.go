package offline

import (
	"context"
	"fmt"
	"math"
	"runtime"

	"plumbline/analyze/stationarity"
)

const (
	// mostStretches of a recording are compared; a long one is looked at here and
	// there.
	mostStretches = 96
	// followedS is what is used of one that is too long for its path to be followed
	// all the time.
	followedS = 30
)

// Movement is what the path to one microphone did, and what to do about it.
type Movement struct {
	stationarity.Verdict
	// From and To are the frames to use of it: all, or those in which it stood still.
	From, To int64
	Path     *stationarity.Path // to follow; nil for none
	// KnownToHz is up to where the phase is known once it was followed; +Inf for
	// everywhere, 0 for nowhere.
	KnownToHz float64
}

// Moved says whether anything is wrong with the path.
func (m *Movement) Moved() bool {
	return m.Kind > stationarity.Still || m.Gain > stationarity.Still
}

// Cut says whether not all of it is to be used.
func (m *Movement) Cut(rec Recording) bool { return m.From > rec.From || m.To < rec.To }

// Stillness looks whether the paths to the microphones stood still, given their
// delays in seconds; NaN for one that is not to be looked at.
func Stillness(ctx context.Context, rec Recording, delayS []float64) ([]Movement, error) {
	out := make([]Movement, len(rec.Microphones))
	errs := make([]error, len(out))
	share(len(out), runtime.GOMAXPROCS(0), func(i int) {
		one := rec
		one.Microphones, one.Paths = rec.Microphones[i:i+1], nil
		out[i] = Movement{From: rec.From, To: rec.To, KnownToHz: math.Inf(1)}
		if !math.IsNaN(delayS[i]) {
			errs[i] = out[i].settle(ctx, one, delayS[i])
		}
	})
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// settle finds what the path did and, where it can be followed, how.
func (m *Movement) settle(ctx context.Context, rec Recording, delayS float64) error {
	dense, err := m.look(ctx, rec, delayS)
	if err != nil {
		return err
	}
	offset := float64(rec.From)/rec.RateHz() + delayS
	switch m.Kind {
	case stationarity.Steps:
		best := stationarity.Longest(m.Parts)
		m.keep(rec, best)
		if lost := m.lostBefore(best); lost != 0 {
			m.Path = stationarity.Later(float64(lost) / rec.RateHz())
		}
		return nil
	case stationarity.Drifts:
		m.Path = stationarity.Drift(m.PPM, offset+rec.DurationS()/2)
	case stationarity.Wanders:
		if !dense {
			middle := (rec.From + rec.To) / 2
			half := int64(followedS / 2 * rec.RateHz())
			rec.From, rec.To = middle-half, middle+half
			m.From, m.To = rec.From, rec.To
			var part Movement
			if _, err := part.look(ctx, rec, delayS); err != nil {
				return err
			}
			m.Points, offset = part.Points, float64(rec.From)/rec.RateHz()+delayS
		}
		if m.Path = stationarity.Follow(m.Points); m.Path == nil {
			m.KnownToHz = 0
			return nil
		}
		m.Path = m.Path.Move(offset)
	default:
		if m.Gain == stationarity.Steps {
			m.keep(rec, stationarity.Longest(m.GainParts))
		}
		return nil
	}
	return m.verify(ctx, rec, delayS, offset)
}

// lostBefore is by how many samples the microphone is later in a part than at first,
// since some were lost: the path is that of the first.
func (m *Movement) lostBefore(p stationarity.Part) (samples int) {
	for i, n := range m.Samples {
		if m.Parts[i+1].FromS <= p.FromS {
			samples += n
		}
	}
	return samples
}

// verify looks at what is left once the path is followed, and follows that.
func (m *Movement) verify(ctx context.Context, rec Recording, delayS, offset float64) error {
	for again := range 3 {
		rec.Paths = []*stationarity.Path{m.Path}
		var left Movement
		if _, err := left.look(ctx, rec, delayS); err != nil {
			return err
		}
		m.Gain, m.GainRangeDB, m.GainParts = left.Gain, left.GainRangeDB, left.GainParts
		if m.Gain == stationarity.Steps {
			m.Gain = stationarity.Wanders // what is used of it is settled
		}
		if left.Kind <= stationarity.Still {
			m.KnownToHz = math.Inf(1)
			if left.Kind == stationarity.Unknown {
				m.KnownToHz = 0
			}
			return nil
		}
		// A third of a radian, root mean square, costs 0.5 dB.
		m.KnownToHz = 1 / (3 * 2 * math.Pi * left.scatterS())
		if again < 2 && m.Kind == stationarity.Drifts && left.Kind == stationarity.Drifts {
			m.PPM += left.PPM
			m.Path = stationarity.Drift(m.PPM, offset+rec.DurationS()/2)
		} else if again < 2 {
			if rest := stationarity.Follow(left.Points); rest != nil {
				m.Path = m.Path.Then(rest.Move(offset))
			}
		}
	}
	return nil
}

// scatterS is the root mean square of what the points are off their mean.
func (m *Movement) scatterS() float64 {
	n, sum, square := 0.0, 0.0, 0.0
	for _, p := range m.Points {
		if !math.IsNaN(p.OffsetS) {
			n++
			sum += p.OffsetS
			square += p.OffsetS * p.OffsetS
		}
	}
	return math.Sqrt(max(0, square/n-sum*sum/(n*n)))
}

// keep is the part to use, no nearer to its ends than is sure.
func (m *Movement) keep(rec Recording, p stationarity.Part) {
	rate, before, after := rec.RateHz(), 0.0, math.Inf(1)
	for _, q := range m.Points {
		if math.IsNaN(q.OffsetS) {
			continue
		}
		if q.AtS < p.FromS {
			before = p.FromS
		}
		if q.AtS > p.ToS && math.IsInf(after, 1) {
			after = p.ToS
		}
	}
	m.From = rec.From + int64(before*rate)
	if after < rec.DurationS() {
		m.To = rec.From + int64(after*rate)
	}
}

// look compares stretches of a recording with one microphone; dense says that
// nothing was left out between them.
func (m *Movement) look(ctx context.Context, rec Recording, delayS float64) (dense bool, err error) {
	s, err := stationarity.NewStretches(rec.RateHz())
	if err != nil {
		return false, fmt.Errorf("look whether the path stood still: %w", err)
	}
	size := int64(s.Frames())
	delay := int64(math.Round(delayS * rec.RateHz()))
	first := rec.From + max(0, -delay)
	room := rec.To - max(0, delay) - size - first
	count := min(room/(size/2)+1, mostStretches)
	dense = room/(size/2)+1 <= mostStretches
	if room < 0 {
		return true, nil
	}
	ref, mic := make([]float64, 0, size), make([]float64, 0, size)
	b := rec.newBlock()
	for i := range count {
		at := first - rec.From
		if dense {
			at += i * (size / 2)
		} else {
			at += i * room / (count - 1)
		}
		ref, mic = ref[:0], mic[:0]
		lead, end := min(0, delay), size+max(0, delay)
		err := rec.each(ctx, b, at+lead, at+end, func(x []float64, y [][]float64) {
			ref, mic = append(ref, x...), append(mic, y[0]...)
		})
		if err != nil {
			return dense, err
		}
		skip := max(0, delay) // of the microphone; the reference begins with it
		if delay < 0 {
			s.Add(float64(at+size/2)/rec.RateHz(), ref[-delay:][:size], mic[:size])
		} else {
			s.Add(float64(at+size/2)/rec.RateHz(), ref[:size], mic[skip:][:size])
		}
	}
	m.Verdict = s.Judge()
	return dense, nil
}
