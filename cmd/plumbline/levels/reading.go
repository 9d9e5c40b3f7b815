package levels

import (
	"math"
	"time"

	"plumbline/stream/wire"
)

var nan = math.NaN()

// slidingMinutes are the times of the sliding levels.
var slidingMinutes = [...]int{1, 5, 15, 30, 60}

// publish puts together what the meters read. mu is held, or nobody else is there yet.
func (l *Levels) publish() {
	wall, _ := l.cfg.Now()
	v := wire.SoundLevels{
		Time:      stamp(wall),
		BandMidHz: []float64{}, BandNominalHz: []float64{},
		Microphones: make([]wire.SoundLevel, 0, len(l.inputs)),
		Log:         l.log.now(),
	}
	for _, b := range l.bands {
		v.BandMidHz, v.BandNominalHz = append(v.BandMidHz, b.MidHz), append(v.BandNominalHz, b.NominalHz)
	}
	for _, in := range l.inputs {
		v.Microphones = append(v.Microphones, l.reading(in))
	}
	l.published.Store(&v)
	l.cfg.Publish(v)
}

func (l *Levels) reading(in *input) wire.SoundLevel {
	offset, unit := in.offset, wire.UnitPascal
	if math.IsNaN(offset) {
		offset, unit = 0, wire.UnitFullScale
	}
	db := func(x float64) wire.Value {
		return wire.Value(math.Round((x+offset)*100) / 100)
	}
	in.meter.Read(&in.total)
	t, s := &in.total, &in.last
	if s.DurationS == 0 { // no second is over yet
		s.LAeqDB, s.LCeqDB, s.LAFMaxDB, s.LCPeakDB = nan, nan, nan, nan
	}
	v := wire.SoundLevel{
		Microphone: in.channel, Unit: unit, CalibratedAt: in.at, MeasuredS: wire.Value(t.DurationS),
		LAFDB: db(t.LAFDB), LASDB: db(t.LASDB), LCFDB: db(t.LCFDB), LCSDB: db(t.LCSDB),
		LAeq1sDB: db(s.LAeqDB), LCeq1sDB: db(s.LCeqDB), LAFMax1sDB: db(s.LAFMaxDB), LCPeak1sDB: db(s.LCPeakDB),
		BandDB: make(wire.Values, len(s.BandLeqDB)),
		LAeqDB: db(t.LAeqDB), LCeqDB: db(t.LCeqDB), LZeqDB: db(t.LZeqDB), LAEDB: db(t.LAEDB),
		LAFMaxDB: db(t.LAFMaxDB), LASMaxDB: db(t.LASMaxDB), LCFMaxDB: db(t.LCFMaxDB), LCSMaxDB: db(t.LCSMaxDB),
		LCPeakDB: db(t.LCPeakDB), L10DB: db(t.L10DB), L50DB: db(t.L50DB), L90DB: db(t.L90DB), Clipped: t.Clipped,
	}
	for i, x := range s.BandLeqDB {
		v.BandDB[i] = float32(math.Round((x+offset)*100) / 100)
	}
	for _, minutes := range slidingMinutes {
		leq, covered := in.meter.Sliding(minutes)
		v.Sliding = append(v.Sliding, wire.SlidingLevel{Minutes: minutes, LAeqDB: db(leq), CoveredS: wire.Value(covered)})
	}
	v.Limit = l.standing(in)
	return v
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z07:00") }
