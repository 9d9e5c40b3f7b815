package show

import (
	"bufio"
	"database/sql"
	"encoding/csv"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"plumbline/analyze/level"
	"plumbline/stream/wire"
)

// LevelQuery asks for a part of the level log.
type LevelQuery struct {
	FromMs, ToMs int64 // ms since 1970
	Points       int   // at most; 1…5000
	Microphone   int   // channel; 0: all
	Bands        bool
}

const (
	// finestMs is how long a time is drawn from its seconds; a longer one is drawn
	// from its minutes.
	finestMs = 2 * 3600 * 1000
	// marksMost bounds the marks in an answer; the newest are kept.
	marksMost = 500
)

// LevelHistory reads the level log. Times of two hours and less come from its
// seconds, longer ones from its minutes, so that a point lasts a minute at least.
func (s *Show) LevelHistory(q LevelQuery) (wire.LevelHistory, error) {
	var h wire.LevelHistory
	if q.ToMs <= q.FromMs || q.Points < 1 || q.Points > 5000 {
		return h, refuse(0, "query", "ask for a time that begins before it ends, and for 1 to 5000 points")
	}
	unit := int64(1000)
	if q.ToMs-q.FromMs > finestMs {
		unit = minuteMs
	}
	step := (q.ToMs - q.FromMs + int64(q.Points) - 1) / int64(q.Points)
	step = (step + unit - 1) / unit * unit
	from := q.FromMs / step * step // points stay where they are when the time moves on
	points := int((q.ToMs - from + step - 1) / step)
	h = wire.LevelHistory{FromUnixS: float64(from) / 1000, ToUnixS: float64(from+int64(points)*step) / 1000, StepS: float64(step) / 1000,
		UnixS: make([]float64, points), BandMidHz: []float64{}, BandNominalHz: []float64{}, Microphones: []wire.LevelHistoryChannel{}}
	for i := range h.UnixS {
		h.UnixS[i] = float64(from+int64(i)*step) / 1000
	}
	if q.Bands {
		for _, b := range level.Bands(3) {
			h.BandMidHz = append(h.BandMidHz, b.MidHz)
			h.BandNominalHz = append(h.BandNominalHz, b.NominalHz)
		}
	}
	c := historian{h: &h, from: from, step: step, bands: len(h.BandMidHz)}
	to := from + int64(points)*step
	if err := s.eachMicrophone(q.Microphone, func(microphone int) error {
		fine := from // from here on seconds are read
		if unit == minuteMs {
			last, err := s.lastMinute(microphone, to)
			if err != nil {
				return err
			}
			fine = max(from, last)
			if err := s.readLevels("level_minutes", microphone, from, fine, c.add); err != nil {
				return err
			}
		}
		return s.readLevels("levels", microphone, fine, to, c.add)
	}); err != nil {
		return h, err
	}
	c.flush()
	for i := range h.Microphones {
		settleUnit(&h, &h.Microphones[i])
	}
	marks, err := s.levelMarks(from, to)
	h.Marks = marks
	return h, err
}

// readLevels calls f for a microphone's rows with from < at_ms ≤ to, by time.
func (s *Show) readLevels(table string, microphone int, from, to int64, f func(*LevelRow)) error {
	rows, err := s.db.Query("SELECT "+levelFields+" FROM "+table+" WHERE microphone = ? AND at_ms > ? AND at_ms <= ? ORDER BY at_ms", microphone, from, to)
	if err == nil {
		err = eachLevel(rows, f)
	}
	return explain(s.path, err)
}

// lastMinute is the end of a microphone's last minute up to a time that was
// summed up; 0: there is none.
func (s *Show) lastMinute(microphone int, to int64) (int64, error) {
	var last sql.NullInt64
	err := s.db.QueryRow("SELECT max(at_ms) FROM level_minutes WHERE microphone = ? AND at_ms <= ?", microphone, to).Scan(&last)
	return last.Int64, explain(s.path, err)
}

// eachMicrophone calls f for the microphone, 0 for all that were ever logged, in
// their order.
func (s *Show) eachMicrophone(microphone int, f func(microphone int) error) error {
	channels := []int{microphone}
	if microphone == 0 {
		var err error
		if channels, err = s.loggedMicrophones(); err != nil {
			return err
		}
	}
	for _, m := range channels {
		if err := f(m); err != nil {
			return err
		}
	}
	return nil
}

