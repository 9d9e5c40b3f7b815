package show

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

func newShow(t *testing.T) *Show {
	t.Helper()
	s, err := New(filepath.Join(t.TempDir(), "a hall 50% full? #1.plumbline"), "The hall")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func reopen(t *testing.T, s *Show) *Show {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(s.path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { again.Close() })
	return again
}

// spectraOf makes spectra of which every number follows from seed.
func spectraOf(seed int64) *response.Spectra {
	s := &response.Spectra{SampleRateHz: 48000, Overlap: 0.75, DelayS: 0.01234 + float64(seed)*1e-5, AveragedS: 8}
	for k := range 480 {
		x := float64(seed)*0.7 + float64(k)
		s.FrequencyHz = append(s.FrequencyHz, 20*math.Exp2(float64(k)/48))
		s.Gxx = append(s.Gxx, 1e-6*(1.5+math.Sin(x)))
		s.Gyy = append(s.Gyy, 1e-7*(1.5+math.Cos(x)))
		s.Gxy = append(s.Gxy, complex(1e-7*math.Sin(x), 1e-7*math.Cos(3*x)))
		s.EffectiveAverages = append(s.EffectiveAverages, 30+10*math.Sin(x/9))
	}
	return s
}

func audioOf(seed int64, frames int) *Audio {
	a := &Audio{SampleRateHz: 48000, Channels: []int{1, 3}, Samples: make([]float32, 2*frames)}
	for i := range a.Samples {
		a.Samples[i] = float32(math.Sin(float64(seed) + float64(i)*0.37))
	}
	return a
}

func mustBe(t *testing.T, err error, code, say string) {
	t.Helper()
	var mine *wire.Error
	if !errors.As(err, &mine) || mine.Code != code || !strings.Contains(mine.Text, say) || strings.Contains(mine.Text, "\n") {
		t.Errorf("got %v, want %s with %q", err, code, say)
	}
}

func must[T any](v T, err error) func(*testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestEverythingComesBack(t *testing.T) {
	s := newShow(t)
	main := must(s.PutLoudspeaker(Loudspeaker{Name: "main left", Role: "main", Channel: 1}, "c1"))(t)
	fill := must(s.PutLoudspeaker(Loudspeaker{Name: "fill", Role: "fill", Channel: 3, Note: "under the balcony"}, "c1"))(t)
	seat := must(s.PutSeat(Seat{Name: "row 12", PositionM: &wire.Position{10, 8, 1.2}}, "c1"))(t)
	nowhere := must(s.PutSeat(Seat{Name: "balcony"}, "c1"))(t)
	plan := must(s.PutPlan(Plan{Name: "fill to main", Body: []byte(`{"delay_ms":7.38,"wait":"fill"}`)}, "c1"))(t)
	note := must(s.PutNote(Note{Kind: KindSeat, Item: seat.ID, Text: "rattle in the ceiling"}, "c2"))(t)
	take := Take{
		Name: "both at row 12", Seat: seat.ID, Loudspeakers: []int64{fill.ID, main.ID}, Origin: Measured, Source: "stage box",
		Reference: 1, Microphone: 3, Gaps: 1, TemperatureC: 21.5, Settings: []byte(`{"smoothing":48}`),
		Results: Results{
			DelaySDMs: 0.002, Polarity: wire.PolarityObject{Verdict: "same", Confidence: 0.999, Bands: []wire.BandObject{}},
			Arrivals: []wire.ArrivalObject{{DelayMs: 12.34, DelaySDMs: 0.002, LevelDB: 0, Polarity: "same", DistanceM: 4.2}},
			Levels:   &wire.LevelsObject{PeakDBFS: -10, RMSDBFS: -22, ClippedSamples: 0},
		},
	}
	spectra, audio := spectraOf(1), audioOf(1, 300000) // three parts
	stored := must(s.AddTake(take, spectra, audio, "c1"))(t)
	if got := stored.Loudspeakers; !reflect.DeepEqual(got, []int64{main.ID, fill.ID}) {
		t.Errorf("loudspeakers %v", got)
	}
	s = reopen(t, s)
	if got := must(s.Loudspeakers())(t); !reflect.DeepEqual(got, []Loudspeaker{main, fill}) {
		t.Errorf("loudspeakers %+v", got)
	}
	if got := must(s.Seats())(t); !reflect.DeepEqual(got, []Seat{seat, nowhere}) {
		t.Errorf("seats %+v", got)
	}
	if got := must(s.Plans())(t); !reflect.DeepEqual(got, []Plan{plan}) {
		t.Errorf("plans %+v", got)
	}
	if got := must(s.Notes())(t); !reflect.DeepEqual(got, []Note{note}) || got[0].By != "c2" {
		t.Errorf("notes %+v", got)
	}
	if got := must(s.Take(stored.ID))(t); !reflect.DeepEqual(got, stored) {
		t.Errorf("take\n%+v, stored was\n%+v", got, stored)
	}
	var back response.Spectra
	if err := s.Spectra(stored.ID, &back); err != nil || !reflect.DeepEqual(&back, spectra) {
		t.Errorf("spectra differ, %v", err)
	}
	if got := must(s.TakeAudio(stored.ID))(t); !reflect.DeepEqual(got, audio) {
		t.Error("audio differs")
	}
	info := must(s.Info())(t)
	if info.Name != "The hall" || info.Loudspeakers != 2 || info.Seats != 2 || info.Takes != 1 || info.Plans != 1 || info.Notes != 1 || info.Version != len(migrations) {
		t.Errorf("%+v", info)
	}
	log := must(s.Entries(100, 0))(t)
	if len(log) != 9 || log[0].Action != "open" || log[1].Text != "stored take both at row 12" || log[1].By != "c1" {
		t.Errorf("log %+v", log)
	}
	if older := must(s.Entries(1, log[1].ID))(t); len(older) != 1 || older[0].ID != log[2].ID {
		t.Errorf("older %+v", older)
	}
}

func TestFilters(t *testing.T) {
	s := newShow(t)
	a := must(s.PutLoudspeaker(Loudspeaker{Name: "A"}, ""))(t).ID
	b := must(s.PutLoudspeaker(Loudspeaker{Name: "B"}, ""))(t).ID
	one := must(s.PutSeat(Seat{Name: "1"}, ""))(t).ID
	two := must(s.PutSeat(Seat{Name: "2"}, ""))(t).ID
	add := func(seat int64, played ...int64) int64 {
		return must(s.AddTake(Take{Seat: seat, Loudspeakers: played, Origin: Measured}, spectraOf(0), nil, ""))(t).ID
	}
	a1, b1, ab1, a2 := add(one, a), add(one, b), add(one, a, b), add(two, a)
	ids := func(f Filter) (ids []int64) {
		for _, x := range must(s.Takes(f))(t) {
			ids = append(ids, x.ID)
		}
		return ids
	}
	for _, c := range []struct {
		f    Filter
		want []int64
	}{
		{Filter{}, []int64{a1, b1, ab1, a2}},
		{Filter{Seat: one}, []int64{a1, b1, ab1}},
		{Filter{Loudspeaker: a}, []int64{a1, ab1, a2}},
		{Filter{Seat: one, Loudspeaker: b}, []int64{b1, ab1}},
		{Filter{Deleted: true}, nil},
	} {
		if got := ids(c.f); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%+v: %v, want %v", c.f, got, c.want)
		}
	}
	// A loudspeaker takes the takes with it, and brings them back.
	undo := must(s.Delete(KindLoudspeaker, b, "c1"))(t)
	if got := ids(Filter{}); !reflect.DeepEqual(got, []int64{a1, a2}) {
		t.Errorf("without B: %v", got)
	}
	if got := ids(Filter{Deleted: true}); !reflect.DeepEqual(got, []int64{b1, ab1}) {
		t.Errorf("deleted: %v", got)
	}
	if err := s.Undo(undo, "c2"); err != nil {
		t.Fatal(err)
	}
	if got := ids(Filter{}); !reflect.DeepEqual(got, []int64{a1, b1, ab1, a2}) {
		t.Errorf("after undo: %v", got)
	}
	mustBe(t, s.Undo(undo, ""), "undone", "already")
	mustBe(t, s.Undo(undo-1, ""), "not_found", "deleted nothing")
}

func TestUndoEveryKind(t *testing.T) {
	s := newShow(t)
	ids := map[Kind]int64{
		KindLoudspeaker: must(s.PutLoudspeaker(Loudspeaker{Name: "x"}, ""))(t).ID,
		KindSeat:        must(s.PutSeat(Seat{Name: "x"}, ""))(t).ID,
		KindPlan:        must(s.PutPlan(Plan{Name: "x", Body: []byte("{}")}, ""))(t).ID,
		KindNote:        must(s.PutNote(Note{Text: "x"}, ""))(t).ID,
		KindCorrection:  must(s.PutCorrection(Correction{Name: "x", Points: [][2]float64{{1000, 1}}}, ""))(t).ID,
		KindTake:        must(s.AddTake(Take{Origin: Measured}, spectraOf(0), nil, ""))(t).ID,
		KindTrace:       must(s.AddTrace(Trace{}, TraceCurve{FrequencyHz: []float64{1000}, MagnitudeDB: wire.Values{0}}, ""))(t).ID,
		KindTarget:      must(s.PutTarget(Target{Name: "x", Points: [][2]float64{{1000, 1}}}, ""))(t).ID,
	}
	if len(ids) != len(tables) {
		t.Fatal("a kind is not tried")
	}
	count := func() int {
		n := len(must(s.Corrections())(t)) + len(must(s.Traces())(t)) + len(must(s.Targets())(t))
		i := must(s.Info())(t)
		return n + i.Loudspeakers + i.Seats + i.Takes + i.Plans + i.Notes
	}
	for kind, id := range ids {
		undo := must(s.Delete(kind, id, "c1"))(t)
		if n := count(); n != len(ids)-1 {
			t.Errorf("%d items after deleting the %s", n, kind)
		}
		_, err := s.Delete(kind, id, "c1")
		mustBe(t, err, "not_found", "there is no "+string(kind))
		s = reopen(t, s) // an undo outlives the program
		if err := s.Undo(undo, "c1"); err != nil || count() != len(ids) {
			t.Errorf("%s: %v, %d items", kind, err, count())
		}
	}
	_, err := s.Delete("elephant", 1, "")
	mustBe(t, err, "not_found", "elephant")
}

func TestUndoMeetsWhatHappenedSince(t *testing.T) {
	s := newShow(t)
	seat := must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	take := must(s.AddTake(Take{Seat: seat.ID, Origin: Measured}, spectraOf(0), nil, ""))(t)
	first := must(s.Delete(KindTake, take.ID, ""))(t)
	second := must(s.Delete(KindSeat, seat.ID, ""))(t)
	mustBe(t, s.Undo(first, ""), "orphan", "bring that back first")
	if n := len(must(s.Takes(Filter{}))(t)); n != 0 {
		t.Error("a refused undo left something behind")
	}
	other := must(s.PutSeat(Seat{Name: "row 1"}, ""))(t) // the name is free
	mustBe(t, s.Undo(second, ""), "name_taken", "another seat")
	other.Name = "row 2"
	must(s.PutSeat(other, ""))(t)
	for _, undo := range []int64{second, first} {
		if err := s.Undo(undo, ""); err != nil {
			t.Error(err)
		}
	}
}

func TestChanges(t *testing.T) {
	s := newShow(t)
	changes := 0
	s.OnChange(func() { changes++ })
	seat := must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	must(s.PutSeat(Seat{Name: "row 2"}, ""))(t)
	seat.Note = "by the pillar"
	must(s.PutSeat(seat, ""))(t)
	take := must(s.AddTake(Take{Origin: Measured}, spectraOf(0), nil, ""))(t)
	name := "A"
	changed := must(s.ChangeTake(take.ID, TakePatch{Name: &name, Seat: &seat.ID}, "c1"))(t)
	if got := must(s.Take(take.ID))(t); !reflect.DeepEqual(got, changed) || got.Seat != seat.ID || got.Name != "A" {
		t.Errorf("%+v", got)
	}
	if err := s.Rename("The small hall", "c1"); err != nil || must(s.Info())(t).Name != "The small hall" {
		t.Error(err)
	}
	if err := s.Log("doors open", "c1"); err != nil {
		t.Error(err)
	}
	if changes != 7 {
		t.Errorf("%d changes were told, want 7", changes)
	}

	revision := must(s.Info())(t).Revision
	seat.Name = "row 2"
	_, err := s.PutSeat(seat, "")
	mustBe(t, err, "name_taken", "choose another name")
	_, err = s.PutSeat(Seat{ID: 99, Name: "x"}, "")
	mustBe(t, err, "not_found", "no seat 99")
	_, err = s.PutSeat(Seat{Name: "  "}, "")
	mustBe(t, err, "name", "needs a name")
	_, err = s.PutSeat(Seat{Name: strings.Repeat("x", 81)}, "")
	mustBe(t, err, "name", "80 characters")
	_, err = s.PutSeat(Seat{Name: "a\nb"}, "")
	mustBe(t, err, "name", "one line")
	_, err = s.PutLoudspeaker(Loudspeaker{Name: "x", Channel: 99}, "")
	mustBe(t, err, "channel", "1 to 64")
	_, err = s.PutPlan(Plan{Name: "x", Body: []byte("{")}, "")
	mustBe(t, err, "body", "JSON")
	_, err = s.PutPlan(Plan{ID: 1, At: "tonight", Name: "x", Body: []byte("{}")}, "")
	mustBe(t, err, "at", `like 2030-01-31T20:15:00Z, not "tonight"`)
	_, err = s.PutNote(Note{}, "")
	mustBe(t, err, "text", "some text")
	_, err = s.PutNote(Note{ID: 1, Text: "x"}, "")
	mustBe(t, err, "at", "the time of a note")
	_, err = s.AddTake(Take{Origin: Measured, Seat: 99}, spectraOf(0), nil, "")
	mustBe(t, err, "not_found", "")
	_, err = s.AddTake(Take{Origin: Measured, Loudspeakers: []int64{5}}, spectraOf(0), nil, "")
	mustBe(t, err, "not_found", "no loudspeaker 5")
	_, err = s.AddTake(Take{Origin: Measured}, &response.Spectra{}, nil, "")
	mustBe(t, err, "spectra", "")
	_, err = s.AddTake(Take{Origin: Measured}, spectraOf(0), &Audio{SampleRateHz: 48000, Channels: []int{1, 2}, Samples: make([]float32, 3)}, "")
	mustBe(t, err, "audio", "whole frames")
	_, err = s.ChangeTake(99, TakePatch{}, "")
	mustBe(t, err, "not_found", "no take 99")
	mustBe(t, s.Spectra(99, new(response.Spectra)), "not_found", "no take 99")
	if now := must(s.Info())(t).Revision; now != revision {
		t.Error("a refused change left something behind")
	}
}

func TestCopyAndList(t *testing.T) {
	s := newShow(t)
	take := must(s.AddTake(Take{Origin: Measured}, spectraOf(3), audioOf(3, 1000), ""))(t)
	dir := filepath.Dir(s.path)
	copyPath := filepath.Join(dir, "copy.plumbline")
	if err := s.Copy(copyPath); err != nil {
		t.Fatal(err)
	}
	mustBe(t, s.Copy(copyPath), "exists", "left as it is")
	c := must(Open(copyPath))(t) // while the original is open
	defer c.Close()
	var back response.Spectra
	if err := c.Spectra(take.ID, &back); err != nil || !reflect.DeepEqual(&back, spectraOf(3)) {
		t.Error("the copy differs: ", err)
	}
	os.WriteFile(filepath.Join(dir, "music.plumbline"), []byte("RIFF not a show"), 0o644)
	os.WriteFile(filepath.Join(dir, "readme.txt"), nil, 0o644)
	list := must(List(dir))(t)
	if len(list) != 2 || list[0].Version != len(migrations) || list[0].Newer || list[0].SizeBytes < 8192 {
		t.Errorf("%+v", list)
	}
	_, err := List(filepath.Join(dir, "nowhere"))
	mustBe(t, err, "no_show", "")
}

func TestOpenRefuses(t *testing.T) {
	s := newShow(t)
	must(s.AddTake(Take{Origin: Measured}, spectraOf(0), audioOf(0, 100000), ""))(t)
	_, err := Open(s.path)
	mustBe(t, err, "locked", "another plumbline")
	_, err = New(s.path, "again")
	mustBe(t, err, "exists", "choose another name")
	s.Close()
	whole := must(os.ReadFile(s.path))(t)

	for name, c := range map[string]struct {
		change    func(b []byte) []byte
		code, say string
	}{
		"a WAV file":         {func([]byte) []byte { return append([]byte("RIFF"), make([]byte, 200)...) }, "not_a_show", "choose another file"},
		"an empty file":      {func([]byte) []byte { return nil }, "not_a_show", ""},
		"another database":   {func(b []byte) []byte { copy(b[68:], "GPKG"); return b }, "not_a_show", ""},
		"a newer show":       {func(b []byte) []byte { b[63] = 99; return b }, "newer", "update plumbline"},
		"a cut-off show":     {func(b []byte) []byte { return b[:len(b)/3] }, "corrupt", "backup"},
		"an overwritten one": {func(b []byte) []byte { copy(b[8192:], bytes.Repeat([]byte("music"), 5000)); return b }, "corrupt", "backup"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "x.plumbline")
			bad := c.change(bytes.Clone(whole))
			if err := os.WriteFile(path, bad, 0o644); err != nil {
				t.Fatal(err)
			}
			_, err := Open(path)
			mustBe(t, err, c.code, c.say)
			if after := must(os.ReadFile(path))(t); !bytes.Equal(after, bad) {
				t.Error("the file was touched")
			}
		})
	}
	_, err = Open(filepath.Join(t.TempDir(), "none.plumbline"))
	mustBe(t, err, "no_show", "make a new one")
	_, err = Open(t.TempDir())
	mustBe(t, err, "not_a_show", "no file")
	_, err = New(filepath.Join(t.TempDir(), "no", "such", "folder.plumbline"), "x")
	if err == nil {
		t.Error("a show in a folder that is not there")
	}
}

