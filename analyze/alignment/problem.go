package alignment

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/analyze/response"
	"plumbline/analyze/summation"
)

// Aim is which seats count.
type Aim int

// The aims.
const (
	Mean  Aim = iota // the mean of the seats' efficiencies, dB
	Worst            // the seat with the lowest efficiency
)

// Config of a Problem. The zero value of a field means its default.
type Config struct {
	Band            summation.Band // zero finds the overlap over all seats
	Aim             Aim
	MaxDelayMs      float64 // either way; 0 is 50
	MaxDifferenceDB float64 // levels that count as overlapping when the band is found; 0 is 10
	// Gain lets B's gain change as well, within ±MaxGainDB (0 is 12). Efficiency
	// alone would always be best with one loudspeaker turned off, so the gain is
	// chosen for efficiency plus what the level difference costs, as in the ledger.
	Gain      bool
	MaxGainDB float64
	// Each calls do with 0 … n−1 and returns when all are done; it may do so on
	// several goroutines at once. Nil: one after the other.
	Each func(n int, do func(i int))
}

// Seat is one position with both loudspeakers alone.
type Seat struct {
	A, B *response.Spectra
	// SpreadMs is how far the difference of the two arrivals spreads over the places
	// that the seat stands for, standard deviation, 0…1000: see SpreadMs. 0 is the
	// point where the microphone stood.
	SpreadMs float64
	// Arrivals is B against A as the arrivals of sound tell, apart from all phases; a
	// zero SDMs or one that is no number says nothing.
	Arrivals Arrivals
}

// Problem is the seats made ready for evaluation. Methods do not change it: it
// may be used from several goroutines.
type Problem struct {
	cfg    Config
	wideMs float64 // range in which a seat's own offset is looked for, at least cfg.MaxDelayMs
	band   summation.Band
	seats  []seat
	points *Problem // the same without a spread; nil when there is none
}

// seat has one entry a cell, ascending in frequency.
type seat struct {
	pair   *summation.Pair
	belief *summation.Belief
	around summation.Offset // what the belief is about
	at     Arrivals
	cells  []int        // points of the pair
	biasDB float64      // taken off every efficiency: see debias
	omega  []float64    // rad/s
	cross  []complex128 // of the magnitude χ: see cells.go
	ratio  []float64    // |B|/|A|
	c1     []float64    // c without a gain
	less   []float64    // what else the efficiency's denominator has, as a factor; nil: 1
	levelA float64      // power means over the band
	levelB float64

	spreadS  float64 // of the difference of arrival
	smooth   int     // the first cell that a spread reaches
	level    int     // the first of which it leaves no ripple
	smoothed []smoothed
	unlike1  float64 // unlike(1)
}

// New checks the seats and prepares them.
func New(cfg Config, seats []Seat) (*Problem, error) {
	if cfg.MaxDifferenceDB == 0 {
		cfg.MaxDifferenceDB = summation.DefaultMaxDifferenceDB
	}
	if cfg.MaxGainDB == 0 {
		cfg.MaxGainDB = 12
	}
	if cfg.Each == nil {
		cfg.Each = oneByOne
	}
	switch {
	case len(seats) == 0:
		return nil, errors.New("no seat: measure A and B alone at one at least")
	case !(cfg.MaxDelayMs >= 0 && cfg.MaxDelayMs <= 1000):
		return nil, fmt.Errorf("delay range ±%g ms: give 0…1000", cfg.MaxDelayMs)
	case !(cfg.MaxDifferenceDB > 0 && cfg.MaxGainDB > 0 && cfg.MaxGainDB <= 40):
		return nil, errors.New("level difference and gain range must be positive")
	case cfg.Aim != Mean && cfg.Aim != Worst:
		return nil, errors.New("aim at the mean or at the worst seat")
	}
	if err := cfg.Band.Check(); err != nil {
		return nil, err
	}
	pairs := make([][2]*response.Spectra, len(seats))
	for i, s := range seats {
		if s.A == nil || s.B == nil {
			return nil, errMissing(i)
		}
		if err := summation.Compatible(seats[0].A, s.A, s.B); err != nil {
			return nil, fmt.Errorf("seat %d: %w", i+1, err)
		}
		if !(s.SpreadMs >= 0 && s.SpreadMs <= 1000) {
			return nil, fmt.Errorf("seat %d: a spread of %g ms: give 0…1000", i+1, s.SpreadMs)
		}
		pairs[i] = [2]*response.Spectra{s.A, s.B}
	}
	// Lines of a window of T seconds tell delays apart up to ±T/2.
	told := math.Inf(1)
	if n := seats[0].A.Window; n > 0 {
		told = 500 * float64(n) / seats[0].A.SampleRateHz
	}
	if cfg.MaxDelayMs > told {
		return nil, fmt.Errorf("delays of ±%g ms cannot be told with a window of ±%.3g ms: analyze with a longer window", cfg.MaxDelayMs, told)
	}
	cfg.MaxDelayMs = cmp.Or(cfg.MaxDelayMs, min(50, told))
	p := &Problem{cfg: cfg, wideMs: max(cfg.MaxDelayMs, min(50, told)), band: cfg.Band}
	if cfg.Band == (summation.Band{}) {
		var err error
		if p.band, err = summation.OverlapOf(pairs, cfg.MaxDifferenceDB, cfg.Each); err != nil {
			return nil, err
		}
	}
	p.seats = make([]seat, len(seats))
	failed := make([]error, len(seats))
	cfg.Each(len(seats), func(i int) {
		pair, err := summation.NewPair(seats[i].A, seats[i].B, p.band)
		if err != nil {
			failed[i] = fmt.Errorf("seat %d: %w", i+1, err)
			return
		}
		p.seats[i] = newSeat(pair, seats[i].Arrivals, p.wideMs)
		p.seats[i].spreadOut(seats[i].SpreadMs)
		p.seats[i].debias(i)
	})
	if err := cmp.Or(failed...); err != nil {
		return nil, err
	}
	if slices.ContainsFunc(seats, func(s Seat) bool { return s.SpreadMs > 0 }) {
		points := *p
		points.seats = slices.Clone(p.seats)
		for i := range points.seats {
			points.seats[i].undoBias()
			points.seats[i].spreadOut(0)
			points.seats[i].debias(i)
		}
		p.points = &points
	}
	return p, nil
}