// loggedMicrophones jumps from one microphone's rows to the next one's.
func (s *Show) loggedMicrophones() ([]int, error) {
	rows, err := s.db.Query(`WITH RECURSIVE found (m) AS (
			SELECT min(microphone) FROM levels
			UNION ALL SELECT (SELECT min(microphone) FROM levels WHERE microphone > m) FROM found WHERE m IS NOT NULL)
		SELECT m FROM found WHERE m IS NOT NULL`)
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	var out []int
	for rows.Next() {
		var m int
		if err := rows.Scan(&m); err != nil {
			return nil, explain(s.path, err)
		}
		out = append(out, m)
	}
	return out, explain(s.path, rows.Err())
}

// historian puts rows, which come by microphone and time, into points.
type historian struct {
	h          *wire.LevelHistory
	from, step int64
	bands      int
	sum        levelSum
	microphone int
	point      int
}

func (c *historian) add(r *LevelRow) {
	point := int((r.AtMs - 1 - c.from) / c.step)
	if r.Microphone != c.microphone || point != c.point {
		c.flush()
		c.microphone, c.point = r.Microphone, point
	}
	if c.bands == 0 {
		r.BandDB = r.BandDB[:0]
	}
	c.sum.add(r)
}

func (c *historian) flush() {
	if c.sum.durationMs == 0 {
		return
	}
	r := c.sum.row()
	for _, db := range []*float64{&r.LAeqDB, &r.LCeqDB, &r.LAFMaxDB, &r.LCPeakDB} {
		*db = unfloor(*db)
	}
	for i := range r.BandDB {
		r.BandDB[i] = unfloor(r.BandDB[i])
	}
	calibrated := c.sum.calibrated
	c.sum.reset()
	if n := len(c.h.Microphones); n == 0 || c.h.Microphones[n-1].Microphone != c.microphone {
		c.h.Microphones = append(c.h.Microphones, emptyChannel(c.microphone, len(c.h.UnixS), c.bands))
	}
	ch := &c.h.Microphones[len(c.h.Microphones)-1]
	offset := 0.0
	if calibrated {
		offset = r.OffsetDB
		if math.IsNaN(float64(ch.CalibratedFromUnixS)) {
			ch.CalibratedFromUnixS = wire.Value(c.h.UnixS[c.point])
		}
	}
	ch.LAeqDB[c.point], ch.LCeqDB[c.point] = float32(r.LAeqDB+offset), float32(r.LCeqDB+offset)
	ch.LAFMaxDB[c.point], ch.LCPeakDB[c.point] = float32(r.LAFMaxDB+offset), float32(r.LCPeakDB+offset)
	ch.CoveredS[c.point] = float32(r.DurationMs) / 1000
	for b := range min(c.bands, len(r.BandDB)) {
		ch.BandDB[b][c.point] = float32(r.BandDB[b] + offset)
	}
}

// unfloor turns the lowest level of a row back into silence.
func unfloor(db float64) float64 {
	if db < silenceDB+1 {
		return math.Inf(-1)
	}
	return db
}

func emptyChannel(microphone, points, bands int) wire.LevelHistoryChannel {
	unknown := func() wire.Values {
		v := make(wire.Values, points)
		for i := range v {
			v[i] = float32(math.NaN())
		}
		return v
	}
	c := wire.LevelHistoryChannel{Microphone: microphone, CalibratedFromUnixS: wire.Unknown(), BandDB: make([]wire.Values, bands),
		LAeqDB: unknown(), LCeqDB: unknown(), LAFMaxDB: unknown(), LCPeakDB: unknown(), CoveredS: unknown()}
	for b := range c.BandDB {
		c.BandDB[b] = unknown()
	}
	return c
}

// settleUnit says what unit the points have, and from where on.
func settleUnit(h *wire.LevelHistory, c *wire.LevelHistoryChannel) {
	c.Unit = wire.UnitFullScale
	from := float64(c.CalibratedFromUnixS)
	if math.IsNaN(from) {
		return
	}
	c.Unit = wire.UnitPascal
	first := slices.IndexFunc(c.CoveredS, func(x float32) bool { return x == x })
	if h.UnixS[first] == from {
		c.CalibratedFromUnixS = wire.Unknown()
	}
}

func (s *Show) levelMarks(from, to int64) ([]wire.LevelMark, error) {
	rows, err := s.db.Query("SELECT at_ms, microphone, kind, text FROM level_marks WHERE at_ms > ? AND at_ms <= ? ORDER BY id DESC LIMIT ?", from, to, marksMost)
	if err != nil {
		return nil, explain(s.path, err)
	}
	defer rows.Close()
	marks := []wire.LevelMark{}
	for rows.Next() {
		var m wire.LevelMark
		var at int64
		if err := rows.Scan(&at, &m.Microphone, &m.Kind, &m.Text); err != nil {
			return nil, explain(s.path, err)
		}
		m.UnixS = float64(at) / 1000
		marks = append(marks, m)
	}
	slices.Reverse(marks)
	return marks, explain(s.path, rows.Err())
}

