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
	// Offset is what the rows are drawn up with when it is known already, as by an
	// alignment: a plan and a ledger that each choose a cycle for themselves
	// contradict one another. nil: the best in-phase sum.
	Offset *Offset
}

// Offset is B against A as an alignment undoes it.
type Offset struct {
	Ms   float64 // B's arrival minus A's
	Sign int     // B's polarity re A's: +1 same, −1 opposite
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
	OffsetMs, OffsetSDMs  float64 // B's arrival minus A's: Config.Offset, or by the best in-phase sum
	Sign                  int     // B's polarity re A's: +1 same, −1 opposite, 0 undecided
	Rows                  []Row   // IdealGainDB + Σ ChangeDB = GainOverLouderDB
}

var errOffset = errors.New("level difference and offset must be positive")

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
//	S3 = a² + b² + 2·max over τ, p of p·R(τ)      phase,  R(τ) = ⟨Re A*·B·e^{jωτ}⟩;
//	                                              that of Config.Offset when it is given
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
		return nil, errOffset
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
	pair := &Pair{Band: cfg.Band}
	if err := pair.take(a, b); err != nil {
		return nil, err
	}
	return pair.Account(both, cfg)
}

// Account draws up the ledger of a pair as the function of that name does, over
// the pair's own band. One goroutine at a time.
func (p *Pair) Account(both *response.Spectra, cfg Config) (*Ledger, error) {
	if cfg.MaxOffsetMs < 0 {
		return nil, errOffset
	}
	if both != nil {
		if err := Compatible(p.of, both); err != nil {
			return nil, err
		}
	}
	if err := p.covers(both); err != nil {
		return nil, err
	}
	if cfg.MaxOffsetMs == 0 {
		cfg.MaxOffsetMs = max(50, 1.25e3*math.Abs(p.laterS))
	}
	if p.near == nil {
		p.near = newNeighbours(p.FrequencyHz, p.of.Window, p.of.SampleRateHz)
	}
	s := newStages(p, both, cfg.MaxOffsetMs/1e3, cfg.Offset)
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

	covariance [7][7]float64 // of stages m ≤ n, for those that are compared
}

func newStages(pair *Pair, both *response.Spectra, maxOffsetS float64, known *Offset) *stages {
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
	s.offset = findOffset(pair, maxOffsetS, known)
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
			s.c = append(s.c, both.H(k))
			s.cNoise.add(both, k)
			i++
		}
	}
}

// gradient of the stages with respect to the responses of A and B at point k;
// S6 goes like S5 when it is predicted, else it hangs on the measured sum alone.
func (s *stages) gradient(k int, turn complex128) (ga, gb [6]complex128) {
	w := 2 * s.pair.Weight[k]
	a, b := s.pair.A[k], s.pair.B[k]
	ra, rb := math.Sqrt(s.levelA), math.Sqrt(s.levelB)
	ratio := math.Sqrt(power(b) / power(a))
	if s.louder == 0 {
		ga[0] = scaled(a, 4*w)
	} else {
		gb[0] = scaled(b, 4*w)
	}
	ga[1], gb[1] = scaled(a, w*(ra+rb)/ra), scaled(b, w*(ra+rb)/rb)
	ga[2], gb[2] = scaled(a, w*(1+ratio)), scaled(b, w*(1+1/ratio))
	turn = scaled(turn, s.p)
	ga[3], gb[3] = scaled(a+b*turn, w), scaled(b+a*cmplx.Conj(turn), w)
	ga[4], gb[4] = scaled(a+scaled(b, s.p), w), scaled(b+scaled(a, s.p), w)
	ga[5] = scaled(a+b, w)
	gb[5] = ga[5]
	return ga, gb
}

func scaled(z complex128, by float64) complex128 { return complex(by*real(z), by*imag(z)) }

