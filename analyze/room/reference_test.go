package room

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/level"
)

// The closed forms of ISO 3382-1, Annex A, broadband and in each octave from 125 Hz.
func TestEnergiesAgainstTheClosedForm(t *testing.T) {
	jnd := map[string]float64{}
	for _, row := range reference.Table(t, "reference/iso3382_jnd.csv") {
		if row["confirmation"] != "from memory, unconfirmed" {
			jnd[row["quantity"]] = row.Number(t, "jnd")
		}
	}
	c80, d50, ts := jnd["C80"], jnd["D50"], jnd["Ts"]
	if c80 != 1 || d50 != 0.05 || ts != 10 {
		t.Fatalf("differences %v", jnd)
	}
	most, at := 0.0, ""
	for i, row := range reference.Table(t, "reference/iso3382_exponential.csv") {
		s := row.Number(t, "T_s")
		see := func(b Band) {
			for name, v := range map[string][3]float64{
				"C50": {b.C50DB, row.Number(t, "C50_db"), c80}, "C80": {b.C80DB, row.Number(t, "C80_db"), c80},
				"D50": {b.D50, row.Number(t, "D50"), d50}, "Ts": {b.TsMs, row.Number(t, "Ts_ms"), ts},
			} {
				if part := math.Abs(v[0]-v[1]) / v[2]; !(part <= most) {
					most, at = part, fmt.Sprintf("%s %.3f for %.3f of %g s at %g Hz", name, v[0], v[1], s, b.NominalHz)
				}
			}
		}
		if !truth.Thorough && i%3 != 1 {
			continue
		}
		slopes := []slope{{1, s}}
		see(broadband(signs(slopes, 0.1, 0.2+1.2*s, -60, 7), 0.1))
		if s < 0.3 {
			continue // no octave at 125 Hz can follow it
		}
		bands := from125()
		if !truth.Thorough {
			bands = []level.Band{bands[0], bands[3]}
		}
		for _, band := range bands {
			see(octaveOf(slopes, band, 0.2+1.2*s, -60, 7, nil))
		}
	}
	t.Logf("%.3f of a difference: %s", most, at)
	truth.Claim(t, "C50, C80, D50, Ts of exponential decays within 0.2 of a just noticeable difference, broadband and in octaves from 125 Hz",
		"ISO 3382-1:2009, Annex A, Table A.1", fmt.Sprintf("%.3f (%s)", most, at), truth.AtMost(most, "0.2"))
}

// A fifth of a difference is kept down to the decay range that is asked for.
func TestEnergiesInNoise(t *testing.T) {
	row := reference.Table(t, "reference/iso3382_exponential.csv")[4]
	most := 0.0
	for seed := range uint64(3) {
		b := analyzed(t, signs([]slope{{1, 1}}, 0.1, 1.5, -22, seed), Config{}).Broadband
		if b.DecayRangeDB < 20 || b.DecayRangeDB > 24 || !math.IsNaN(b.EDTS) || b.Reason == "" {
			t.Errorf("range %.1f dB, EDT %g, %q", b.DecayRangeDB, b.EDTS, b.Reason)
		}
		most = max(most, math.Abs(b.C80DB-row.Number(t, "C80_db")), math.Abs(b.D50-row.Number(t, "D50"))/0.05, math.Abs(b.TsMs-row.Number(t, "Ts_ms"))/10)
	}
	t.Logf("%.3f of a difference", most)
	if most > 0.2 {
		t.Errorf("%.3f of a difference with 22 dB of decay", most)
	}
}

// What a plain backward integration makes of truncation and noise, and what is made of
// the same here.
func TestTruncationAndNoiseAreMadeGood(t *testing.T) {
	for _, row := range reference.Table(t, "reference/iso3382_truncation_bias.csv") {
		db := row.Number(t, "level_db")
		length, noise := db/60, math.Inf(-1)
		if row["case"] == "stationary noise floor, integrated to 2 s, no correction" {
			length, noise = 2, -db
		}
		b := broadband(signs([]slope{{1, 1}}, 0, length, noise, 3), 0)
		for name, v := range map[string]float64{"EDT": b.EDTS, "T20": b.T20S, "T30": b.T30S} {
			if math.IsNaN(v) {
				if b.Reason == "" || name == "EDT" && db > needsEDT {
					t.Errorf("%s at %g dB: no %s, %q", row["case"], db, name, b.Reason)
				}
				continue
			}
			plain := off(row.Number(t, name+"_s"), 1)
			if got := off(v, 1); got > 1 && got > plain {
				t.Errorf("%s at %g dB: %s off by %.2f %%, plainly integrated by %.2f %%", row["case"], db, name, got, plain)
			}
		}
	}
}

