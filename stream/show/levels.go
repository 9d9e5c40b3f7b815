package show

import (
	"database/sql"
	"encoding/binary"
	"math"
	"slices"

	"plumbline/stream/wire"
)

// LevelRow is a second of the level log. Levels are dB re full scale; NaN is
// unknown, −Inf silence.
type LevelRow struct {
	Microphone int    // channel from 1
	AtMs       int64  // wall clock at its end, ms since 1970
	Sample     uint64 // index behind it, since the daemon started
	DurationMs int64
	OffsetDB   float64 // of the calibration in force at its end: level re 20 µPa of full scale; NaN: none
	LAeqDB     float64
	LCeqDB     float64
	LAFMaxDB   float64
	LCPeakDB   float64
	BandDB     []float64 // Leq of the third-octave bands from 16 Hz; nil: not measured
}

const (
	minuteMs    = 60_000
	silenceDB   = -320 // as low as a row goes
	bandUnknown = math.MinInt16
)

// hundredths stores a level; NULL is unknown.
type hundredths struct{ db *float64 }

func (h hundredths) arg() any {
	if math.IsNaN(*h.db) {
		return nil
	}
	return int64(math.Round(min(max(*h.db, silenceDB), -silenceDB) * 100))
}

// Scan implements sql.Scanner.
func (h hundredths) Scan(src any) error {
	switch x := src.(type) {
	case int64:
		*h.db = float64(x) / 100
	default:
		*h.db = math.NaN()
	}
	return nil
}

func packBands(dst []byte, db []float64) []byte {
	for _, x := range db {
		v := int16(bandUnknown)
		if !math.IsNaN(x) {
			v = int16(math.Round(min(max(x, silenceDB), -silenceDB) * 100))
		}
		dst = binary.LittleEndian.AppendUint16(dst, uint16(v))
	}
	return dst
}

func unpackBands(dst []float64, b []byte) []float64 {
	for ; len(b) >= 2; b = b[2:] {
		v := int16(binary.LittleEndian.Uint16(b))
		if v == bandUnknown {
			dst = append(dst, math.NaN())
		} else {
			dst = append(dst, float64(v)/100)
		}
	}
	return dst
}

// AddLevels stores rows of the level log and marks in it, all or none, and
// keeps its minutes up to date. It does not count as a change of the show.
func (s *Show) AddLevels(rows []LevelRow, marks []wire.LevelMark) error {
	return s.transact(func(tx *sql.Tx) error { return addLevels(tx, rows, marks) })
}

const levelColumns = " (microphone, at_ms, sample, duration_ms, offset, laeq, lceq, lafmax, lcpeak, bands) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"

func addLevels(tx *sql.Tx, rows []LevelRow, marks []wire.LevelMark) error {
	insert, err := tx.Prepare("INSERT OR REPLACE INTO levels" + levelColumns)
	if err != nil {
		return err
	}
	defer insert.Close()
	// A minute is summed up when a row behind it arrives, from what is on disk, and
	// again when the clock was set back and it gets more rows.
	type minute struct {
		microphone int
		end        int64
	}
	var due []minute
	newest := map[int]int64{} // end of each microphone's last row, 0 none
	for i := range rows {
		r := &rows[i]
		last, known := newest[r.Microphone]
		if !known {
			if last, err = lastLevel(tx, r.Microphone); err != nil {
				return err
			}
		}
		if err := insertLevel(insert, r); err != nil {
			return err
		}
		newest[r.Microphone] = max(last, r.AtMs)
		was, is := minuteEnd(last), minuteEnd(r.AtMs)
		switch {
		case last == 0 || was == is:
		case was < is:
			due = append(due, minute{r.Microphone, was})
		default: // set back
			due = append(due, minute{r.Microphone, is})
		}
	}
	slices.SortFunc(due, func(a, b minute) int {
		if a.microphone != b.microphone {
			return a.microphone - b.microphone
		}
		return int(a.end - b.end)
	})
	for _, m := range slices.Compact(due) {
		if err := sumMinute(tx, m.microphone, m.end); err != nil {
			return err
		}
	}
	for _, m := range marks {
		if _, err := tx.Exec("INSERT INTO level_marks (at_ms, microphone, kind, text) VALUES (?, ?, ?, ?)",
			int64(math.Round(m.UnixS*1000)), m.Microphone, m.Kind, m.Text); err != nil {
			return err
		}
	}
	return nil
}

func lastLevel(tx *sql.Tx, microphone int) (int64, error) {
	var last sql.NullInt64
	err := tx.QueryRow("SELECT max(at_ms) FROM levels WHERE microphone = ?", microphone).Scan(&last)
	return last.Int64, err
}

