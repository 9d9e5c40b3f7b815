package show

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/stream/wire"
)

// dayStart is where the logs of these tests begin: a whole hour.
var dayStart = time.Date(2030, 5, 4, 12, 0, 0, 0, time.UTC).UnixMilli()

// second is the n-th row of a log, with levels that follow from n.
func second(n int64, microphone int) LevelRow {
	r := LevelRow{
		Microphone: microphone, AtMs: dayStart + (n+1)*1000, Sample: uint64(n+1) * 48000, DurationMs: 1000, OffsetDB: 120,
		LAeqDB: -30 + 10*math.Sin(float64(n)/500), LCeqDB: -20, LAFMaxDB: -10 - float64(n%7), LCPeakDB: -1,
		BandDB: make([]float64, 32),
	}
	for i := range r.BandDB {
		r.BandDB[i] = -40 - float64(i)
	}
	return r
}

// logSeconds writes rows as the daemon does, only faster: many a transaction.
func logSeconds(t testing.TB, s *Show, from, to int64, microphones int) {
	t.Helper()
	for n := from; n < to; {
		var rows []LevelRow
		for ; n < to && len(rows) < 3000; n++ {
			for m := range microphones {
				rows = append(rows, second(n, 2+m))
			}
		}
		if err := s.AddLevels(rows, nil); err != nil {
			t.Fatal(err)
		}
	}
}

// meanDB is that of the energies of the rows from n up to, not including, m.
func meanDB(n, m int64) float64 {
	sum := 0.0
	for i := n; i < m; i++ {
		// As it is stored: to a hundredth of a decibel.
		sum += math.Pow(10, math.Round(second(i, 2).LAeqDB*100)/1000)
	}
	return 120 + 10*math.Log10(sum/float64(m-n))
}

func TestADayOfLevels(t *testing.T) {
	const day = 86400
	s := newShow(t)
	logSeconds(t, s, 0, day, 1)
	s = reopen(t, s)
	from, to := dayStart, dayStart+day*1000
	begun := time.Now()
	h := must(s.LevelHistory(LevelQuery{FromMs: from, ToMs: to, Points: 720}))(t)
	t.Logf("24 h in %d points: %v", len(h.UnixS), time.Since(begun).Round(time.Millisecond))
	if h.StepS != 120 || len(h.UnixS) != 720 || len(h.Microphones) != 1 || h.Microphones[0].Unit != wire.UnitPascal {
		t.Fatalf("step %g s, %d points, %d microphones", h.StepS, len(h.UnixS), len(h.Microphones))
	}
	c := h.Microphones[0]
	for i := range h.UnixS {
		n := int64(i) * 120
		if want := meanDB(n, n+120); math.Abs(float64(c.LAeqDB[i])-want) > 0.011 { // two roundings to 0.01 dB
			t.Fatalf("point %d: LAeq %g dB, want %g", i, c.LAeqDB[i], want)
		}
		if c.LAFMaxDB[i] != 110 || c.LCPeakDB[i] != 119 || c.CoveredS[i] != 120 || h.UnixS[i] != float64(dayStart)/1000+float64(n) {
			t.Fatalf("point %d: LAFmax %g, LCpeak %g, covered %g s at %g", i, c.LAFMaxDB[i], c.LCPeakDB[i], c.CoveredS[i], h.UnixS[i])
		}
	}

	fine := must(s.LevelHistory(LevelQuery{FromMs: from + 7000, ToMs: from + 67000, Points: 60, Bands: true}))(t)
	if fine.StepS != 1 || len(fine.UnixS) != 60 || len(fine.BandMidHz) != 32 {
		t.Fatalf("step %g s, %d points", fine.StepS, len(fine.UnixS))
	}
	for i, x := range fine.Microphones[0].LAeqDB {
		if want := 120 + second(int64(i)+7, 2).LAeqDB; math.Abs(float64(x)-want) > 0.006 {
			t.Errorf("second %d: %g dB, want %g", i, x, want)
		}
	}
	if b := fine.Microphones[0].BandDB; b[0][3] != 80 || b[31][3] != 49 {
		t.Errorf("bands %g and %g dB", b[0][3], b[31][3])
	}
}

