package level

import (
	"fmt"
	"math"
	"math/cmplx"
	"strconv"
)

// Band is an octave or third-octave band of IEC 61260-1:2014.
type Band struct {
	MidHz         float64 // exact, base 10: 1000·10^(3x/10b)
	LowHz, HighHz float64
	NominalHz     float64 // as it is called, ISO 266
}

// G of IEC 61260-1.
var octaveRatio = math.Pow(10, 0.3)

// Bands are those of 1/fraction octave (1 or 3) from 16 Hz to 16 kHz or 20 kHz.
func Bands(fraction int) []Band {
	first, last := -6, 4
	if fraction == 3 {
		first, last = -18, 13
	}
	var bands []Band
	for x := first; x <= last; x++ {
		mid := 1000 * math.Pow(octaveRatio, float64(x)/float64(fraction))
		half := math.Pow(octaveRatio, 0.5/float64(fraction))
		bands = append(bands, Band{MidHz: mid, LowHz: mid / half, HighHz: mid * half, NominalHz: nominal(30 + x*3/fraction)})
	}
	return bands
}

// nominal is the preferred number for 10^(n/10) Hz (ISO 266).
func nominal(n int) float64 {
	digits := [10]string{"1", "1.25", "1.6", "2", "2.5", "3.15", "4", "5", "6.3", "8"}[n%10]
	f, err := strconv.ParseFloat(digits+"e"+strconv.Itoa(n/10), 64)
	if err != nil {
		panic(err)
	}
	return f
}

// limit is one breakpoint of IEC 61260-1:2014 Table 1, class 1: the relative
// attenuation at G^exponent of an octave filter and the same on the low side.
type limit struct{ exponent, minDB, maxDB float64 }

var (
	passLimits = []limit{{0, -0.4, 0.4}, {1. / 8, -0.4, 0.5}, {1. / 4, -0.4, 0.7}, {3. / 8, -0.4, 1.4}, {1. / 2, -0.4, 5.3}}
	stopLimits = []limit{{1. / 2, 1.2, math.Inf(1)}, {1, 16.6, math.Inf(1)}, {2, 40.5, math.Inf(1)}, {3, 60, math.Inf(1)}, {4, 70, math.Inf(1)}}
)

// breakpoint is Ω of an octave filter's exponent mapped to 1/fraction octave, Formula 9.
func breakpoint(exponent float64, fraction int) float64 {
	edge := func(b float64) float64 { return math.Pow(octaveRatio, 0.5/b) - 1 }
	return 1 + edge(float64(fraction))/edge(1)*(math.Pow(octaveRatio, exponent)-1)
}

// classOneMargin is by how many dB an attenuation keeps within the class 1
// limits, at worst: at the breakpoints, at ten points between two of them
// (linear in lg Ω, Formula 11) and below half the sample rate.
func classOneMargin(band Band, fraction int, rateHz float64, attenuationDB func(frequencyHz float64) float64) float64 {
	worst := math.Inf(1)
	for _, limits := range [][]limit{passLimits, stopLimits} {
		for i := range limits[1:] {
			a, b := limits[i], limits[i+1]
			la, lb := math.Log(breakpoint(a.exponent, fraction)), math.Log(breakpoint(b.exponent, fraction))
			for t := 0.0; t <= 1; t += 0.1 {
				omega := math.Exp(la + t*(lb-la))
				minDB, maxDB := a.minDB+t*(b.minDB-a.minDB), a.maxDB
				if !math.IsInf(maxDB, 1) {
					maxDB += t * (b.maxDB - a.maxDB)
				}
				for _, f := range []float64{band.MidHz * omega, band.MidHz / omega} {
					if f < rateHz/2 {
						db := attenuationDB(f)
						worst = min(worst, db-minDB, maxDB-db)
					}
				}
			}
		}
	}
	return worst
}

// requiredMarginDB: filters of the lowest order that keeps this far within class 1.
const requiredMarginDB = 0.3

// newBandFilter designs the filter of one band. Where the upper edge lies too near to
// half the sample rate for a band-pass, a high-pass does all of the band that
// the signal can have.
func newBandFilter(band Band, fraction int, rateHz float64) (cascade, error) {
	for n := 3; n <= 8; n++ {
		var c cascade
		if band.HighHz < 0.49*rateHz {
			c = bandPass(n, band.LowHz, band.HighHz, rateHz)
		} else {
			c = highPass(n+n%2, band.LowHz, rateHz)
		}
		margin := classOneMargin(band, fraction, rateHz, func(f float64) float64 {
			return -20 * math.Log10(cmplx.Abs(c.response(2*math.Pi*f/rateHz)))
		})
		if margin >= requiredMarginDB {
			return c, nil
		}
	}
	return nil, fmt.Errorf("no class 1 filter for the band at %g Hz at %g Hz sample rate", band.NominalHz, rateHz)
}

// bank splits a signal into bands. The bands below a sixteenth of a stage's rate
// are left to the next stage, at half the rate.
type bank struct {
	bands  []Band
	stages []stage
}

type stage struct {
	first   int // index of the first band here; it goes on to the stage before's first
	filters []cascade
	halve   cascade // low-pass to the next stage; nil for the last
	odd     bool    // the next sample is one that is dropped
	next    []float64
	scratch []float64
}

func newBank(fraction int, rateHz float64) (*bank, error) {
	b := &bank{bands: Bands(fraction)}
	last := len(b.bands)
	size := blockSize
	for last > 0 {
		s := stage{scratch: make([]float64, size)}
		s.first = last
		for s.first > 0 && (b.bands[s.first-1].HighHz > rateHz/16 || s.first == last) {
			s.first--
			c, err := newBandFilter(b.bands[s.first], fraction, rateHz)
			if err != nil {
				return nil, err
			}
			s.filters = append([]cascade{c}, s.filters...)
		}
		if s.first > 0 {
			// −0.01 dB at a sixteenth of the rate, −86 dB at the image of it.
			s.halve = lowPass(4, rateHz/8, rateHz)
			s.next = make([]float64, size/2+1)
		}
		b.stages = append(b.stages, s)
		last = s.first
		rateHz /= 2
		size = size/2 + 1
	}
	return b, nil
}

// add adds the energy of x, at most blockSize samples, to each band: squares
// summed over samples at the full rate.
func (b *bank) add(energy []float64, x []float64) {
	share := 1.0
	for i := range b.stages {
		s := &b.stages[i]
		for k, c := range s.filters {
			y := s.scratch[:len(x)]
			c.filter(y, x)
			sum := 0.0
			for _, v := range y {
				sum += v * v
			}
			energy[s.first+k] += share * sum
		}
		if s.halve == nil {
			return
		}
		y := s.scratch[:len(x)]
		s.halve.filter(y, x)
		next := s.next[:0]
		for _, v := range y {
			if s.odd = !s.odd; s.odd {
				next = append(next, v)
			}
		}
		x = next
		share *= 2
	}
}

func (b *bank) reset() {
	for i := range b.stages {
		s := &b.stages[i]
		s.halve.reset()
		s.odd = false
		for _, c := range s.filters {
			c.reset()
		}
	}
}
