package summation

import (
	"cmp"
	"errors"
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
)

// Config of Account. The zero value of a field means its default.
type Config struct {
	A, B            string  // what the sentences call them; "A" and "B"
	Band            Band    // to account for; zero finds the overlap
	MaxDifferenceDB float64 // levels that count as overlapping when the band is found; 0 is 10
	MaxOffsetMs     float64 // offsets looked for, either way; 0 is 50, or as far as the compensations differ
}

// Cause is what a row of the ledger accounts for.
type Cause string

// The rows of the ledger, in this order.
const (
	Level    Cause = "level"    // one is louder than the other
	Spectrum Cause = "spectrum" // they are loud at different frequencies
	Phase    Cause = "phase"    // phase that no delay and polarity can mend
	Time     Cause = "time"     // the delay is not the best
	Polarity Cause = "polarity" // the polarity is not the best
	Rest     Cause = "rest"     // measured against predicted: noise, movement, non-linearity
)

// Row is one entry: what a cause adds to or takes from the sum.
type Row struct {
	Cause         Cause
	ChangeDB      float64
	LowDB, HighDB float64 // 95 % interval; −Inf where it reaches a complete loss
	// Cancelled: the sum before or after this row is lost in noise or rounding,
	// and counts as FloorDB re the ideal; the loss is that or more.
	Cancelled bool
	FloorDB   float64
	Sentence  string
}

// Ledger is the account of one seat.
type Ledger struct {
	Band                  Band
	LevelADB, LevelBDB    float64 // power mean of |H|² over the band, re the reference
	LevelBothDB           float64 // measured, or predicted
	Predicted             bool    // there was no measurement of both
	GainOverLouderDB      float64 // LevelBothDB − the louder of A and B
	GainLowDB, GainHighDB float64 // 95 % interval
	IdealGainDB           float64 // 20 lg 2
	OffsetMs, OffsetSDMs  float64 // B's arrival minus A's, by the best in-phase sum
	Sign                  int     // B's polarity re A's: +1 same, −1 opposite, 0 undecided
	Rows                  []Row   // IdealGainDB + Σ ChangeDB = GainOverLouderDB
}

// cancelledDB is the sum re the ideal below which rounding hides it even without noise.
const cancelledDB = -120

// Account draws up the ledger. both may be nil: the sum is predicted then and
// the rest is 0.
//
// With weights w (Σw = 1, ∝ 1/f) on the points of the band that are trusted for
// A and for B (where the sum cancels, both has no coherence to be trusted by), ⟨·⟩ = Σw·,
// a² = ⟨|A|²⟩, b² = ⟨|B|²⟩, L = max(a², b²) and C the measured sum, the stages are
//
//	S0 = 4L                                       the ideal, two of the louder
//	S1 = (a + b)²                                 level
//	S2 = a² + b² + 2⟨|A||B|⟩                      spectrum (Cauchy–Schwarz: ⟨|A||B|⟩ ≤ ab)
//	S3 = a² + b² + 2·max over τ, p of p·R(τ)      phase,  R(τ) = ⟨Re A*·B·e^{jωτ}⟩
//	S4 = a² + b² + 2p·R(0)                        time, with the p that was best
//	S5 = a² + b² + 2·R(0) = ⟨|A + B|²⟩            polarity
//	S6 = ⟨|C|²⟩                                   rest
//
// and each row is 10 lg(Sm/Sm−1). The best τ is the offset: B = A·e^{−jωτ} is
// B arriving τ later. With p left at the best sign in S4, a delay that is half
// a period off is charged to time and a reversed loudspeaker to polarity.
//
// The power that random errors add on average is taken off every stage.
// The intervals propagate the random errors of the three responses, as coherence
// and effective averages tell them, through the derivatives of these formulas
// (delta method).
func Account(a, b, both *response.Spectra, cfg Config) (*Ledger, error) {
	if cfg.MaxDifferenceDB == 0 {
		cfg.MaxDifferenceDB = DefaultMaxDifferenceDB
	}
	if !(cfg.MaxDifferenceDB > 0) || cfg.MaxOffsetMs < 0 {
		return nil, errors.New("level difference and offset must be positive")
	}
	if err := cfg.Band.Check(); err != nil {
		return nil, err
	}
	all := []*response.Spectra{a, b}
	if both != nil {
		all = append(all, both)
	}
	if err := Compatible(all...); err != nil {
		return nil, err
	}
	if cfg.Band.zero() {
		var err error
		if cfg.Band, err = Overlap(cfg.MaxDifferenceDB, [2]*response.Spectra{a, b}); err != nil {
			return nil, err
		}
	}
	if cfg.MaxOffsetMs == 0 {
		cfg.MaxOffsetMs = max(50, 1.25e3*math.Abs(b.DelayS-a.DelayS))
	}
	pair := &Pair{Band: cfg.Band}
	if err := pair.take(a, b); err != nil {
		return nil, err
	}
	if err := pair.covers(both); err != nil {
		return nil, err
	}
	s := newStages(pair, both, cfg.MaxOffsetMs/1e3)
	l := s.ledger()
	l.say(cmp.Or(cfg.A, "A"), cmp.Or(cfg.B, "B"))
	return l, nil
}

