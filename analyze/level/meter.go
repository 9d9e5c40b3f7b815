package level

import (
	"fmt"
	"math"

	"plumbline/analyze/caution"
	"plumbline/analyze/setting"
)

// blockSize is how many samples are filtered at a time.
const blockSize = 512

// Time constants of IEC 61672-1:2013, 5.8, seconds.
const (
	fastS = 0.125
	slowS = 1.0
)

// Config of a Meter.
type Config struct {
	SampleRateHz float64 // 44100…192000
	// OffsetDB is the level re 20 µPa of a full-scale sine wave, from Calibrate;
	// 0 leaves the levels re full scale.
	OffsetDB float64
	Bands    int // 1: octaves, 3: third octaves, 0: none
}

// Meter measures the levels of one channel. Not for two goroutines at once.
type Meter struct {
	cfg        Config
	a, c, z    cascade
	begun      bool
	fast, slow float64 // what a new square weighs
	af, as     float64 // A-weighted mean squares, F and S
	cf, cs     float64
	bank       *bank
	part       sums // since the last Take
	total      sums // until the last Take, since Reset
	cPeak      peakFinder
	zPeak      peakFinder
	history    history
	untilLevel int // samples to the next value of the statistics
	perLevel   int
	bufA, bufC []float64
	bufZ       []float64
}

// sums are what is accumulated over a time.
type sums struct {
	samples      int64
	a, c, z      float64 // of squares
	afMax, asMax float64 // mean squares
	cfMax, csMax float64
	cPeak, zPeak float64
	clipped      uint64
	bands        []float64
}

// Reading is what a meter shows. NaN is unknown, −Inf the level of silence.
type Reading struct {
	DurationS                              float64
	LAeqDB, LCeqDB, LZeqDB                 float64
	LAFDB, LASDB, LCFDB, LCSDB             float64 // now
	LAFMaxDB, LASMaxDB, LCFMaxDB, LCSMaxDB float64
	LAEDB                                  float64 // LAeq + 10 lg(duration/1 s)
	LCPeakDB, LZPeakDB                     float64
	L10DB, L50DB, L90DB                    float64 // LAF exceeded in 10, 50, 90 % of the time
	Clipped                                uint64  // samples at full scale
	BandLeqDB                              []float64
}

// NewMeter checks cfg and designs the filters.
func NewMeter(cfg Config) (*Meter, error) {
	if err := setting.CheckRate(cfg.SampleRateHz); err != nil {
		return nil, err
	}
	if cfg.Bands != 0 && cfg.Bands != 1 && cfg.Bands != 3 {
		return nil, fmt.Errorf("bands of 1/%d octave: choose 1 or 3", cfg.Bands)
	}
	if math.IsNaN(cfg.OffsetDB) || math.IsInf(cfg.OffsetDB, 0) {
		return nil, fmt.Errorf("calibration offset %g dB is no number", cfg.OffsetDB)
	}
	m := &Meter{
		cfg:      cfg,
		a:        newWeighting(A, cfg.SampleRateHz),
		c:        newWeighting(C, cfg.SampleRateHz),
		z:        newWeighting(Z, cfg.SampleRateHz),
		fast:     -math.Expm1(-1 / (fastS * cfg.SampleRateHz)),
		slow:     -math.Expm1(-1 / (slowS * cfg.SampleRateHz)),
		perLevel: int(cfg.SampleRateHz / 100),
		cPeak:    newPeakFinder(), zPeak: newPeakFinder(),
		bufA: make([]float64, blockSize), bufC: make([]float64, blockSize), bufZ: make([]float64, blockSize),
	}
	if cfg.Bands != 0 {
		var err error
		if m.bank, err = newBank(cfg.Bands, cfg.SampleRateHz); err != nil {
			return nil, err
		}
	}
	for _, s := range []*sums{&m.total, &m.part} {
		if m.bank != nil {
			s.bands = make([]float64, len(m.bank.bands))
		}
	}
	m.history.perSecond = int(math.Round(cfg.SampleRateHz))
	m.Reset()
	return m, nil
}