// spread sets the covariances of neighbouring stages, and of the first and last.
func (s *stages) spread() {
	n := len(s.pair.Weight)
	buffer := make([]complex128, 12*n)
	var a, b [6][]complex128
	for m := range a {
		a[m], b[m] = buffer[2*m*n:][:n], buffer[(2*m+1)*n:][:n]
	}
	turn := turner{tau: s.tauS}
	for k, f := range s.pair.FrequencyHz {
		turn.to(f)
		ga, gb := s.gradient(k, turn.z)
		for m := range a {
			a[m][k], b[m][k] = ga[m], gb[m]
		}
	}
	for m := range a {
		s.pair.a.whiten(a[m])
		s.pair.b.whiten(b[m])
	}
	near := s.pair.near
	both := func(m, n int) float64 { return near.covariance(a[m], a[n]) + near.covariance(b[m], b[n]) }
	for m := range a {
		s.covariance[m][m] = both(m, m)
		if m > 0 {
			s.covariance[m-1][m] = both(m-1, m)
		}
	}
	s.squares([]int{4, 5}, &s.pair.a, &s.pair.b)
	if s.c == nil { // S6 is S5
		s.covariance[6][6], s.covariance[5][6], s.covariance[0][6] = s.covariance[5][5], s.covariance[5][5], both(0, 5)
		return
	}
	c := a[0]
	for k, z := range s.c {
		c[k] = scaled(z, 2*s.pair.Weight[k])
	}
	s.cNoise.whiten(c)
	s.covariance[6][6] = near.covariance(c, c)
	s.squares([]int{6}, &s.cNoise)
}

// squares takes into account, in the variances of those powers, that noise is not
// small against the signal. |Ĥ|² = |H|² + 2 Re(H*N) + |N|²: with the gradient at Ĥ
// instead of at H the middle term has the variance of the last one too much, twice;
// what is taken off for |N|² on average is itself an estimate.
func (s *stages) squares(of []int, noises ...*noise) {
	p, own := make([]float64, len(s.pair.Weight)), make([]float64, len(s.pair.Weight))
	for k, w := range s.pair.Weight {
		for _, e := range noises {
			p[k] += w * e.variance[k]
		}
	}
	change := -s.pair.near.powers(p)
	for _, e := range noises {
		for k, w := range s.pair.Weight {
			own[k] = w * e.variance[k] / math.Sqrt(e.freedom[k])
		}
		change += s.pair.near.powers(own)
	}
	for _, m := range of {
		s.covariance[m][m] = max(s.covariance[m][m]+change, 0.1*s.covariance[m][m])
	}
}

// relativeSD is the standard deviation of Sn/Sm relative to it, m ≤ n.
func (s *stages) relativeSD(m, n int) float64 {
	x, y := 1/s.power[m], 1/s.power[n]
	return math.Sqrt(max(0, x*x*s.covariance[m][m]+y*y*s.covariance[n][n]-2*x*y*s.covariance[m][n]))
}

func (s *stages) ledger() *Ledger {
	s.spread()
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
		lowest := max(floor, math.Sqrt(s.covariance[m][m]))
		if s.power[m] < lowest {
			s.power[m], floored[m] = lowest, true
		}
	}
	l.GainOverLouderDB = l.IdealGainDB
	for m, cause := range []Cause{Level, Spectrum, Phase, Time, Polarity, Rest} {
		row := Row{Cause: cause}
		if !(cause == Rest && s.c == nil || cause == Polarity && s.p > 0) {
			row.ChangeDB = 10 * math.Log10(s.power[m+1]/s.power[m])
			row.LowDB, row.HighDB = interval(row.ChangeDB, s.relativeSD(m, m+1))
			row.Cancelled = floored[m] || floored[m+1]
			row.FloorDB = 10 * math.Log10(min(s.power[m], s.power[m+1])/s.power[0])
		}
		l.GainOverLouderDB += row.ChangeDB
		l.Rows = append(l.Rows, row)
	}
	l.LevelBothDB = l.GainOverLouderDB + max(l.LevelADB, l.LevelBDB)
	l.GainLowDB, l.GainHighDB = interval(l.GainOverLouderDB, s.relativeSD(0, 6))
	return l
}

// interval is the 95 % interval of a level whose power has that relative
// standard deviation.
func interval(db, relativeSD float64) (low, high float64) {
	const z = 1.959963984540054
	return db + 10*math.Log10(max(0, 1-z*relativeSD)), db + 10*math.Log10(1+z*relativeSD)
}

func square(x float64) float64 { return x * x }