// What the daemon has not summed up to minutes yet is there too, and so is what
// a kill left behind.
func TestTheNewestSecondsAreDrawn(t *testing.T) {
	s := newShow(t)
	logSeconds(t, s, 0, 3*3600+30, 2)
	s = reopen(t, s)
	h := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 3*3600*1000 + 60000, Points: 5000, Microphone: 3}))(t)
	if len(h.Microphones) != 1 || len(h.UnixS) != 181 || h.StepS != 60 {
		t.Fatalf("%d microphones, %d points of %g s", len(h.Microphones), len(h.UnixS), h.StepS)
	}
	c := h.Microphones[0]
	if c.CoveredS[180] != 30 || math.Abs(float64(c.LAeqDB[180])-meanDB(10800, 10830)) > 0.011 {
		t.Errorf("the minute that runs: %g s, %g dB", c.CoveredS[180], c.LAeqDB[180])
	}
	if each := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 300*1000, Points: 300}))(t); each.StepS != 1 || len(each.UnixS) != 300 {
		t.Errorf("300 points of 300 s: %d points of %g s", len(each.UnixS), each.StepS)
	}
	whole := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 4*3600*1000, Points: 1}))(t)
	if len(whole.Microphones) != 2 || math.Abs(float64(whole.Microphones[0].LAeqDB[0])-meanDB(0, 10830)) > 0.02 || whole.Microphones[1].CoveredS[0] != 10830 {
		t.Errorf("%+v", whole.Microphones)
	}
}

// A microphone that is no longer measured keeps its last seconds, though the
// minute they lie in was never summed up, and others have gone on.
func TestTheLastSecondsOfAMicrophoneAreDrawn(t *testing.T) {
	s := newShow(t)
	logSeconds(t, s, 0, 9030, 2)
	logSeconds(t, s, 9030, 10890, 1)
	for _, microphone := range []int{0, 3} {
		h := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 4*3600*1000, Points: 1, Microphone: microphone}))(t)
		if n := len(h.Microphones); n == 0 || h.Microphones[n-1].Microphone != 3 {
			t.Fatalf("%+v", h.Microphones)
		} else if c := h.Microphones[n-1]; c.CoveredS[0] != 9030 || math.Abs(float64(c.LAeqDB[0])-meanDB(0, 9030)) > 0.02 {
			t.Errorf("microphone %d of %d: %g s, %g dB, want 9030 s and %g dB", c.Microphone, n, c.CoveredS[0], c.LAeqDB[0], meanDB(0, 9030))
		}
	}
}

func TestLevelsWithoutCalibrationStandApart(t *testing.T) {
	s := newShow(t)
	var rows []LevelRow
	for n := range int64(240) {
		r := second(n, 2)
		r.LAeqDB = -30
		if n < 100 {
			r.OffsetDB = math.NaN()
		}
		if n == 150 {
			r.LAeqDB, r.LCeqDB, r.BandDB = math.NaN(), math.Inf(-1), nil
		}
		rows = append(rows, r)
	}
	mark := wire.LevelMark{UnixS: float64(rows[100].AtMs) / 1000, Microphone: 2, Kind: wire.MarkCalibration, Text: "Microphone 2 was calibrated."}
	if err := s.AddLevels(rows, []wire.LevelMark{mark}); err != nil {
		t.Fatal(err)
	}
	h := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 240_000, Points: 240}))(t)
	c := h.Microphones[0]
	if c.Unit != wire.UnitPascal || float64(c.CalibratedFromUnixS) != h.UnixS[100] || c.LAeqDB[99] != -30 || c.LAeqDB[100] != 90 {
		t.Errorf("%s from %g; %g and %g dB", c.Unit, float64(c.CalibratedFromUnixS)-h.UnixS[0], c.LAeqDB[99], c.LAeqDB[100])
	}
	if !math.IsNaN(float64(c.LAeqDB[150])) || !math.IsInf(float64(c.LCeqDB[150]), -1) {
		t.Errorf("unknown is %g, silence %g", c.LAeqDB[150], c.LCeqDB[150])
	}
	// A point with both kinds counts those that are calibrated.
	mixed := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 240_000, Points: 2}))(t).Microphones[0]
	if mixed.LAeqDB[0] != 90 || mixed.CoveredS[0] != 20 {
		t.Errorf("%g dB over %g s", mixed.LAeqDB[0], mixed.CoveredS[0])
	}
	if len(h.Marks) != 1 || h.Marks[0] != mark {
		t.Errorf("marks %+v", h.Marks)
	}
	if at := must(s.LastLevelMark(wire.MarkCalibration))(t); at != rows[100].AtMs {
		t.Errorf("last mark at %d", at)
	}
}