// The filters keep the limits of class 1.
func TestFiltersAreOfClassOne(t *testing.T) {
	var bands [4]level.Band
	for _, fraction := range []int{1, 3} {
		for _, b := range level.Bands(fraction) {
			if b.NominalHz == 1000 {
				bands[fraction] = b
			}
		}
	}
	for _, row := range reference.Table(t, "reference/bands_iec61260_mask.csv") {
		b := bands[1]
		switch row["bandwidth"] {
		case "1/1":
		case "1/3":
			b = bands[3]
		default:
			continue
		}
		high, err := strconv.ParseFloat(row["class1_max_db"], 64)
		if err != nil {
			t.Fatal(err)
		}
		for _, side := range []string{"omega_high", "omega_low"} {
			got := -20 * math.Log10(gain(b, b.MidHz*row.Number(t, side)))
			if got < row.Number(t, "class1_min_db") || got > high {
				t.Errorf("%s octave: %.2f dB at %s of the middle, limits %s…%s", row["bandwidth"], got, row[side], row["class1_min_db"], row["class1_max_db"])
			}
		}
	}
}

// Times are told of decays only that the filter can follow.
func TestShortDecays(t *testing.T) {
	for _, s := range []float64{0.05, 0.07, 0.1, 0.14, 0.2, 0.3} {
		for _, band := range from125()[:4] {
			b := octaveOf([]slope{{1, s}}, band, 0.8, -70, 5, nil)
			for _, v := range []float64{b.EDTS, b.T20S, b.T30S} {
				if off(v, s) > 5 {
					t.Errorf("at %g Hz %.4f s for %g s", b.NominalHz, v, s)
				}
			}
			if math.IsNaN(b.T30S) && (b.Reason == "" || s > 0.2) {
				t.Errorf("at %g Hz no time for %g s: %q", b.NominalHz, s, b.Reason)
			}
		}
	}
}

// The speech transmission index of the closed-form modulation transfer function
// (Schroeder 1981; Houtgast and Steeneken), and of decays that have it.
func TestSpeechAgainstTheClosedForm(t *testing.T) {
	most, heard := 0.0, 0.0
	rooms := map[float64]*Room{}
	for _, row := range reference.Table(t, "reference/sti_closed_form.csv") {
		s, want := row.Number(t, "T_s"), row.Number(t, "sti")
		snr, err := strconv.ParseFloat(row["snr_db"], 64)
		if err != nil {
			t.Fatal(err)
		}
		noise := 1 / (1 + math.Pow(10, -snr/10))
		var m [octaves][frequencies]float64
		for k := range m {
			for i, f := range modulation {
				x := 2 * math.Pi * f * s / (6 * math.Ln10)
				m[k][i] = noise / math.Sqrt(1+x*x)
			}
		}
		most = max(most, math.Abs(transmission(m).STI-want))
		if s < 0.3 || s > 5 || !truth.Thorough && s != 1 {
			continue
		}
		if rooms[s] == nil {
			rooms[s] = decaying(s)
		}
		c := Condition{}
		for k := range c.NoiseDB {
			c.NoiseDB[k] = -snr
		}
		got := rooms[s].Speech(&c)
		if got.Reason != "" {
			t.Errorf("%g s: %s", s, got.Reason)
		}
		heard = max(heard, math.Abs(got.STI-want))
	}
	if most > 0.0001 {
		t.Errorf("off the table by %.5f", most)
	}
	truth.Claim(t, "STI of exponential decays over noise within 0.01 of the closed form",
		"Schroeder, Acustica 49, 1981; Houtgast and Steeneken; IEC 60268-16:2020 A.5", fmt.Sprintf("%.4f; the formula itself %.5f", heard, most), truth.AtMost(heard, "0.01"))
}

// decaying is a room with a known time in each octave, its noise 50 dB down.
func decaying(s float64) *Room {
	r := &Room{}
	for k, band := range from125() {
		octaveOf([]slope{{1, s}}, band, 0.3+1.1*s, -50, 9, &r.modulation[k])
	}
	return r
}