// stages are the sums S0…S6 and their gradients.
type stages struct {
	pair   *Pair
	c      []complex128 // measured sum; nil when predicted
	cNoise noise
	p      float64 // best sign
	tauS   float64 // best delay
	offset offset
	power  [7]float64
	levelA float64 // a²
	levelB float64
	louder int // 0: A, 1: B
}

func newStages(pair *Pair, both *response.Spectra, maxOffsetS float64) *stages {
	s := &stages{pair: pair}
	var m, r0 float64
	for k, w := range pair.Weight {
		a, b := pair.A[k], pair.B[k]
		s.levelA += w * power(a)
		s.levelB += w * power(b)
		m += w * magnitude(a, pair.a.variance[k]) * magnitude(b, pair.b.variance[k])
		r0 += w * real(cmplx.Conj(a)*b)
	}
	s.levelA -= pair.a.mean(pair.Weight)
	s.levelB -= pair.b.mean(pair.Weight)
	s.offset = findOffset(pair, maxOffsetS)
	s.p, s.tauS = float64(s.offset.sign), s.offset.tauS
	if s.levelB > s.levelA {
		s.louder = 1
	}
	both2 := s.levelA + s.levelB
	s.power = [7]float64{
		4 * max(s.levelA, s.levelB),
		square(math.Sqrt(s.levelA) + math.Sqrt(s.levelB)),
		both2 + 2*m,
		both2 + 2*s.offset.r,
		both2 + 2*s.p*r0,
		both2 + 2*r0,
		both2 + 2*r0,
	}
	if both != nil {
		s.measure(both)
		s.power[6] = -s.cNoise.mean(pair.Weight)
		for k, w := range pair.Weight {
			s.power[6] += w * power(s.c[k])
		}
	}
	return s
}

// magnitude is |H| without what noise of that variance adds to it on average:
// E|Ĥ| ≈ |H| + σ²/(4|H|).
func magnitude(h complex128, variance float64) float64 {
	return math.Sqrt(max(0, power(h)-variance/2))
}

// measure takes the measured sum at the pair's points.
func (s *stages) measure(both *response.Spectra) {
	i := 0
	for k, f := range both.FrequencyHz {
		if i < len(s.pair.FrequencyHz) && f == s.pair.FrequencyHz[i] {
			s.c = append(s.c, transfer(both, k))
			s.cNoise.add(both, k, 0)
			i++
		}
	}
}

