package exposure

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"plumbline/analyze/internal/reference"
)

// Every profile is a row of testdata/reference/exposure_limits.csv, which
// names the sources; what is there from memory only is not offered.
func TestProfilesAreThePublishedOnes(t *testing.T) {
	found := 0
	for _, row := range reference.Table(t, "reference/exposure_limits.csv") {
		offered := false
		for _, p := range Profiles {
			// A scheme that limits both weightings has a profile of each, named by it.
			weighted := row["scheme"] + map[Quantity]string{LAeq: " dB(A)", LCeq: " dB(C)"}[p.Quantity]
			if p.Name != row["scheme"] && p.Name != weighted || p.Source != row["source"] || strings.HasPrefix(row["quantity"], "LC") != (p.Quantity == LCeq) {
				continue
			}
			found++
			offered = true
			number := func(column string) float64 {
				x, _ := strconv.ParseFloat(row[column], 64)
				return x
			}
			if p.LimitDB != number("value") {
				t.Errorf("%s: limit %g dB, want %s", p.ID, p.LimitDB, row["value"])
			}
			base, unit, _ := strings.Cut(row["time_base"], " ")
			s, _ := strconv.ParseFloat(base, 64)
			s *= map[string]float64{"h": 3600, "min": 60}[unit]
			if p.OverS != s {
				t.Errorf("%s: over %g s, want %s", p.ID, p.OverS, row["time_base"])
			}
			if p.Sliding != (row["exchange_rate_db"] == "") || !p.Sliding && math.Abs(p.ExchangeDB-number("exchange_rate_db")) > 0.011 {
				t.Errorf("%s: exchange rate %g dB, want %q", p.ID, p.ExchangeDB, row["exchange_rate_db"])
			}
		}
		if offered == strings.Contains(row["confirmation"], "unconfirmed") {
			t.Errorf("%s (%s): offered %v", row["scheme"], row["confirmation"], offered)
		}
	}
	if found != len(Profiles) {
		t.Errorf("%d of %d profiles are in the table", found, len(Profiles))
	}
	if p, ok := Lookup("who"); !ok || p.LimitDB != 100 {
		t.Error("the WHO's limit is not found")
	}
	if _, ok := Lookup("none"); ok {
		t.Error("a profile that is not there is found")
	}
}

// Allowed times of testdata/reference/exposure_durations.csv: NIOSH
// T = 480/2^((L−85)/3) min, OSHA T = 8/2^((L−90)/5) h.
func TestAllowedTimes(t *testing.T) {
	niosh, _ := Lookup("niosh")
	osha, _ := Lookup("osha-pel")
	for _, row := range reference.Table(t, "reference/exposure_durations.csv") {
		level, _ := strconv.ParseFloat(row["level_dba"], 64)
		minutes, _ := strconv.ParseFloat(row["niosh_minutes"], 64)
		hours, _ := strconv.ParseFloat(row["osha_hours"], 64)
		if got := niosh.AllowedS(level) / 60; math.Abs(got-minutes) > 0.0006 {
			t.Errorf("NIOSH at %g dB: %.4f min, want %.3f", level, got, minutes)
		}
		if got := osha.AllowedS(level) / 3600; math.Abs(got-hours) > 0.0006 {
			t.Errorf("OSHA at %g dB: %.4f h, want %.3f", level, got, hours)
		}
	}
}

