package exposure

import (
	"errors"
	"fmt"
	"math"
)

// paceS is how much of the past is taken as the pace.
const paceS = 60

// Config of a Tracker.
type Config struct {
	Profile Profile
	// CorrectionDB is added to every level: how much louder the loudest place of
	// the audience is than the microphone.
	CorrectionDB float64
}

// Tracker adds up exposure second by second. Not for two goroutines at once.
type Tracker struct {
	cfg     Config
	dose    float64
	seconds []float64 // ring of energies re the limit: 1 is a second at the limit
	stored  int
	pace    [paceS]float64 // ring of the same
	peakDB  float64
	peaked  bool
}

// Status is where the exposure stands. NaN is unknown.
type Status struct {
	LevelDB      float64 // corrected, over the time base or the time so far; for a dose the level of the whole time base that uses as much
	Used         float64 // part of the budget, 1 is all of it
	Exceeded     bool    // it is used up, now or (for a dose) since
	PaceDB       float64 // corrected level of the last minute
	CrossedInS   float64 // until the budget is used up at this pace: 0 it is, +Inf never
	PeakDB       float64 // highest corrected C-weighted peak; NaN without
	PeakExceeded bool
	CorrectionDB float64
	ElapsedS     float64
}

// NewTracker checks cfg.
func NewTracker(cfg Config) (*Tracker, error) {
	p := cfg.Profile
	switch {
	case p.OverS < 1 || p.OverS > 24*hour || !(p.LimitDB > 0):
		return nil, errors.New("a limit needs a level and a time base from a second to a day")
	case !p.Sliding && !(p.ExchangeDB > 0):
		return nil, errors.New("a dose needs an exchange rate above 0 dB")
	case !(math.Abs(cfg.CorrectionDB) <= 40):
		return nil, fmt.Errorf("a correction of %g dB is outside ±40 dB: enter how much louder the loudest place is", cfg.CorrectionDB)
	}
	t := &Tracker{cfg: cfg}
	if p.Sliding {
		t.seconds = make([]float64, int(p.OverS))
	}
	t.Reset()
	return t, nil
}

// Reset starts the day anew.
func (t *Tracker) Reset() {
	clear(t.seconds)
	t.pace = [paceS]float64{}
	t.dose, t.stored, t.peakDB, t.peaked = 0, 0, math.NaN(), false
}

// Add takes one second: the equivalent level of the profile's quantity and the
// C-weighted peak, dB re 20 µPa. −Inf is silence; a level that is not known
// (NaN) counts as silence and says nothing.
func (t *Tracker) Add(leqDB, peakDB float64) {
	p := t.cfg.Profile
	energy := 0.0 // re a second at the limit
	if !math.IsNaN(leqDB) {
		db := leqDB + t.cfg.CorrectionDB
		energy = math.Pow(10, (db-p.LimitDB)/10)
		if !p.Sliding {
			t.dose += 1 / p.AllowedS(db)
		}
	}
	if p.Sliding {
		t.seconds[t.stored%len(t.seconds)] = energy
	}
	t.pace[t.stored%paceS] = energy
	t.stored++
	if peakDB += t.cfg.CorrectionDB; !math.IsNaN(peakDB) && !(t.peakDB >= peakDB) {
		t.peakDB = peakDB
		t.peaked = p.PeakDB > 0 && peakDB > p.PeakDB
	}
}

// Status says where the exposure stands.
func (t *Tracker) Status() Status {
	p := t.cfg.Profile
	s := Status{
		LevelDB: math.NaN(), PaceDB: math.NaN(), CrossedInS: math.Inf(1), PeakDB: t.peakDB, PeakExceeded: t.peaked,
		CorrectionDB: t.cfg.CorrectionDB, ElapsedS: float64(t.stored),
	}
	if t.stored == 0 {
		return s
	}
	pace := 0.0
	have := min(t.stored, paceS)
	for i := 1; i <= have; i++ {
		pace += t.pace[(t.stored-i)%paceS]
	}
	pace /= float64(have)
	s.PaceDB = p.LimitDB + 10*math.Log10(pace)
	if p.Sliding {
		t.slide(&s, pace)
		return s
	}
	s.Used = t.dose
	s.LevelDB = p.LimitDB + p.ExchangeDB*math.Log2(t.dose)
	s.Exceeded = t.dose >= 1
	if s.Exceeded {
		s.CrossedInS = 0
	} else {
		s.CrossedInS = (1 - t.dose) * p.AllowedS(s.PaceDB)
	}
	return s
}

// slide follows the window: as time goes on the pace comes in and the oldest
// seconds go out.
func (t *Tracker) slide(s *Status, pace float64) {
	n := len(t.seconds)
	have := min(t.stored, n)
	sum := 0.0
	for i := 1; i <= have; i++ {
		sum += t.seconds[(t.stored-i)%n]
	}
	s.Used = sum / float64(n)
	s.LevelDB = t.cfg.Profile.LimitDB + 10*math.Log10(sum/float64(have))
	s.Exceeded = s.Used > 1
	if s.Exceeded {
		s.CrossedInS = 0
		return
	}
	for ahead := range n {
		sum += pace - t.seconds[(t.stored+ahead)%n]
		if sum > float64(n)*(1+1e-12) {
			s.CrossedInS = float64(ahead + 1)
			return
		}
	}
}