// gradient of stage m with respect to the responses at point k.
func (s *stages) gradient(m, k int) (ga, gb, gc complex128) {
	w := complex(2*s.pair.Weight[k], 0)
	a, b := s.pair.A[k], s.pair.B[k]
	switch m {
	case 0:
		if s.louder == 0 {
			return 4 * w * a, 0, 0
		}
		return 0, 4 * w * b, 0
	case 1:
		ra, rb := math.Sqrt(s.levelA), math.Sqrt(s.levelB)
		return w * a * complex((ra+rb)/ra, 0), w * b * complex((ra+rb)/rb, 0), 0
	case 2:
		ratio := cmplx.Abs(b) / cmplx.Abs(a)
		return w * a * complex(1+ratio, 0), w * b * complex(1+1/ratio, 0), 0
	case 3:
		turn := cmplx.Rect(s.p, 2*math.Pi*s.pair.FrequencyHz[k]*s.tauS)
		return w * (a + b*turn), w * (b + a*cmplx.Conj(turn)), 0
	case 4:
		p := complex(s.p, 0)
		return w * (a + p*b), w * (b + p*a), 0
	case 6:
		if s.c != nil {
			return 0, 0, w * s.c[k]
		}
	}
	return w * (a + b), w * (a + b), 0
}

// relativeSD is the standard deviation of Sm/Sn relative to it.
func (s *stages) relativeSD(m, n int) float64 {
	return s.sd(m, n, complex(1/s.power[m], 0), complex(1/s.power[n], 0))
}

// sd is the standard deviation of x·Sm − y·Sn.
func (s *stages) sd(m, n int, x, y complex128) float64 {
	size := len(s.pair.Weight)
	ga, gb, gc := make([]complex128, size), make([]complex128, size), make([]complex128, size)
	for k := range ga {
		ma, mb, mc := s.gradient(m, k)
		na, nb, nc := s.gradient(n, k)
		ga[k], gb[k], gc[k] = x*ma-y*na, x*mb-y*nb, x*mc-y*nc
	}
	v := s.pair.a.spread(ga) + s.pair.b.spread(gb)
	if s.c != nil {
		v += s.cNoise.spread(gc)
	}
	return math.Sqrt(v)
}

func (s *stages) ledger() *Ledger {
	floor := s.power[0] * math.Pow(10, cancelledDB/10)
	l := &Ledger{
		Band:        s.pair.Band,
		LevelADB:    10 * math.Log10(s.levelA),
		LevelBDB:    10 * math.Log10(s.levelB),
		Predicted:   s.c == nil,
		IdealGainDB: 20 * math.Log10(2),
		OffsetMs:    s.tauS * 1e3,
		OffsetSDMs:  s.offset.sdS * 1e3,
		Sign:        s.offset.decided(),
	}
	floored := [7]bool{}
	for m := range s.power {
		lowest := max(floor, s.sd(m, m, 1, 0))
		if s.power[m] < lowest {
			s.power[m], floored[m] = lowest, true
		}
	}
	l.GainOverLouderDB = l.IdealGainDB
	for m, cause := range []Cause{Level, Spectrum, Phase, Time, Polarity, Rest} {
		row := Row{Cause: cause}
		if !(cause == Rest && s.c == nil || cause == Polarity && s.p > 0) {
			row.ChangeDB = 10 * math.Log10(s.power[m+1]/s.power[m])
			row.LowDB, row.HighDB = interval(row.ChangeDB, s.relativeSD(m+1, m))
			row.Cancelled = floored[m] || floored[m+1]
			row.FloorDB = 10 * math.Log10(min(s.power[m], s.power[m+1])/s.power[0])
		}
		l.GainOverLouderDB += row.ChangeDB
		l.Rows = append(l.Rows, row)
	}
	l.LevelBothDB = l.GainOverLouderDB + max(l.LevelADB, l.LevelBDB)
	l.GainLowDB, l.GainHighDB = interval(l.GainOverLouderDB, s.relativeSD(6, 0))
	return l
}

// interval is the 95 % interval of a level whose power has that relative
// standard deviation.
func interval(db, relativeSD float64) (low, high float64) {
	const z = 1.959963984540054
	return db + 10*math.Log10(max(0, 1-z*relativeSD)), db + 10*math.Log10(1+z*relativeSD)
}

func square(x float64) float64 { return x * x }