// A disk that is full, by way of the largest size the file may have.
func TestFullDisk(t *testing.T) {
	s := newShow(t)
	kept := must(s.AddTake(Take{Origin: Measured}, spectraOf(1), nil, ""))(t)
	var pages int
	if err := s.db.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit := func(n int) {
		if _, err := s.db.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", n)); err != nil {
			t.Fatal(err)
		}
	}
	limit(pages + 4)
	_, err := s.AddTake(Take{Origin: Measured}, spectraOf(2), audioOf(2, 100000), "")
	mustBe(t, err, "disk_full", "free some space")
	if takes := must(s.Takes(Filter{}))(t); len(takes) != 1 || takes[0].ID != kept.ID {
		t.Errorf("%d takes", len(takes))
	}
	limit(1 << 30)
	must(s.AddTake(Take{Origin: Measured}, spectraOf(2), audioOf(2, 100000), ""))(t)
	s = reopen(t, s)
	if n := len(must(s.Takes(Filter{}))(t)); n != 2 {
		t.Errorf("%d takes", n)
	}
}

// A later version adds a step; a show of this version gets it, whole or not at all.
func TestMigration(t *testing.T) {
	s := newShow(t)
	must(s.PutSeat(Seat{Name: "row 1"}, ""))(t)
	steps := append(append([]string(nil), migrations...), "ALTER TABLE seats ADD COLUMN row INTEGER; CREATE TABLE broken (")
	if err := migrate(s.db, steps); err == nil {
		t.Fatal("a broken step went through")
	}
	var version, columns int
	state := func() {
		if err := s.db.QueryRow("SELECT user_version, (SELECT count(*) FROM pragma_table_info('seats')) FROM pragma_user_version").Scan(&version, &columns); err != nil {
			t.Fatal(err)
		}
	}
	if state(); version != len(migrations) || columns != 5 {
		t.Errorf("after a broken step: version %d, %d columns", version, columns)
	}
	steps[len(steps)-1] = "ALTER TABLE seats ADD COLUMN row INTEGER"
	if err := migrate(s.db, steps); err != nil {
		t.Fatal(err)
	}
	if state(); version != len(migrations)+1 || columns != 6 || len(must(s.Seats())(t)) != 1 {
		t.Errorf("version %d, %d columns", version, columns)
	}
	s.Close()
	_, err := Open(s.path)
	mustBe(t, err, "newer", fmt.Sprintf("version %d, this one knows %d", len(migrations)+1, len(migrations)))
}

func TestDamagedSpectraAreFound(t *testing.T) {
	s := newShow(t)
	take := must(s.AddTake(Take{Origin: Measured}, spectraOf(1), nil, ""))(t)
	if _, err := s.db.Exec("UPDATE takes SET spectra = CAST(substr(spectra, 1, 100) || x'ff' || substr(spectra, 102) AS BLOB)"); err != nil {
		t.Fatal(err)
	}
	mustBe(t, s.Spectra(take.ID, new(response.Spectra)), "damaged", "take 1 are damaged: use another take")
}
