package level

import (
	"fmt"
	"math"
	"strconv"
)

// How long a meter that begins with the sound needs until a level is one.
//
// A time weighting of constant τ reads 10 lg(1 − e^(−T/τ)) too little after T of a
// steady sound (IEC 61672-1:2013, Formula 7): 0.22 dB after three constants. A
// level that counts from 20 Hz up needs a period of that. A band-pass filter of
// bandwidth B rises in about 1/B (the time-bandwidth product; e.g. Randall,
// Frequency Analysis, 1987, from memory); after ten times that no class 1
// filter here reads more than half a decibel too little, as a test computes from
// their impulse responses.
const (
	FastSettlesS      = 3 * fastS
	SlowSettlesS      = 3 * slowS
	WeightingSettlesS = 1. / 20
	bandTimes         = 10
)

// SettlesS is how long the band's filter needs, seconds.
func (b Band) SettlesS() float64 { return bandTimes / (b.HighHz - b.LowHz) }

// HideUnsettled makes unknown (NaN) what a meter that began with the sound, and
// heard no more than DurationS of it, cannot tell. bands are those of BandLeqDB.
// It returns why, empty when nothing was hidden; why of the bands is apart.
func (r *Reading) HideUnsettled(bands []Band) (reason, ofBands string) {
	hide := func(dst ...*float64) {
		for _, x := range dst {
			*x = math.NaN()
		}
	}
	need := ""
	if r.DurationS < SlowSettlesS {
		hide(&r.LASDB, &r.LCSDB, &r.LASMaxDB, &r.LCSMaxDB)
		need = fmt.Sprintf("S needs %g s", SlowSettlesS)
	}
	if r.DurationS < FastSettlesS {
		hide(&r.LAFDB, &r.LCFDB, &r.LAFMaxDB, &r.LCFMaxDB, &r.L10DB, &r.L50DB, &r.L90DB)
		need = fmt.Sprintf("F needs %g s, ", FastSettlesS) + need
	}
	if r.DurationS < WeightingSettlesS {
		hide(&r.LAeqDB, &r.LCeqDB, &r.LAEDB, &r.LCPeakDB)
		need = fmt.Sprintf("A and C need %g s, ", WeightingSettlesS) + need
	}
	if need != "" {
		reason = fmt.Sprintf("%.3g s are too short: %s", r.DurationS, need)
	}
	last := -1
	for k, b := range bands {
		if r.DurationS < b.SettlesS() {
			r.BandLeqDB[k], last = math.NaN(), k
		}
	}
	if last >= 0 { // filters are slower the lower they are
		ofBands = fmt.Sprintf("%.3g s are too short for the bands up to %s Hz: their filters need up to %.2g s to settle",
			r.DurationS, strconv.FormatFloat(bands[last].NominalHz, 'f', -1, 64), bands[0].SettlesS())
	}
	return reason, ofBands
}