// The clock set back: the rows of both times are kept, and the minutes count all.
func TestClockSetBack(t *testing.T) {
	s := newShow(t)
	logSeconds(t, s, 0, 7500, 1)
	var again []LevelRow
	for n := range int64(60) {
		r := second(600+n, 2)
		r.Sample, r.LAeqDB = uint64(7500+n)*48000, -10
		again = append(again, r)
	}
	if err := s.AddLevels(again, nil); err != nil {
		t.Fatal(err)
	}
	h := must(s.LevelHistory(LevelQuery{FromMs: dayStart, ToMs: dayStart + 7500*1000, Points: 5000}))(t)
	c := h.Microphones[0]
	want := 10 * math.Log10((math.Pow(10, meanDB(600, 660)/10)+math.Pow(10, 11))/2)
	if c.CoveredS[10] != 120 || math.Abs(float64(c.LAeqDB[10])-want) > 0.011 || c.CoveredS[11] != 60 {
		t.Errorf("%g s, %g dB, want 120 s and %g dB", c.CoveredS[10], c.LAeqDB[10], want)
	}
}

func TestLevelsAsCSV(t *testing.T) {
	s := newShow(t)
	logSeconds(t, s, 0, 10, 2)
	logSeconds(t, s, 40000, 40010, 1) // hours later
	var out bytes.Buffer
	if err := s.WriteLevels(&out, LevelQuery{FromMs: dayStart, ToMs: dayStart + 86400_000}); err != nil {
		t.Fatal(err)
	}
	lines := must(csv.NewReader(&out).ReadAll())(t)
	if len(lines) != 31 || len(lines[0]) != 41 || lines[0][9] != "leq_16_hz_db" || lines[0][40] != "leq_20000_hz_db" {
		t.Fatalf("%d lines, %d columns", len(lines), len(lines[0]))
	}
	if got := strings.Join(lines[4][:10], ","); got != "2030-05-04T12:00:02.000Z,1904126402.000,3,dB re 20 uPa,1.000,90.02,100.00,109.00,119.00,80.00" {
		t.Error(got)
	}
	if lines[30][0] != "2030-05-04T23:06:50.000Z" {
		t.Error(lines[30][0])
	}
}

