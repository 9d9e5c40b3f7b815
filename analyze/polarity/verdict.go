package polarity

import (
	"math"
	"strconv"
)

func (v *Verdict) undecided(reason string) {
	v.Sign, v.Confidence, v.Reason, v.Bands = 0, 0, reason, v.Bands[:0]
}

// conclude turns a fit into words.
func (v *Verdict) conclude(c *cells, f *fit, same, opposite string) {
	p := max(f.same, 1-f.same)
	if p < sure {
		v.undecided("either way round explains the phase about as well")
		return
	}
	v.Sign, v.Confidence = 1, min(p, 0.9999)
	text := same
	if f.same < 0.5 {
		v.Sign, text = -1, opposite
	}
	turned := f.turns > 0.95 && (f.best.order == 1 || f.best.order == -1)
	v.bands(c, f, turned)

	var buffer [256]byte
	b := append(buffer[:0], text...)
	b = append(b, " from "...)
	b = appendHz(b, cellHz(c.first))
	b = append(b, " to "...)
	to := cellHz(c.last)
	if turned {
		to = f.best.hz
	}
	b = appendHz(b, to)
	switch {
	case turned && c.dip(f.best.hz):
		b = append(b, "; above "...)
		b = appendHz(b, f.best.hz)
		b = append(b, " the sign turns: the high-frequency driver looks reversed"...)
	case turned && f.best.order == -1:
		b = append(b, "; above "...)
		b = appendHz(b, f.best.hz)
		b = append(b, " the sign turns without a dip: the two are not alike there"...)
	case turned:
		b = append(b, "; above "...)
		b = appendHz(b, f.best.hz)
		b = append(b, " the sign turns without a dip, as a crossover of 12 dB an octave does by design"...)
	}
	if string(b) != v.Reason {
		v.Reason = string(b)
	}
}

// appendHz writes a frequency with two figures.
func appendHz(b []byte, hz float64) []byte {
	round := math.Pow(10, math.Floor(math.Log10(hz))-1)
	hz = math.Round(hz/round) * round
	if hz >= 1000 {
		return append(strconv.AppendFloat(b, hz/1000, 'g', 2, 64), " kHz"...)
	}
	return append(strconv.AppendFloat(b, hz, 'f', 0, 64), " Hz"...)
}

// bands says what is known in the low, the mid and the high part of the trusted
// band, or below and above the frequency where the sign turns.
func (v *Verdict) bands(c *cells, f *fit, turned bool) {
	v.Bands = v.Bands[:0]
	low, high := cellHz(c.first)/math.Pow(10, 0.05), cellHz(c.last)*math.Pow(10, 0.05)
	add := func(to, same float64) {
		if to < low*1.5 {
			return
		}
		b := Band{LowHz: low, HighHz: min(to, high)}
		if p := max(same, 1-same); p >= sure {
			b.Sign, b.Confidence = 1, min(p, 0.9999)
			if same < 0.5 {
				b.Sign = -1
			}
		}
		v.Bands = append(v.Bands, b)
		low = to
	}
	if turned {
		add(f.best.hz, f.parts[0])
		add(high, f.parts[2])
		return
	}
	for p, split := range [...]float64{500, 2000} {
		if split < high/1.5 {
			add(split, f.parts[p])
		}
	}
	add(high, f.parts[2])
}