// Bands are those of Reading.BandLeqDB; nil without bands.
func (m *Meter) Bands() []Band {
	if m.bank == nil {
		return nil
	}
	return m.bank.bands
}

// Reset forgets everything, the state of the filters as well.
func (m *Meter) Reset() {
	m.a.reset()
	m.c.reset()
	m.z.reset()
	m.begun = false
	m.af, m.as, m.cf, m.cs = 0, 0, 0, 0
	if m.bank != nil {
		m.bank.reset()
	}
	m.part.reset()
	m.total.reset()
	m.cPeak.reset()
	m.zPeak.reset()
	m.history.reset()
	m.untilLevel = m.perLevel
}

// Feed takes the next samples, any number; ±1 is full scale. It does not allocate.
func (m *Meter) Feed(x []float64) {
	for len(x) > 0 {
		n := min(len(x), blockSize, m.untilLevel, m.history.untilSecond)
		m.block(x[:n])
		x = x[n:]
	}
}

// steadyShare of the mean square of the first samples is a direct component, and
// none of sound of 40 Hz and more.
const steadyShare = 0.95

// begin spares the filters the step that a converter's direct component would be.
func (m *Meter) begin(x []float64) {
	m.begun = true
	var sum, squares float64
	for _, v := range x {
		sum += v
		squares += v * v
	}
	mean := sum / float64(len(x))
	if !(mean*mean > steadyShare*squares/float64(len(x))) {
		return
	}
	for _, c := range []cascade{m.a, m.c, m.z} {
		c.settle(mean)
	}
}

func (m *Meter) block(x []float64) {
	if !m.begun {
		m.begin(x)
	}
	a, c, z := m.bufA[:len(x)], m.bufC[:len(x)], m.bufZ[:len(x)]
	m.a.filter(a, x)
	m.c.filter(c, x)
	m.z.filter(z, x)
	s := sums{samples: int64(len(x))}
	fast, slow, af, as, cf, cs := m.fast, m.slow, m.af, m.as, m.cf, m.cs
	for i, v := range x {
		s.z += z[i] * z[i]
		if v >= caution.FullScale || v <= -caution.FullScale {
			s.clipped++
		}
		a2, c2 := a[i]*a[i], c[i]*c[i]
		s.a += a2
		s.c += c2
		af += fast * (a2 - af)
		as += slow * (a2 - as)
		cf += fast * (c2 - cf)
		cs += slow * (c2 - cs)
		s.afMax, s.asMax = max(s.afMax, af), max(s.asMax, as)
		s.cfMax, s.csMax = max(s.cfMax, cf), max(s.csMax, cs)
	}
	m.af, m.as, m.cf, m.cs = af, as, cf, cs
	m.part.add(&s)
	if m.bank != nil {
		m.bank.add(m.part.bands, x)
	}
	m.cPeak.add(c)
	m.zPeak.add(z)
	m.history.energy(s.a, len(x))
	if m.untilLevel -= len(x); m.untilLevel == 0 {
		m.untilLevel = m.perLevel
		m.history.level(m.db(af))
	}
}

// Read fills dst with the levels since Reset; dst's slice is reused.
func (m *Meter) Read(dst *Reading) {
	m.collect()
	s := m.total
	s.add(&m.part)
	dst.BandLeqDB = dst.BandLeqDB[:0]
	for k := range s.bands {
		dst.BandLeqDB = append(dst.BandLeqDB, m.leq(m.total.bands[k]+m.part.bands[k], s.samples))
	}
	m.fill(dst, &s)
	dst.L10DB, dst.L50DB, dst.L90DB = m.history.exceeded(0.1), m.history.exceeded(0.5), m.history.exceeded(0.9)
}

// Take fills dst with the levels since the last Take or Reset, for a log: one
// row a second. Statistical levels are left NaN.
func (m *Meter) Take(dst *Reading) {
	m.collect()
	dst.BandLeqDB = dst.BandLeqDB[:0]
	for _, energy := range m.part.bands {
		dst.BandLeqDB = append(dst.BandLeqDB, m.leq(energy, m.part.samples))
	}
	m.fill(dst, &m.part)
	dst.L10DB, dst.L50DB, dst.L90DB = math.NaN(), math.NaN(), math.NaN()
	for k, energy := range m.part.bands {
		m.total.bands[k] += energy
	}
	m.total.add(&m.part)
	m.part.reset()
}