// The log keeps what it has on a full disk, and goes on when there is room.
func TestDiskFullWhileLogging(t *testing.T) {
	s := newShow(t)
	logSeconds(t, s, 0, 100, 1)
	limit := func(pages int) {
		if _, err := s.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
			t.Fatal(err)
		}
	}
	limit(1) // that is: no more than there are
	var rows []LevelRow
	for n := int64(100); n < 1000; n++ {
		rows = append(rows, second(n, 2))
	}
	mustBe(t, s.AddLevels(rows, nil), "disk_full", "free some space")
	count := func() (n int) {
		if err := s.EachLevel(2, 0, math.MaxInt64, func(*LevelRow) { n++ }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if n := count(); n != 100 {
		t.Errorf("%d rows on the full disk", n)
	}
	limit(1 << 30)
	if err := s.AddLevels(rows, nil); err != nil {
		t.Fatal(err)
	}
	if n := count(); n != 1000 {
		t.Errorf("%d rows", n)
	}
}

func TestLoggingIsNoChangeOfTheShow(t *testing.T) {
	s := newShow(t)
	told := 0
	s.OnChange(func() { told++ })
	before := must(s.Info())(t).Revision
	logSeconds(t, s, 0, 3, 1)
	if now := must(s.Info())(t).Revision; now != before || told != 0 {
		t.Errorf("revision %d after %d, told %d times", now, before, told)
	}
}

func TestEventsComeBack(t *testing.T) {
	s := newShow(t)
	e := wire.Event{At: "2030-05-04T20:41:12.000Z", OnsetAt: "2030-05-04T20:41:07.000Z", Microphone: 2, Take: 5,
		WatchChange: wire.WatchChange{Kind: "flipped", What: "fill", LowHz: wire.Unknown(), HighHz: wire.Unknown(), ChangeDB: wire.Unknown(), ShiftMs: wire.Unknown()},
		Confidence:  0.99, Certainty: wire.Sure, Mark: wire.Act, Text: "fill: opposite polarity."}
	first := must(s.AddEvent(e))(t)
	must(s.AddEvent(e))(t)
	audio := &Audio{SampleRateHz: 48000, Channels: []int{1, 2}, Samples: audioOf(2, 300000).Samples}
	with := must(s.AddEventAudio(first.ID, audio, 10))(t)
	if with.Audio != (wire.AudioOf{SampleRateHz: 48000, Seconds: float64(len(audio.Samples)) / 2 / 48000, EventS: 10}) {
		t.Errorf("%+v", with.Audio)
	}
	yes, comment := true, "Cable swapped at the stage box."
	must(s.ChangeEvent(first.ID, wire.EventPatch{Acknowledged: &yes, Comment: &comment}, "c3"))(t)
	s = reopen(t, s)
	list := must(s.Events(10, 0))(t)
	if len(list) != 2 || list[0].ID != 2 || list[0].Acknowledged || list[0].Kind != "flipped" {
		t.Fatalf("%+v", list)
	}
	got := list[1]
	if !got.Acknowledged || got.AcknowledgedBy != "c3" || got.AcknowledgedAt == "" || got.Comment != comment || got.What != "fill" || got.Text != e.Text || got.Take != 5 {
		t.Errorf("%+v", got)
	}
	back := must(s.EventAudio(first.ID))(t)
	if len(back.Samples) != len(audio.Samples) {
		t.Fatalf("%d samples", len(back.Samples))
	}
	for i, x := range back.Samples {
		if x != audio.Samples[i] {
			t.Fatalf("sample %d is %g, not %g", i, x, audio.Samples[i])
		}
	}
	if a := must(s.EventAudio(2))(t); a != nil {
		t.Error("audio that was never stored")
	}
	if older := must(s.Events(10, 2))(t); len(older) != 1 || older[0].ID != 1 {
		t.Errorf("%+v", older)
	}
	// All that are open, at once; those that were acknowledged before keep who did it.
	all := must(s.AcknowledgeEvents("Mira"))(t)
	if len(all) != 1 || all[0].ID != 2 || !all[0].Acknowledged || all[0].AcknowledgedBy != "Mira" {
		t.Errorf("%+v", all)
	}
	if first := must(s.Event(1))(t); first.AcknowledgedBy != "c3" {
		t.Errorf("%+v", first)
	}
	if again := must(s.AcknowledgeEvents("Mira"))(t); len(again) != 0 {
		t.Errorf("%+v", again)
	}
	_, err := s.ChangeEvent(9, wire.EventPatch{Acknowledged: &yes}, "c3")
	mustBe(t, err, "not_found", "no event 9")
}

func TestSettingsOfTheShow(t *testing.T) {
	s := newShow(t)
	type choice struct{ Profile string }
	c := choice{"none"}
	if err := s.Setting("limit", &c); err != nil || c.Profile != "none" {
		t.Errorf("%v, %+v", err, c)
	}
	if err := s.PutSetting("limit", choice{"who"}, "chose", "c1"); err != nil {
		t.Fatal(err)
	}
	s = reopen(t, s)
	if err := s.Setting("limit", &c); err != nil || c.Profile != "who" {
		t.Errorf("%v, %+v", err, c)
	}
}

func BenchmarkLevelHistory(b *testing.B) {
	s, err := New(filepath.Join(b.TempDir(), "day.plumbline"), "day")
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	logSeconds(b, s, 0, 86400, 1)
	for _, q := range []struct {
		name string
		LevelQuery
	}{
		{"24h", LevelQuery{FromMs: dayStart, ToMs: dayStart + 86400_000, Points: 1440}},
		{"24h_bands", LevelQuery{FromMs: dayStart, ToMs: dayStart + 86400_000, Points: 1440, Bands: true}},
		{"2h", LevelQuery{FromMs: dayStart, ToMs: dayStart + 7200_000, Points: 1440}},
		{"2h_bands", LevelQuery{FromMs: dayStart, ToMs: dayStart + 7200_000, Points: 1440, Bands: true}},
	} {
		b.Run(q.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := s.LevelHistory(q.LevelQuery); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A second of 32 microphones, as the daemon writes it.
func BenchmarkAddLevels(b *testing.B) {
	s, err := New(filepath.Join(b.TempDir(), "day.plumbline"), "day")
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	n := int64(0)
	for b.Loop() {
		var rows []LevelRow
		for m := range 32 {
			rows = append(rows, second(n, 2+m))
		}
		n++
		if err := s.AddLevels(rows, nil); err != nil {
			b.Fatal(err)
		}
	}
}