func track(t *testing.T, id string, correctionDB float64) *Tracker {
	t.Helper()
	p, ok := Lookup(id)
	if !ok {
		t.Fatalf("no profile %q", id)
	}
	tr, err := NewTracker(Config{Profile: p, CorrectionDB: correctionDB})
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func steady(tr *Tracker, db, seconds float64) {
	for range int(seconds) {
		tr.Add(db, db+12)
	}
}

// 8 h at 92 dB is a dose of 131.95 % (29 CFR 1910.95 App. A prints 131 % with T
// rounded to 6.1 h), TWA 92 dB; 100 dB for 15 min is an LEX,8h of 84.95 dB.
func TestWorkedExamples(t *testing.T) {
	tr := track(t, "osha-pel", 0)
	steady(tr, 92, 8*hour)
	s := tr.Status()
	if math.Abs(100*s.Used-131.95) > 0.01 || math.Abs(s.LevelDB-92) > 0.001 || !s.Exceeded || s.CrossedInS != 0 {
		t.Errorf("8 h at 92 dB: %+v", s)
	}
	tr = track(t, "eu-upper", 0)
	steady(tr, 100, 15*minute)
	if s = tr.Status(); math.Abs(s.LevelDB-84.95) > 0.005 || s.Exceeded {
		t.Errorf("15 min at 100 dB: %+v", s)
	}
	tr = track(t, "eu-lower", 0)
	steady(tr, 99, 2*hour)
	if s = tr.Status(); math.Abs(s.LevelDB-92.98) > 0.005 || !s.Exceeded {
		t.Errorf("2 h at 99 dB: %+v", s)
	}
}

// At the pace foretold the limit is crossed at the time foretold.
func TestForetoldCrossing(t *testing.T) {
	for _, test := range []struct {
		id                string
		history, paceDB   float64
		historyS, settleS float64
	}{
		{"niosh", 90, 97, 1200, 60}, {"osha-pel", 88, 100, 600, 60}, {"eu-upper", 80, 95, 3600, 60},
		{"who", 97, 103, 900, 60}, {"who", 80, 104, 100, 60}, {"din15905-5", 98, 101, 2400, 60}, {"france-c", 110, 121, 1000, 60},
	} {
		tr := track(t, test.id, 0)
		steady(tr, test.history, test.historyS)
		steady(tr, test.paceDB, test.settleS)
		s := tr.Status()
		if s.Exceeded || math.Abs(s.PaceDB-test.paceDB) > 1e-9 || math.IsInf(s.CrossedInS, 1) {
			t.Errorf("%s: %+v", test.id, s)
			continue
		}
		steady(tr, test.paceDB, math.Ceil(s.CrossedInS)-2)
		if early := tr.Status(); early.Exceeded {
			t.Errorf("%s: crossed before the %.1f s foretold", test.id, s.CrossedInS)
		}
		steady(tr, test.paceDB, 3)
		if late := tr.Status(); !late.Exceeded {
			t.Errorf("%s: not crossed after the %.1f s foretold: %+v", test.id, s.CrossedInS, late)
		}
	}
}

// A sliding level at or under the limit is never crossed, and one over it is forgotten.
func TestSlidingForgets(t *testing.T) {
	tr := track(t, "who", 0)
	steady(tr, 100, 3600)
	if s := tr.Status(); s.Exceeded || !math.IsInf(s.CrossedInS, 1) || math.Abs(s.Used-1) > 1e-9 || math.Abs(s.LevelDB-100) > 1e-9 {
		t.Errorf("an hour at the limit: %+v", s)
	}
	steady(tr, 106, 300)
	if s := tr.Status(); !s.Exceeded || s.CrossedInS != 0 {
		t.Errorf("5 min at 106 dB more: %+v", s)
	}
	steady(tr, 90, 900)
	if s := tr.Status(); s.Exceeded || math.Abs(s.LevelDB-90) > 1e-9 || math.Abs(s.Used-0.1) > 1e-9 {
		t.Errorf("15 min at 90 dB later: %+v", s)
	}
}

func TestCorrectionAndPeak(t *testing.T) {
	tr := track(t, "eu-upper", 4)
	tr.Add(81, 132)
	if s := tr.Status(); math.Abs(s.PaceDB-85) > 1e-9 || s.PeakDB != 136 || s.PeakExceeded || s.CorrectionDB != 4 || math.Abs(s.Used*8*hour-1) > 1e-9 {
		t.Errorf("%+v", s)
	}
	tr.Add(81, 133.5)
	tr.Add(81, 100)
	if s := tr.Status(); s.PeakDB != 137.5 || !s.PeakExceeded {
		t.Errorf("%+v", s)
	}
}

// A limit of the peak is exceeded beyond it, and where there is none never.
func TestPeakLimit(t *testing.T) {
	at := track(t, "eu-upper", 0)
	at.Add(80, at.cfg.Profile.PeakDB)
	if at.Status().PeakExceeded {
		t.Error("a peak at the limit exceeds it")
	}
	p := at.cfg.Profile
	p.PeakDB = 0
	none, err := NewTracker(Config{Profile: p})
	if err != nil {
		t.Fatal(err)
	}
	none.Add(80, 150)
	if none.Status().PeakExceeded {
		t.Error("exceeded without a limit")
	}
}

func TestUnknownAndSilence(t *testing.T) {
	tr := track(t, "niosh", 0)
	if s := tr.Status(); !math.IsNaN(s.LevelDB) || s.Used != 0 || !math.IsInf(s.CrossedInS, 1) {
		t.Errorf("nothing yet: %+v", s)
	}
	tr.Add(math.Inf(-1), math.Inf(-1))
	tr.Add(math.NaN(), math.NaN())
	if s := tr.Status(); s.Used != 0 || !math.IsInf(s.CrossedInS, 1) || s.ElapsedS != 2 {
		t.Errorf("silence: %+v", s)
	}
	steady(tr, 85, 100)
	tr.Reset()
	if s := tr.Status(); s.Used != 0 || s.ElapsedS != 0 || !math.IsNaN(s.PeakDB) {
		t.Errorf("after Reset: %+v", s)
	}
}

func TestBadConfig(t *testing.T) {
	who, _ := Lookup("who")
	for _, cfg := range []Config{{}, {Profile: who, CorrectionDB: 99}, {Profile: who, CorrectionDB: math.NaN()},
		{Profile: Profile{LimitDB: 85, OverS: 100}}, {Profile: Profile{LimitDB: 85, OverS: 1e6, Sliding: true}}} {
		if _, err := NewTracker(cfg); err == nil {
			t.Errorf("%+v passed", cfg)
		}
	}
}