// Skip says that so many samples were not heard. The levels since Reset are of
// what was measured; the sliding ones move on, and cover less.
func (m *Meter) Skip(samples uint64) { m.history.skip(samples) }

// Regain says that a gain was changed by so many decibels: all that was measured up
// to the last Take, and the whole seconds, now read as if it had been like that then
// too. What is being measured, and the levels of now, were heard with it.
func (m *Meter) Regain(db float64) {
	m.total.scale(math.Pow(10, db/10))
	m.history.regain(db)
}

// Sliding is LAeq over the last whole seconds, up to that many minutes (at most
// 60), and the time that it covers.
func (m *Meter) Sliding(minutes int) (leqDB, coveredS float64) {
	energy, seconds := m.history.last(60 * minutes)
	return m.leq(energy, int64(seconds*m.history.perSecond)), float64(seconds)
}

// collect takes the peaks from their finders.
func (m *Meter) collect() {
	m.part.cPeak = max(m.part.cPeak, m.cPeak.take())
	m.part.zPeak = max(m.part.zPeak, m.zPeak.take())
}

func (m *Meter) fill(dst *Reading, s *sums) {
	dst.DurationS = float64(s.samples) / m.cfg.SampleRateHz
	dst.LAeqDB, dst.LCeqDB, dst.LZeqDB = m.leq(s.a, s.samples), m.leq(s.c, s.samples), m.leq(s.z, s.samples)
	dst.LAFDB, dst.LASDB, dst.LCFDB, dst.LCSDB = m.db(m.af), m.db(m.as), m.db(m.cf), m.db(m.cs)
	dst.LAFMaxDB, dst.LASMaxDB, dst.LCFMaxDB, dst.LCSMaxDB = m.db(s.afMax), m.db(s.asMax), m.db(s.cfMax), m.db(s.csMax)
	dst.LAEDB = dst.LAeqDB + 10*math.Log10(dst.DurationS)
	dst.LCPeakDB, dst.LZPeakDB = m.db(s.cPeak*s.cPeak), m.db(s.zPeak*s.zPeak)
	dst.Clipped = s.clipped
	if s.samples == 0 {
		nan := math.NaN()
		dst.LAFMaxDB, dst.LASMaxDB, dst.LCFMaxDB, dst.LCSMaxDB = nan, nan, nan, nan
		dst.LAEDB, dst.LCPeakDB, dst.LZPeakDB = nan, nan, nan
	}
}

// db is the level of a mean square; a full-scale sine wave has one half (AES17).
func (m *Meter) db(meanSquare float64) float64 { return m.cfg.OffsetDB + 10*math.Log10(2*meanSquare) }

func (m *Meter) leq(energy float64, samples int64) float64 { return m.db(energy / float64(samples)) }

// add does all but the bands.
func (s *sums) add(o *sums) {
	s.samples += o.samples
	s.a += o.a
	s.c += o.c
	s.z += o.z
	s.afMax, s.asMax = max(s.afMax, o.afMax), max(s.asMax, o.asMax)
	s.cfMax, s.csMax = max(s.cfMax, o.cfMax), max(s.csMax, o.csMax)
	s.cPeak, s.zPeak = max(s.cPeak, o.cPeak), max(s.zPeak, o.zPeak)
	s.clipped += o.clipped
}

// scale multiplies all mean squares.
func (s *sums) scale(power float64) {
	for _, x := range []*float64{&s.a, &s.c, &s.z, &s.afMax, &s.asMax, &s.cfMax, &s.csMax} {
		*x *= power
	}
	s.cPeak *= math.Sqrt(power)
	s.zPeak *= math.Sqrt(power)
	for i := range s.bands {
		s.bands[i] *= power
	}
}

func (s *sums) reset() {
	clear(s.bands)
	*s = sums{bands: s.bands}
}