func oneByOne(n int, do func(i int)) {
	for i := range n {
		do(i)
	}
}

func errMissing(seat int) error {
	return fmt.Errorf("seat %d: a take is missing: measure both loudspeakers alone there", seat+1)
}

// Points is the problem without a spread: what the microphones themselves hear.
func (p *Problem) Points() *Problem {
	if p.points == nil {
		return p
	}
	return p.points
}

// Band is the band that the efficiency is taken over.
func (p *Problem) Band() summation.Band { return p.band }

// Pair is what is computed with at a seat, from 0; it is not to be changed.
func (p *Problem) Pair(seat int) *summation.Pair { return p.seats[seat].pair }

// Seats is how many there are.
func (p *Problem) Seats() int { return len(p.seats) }

// efficiency is the mean over the cells, dB.
func (s *seat) efficiency(x Setting) float64 {
	gain, tau, sign := math.Pow(10, x.GainDB/20), x.DelayMs/1e3, float64(x.Sign)
	log, product := s.unlikeAt(gain)+s.ripples(gain, tau, sign), 1.0
	for k, z := range s.cross[:s.smooth] {
		sin, cos := math.Sincos(s.omega[k] * tau)
		c := s.c(k, gain)
		product *= (1 + sign*c*(real(z)*cos-imag(z)*sin)) / s.ideal(k, c)
		if k%batch == batch-1 {
			log += math.Log(product)
			product = 1
		}
	}
	return 10 / math.Ln10 * (log + math.Log(product)) / float64(len(s.cross))
}

// levelCost is what unequal levels cost: the level row of the ledger, dB.
func (s *seat) levelCost(gainDB float64) float64 {
	a, b := math.Sqrt(s.levelA), math.Sqrt(s.levelB)*math.Pow(10, gainDB/20)
	return 20 * math.Log10((a+b)/(2*max(a, b)))
}

// Efficiency sets dst, one entry a seat, to the efficiencies under x in dB, over
// each seat's spread, and returns dst (nil allocates) and what the aim makes of them.
func (p *Problem) Efficiency(dst []float64, x Setting) (seatsDB []float64, aimDB float64) {
	dst = slices.Grow(dst[:0], len(p.seats))
	for i := range p.seats {
		dst = append(dst, p.seats[i].efficiency(x))
	}
	return dst, p.aim(dst)
}

func (p *Problem) aim(seatsDB []float64) float64 {
	if p.cfg.Aim == Worst {
		return slices.Min(seatsDB)
	}
	sum := 0.0
	for _, e := range seatsDB {
		sum += e
	}
	return sum / float64(len(seatsDB))
}

// value is what is maximised: the aim, and with a free gain the cost of the levels.
func (p *Problem) value(scratch []float64, x Setting) float64 {
	for i := range p.seats {
		scratch[i] = p.seats[i].efficiency(x)
		if p.cfg.Gain {
			scratch[i] += p.seats[i].levelCost(x.GainDB)
		}
	}
	return p.aim(scratch)
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