// EachLevel calls f for the rows of a microphone with fromMs < AtMs ≤ toMs,
// oldest first, with the same value each time.
func (s *Show) EachLevel(microphone int, fromMs, toMs int64, f func(*LevelRow)) error {
	return s.readLevels("levels", microphone, fromMs, toMs, f)
}

// WriteLevels writes the log as CSV, a row a second and microphone: by time,
// ties by microphone. Others may use the show meanwhile.
func (s *Show) WriteLevels(out io.Writer, q LevelQuery) error {
	buffered := bufio.NewWriterSize(out, 64<<10)
	w := csv.NewWriter(buffered)
	header := []string{"time", "unix_s", "microphone", "unit", "duration_s", "laeq_db", "lceq_db", "lafmax_db", "lcpeak_db"}
	for _, b := range level.Bands(3) {
		header = append(header, "leq_"+strconv.FormatFloat(b.NominalHz, 'f', -1, 64)+"_hz_db")
	}
	if err := w.Write(header); err != nil {
		return err
	}
	const hour = 3600 * 1000
	for from := q.FromMs; from < q.ToMs; {
		// Over long times in which nothing was logged, to the next row at once.
		next, err := s.nextLevel(q.Microphone, from)
		if err != nil || next == 0 || next > q.ToMs {
			return flushAll(w, buffered, err)
		}
		from = max(from, next-1)
		to := min(from+hour, q.ToMs)
		var lines [][]string
		var times []int64
		if err := s.eachMicrophone(q.Microphone, func(microphone int) error {
			return s.readLevels("levels", microphone, from, to, func(r *LevelRow) {
				lines, times = append(lines, levelLine(r, len(header))), append(times, r.AtMs)
			})
		}); err != nil {
			return err
		}
		order := make([]int, len(lines))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(a, b int) int { return int(times[a] - times[b]) })
		for _, i := range order {
			if err := w.Write(lines[i]); err != nil {
				return err
			}
		}
		from = to
	}
	return flushAll(w, buffered, nil)
}

func flushAll(w *csv.Writer, b *bufio.Writer, err error) error {
	w.Flush()
	if err == nil {
		err = w.Error()
	}
	if err == nil {
		err = b.Flush()
	}
	return err
}

// nextLevel is the end of the first row behind from; 0: there is none.
func (s *Show) nextLevel(microphone int, from int64) (int64, error) {
	first := int64(0)
	err := s.eachMicrophone(microphone, func(m int) error {
		var at sql.NullInt64
		if err := s.db.QueryRow("SELECT min(at_ms) FROM levels WHERE microphone = ? AND at_ms > ?", m, from).Scan(&at); err != nil {
			return explain(s.path, err)
		}
		if at.Valid && (first == 0 || at.Int64 < first) {
			first = at.Int64
		}
		return nil
	})
	return first, err
}

func levelLine(r *LevelRow, columns int) []string {
	unit, offset := wire.UnitFullScale, 0.0
	if !math.IsNaN(r.OffsetDB) {
		unit, offset = wire.UnitPascal, r.OffsetDB
	}
	number := func(x float64) string {
		if math.IsNaN(x) || x <= silenceDB {
			return ""
		}
		return strconv.FormatFloat(x+offset, 'f', 2, 64)
	}
	line := make([]string, 0, columns)
	line = append(line, time.UnixMilli(r.AtMs).UTC().Format("2006-01-02T15:04:05.000Z"), strconv.FormatFloat(float64(r.AtMs)/1000, 'f', 3, 64),
		strconv.Itoa(r.Microphone), unit, strconv.FormatFloat(float64(r.DurationMs)/1000, 'f', 3, 64),
		number(r.LAeqDB), number(r.LCeqDB), number(r.LAFMaxDB), number(r.LCPeakDB))
	for _, x := range r.BandDB {
		line = append(line, number(x))
	}
	for len(line) < columns {
		line = append(line, "")
	}
	return line
}

// LastLevelMark is when the newest mark of a kind lies, ms since 1970; 0: none does.
func (s *Show) LastLevelMark(kind string) (int64, error) {
	var at *int64
	if err := s.db.QueryRow("SELECT max(at_ms) FROM level_marks WHERE kind = ?", kind).Scan(&at); err != nil {
		return 0, explain(s.path, err)
	}
	if at == nil {
		return 0, nil
	}
	return *at, nil
}
