package stationarity

import (
	"math"
	"slices"
)

// Kind is what a path did during a take.
type Kind int

// What it did.
const (
	Unknown Kind = iota // too little is known of it
	Still
	Drifts  // ever later, or earlier, at a constant rate: two clocks
	Steps   // at a moment, and stays: lost samples, something moved or set
	Wanders // wind, a microphone in a hand
)

// Part is a stretch of time in which the path stood still.
type Part struct {
	FromS, ToS float64
	Value      float64 // offset, s, or gain, dB
	Points     int
}

// Verdict says whether the path stood still.
type Verdict struct {
	Kind Kind
	// PPM is the rate at which the microphone gets later, millionths.
	PPM, PPMSD float64
	RangeS     float64 // from the earliest to the latest
	Parts      []Part  // of Steps, in order
	// Samples is by how many whole samples the microphone gets later at each step:
	// negative when it lost them, positive when the reference did; empty where the
	// steps are not those of lost samples.
	Samples []int

	// Gain is that of the gain: Unknown, Still, Steps or Wanders.
	Gain        Kind
	GainRangeDB float64 // from the softest to the loudest
	GainParts   []Part  // of steps

	Points []Point // what it rests on
}

const (
	// harmlessS: the path moves by less without harm (16 kHz turn by a third of a
	// radian, which costs an average of all of it less than 0.1 dB), and by so much
	// more as what is heard of it ends below highHz.
	harmlessS = 3e-6
	// harmlessDB is the same for the gain; a meter is as good.
	harmlessDB = 0.6
	// Errors are told by how bins differ; late sound makes some go together. Points
	// are off by more than that only when the path is.
	surely = 7.0
	// fewestPoints say something, and make a part.
	fewestPoints, fewestOfPart = 4, 3
	mostParts                  = 12
	// A step is so many times as large as what points are allowed to be off.
	stepOver = 2.5
)

type sample struct{ at, value, tolerance, sd float64 }

// tolerance is how far off an offset may be.
func (p *Point) tolerance() float64 {
	harmless := harmlessS
	if p.HighHz > 0 {
		harmless *= max(1, highHz/p.HighHz)
	}
	return max(harmless, surely*p.OffsetSDS)
}

// Judge says what the path did, from its stretches.
func (s *Stretches) Judge() Verdict {
	v := Verdict{Points: s.Track()}
	var offsets, gains []sample
	for _, p := range v.Points {
		if !math.IsNaN(p.OffsetS) {
			offsets = append(offsets, sample{p.AtS, p.OffsetS, p.tolerance(), p.OffsetSDS})
		}
		if !math.IsNaN(p.GainDB) {
			gains = append(gains, sample{p.AtS, p.GainDB, max(harmlessDB, surely*p.GainSDDB), p.GainSDDB})
		}
	}
	offsets, gains = withoutStrays(offsets), withoutStrays(gains)
	v.path(offsets, s.rateHz)
	if v.Gain, v.GainParts = still(gains), nil; v.Gain == Wanders {
		v.GainRangeDB = spread(gains)
		if parts := parts(gains); len(parts) > 1 {
			v.Gain, v.GainParts = Steps, parts
		}
	}
	return v
}

func (v *Verdict) path(offsets []sample, rateHz float64) {
	v.Kind = still(offsets)
	if v.Kind != Wanders {
		return
	}
	v.RangeS = spread(offsets)
	if ppm, sd, ok := line(offsets); ok {
		v.Kind, v.PPM, v.PPMSD = Drifts, ppm, sd
		return
	}
	if v.Parts = parts(offsets); len(v.Parts) > 1 {
		v.Kind = Steps
		for i, p := range v.Parts[1:] {
			samples := (p.Value - v.Parts[i].Value) * rateHz
			if whole := math.Round(samples); whole != 0 && math.Abs(samples-whole) < wholeWithin {
				v.Samples = append(v.Samples, int(whole))
			}
		}
		if len(v.Samples) < len(v.Parts)-1 {
			v.Samples = nil
		}
	} else {
		v.Parts = nil
	}
}

