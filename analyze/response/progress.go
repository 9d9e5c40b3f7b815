package response

import (
	"math"

	"plumbline/analyze/statistics"
)

// progressShare of a band, counted in octaves, must be within the target: a
// notch that no averaging will ever fill must not hold up the rest.
const progressShare = 0.95

// MostWaitS is how long a time to go is told: what takes longer is not waited
// for at a mixing position, and counts as what cannot be reached.
const MostWaitS = 600

// Progress says how far a measurement has come (0…1) whose goal is a 95 %
// interval of the magnitude within ±withinDB over 95 % of lowHz…highHz, counted
// in octaves, and how many seconds more it will take at the coherence so far and
// with plain averaging; 0 when the goal is reached, +Inf when it is not within
// MostWaitS or cannot be told.
func Progress(s *Spectra, withinDB, lowHz, highHz float64) (done, remainingS float64) {
	o := Look(s, withinDB, lowHz, highHz, MostWaitS)
	return o.Done, o.RemainingS
}

// Outlook is how far a measurement has come and what it can still reach.
type Outlook struct {
	Done       float64 // 0…1, of the 95 % of the band that the goal wants
	RemainingS float64 // 0: reached; +Inf: not in time, or it cannot be told
	// LowHz to HighHz is the widest part of the band that has reached the goal or
	// will in time, to a twelfth of an octave; the whole band when that will; 0 for none. PartDone and
	// PartRemainingS are those of the part.
	LowHz, HighHz  float64
	PartDone       float64
	PartRemainingS float64
}

// slices of an octave that a part is made of, and how many at most.
const perOctave, mostSlices = 12, 160

// Look is Progress for a measurement that is given no more than limitS
// seconds more.
//
// Averages grow in proportion to time. The interval's half width is Student's t
// times sqrt((1−γ²)/(2(n−1)γ²)) (statistics.Deviation), with the coherence less
// its bias of (1−γ²)²/n (Carter, Knapp and Nuttall 1973).
func Look(s *Spectra, withinDB, lowHz, highHz, limitS float64) Outlook {
	none := Outlook{RemainingS: math.Inf(1), PartRemainingS: math.Inf(1)}
	if !(lowHz > 0 && highHz > lowHz) {
		return none
	}
	ratio := math.Pow(10, withinDB/10)
	allowed := (ratio - 1) / (ratio + 1) // (1+d)/(1−d) is the ratio
	growth := 1 + limitS/s.AveragedS
	if !(s.AveragedS > 0) {
		growth = 1
	}
	n := min(mostSlices, int(math.Ceil(perOctave*math.Log2(highHz/lowHz))))
	var whole stretch
	var all, intime [mostSlices]float64 // weights by slice
	for i, f := range s.FrequencyHz {
		if f < lowHz || f > highHz || f <= 0 {
			continue
		}
		w, g := s.width(i), s.growthFor(i, allowed)
		whole.add(w, g)
		k := min(int(math.Log2(f/lowHz)/math.Log2(highHz/lowHz)*float64(n)), n-1)
		all[k] += w
		if g <= growth {
			intime[k] += w
		}
	}
	if whole.weight == 0 {
		return none
	}
	o := none
	o.Done, o.RemainingS = whole.outlook(s.AveragedS, growth)
	if !math.IsInf(o.RemainingS, 1) {
		o.LowHz, o.HighHz, o.PartDone, o.PartRemainingS = lowHz, highHz, o.Done, o.RemainingS
		return o
	}
	from, to := widest(all[:n], intime[:n])
	if from == to {
		return o
	}
	edge := func(k int) float64 { return lowHz * math.Pow(highHz/lowHz, float64(k)/float64(n)) }
	o.LowHz, o.HighHz = edge(from), edge(to)
	var part stretch
	for i, f := range s.FrequencyHz {
		if f >= o.LowHz && f <= o.HighHz {
			part.add(s.width(i), s.growthFor(i, allowed))
		}
	}
	o.PartDone, o.PartRemainingS = part.outlook(s.AveragedS, growth)
	return o
}

// widest is the longest run of slices of which progressShare is in time.
func widest(all, intime []float64) (from, to int) {
	for i := range all {
		sum, good := 0.0, 0.0
		for k := i; k < len(all); k++ {
			sum += all[k]
			good += intime[k]
			if good >= progressShare*sum && good > 0 && intime[i] > 0 && intime[k] > 0 && k+1-i > to-from {
				from, to = i, k+1
			}
		}
	}
	return from, to
}

// width is how much of ln f point i stands for.
func (s *Spectra) width(i int) float64 {
	f, last := s.FrequencyHz, len(s.FrequencyHz)-1
	low, high := max(i-1, 0), min(i+1, last)
	if low == high {
		return 1
	}
	return (f[high] - f[low]) / (float64(high-low) * f[i])
}

// growthFor is how many times as many averages a point needs for that
// deviation: at most 1 where it has them, +Inf where it never will.
func (s *Spectra) growthFor(i int, allowed float64) float64 {
	n, c := s.EffectiveAverages[i], s.Coherence(i)
	if !(n > 0) {
		return math.Inf(1)
	}
	if statistics.Deviation(c, n) <= allowed {
		return 1
	}
	return max(math.Nextafter(1, 2), statistics.AveragesFor(allowed, c-(1-c)*(1-c)/n)/n)
}

// stretch is the weights of the points of a band by the growth that they need,
// in steps of a sixteenth of an octave.
type stretch struct {
	weight, reached float64
	later           [stretchSteps]float64
}

const stretchSteps, stepsPerDoubling = 320, 16

func (b *stretch) add(w, growth float64) {
	b.weight += w
	if growth <= 1 {
		b.reached += w
	} else if k := math.Log2(growth) * stepsPerDoubling; k < stretchSteps {
		b.later[int(k)] += w
	}
}

// outlook is how much of the goal is reached after averagedS, and the seconds to go if
// that is within most times the averages.
func (b *stretch) outlook(averagedS, most float64) (done, remainingS float64) {
	goal := progressShare * b.weight * (1 - 1e-12)
	done = min(1, b.reached/goal)
	if done >= 1 {
		return 1, 0
	}
	sum := b.reached
	for k, w := range b.later {
		if sum += w; sum >= goal {
			if growth := math.Exp2((float64(k) + 1) / stepsPerDoubling); averagedS > 0 && growth <= most*(1+1e-9) {
				return done, averagedS * (growth - 1)
			}
			break
		}
	}
	return done, math.Inf(1)
}