// The worked example of IEC 60268-16, Annex M, and the tables of Annex A.
func TestSpeechWorkedExample(t *testing.T) {
	rows := reference.Table(t, "reference/sti_annex_m_example.csv")
	names := [octaves]string{"125", "250", "500", "1000", "2000", "4000", "8000"}
	var measured, operational Condition
	measured.Absolute, operational.Absolute = true, true
	var m [octaves][frequencies]float64
	for k, name := range names {
		measured.SpeechDB[k], measured.NoiseDB[k] = rows[0].Number(t, name), rows[1].Number(t, name)
		operational.SpeechDB[k], operational.NoiseDB[k] = rows[2].Number(t, name), rows[3].Number(t, name)
	}
	for k, name := range names {
		for i := range m[k] {
			m[k][i] = rows[4+i].Number(t, name) * operational.factor(k) / measured.factor(k)
		}
	}
	s := transmission(m)
	t.Logf("STI %.4f, MTI %.3f", s.STI, s.MTI)
	if math.Abs(s.STI-rows[19].Number(t, "125")) > 0.005 {
		t.Errorf("STI %.4f, want 0.76", s.STI)
	}
	for k, name := range names {
		if want := rows[18].Number(t, name); math.Abs(s.MTI[k]-want) > 0.00501 {
			t.Errorf("MTI at %s Hz is %.4f, want %g", name, s.MTI[k], want)
		}
	}
	male := MaleSpeech(60)
	for k, row := range reference.Table(t, "reference/sti_iec60268.csv") {
		if alpha[k] != row.Number(t, "alpha_male") || threshold[k] != row.Number(t, "reception_threshold_db") ||
			k < 6 && beta[k] != row.Number(t, "beta_male_to_next") || math.Abs(male[k]-male[2]-row.Number(t, "ed5_spectrum_db_re_500")) > 1e-9 {
			t.Errorf("at %s Hz the table has %v", names[k], row)
		}
	}
}

// Speech that is too quiet, in noise, or so loud that it masks itself, is understood
// worse than the room alone has it.
func TestLevelsOfSpeech(t *testing.T) {
	r := decaying(0.5)
	alone := r.Speech(nil).STI
	at := func(dba, noise float64) float64 {
		c := Condition{SpeechDB: MaleSpeech(dba), Absolute: true}
		for k := range c.NoiseDB {
			c.NoiseDB[k] = noise
		}
		return r.Speech(&c).STI
	}
	quiet, good, loud, noisy := at(20, math.Inf(-1)), at(65, math.Inf(-1)), at(105, math.Inf(-1)), at(65, 55)
	if !(quiet < good && loud < good && noisy < good && good <= alone+1e-9 && good > alone-0.05) {
		t.Errorf("alone %.3f, quiet %.3f, good %.3f, loud %.3f, in noise %.3f", alone, quiet, good, loud, noisy)
	}
}

// A response that does not hold all octaves has no index, and says which are missing.
func TestSpeechNeedsAllOctaves(t *testing.T) {
	r := analyzed(t, signs([]slope{{1, 0.5}}, 0.1, 1, -50, 9), Config{LowHz: 200, HighHz: 6000})
	s := r.Speech(nil)
	if !math.IsNaN(s.STI) || s.Reason != "it needs all octaves from 125 Hz to 8 kHz, 20 dB of decay in each: not so at 125 Hz, 250 Hz, 8 kHz" {
		t.Errorf("%g, %q", s.STI, s.Reason)
	}
	for _, b := range r.Bands {
		if in := b.NominalHz >= 500 && b.NominalHz <= 4000; in == math.IsNaN(b.T20S) || in == (b.Reason == "the response does not cover the whole band") {
			t.Errorf("at %g Hz T20 is %g, %q", b.NominalHz, b.T20S, b.Reason)
		}
	}
}

// The image sources of a rectangular room, as pulses between samples.
func TestReflectionsOfImages(t *testing.T) {
	rows := reference.Table(t, "reference/image_source_example.csv")
	h := make([]float64, rate/4)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range h {
		h[i] = 1e-5 * r.NormFloat64()
	}
	for _, row := range rows {
		at := row.Number(t, "delay_ms") * rate / 1000
		for i := max(0, int(at)-40); i < int(at)+40; i++ {
			x := math.Pi * (float64(i) - at)
			v := row.Number(t, "amplitude") * (1 + math.Cos(x/40)) / 2
			if x != 0 {
				v *= math.Sin(x) / x
			}
			h[i] += v
		}
	}
	found := Reflections(h, rate, 343.2)
	t.Logf("%.3f", found)
	direct := rows[0]
	want := []struct{ delay, level float64 }{}
	for _, i := range []int{1, 2} { // floor and ceiling: the walls beside come within 0.5 ms of each other
		want = append(want, struct{ delay, level float64 }{rows[i].Number(t, "delay_ms"), rows[i].Number(t, "level_db_re_direct")})
	}
	for _, w := range want {
		ok := false
		for _, f := range found {
			behind := w.delay - direct.Number(t, "delay_ms")
			ok = ok || math.Abs(f.DelayMs-behind) < 0.03 && math.Abs(f.LevelDB-w.level) < 0.5 && math.Abs(f.PathM-behind*0.3432) < 0.01
		}
		if !ok {
			t.Errorf("%.3f ms at %.2f dB is not found", w.delay, w.level)
		}
	}
}