func insertLevel(insert *sql.Stmt, r *LevelRow) error {
	_, err := insert.Exec(r.Microphone, r.AtMs, int64(r.Sample), r.DurationMs, hundredths{&r.OffsetDB}.arg(),
		hundredths{&r.LAeqDB}.arg(), hundredths{&r.LCeqDB}.arg(), hundredths{&r.LAFMaxDB}.arg(), hundredths{&r.LCPeakDB}.arg(), packBands([]byte{}, r.BandDB))
	return err
}

// minuteEnd is the end of the minute that a row's end lies in: (0, 60 s].
func minuteEnd(atMs int64) int64 { return (atMs + minuteMs - 1) / minuteMs * minuteMs }

func sumMinute(tx *sql.Tx, microphone int, end int64) error {
	rows, err := tx.Query("SELECT "+levelFields+" FROM levels WHERE microphone = ? AND at_ms > ? AND at_ms <= ?", microphone, end-minuteMs, end)
	if err != nil {
		return err
	}
	var sum levelSum
	err = eachLevel(rows, func(r *LevelRow) { sum.add(r) })
	if err != nil {
		return err
	}
	r := sum.row()
	r.Microphone, r.AtMs = microphone, end
	insert, err := tx.Prepare("INSERT OR REPLACE INTO level_minutes" + levelColumns)
	if err != nil {
		return err
	}
	defer insert.Close()
	return insertLevel(insert, &r)
}

const levelFields = "microphone, at_ms, sample, duration_ms, offset, laeq, lceq, lafmax, lcpeak, bands"

// eachLevel calls f for every row, with the same value each time, and closes rows.
func eachLevel(rows *sql.Rows, f func(*LevelRow)) error {
	defer rows.Close()
	var r LevelRow
	var bands sql.RawBytes
	to := []any{&r.Microphone, &r.AtMs, &r.Sample, &r.DurationMs, hundredths{&r.OffsetDB}, hundredths{&r.LAeqDB}, hundredths{&r.LCeqDB},
		hundredths{&r.LAFMaxDB}, hundredths{&r.LCPeakDB}, &bands}
	for rows.Next() {
		if err := rows.Scan(to...); err != nil {
			return err
		}
		r.BandDB = unpackBands(r.BandDB[:0], bands)
		f(&r)
	}
	return rows.Err()
}

// levelSum sums up rows: energies over time, and maxima. Once a row is
// calibrated, those that are not say nothing.
type levelSum struct {
	durationMs   int64
	offsetDB     float64 // of the first row that counts
	calibrated   bool
	a, c         energy
	afMax, cPeak float64
	bands        []energy
}

// energy is a mean square, weighted by time.
type energy struct{ sum, ms float64 }

func (e *energy) add(db float64, ms int64) {
	if !math.IsNaN(db) {
		e.sum += math.Pow(10, db/10) * float64(ms)
		e.ms += float64(ms)
	}
}

func (e *energy) db() float64 {
	if e.ms == 0 {
		return math.NaN()
	}
	return 10 * math.Log10(e.sum/e.ms)
}

func (l *levelSum) reset() { *l = levelSum{bands: l.bands[:0]} }

// add takes a row; its levels stay re full scale, so that sums of one
// calibration are those of any.
func (l *levelSum) add(r *LevelRow) {
	calibrated := !math.IsNaN(r.OffsetDB)
	switch {
	case l.durationMs == 0 || calibrated && !l.calibrated:
		l.reset()
		l.calibrated, l.offsetDB = calibrated, r.OffsetDB
		l.afMax, l.cPeak = math.NaN(), math.NaN()
	case !calibrated && l.calibrated:
		return
	}
	shift := 0.0
	if calibrated {
		// What was measured with another calibration counts as the sound it was.
		shift = r.OffsetDB - l.offsetDB
	}
	l.durationMs += r.DurationMs
	l.a.add(r.LAeqDB+shift, r.DurationMs)
	l.c.add(r.LCeqDB+shift, r.DurationMs)
	l.afMax, l.cPeak = louder(l.afMax, r.LAFMaxDB+shift), louder(l.cPeak, r.LCPeakDB+shift)
	for len(l.bands) < len(r.BandDB) {
		l.bands = append(l.bands, energy{})
	}
	for i, db := range r.BandDB {
		l.bands[i].add(db+shift, r.DurationMs)
	}
}

// louder is the larger one that is known.
func louder(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

func (l *levelSum) row() LevelRow {
	if l.durationMs == 0 {
		nan := math.NaN()
		return LevelRow{OffsetDB: nan, LAeqDB: nan, LCeqDB: nan, LAFMaxDB: nan, LCPeakDB: nan}
	}
	r := LevelRow{DurationMs: l.durationMs, OffsetDB: l.offsetDB, LAeqDB: l.a.db(), LCeqDB: l.c.db(), LAFMaxDB: l.afMax, LCPeakDB: l.cPeak}
	for i := range l.bands {
		r.BandDB = append(r.BandDB, l.bands[i].db())
	}
	return r
}
