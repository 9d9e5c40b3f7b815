package polarity

import (
	"math"
	"math/cmplx"
	"strconv"
)

// Undecide takes back what v says, and gives the reason.
func (v *Verdict) Undecide(reason string) {
	v.Sign, v.Confidence, v.Reason, v.Bands, v.Several = 0, 0, reason, v.Bands[:0], false
	v.Fault, v.Thin = false, false
}

// Take makes v what was told of the loudspeaker's own sound, without what the
// room adds: one sign from one frequency to another.
func (v *Verdict) Take(sign int, confidence, lowHz, highHz float64) {
	v.Sign, v.Confidence, v.Several, v.Fault = sign, confidence, false, false
	v.Bands = append(v.Bands[:0], Band{LowHz: lowHz, HighHz: highHz, Sign: sign, Confidence: confidence})
	var buffer [160]byte
	b := append(buffer[:0], "its sound before the first reflection "...)
	if sign > 0 {
		b = append(b, "agrees with the reference from "...)
	} else {
		b = append(b, "is turned over from "...)
	}
	b = appendHz(b, lowHz*halfCell)
	b = append(b, " to "...)
	b = appendHz(b, highHz/halfCell)
	if string(b) != v.taken {
		v.taken = string(b)
	}
	v.Reason = v.taken
}

const (
	// agreed is the mean agreement with the best hypothesis, −1…1, that a part of
	// the band needs to be named, and evidence the least by which it must exceed
	// that of the other sign, in third octaves: with nats each, odds of 1:100.
	agreed   = 0.5
	evidence = 1.55
)

// A sign is thin when it is named up to less than bornOutHz, and so many times more is
// played: the highs, that tell loudspeakers apart by their delay, bear nothing out, and
// the lows of two may make up one phase between them.
const (
	bornOutHz = 1300
	unnamed   = 2
)

// conclude turns a fit into words: which parts of the band are how, from where to
// where, and what overall can be said.
func (v *Verdict) conclude(c *cells, f *fit) {
	turned := f.turns > 0.95 && f.best.order == 1
	v.bands(c, f, turned)
	p, sign := f.overall()
	lowest := v.lowestNamed()
	switch {
	case p < sure || lowest < 0:
		v.Undecide("either way round explains the phase about as well")
		return
	case v.Bands[lowest].Sign != sign:
		v.Undecide("the bands contradict each other: more than one loudspeaker plays, mute all but one")
		return
	}
	v.Sign, v.Confidence, v.Several = sign, min(p, 0.9999), false
	hi := v.highestNamed()
	v.Thin = hi < bornOutHz && cellHz(c.top()) > unnamed*hi
	v.Fault = turned && c.dip(f.best.hz)

	var buffer [320]byte
	b := buffer[:0]
	if sign > 0 {
		b = append(b, "the phase agrees with the reference"...)
	} else {
		b = append(b, "the phase is turned over"...)
	}
	b = append(b, " from "...)
	b = appendHz(b, v.Bands[lowest].LowHz*halfCell)
	b = append(b, " to "...)
	b = appendHz(b, v.Bands[lowest].HighHz/halfCell)
	switch {
	case v.Fault:
		b = append(b, "; above "...)
		b = appendHz(b, f.best.hz)
		b = append(b, " the sign turns: the high-frequency driver looks reversed"...)
	case turned:
		b = append(b, "; above "...)
		b = appendHz(b, f.best.hz)
		b = append(b, " the sign turns without a dip, as a crossover of 12 dB an octave does by design"...)
	}
	if lowest > 0 {
		b = append(b, "; below that delay and sign look alike"...)
	}
	if string(b) != v.Reason {
		v.Reason = string(b)
	}
}

// overall is the sign of the loudspeaker and how probable it is: that of the lowest
// part that is sure, as long as that lies below what a crossover may turn. The lowest
// part of all does not do by itself.
func (f *fit) overall() (p float64, sign int) {
	candidates := f.parts[1 : partOf450+1]
	if !f.alone {
		candidates = f.parts[:1]
	}
	for _, same := range candidates {
		if p, sign = max(same, 1-same), 1; same < 0.5 {
			sign = -1
		}
		if p >= sure {
			break
		}
	}
	return p, sign
}

// partOf450 is the part that begins at lowestHz.
const partOf450 = 2

// lowestNamed is the first band with a sign, −1 if there is none.
func (v *Verdict) lowestNamed() int {
	for i, b := range v.Bands {
		if b.Sign != 0 {
			return i
		}
	}
	return -1
}

// highestNamed is up to where any sign is named, Hz.
func (v *Verdict) highestNamed() (hz float64) {
	for _, b := range v.Bands {
		if b.Sign != 0 {
			hz = b.HighHz
		}
	}
	return hz
}

