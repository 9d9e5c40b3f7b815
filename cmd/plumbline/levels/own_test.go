package levels

import (
	"strings"
	"sync"
	"testing"

	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/wire"
)

// A limit that somebody enters, of level, duration and weighting, is followed at once, crossed
// as a published one is, and stays with the show.
func TestALimitOfOnesOwn(t *testing.T) {
	cal := store(t, "")
	cal.Give(calibration.Entry{Device: "device test", Channel: 2, OffsetDB: 130})
	shelf := newShelf(t)
	d := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	v, err := d.AddLimit(t.Context(), wire.LimitRequest{Name: "Village hall", Quantity: "LCeq", LimitDB: 94, OverS: 60}, "c1")
	if err != nil {
		t.Fatal(err)
	}
	last := v.Profiles[len(v.Profiles)-1]
	if v.Profile != last.ID || !last.Own || last.Name != "Village hall" || last.Quantity != "LCeq" || last.LimitDB != 94 || last.OverS != 60 || !last.Sliding {
		t.Errorf("%+v", last)
	}
	d.play(1, sine(63, -20)) // the filters' start
	if err := d.ResetLevels(t.Context(), "c1"); err != nil {
		t.Fatal(err)
	}
	// 15 dB above, a minute's energy is there in 2 s.
	d.play(3, sine(63, -20)) // 109.2 dB(C), and 83.8 dB(A): IEC 61672-1:2013, Table 3
	s := d.Levels.Levels().Microphones[0].Limit
	near(t, "LCeq", s.LevelDB, 109.2, 0.2)
	if s.State != wire.LimitCrossed || !strings.HasPrefix(s.Text, "The limit of Village hall is crossed: LCeq over the 3 s so far is 109.2 dB, the limit 94 dB.") {
		t.Errorf("%s: %s", s.State, s.Text)
	}
	if e := <-d.crossed; e.What != "Village hall" || e.Kind != "limit crossed" {
		t.Errorf("%+v", e)
	}
	// By its figures where nobody named it; the same level by A is not crossed.
	if v, err = d.AddLimit(t.Context(), wire.LimitRequest{Quantity: "LAeq", LimitDB: 94, OverS: 60}, "c1"); err != nil {
		t.Fatal(err)
	}
	if last := v.Profiles[len(v.Profiles)-1]; last.Name != "94 dB(A) over 1 min" {
		t.Errorf("called %q", last.Name)
	}
	d.play(1, sine(63, -20))
	if s := d.Levels.Levels().Microphones[0].Limit; s.State != wire.LimitInside {
		t.Errorf("%s: %s", s.State, s.Text)
	}
	// It comes back with the show, and another show has none of it but what is followed.
	if _, err := shelf.New("next"); err != nil {
		t.Fatal(err)
	}
	if _, err := shelf.Open("hall.plumbline"); err != nil {
		t.Fatal(err)
	}
	other := newDesk(t, Config{Shelf: shelf, Calibrations: cal})
	if v := other.Limits(); v.Profile != "own-la-94-60" || v.Profiles[len(v.Profiles)-2].Name != "Village hall" {
		t.Errorf("after a restart %q of %d", v.Profile, len(v.Profiles))
	}
	v, err = other.DeleteLimit(t.Context(), v.Profile, "c1")
	if err != nil || v.Profile != "" || v.Profiles[len(v.Profiles)-1].Name != "Village hall" {
		t.Errorf("deleted: %+v, %v", v.Profile, err)
	}
}

// No two of a name, the published ones included, and no two that say the same.
func TestLimitsThatCannotBe(t *testing.T) {
	d := newDesk(t, Config{})
	names := map[string]bool{}
	for _, p := range d.Limits().Profiles {
		if names[p.Name] {
			t.Errorf("two limits are called %q", p.Name)
		}
		names[p.Name] = true
	}
	if _, err := d.AddLimit(t.Context(), wire.LimitRequest{Name: "Yard", Quantity: "LAeq", LimitDB: 95, OverS: 900}, "c1"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		r    wire.LimitRequest
		says string
	}{
		{wire.LimitRequest{Name: "yard ", Quantity: "LAeq", LimitDB: 96, OverS: 900}, `already a limit called "Yard": give this one another name`},
		{wire.LimitRequest{Name: "niosh rel", Quantity: "LAeq", LimitDB: 96, OverS: 900}, `already a limit called "NIOSH REL"`},
		{wire.LimitRequest{Name: "Garden", Quantity: "LAeq", LimitDB: 95, OverS: 900}, `there already, as "Yard": choose it`},
		{wire.LimitRequest{Quantity: "LZeq", LimitDB: 95, OverS: 900}, `"LAeq" or "LCeq", not "LZeq"`},
		{wire.LimitRequest{Quantity: "LAeq", LimitDB: 200, OverS: 900}, "40 to 140 dB, not 200"},
		{wire.LimitRequest{Quantity: "LAeq", LimitDB: 95, OverS: 30}, "60 to 86400 s, not 30"},
		{wire.LimitRequest{Quantity: "LAeq", LimitDB: 95, OverS: 90.5}, "whole seconds, not 90.5"},
		{wire.LimitRequest{Name: "two\nlines", Quantity: "LAeq", LimitDB: 95, OverS: 60}, "one line"},
		{wire.LimitRequest{Name: strings.Repeat("x", 41), Quantity: "LAeq", LimitDB: 95, OverS: 60}, "at most 40 characters"},
	} {
		if _, err := d.AddLimit(t.Context(), c.r, "c1"); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want %q", c.r, err, c.says)
		}
	}
	if _, err := d.DeleteLimit(t.Context(), "who", "c1"); err == nil || !strings.Contains(err.Error(), "published limit stays") {
		t.Errorf("%v", err)
	}
	if _, err := d.DeleteLimit(t.Context(), "own-la-1-1", "c1"); err == nil || !strings.Contains(err.Error(), "no limit called") {
		t.Errorf("%v", err)
	}
	// A show from elsewhere may hold anything.
	got := readable([]wire.LimitRequest{{Name: "a", Quantity: "LAeq", LimitDB: 95, OverS: 900}, {Name: "A", Quantity: "LAeq", LimitDB: 96, OverS: 900}, {Quantity: "LAeq", LimitDB: -3, OverS: 900}, {Name: "b", Quantity: "LCeq", LimitDB: 95, OverS: 900}})
	if len(got) != 2 || got[0].Name != "a" || got[1].Name != "b" {
		t.Errorf("%+v", got)
	}
}

// Two people enter limits in one moment: both are kept.
func TestLimitsEnteredAtOnce(t *testing.T) {
	d := newDesk(t, Config{Shelf: newShelf(t)})
	const most = 20
	var all sync.WaitGroup
	for k := range most {
		all.Go(func() {
			if _, err := d.AddLimit(t.Context(), wire.LimitRequest{Quantity: "LAeq", LimitDB: 80 + float64(k), OverS: 60}, "c1"); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	own := 0
	for _, p := range d.Limits().Profiles {
		if p.Own {
			own++
		}
	}
	if own != most {
		t.Errorf("%d limits are kept of %d", own, most)
	}
}
