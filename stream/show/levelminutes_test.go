package show

import (
	"math"
	"math/rand/v2"
	"testing"
)

// borders makes rows of a log whose seconds lie across the minutes' borders as they
// come, end on them exactly, or a millisecond behind, with parts of seconds in front of
// stretches in which nothing was measured, some of them over several minutes, and
// minutes of a single row.
func borders(seed uint64) (rows []LevelRow) {
	rng := rand.New(rand.NewPCG(seed, 2))
	at := dayStart + 400
	row := func(ms int64) {
		at += ms
		r := LevelRow{Microphone: 2, AtMs: at, Sample: uint64(len(rows)), DurationMs: ms, OffsetDB: 120,
			LAeqDB: math.Round(100*(-60+50*rng.Float64())) / 100, LCeqDB: -20, LAFMaxDB: -10, LCPeakDB: -1}
		rows = append(rows, r)
	}
	const n = 2*3600 + 300
	for i := range n {
		switch {
		case i == 1000, i == n-30: // to a border exactly, and on from there
			row(minuteEnd(at) - at)
		case i == 1500: // one millisecond behind it
			row(minuteEnd(at) - at + 1)
		case i%997 == 500: // a part of a second, then nothing
			row(1 + rng.Int64N(999))
			at += 3000 + rng.Int64N(100_000)
		case i == 7000:
			row(250)
			at = minuteEnd(at) + 5*minuteMs - 600
			row(600) // alone in its minute, up to the border
		default:
			row(1000)
		}
	}
	return rows
}

// A row belongs to the minute that its end lies in and to no other, however many of
// them were stored at a time: each minute's time and energy are those of its rows, and
// all of them together those of the log. So does a drawing of it, whether from minutes,
// from seconds, or from both at a seam.
func TestMinutesHoldEachRowOnce(t *testing.T) {
	for seed, together := range []int{3, 60, 5000} {
		s := newShow(t)
		rows := borders(uint64(seed))
		type sum struct{ ms, energy float64 }
		minutes := map[int64]*sum{}
		var all sum
		onBorder, behind := 0, 0
		for i, r := range rows {
			end := int64(math.Ceil(float64(r.AtMs)/minuteMs)) * minuteMs
			if minutes[end] == nil {
				minutes[end] = &sum{}
			}
			e := float64(r.DurationMs) * math.Pow(10, (r.LAeqDB+r.OffsetDB)/10)
			for _, m := range []*sum{minutes[end], &all} {
				m.ms, m.energy = m.ms+float64(r.DurationMs), m.energy+e
			}
			switch r.AtMs % minuteMs {
			case 0:
				onBorder++
			case 1:
				behind++
			}
			if n := i + 1; n%together == 0 || n == len(rows) {
				if err := s.AddLevels(rows[i/together*together:n], nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		if onBorder == 0 || behind == 0 {
			t.Fatalf("%d rows end on a border, %d behind one", onBorder, behind)
		}
		// What is stored: all minutes but the one that runs.
		stored := 0
		if err := s.readLevels("level_minutes", 2, 0, math.MaxInt64, func(r *LevelRow) {
			stored++
			m := minutes[r.AtMs]
			if m == nil || m.ms != float64(r.DurationMs) || math.Abs(r.LAeqDB+r.OffsetDB-10*math.Log10(m.energy/m.ms)) > 0.006 {
				t.Errorf("%d at a time: the minute %d s in has %d ms of %.2f dB, want %+v", together, (r.AtMs-dayStart)/1000, r.DurationMs, r.LAeqDB+r.OffsetDB, m)
			}
		}); err != nil {
			t.Fatal(err)
		}
		if stored != len(minutes)-1 {
			t.Errorf("%d at a time: %d minutes are stored, %d have rows", together, stored, len(minutes))
		}
		last, border := rows[len(rows)-1].AtMs, rows[1000].AtMs
		for _, c := range []struct {
			name     string
			from, to int64
			points   int
			step     int64
		}{
			{"minutes", dayStart, dayStart + 4*3600*1000, 240, minuteMs},
			{"quarters", dayStart, dayStart + 4*3600*1000, 16, 15 * minuteMs},
			{"from a border on", border, border + 4*3600*1000, 240, minuteMs},
			{"seconds, by minutes", border, border + 3600*1000, 60, minuteMs},
			{"seconds to the last", minuteEnd(last) - 3600*1000, minuteEnd(last), 60, minuteMs},
		} {
			h := must(s.LevelHistory(LevelQuery{FromMs: c.from, ToMs: c.to, Points: c.points}))(t)
			if h.StepS*1000 != float64(c.step) {
				t.Fatalf("%s: points of %g s", c.name, h.StepS)
			}
			ch := h.Microphones[0]
			var drawn sum
			for i, unix := range h.UnixS {
				var want sum
				for end := int64(unix*1000) + minuteMs; end <= int64(unix*1000)+c.step; end += minuteMs {
					if m := minutes[end]; m != nil {
						want.ms, want.energy = want.ms+m.ms, want.energy+m.energy
					}
				}
				covered, leq := 1000*float64(ch.CoveredS[i]), float64(ch.LAeqDB[i])
				if want.ms == 0 {
					if covered == covered {
						t.Errorf("%s, %d at a time: %g ms are drawn where nothing was measured", c.name, together, covered)
					}
					continue
				}
				db := 10 * math.Log10(want.energy/want.ms)
				// A minute is stored to a hundredth of a decibel.
				if math.Abs(covered-want.ms) > 0.1 || math.Abs(leq-db) > 0.006 {
					t.Errorf("%s, %d at a time, %g s in: %.0f ms of %.3f dB, want %.0f ms of %.3f dB", c.name, together, unix-float64(dayStart)/1000, covered, leq, want.ms, db)
				}
				drawn.ms, drawn.energy = drawn.ms+covered, drawn.energy+covered*math.Pow(10, leq/10)
			}
			if c.name == "minutes" && (math.Abs(drawn.ms-all.ms) > 100 || math.Abs(10*math.Log10(drawn.energy/all.energy)) > 0.006) {
				t.Errorf("%s, %d at a time: %.1f s and %.3f dB more are drawn than were logged", c.name, together, (drawn.ms-all.ms)/1000, 10*math.Log10(drawn.energy/all.energy))
			}
		}
	}
}
