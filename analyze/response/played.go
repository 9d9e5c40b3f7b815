package response

import (
	"math"

	"plumbline/analyze/statistics"
)

// PlaysWithinDB is how far under its loudest octave a loudspeaker still counts as
// playing: beyond it neither helps nor hurts a sum with one that does.
const PlaysWithinDB = 20

// What a band must be to count, and the hole that does not end it.
const (
	leastPlayedOctaves = 0.5
	leastPlayedPoints  = 6
	playedHole         = 1.2599 // a third of an octave
	playedStep         = 12     // an octave is looked at in so many steps
	mostPlayedSteps    = 120    // the ten octaves and what is rounded
	lowestPlayedHz     = 20
	highestPlayedHz    = 20000
)

// Plays is the band that a loudspeaker plays, as far as it is heard: the widest
// in octaves where, over a third of an octave, at least half is coherent beyond
// what unrelated channels reach in FalseTrust of cases, and the level lies within
// PlaysWithinDB of the loudest octave's, within 20 Hz…20 kHz. A hole of up to a third of an octave, as
// a room makes it, does not end it. ok is false when nothing is heard. Levels are
// power means of |H|² over log frequency, less the power that noise adds.
func (s *Spectra) Plays() (lowHz, highHz float64, ok bool) {
	var cell [mostPlayedSteps]played
	var t threshold
	from := math.Inf(1)
	for i, f := range s.FrequencyHz {
		if f < lowestPlayedHz || f > highestPlayedHz || !(s.Gxx[i] > 0) {
			continue
		}
		from = min(from, f)
		k := int(playedStep * math.Log2(f/from))
		if k >= mostPlayedSteps {
			break
		}
		cell[k].add(s, i, &t)
	}
	if math.IsInf(from, 1) {
		return 0, 0, false
	}
	loudest := 0.0
	for k := range cell {
		if p := around(cell[:], k, playedStep/2); p.heard() {
			loudest = max(loudest, p.level())
		}
	}
	floor := loudest * math.Pow(10, -PlaysWithinDB/10.)
	var run, best [2]float64
	points := 0
	for k := range cell {
		p := around(cell[:], k, playedStep/6)
		if !p.heard() || !(p.level() >= floor) || loudest == 0 {
			continue
		}
		low, high := from*math.Exp2(float64(k)/playedStep), from*math.Exp2((float64(k)+1)/playedStep)
		if low > run[1]*playedHole {
			run[0], points = low, 0
		}
		run[1] = high
		points += cell[k].trusted
		if points >= leastPlayedPoints && run[1]/run[0] > max(best[1]/max(best[0], 1e-9), math.Exp2(leastPlayedOctaves)*(1-1e-9)) {
			best = run
		}
	}
	return best[0], min(best[1], highestPlayedHz), best[1] > 0
}

// played sums the points of a step.
type played struct {
	width, heardWidth, power float64
	trusted                  int
}

// threshold keeps the last one: under one window all points have as many averages.
type threshold struct{ averages, coherence float64 }

func (t *threshold) of(averages float64) float64 {
	if averages != t.averages {
		t.averages, t.coherence = averages, statistics.CoherenceThreshold(averages, FalseTrust)
	}
	return t.coherence
}

func (p *played) add(s *Spectra, i int, t *threshold) {
	w, n := s.width(i), s.EffectiveAverages[i]
	p.width += w
	if !(n > 1 && s.Gxx[i] > 0 && s.Coherence(i) > t.of(n)) {
		return
	}
	p.heardWidth += w
	p.trusted++
	p.power += w * max(0, power(s.H(i))-s.Variance(i))
}

func (p *played) heard() bool    { return p.heardWidth > 0 && p.heardWidth >= 0.5*p.width }
func (p *played) level() float64 { return p.power / p.heardWidth }

// around is the steps up to half from k to either side.
func around(cell []played, k, half int) (sum played) {
	for _, c := range cell[max(0, k-half):min(len(cell), k+half+1)] {
		sum.width += c.width
		sum.heardWidth += c.heardWidth
		sum.power += c.power
		sum.trusted += c.trusted
	}
	return sum
}