// wholeWithin is how near to whole samples a step is when samples were lost.
const wholeWithin = 0.1

// withoutStrays takes out single points that neither of their neighbours bears out.
func withoutStrays(list []sample) (out []sample) {
	agree := func(i, j int) bool {
		return math.Abs(list[i].value-list[j].value) <= 2*max(list[i].tolerance, list[j].tolerance)
	}
	for i := range list {
		before, after := i > 0, i+1 < len(list)
		alone := !(before && agree(i, i-1)) && !(after && agree(i, i+1))
		between := before && after && (list[i].value-list[i-1].value)*(list[i+1].value-list[i].value) > 0
		if len(list) < 3 || !alone || between {
			out = append(out, list[i])
		}
	}
	return out
}

// still is Still, Unknown, or else Wanders.
func still(list []sample) Kind {
	if len(list) < fewestPoints {
		return Unknown
	}
	middle := centre(list)
	for _, p := range list {
		if math.Abs(p.value-middle) > p.tolerance {
			return Wanders
		}
	}
	return Still
}

// centre is the median.
func centre(list []sample) float64 {
	values := make([]float64, len(list))
	for i, p := range list {
		values[i] = p.value
	}
	slices.Sort(values)
	return (values[(len(values)-1)/2] + values[len(values)/2]) / 2
}

func spread(list []sample) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range list {
		low, high = min(low, p.value), max(high, p.value)
	}
	return high - low
}

// timeOfPointS is how well it is known when a stretch's sound was, s: speech is a word at
// its beginning, and another frequency at its end.
const timeOfPointS = 0.3

// line is the rate of a straight line in millionths; ok: it explains all.
func line(list []sample) (ppm, sd float64, ok bool) {
	var w, t, v, tt, tv float64
	for _, p := range list {
		weight := 1 / (p.tolerance * p.tolerance)
		w += weight
		t += weight * p.at
		v += weight * p.value
		tt += weight * p.at * p.at
		tv += weight * p.at * p.value
	}
	t, v = t/w, v/w
	room := tt/w - t*t
	rate := (tv/w - t*v) / room
	left := 0.0
	for _, p := range list {
		off := p.value - v - rate*(p.at-t)
		if math.Abs(off) > p.tolerance+timeOfPointS*math.Abs(rate) {
			return 0, 0, false
		}
		left += off * off / (p.tolerance * p.tolerance)
	}
	sd = math.Sqrt(left / float64(len(list)-2) / w / room)
	return 1e6 * rate, 1e6 * sd, math.Abs(rate) > surely*sd
}

// parts are those in which all stood still, nil if it did not but for steps.
func parts(list []sample) (out []Part) {
	rest := 0
	for i := 0; i < len(list); {
		j := i + 1
		for j < len(list) {
			middle := centre(list[i:j])
			if math.Abs(list[j].value-middle) > list[j].tolerance {
				break
			}
			j++
		}
		// A point that stands between two parts may look like the first of the next.
		if j-i < fewestOfPart {
			rest++
			i++
			continue
		}
		p := Part{FromS: list[i].at, ToS: list[j-1].at, Value: centre(list[i:j]), Points: j - i}
		if n := len(out); n > 0 && math.Abs(out[n-1].Value-p.Value) < stepOver*narrowest(list[i:j]) {
			return nil // creeps
		}
		out = append(out, p)
		i = j
	}
	if len(out) > mostParts || rest > 2*len(out) {
		return nil
	}
	return out
}

func narrowest(list []sample) float64 {
	least := math.Inf(1)
	for _, p := range list {
		least = min(least, p.tolerance)
	}
	return least
}

// Longest is the longest part.
func Longest(parts []Part) (best Part) {
	for _, p := range parts {
		if p.ToS-p.FromS > best.ToS-best.FromS {
			best = p
		}
	}
	return best
}