// halfCell is from the middle of a third octave to its edge.
var halfCell = math.Pow(10, 0.05)

// appendHz writes a frequency with two figures.
func appendHz(b []byte, hz float64) []byte {
	round := math.Pow(10, math.Floor(math.Log10(hz))-1)
	hz = math.Round(hz/round) * round
	if hz >= 1000 {
		return append(strconv.AppendFloat(b, hz/1000, 'g', 2, 64), " kHz"...)
	}
	return append(strconv.AppendFloat(b, hz, 'f', 0, 64), " Hz"...)
}

// bands says what is known in the parts of the trusted band, each on what is heard
// in it: below the lowest third octave from which all agrees nothing, then the low,
// the mid and the high part, or below and above the frequency where the sign turns.
func (v *Verdict) bands(c *cells, f *fit, turned bool) {
	v.Bands = v.Bands[:0]
	from, to := f.span()
	if from > to {
		return
	}
	if c.first < from {
		v.add(c.first, from, 0)
	}
	// Parts in a row that say the same are one, and must bear it out by themselves.
	for p := 0; p < partCount; {
		sign, odds := 0, 1.0
		q := p
		for ; q < partCount; q++ {
			o := 2*f.parts[q] - 1
			say := 0
			if (1+math.Abs(o))/2 >= sure {
				say = int(math.Copysign(1, o))
			}
			if q == p {
				sign = say
			}
			if say != sign {
				break
			}
			odds = min(odds, math.Abs(o))
		}
		lo, hi := max(f.floor+p*partCells, from), min(f.floor+q*partCells, to+1)
		if p == 0 {
			lo = from
		}
		if q == partCount {
			hi = to + 1
		}
		if p = q; hi <= lo {
			continue
		}
		if sign == 0 || !f.bears(lo, hi) {
			odds = 0
		}
		v.add(lo, hi, odds*float64(sign))
	}
	// A sign that turns below where crossovers do is another loudspeaker's, or chance.
	if n := v.lowestNamed(); n >= 0 && f.alone && v.Bands[n].HighHz < lowestHz/halfCell {
		v.Bands[n].Sign, v.Bands[n].Confidence = 0, 0
	}
	if to < f.top {
		v.add(to+1, f.top+1, 0)
	}
}

// add appends the band of cells lo ≤ k < hi with what speaks for a sign, −1…1, or
// lengthens the last one if that says the same.
func (v *Verdict) add(lo, hi int, odds float64) {
	b := Band{LowHz: cellHz(lo) / halfCell, HighHz: cellHz(hi-1) * halfCell}
	if p := (1 + math.Abs(odds)) / 2; p >= sure {
		b.Confidence = min(p, 0.9999)
		b.Sign = 1
		if odds < 0 {
			b.Sign = -1
		}
	}
	if n := len(v.Bands); n > 0 && v.Bands[n-1].Sign == b.Sign {
		v.Bands[n-1].HighHz = b.HighHz
		v.Bands[n-1].Confidence = min(v.Bands[n-1].Confidence, b.Confidence)
		return
	}
	v.Bands = append(v.Bands, b)
}

// bears says whether the cells lo ≤ k < hi tell the sign by themselves: they agree
// with the best hypothesis, and no other delay, within what is known of it, makes
// them agree about as well with the other sign.
func (f *fit) bears(lo, hi int) bool {
	weight := 0.0
	for k := lo; k < hi; k++ {
		weight += f.heavy[k]
	}
	best, other := 0.0, 0.0
	const steps = 16
	for i := -steps; i <= steps; i++ {
		delay := 4 * f.sd * float64(i) / steps
		sum := 0.0
		for k := lo; k < hi; k++ {
			z := f.kept[k] * cmplx.Rect(1, 2*math.Pi*cellHz(k)*delay)
			sum += real(z)
		}
		away := delay * delay / (8 * f.sd * f.sd * leastNats)
		best = max(best, sum-away)
		other = max(other, -sum-away)
	}
	return best >= agreed*weight && best-other >= evidence
}

// span is the range of cells in which the phase keeps to the best hypothesis: on
// both ends a third octave belongs to it with its two neighbours within.
func (f *fit) span() (from, to int) {
	keeps := func(k, step int) bool {
		weight, agree := 0.0, 0.0
		for i := range 3 {
			if n := k + i*step; n >= 0 && n < cellCount {
				weight += f.heavy[n]
				agree += f.agree[n]
			}
		}
		return f.heavy[k] > 0 && f.agree[k] > 0.35*f.heavy[k] && agree >= agreed*weight
	}
	from, to = f.from, f.top
	for from < to && !keeps(from, 1) {
		from++
	}
	for to > from && !keeps(to, -1) {
		to--
	}
	return from, to
}
