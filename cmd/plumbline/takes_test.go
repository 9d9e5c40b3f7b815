package main

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// seatRecordings are A alone, B alone (early by 355 samples, reversed, 3 dB
// quieter) and both at one seat, with a reflection of each.
func seatRecordings(t *testing.T, seed uint64, early int) (a, b, both string) {
	const n = 20 * 48000
	alone := func(x []float32, samples int, gain float32) []float32 {
		return late(x, samples, gain, late(x, samples+431, 0.3*gain, noise(seed+7, n, 0.003)))
	}
	add := func(x, y []float32) []float32 {
		z := slices.Clone(x)
		for i := range z {
			z[i] += y[i]
		}
		return z
	}
	x, y, z := noise(seed, n, 0.1), noise(seed+1, n, 0.1), noise(seed+2, n, 0.1)
	a = record(t, "a.wav", 48000, x, alone(x, 1200, 0.4))
	b = record(t, "b.wav", 48000, y, alone(y, 1200-early, -0.2832))
	both = record(t, "both.wav", 48000, z, add(alone(z, 1200, 0.4), alone(z, 1200-early, -0.2832)))
	return a, b, both
}

func TestSumKeepsTheContract(t *testing.T) {
	a, b, both := seatRecordings(t, 1, 355)
	for _, measured := range []bool{true, false} {
		args := []string{"sum", a, b, both, "--band", "63:8000", "--json"}
		if !measured {
			args = slices.Delete(args, 3, 4)
		}
		o := decode(t, must(t, args...))
		hasKeys(t, "the sum", o, "band_hz level_a_db level_b_db level_both_db gain_over_louder_db ideal_gain_db offset_ms polarity ledger")
		if band := curve(t, o, "band_hz"); !slices.Equal(band, []float64{63, 8000}) {
			t.Errorf("band %v", band)
		}
		number := func(key string) float64 { return o[key].(float64) }
		if d := number("level_a_db") - number("level_b_db"); math.Abs(d-3) > 0.05 {
			t.Errorf("levels are %.3f dB apart, want 3", d)
		}
		if want := -355 / 48.; math.Abs(number("offset_ms")-want) > 0.001 || o["polarity"] != "opposite" {
			t.Errorf("offset %v ms, polarity %v, want %.4f, opposite", o["offset_ms"], o["polarity"], want)
		}
		sum := number("ideal_gain_db")
		var causes []string
		for _, row := range list(t, o, "ledger") {
			hasKeys(t, "a row", row, "cause change_db low_db high_db sentence")
			causes = append(causes, row["cause"].(string))
			change := row["change_db"].(float64)
			sum += change
			if row["low_db"].(float64) > change+1e-12 || row["high_db"].(float64) < change-1e-12 {
				t.Errorf("row %v lies outside its interval", row)
			}
			if s := row["sentence"].(string); len(s) < 10 || strings.Count(s, ".") > 3 {
				t.Errorf("sentence %q", s)
			}
			switch row["cause"] {
			case "level": // 20 lg((1 + 0.708)/2)
				if math.Abs(change+1.371) > 0.05 {
					t.Errorf("level costs %.3f dB, want 1.371", -change)
				}
			case "rest":
				if measured && math.Abs(change) > 0.1 || !measured && change != 0 {
					t.Errorf("the rest is %g dB", change)
				}
			}
		}
		if got := strings.Join(causes, " "); got != "level spectrum phase time polarity rest" {
			t.Errorf("rows are %s", got)
		}
		if math.Abs(sum-number("gain_over_louder_db")) > 1e-9 {
			t.Errorf("the ledger adds up to %.12f dB, the gain is %.12f dB", sum, number("gain_over_louder_db"))
		}
		if d := number("level_both_db") - max(number("level_a_db"), number("level_b_db")); math.Abs(d-number("gain_over_louder_db")) > 1e-9 {
			t.Errorf("both is %.9f dB over the louder, the gain is %v", d, o["gain_over_louder_db"])
		}
	}
}

func TestAlignKeepsTheContract(t *testing.T) {
	a1, b1, _ := seatRecordings(t, 1, 355)
	a2, b2, _ := seatRecordings(t, 11, 360)
	for _, aim := range []string{"mean", "worst"} {
		o := decode(t, must(t, "align", "--pair", a1+","+b1, "--pair", a2+","+b2, "--aim", aim, "--json", "--temperature", "20"))
		hasKeys(t, "the plan", o, "band_hz aim plan runner_up efficiency_db flatness_ms seats")
		plan := o["plan"].(object)
		for _, p := range []object{plan, o["runner_up"].(object)} {
			hasKeys(t, "a plan", p, "wait delay_ms distance_m polarity_b gain_b_db")
		}
		ms := plan["delay_ms"].(float64)
		if plan["wait"] != "B" || ms < 7.38 || ms > 7.51 || plan["polarity_b"] != "opposite" || plan["gain_b_db"] != 0. || o["aim"] != aim {
			t.Errorf("aim %s: %v, want B to wait 355 to 360 samples, turned", aim, plan)
		}
		if m := plan["distance_m"].(float64); math.Abs(m-ms/1000*343.2) > 1e-3 { // ISO 9613-1 at 20 °C
			t.Errorf("%.4f m for %.4f ms", m, ms)
		}
		efficiency := o["efficiency_db"].(object)
		today, planned, second := efficiency["today"].(float64), efficiency["plan"].(float64), efficiency["runner_up"].(float64)
		if !(today < second && second < planned && planned <= 0) || planned < -3.5 {
			t.Errorf("efficiencies %v", efficiency)
		}
		seats := list(t, o, "seats")
		if len(seats) != 2 {
			t.Fatalf("%d seats", len(seats))
		}
		for i, want := range []float64{-355 / 48., -360 / 48.} {
			hasKeys(t, "a seat", seats[i], "seat today_db plan_db offset_ms")
			if seats[i]["seat"] != float64(i+1) || math.Abs(seats[i]["offset_ms"].(float64)-want) > 0.002 {
				t.Errorf("seat %v, want an offset of %.4f ms", seats[i], want)
			}
		}
	}
}

func TestTablesOfSumAndAlign(t *testing.T) {
	a, b, both := seatRecordings(t, 1, 355)
	clean := strings.NewReplacer(a, "a.wav", b, "b.wav", both, "both.wav").Replace
	golden(t, "sum.txt", clean(must(t, "sum", a, b, both)))
	golden(t, "align.txt", clean(must(t, "align", "--pair", a+","+b)))
}

func TestTakesThatCannotBeCompared(t *testing.T) {
	const n = 48000
	x := noise(1, n, 0.1)
	good := record(t, "good.wav", 48000, x, late(x, 100, 0.5, nil))
	twin := record(t, "twin.wav", 48000, x, late(x, 100, 0.5, nil))
	fast := record(t, "fast.wav", 96000, x, late(x, 100, 0.5, nil))
	three := record(t, "three.wav", 48000, x, x, x)
	silent := record(t, "silent.wav", 48000, x, make([]float32, n))
	other := record(t, "other.wav", 48000, x, noise(3, n, 0.1))
	short := record(t, "short.wav", 48000, x[:200], x[:200])
	for args, want := range map[string]struct {
		code int
		text string
	}{
		"sum " + good + " " + fast:                         {exitBadInput, "one sample rate"},
		"sum " + good + " " + silent:                       {exitBadInput, "Nothing from the microphone on channel 2"},
		"sum " + good + " " + other:                        {exitBadInput, "play louder"},
		"sum " + good + " " + three:                        {exitUsage, "choose one with --mic"},
		"sum " + good + " " + short:                        {exitBadInput, "record longer"},
		"sum " + good + " nowhere.wav":                     {exitBadInput, "nowhere.wav"},
		"sum " + good:                                      {exitUsage, "two or three WAV files"},
		"sum " + good + " " + good + " --band 9":           {exitUsage, "LOW:HIGH"},
		"sum " + good + " " + good + " --band 900:90":      {exitUsage, "LOW:HIGH"},
		"sum " + good + " " + good + " --window 1000":      {exitUsage, "power of two"},
		"sum " + good + " " + good + " --band 23000:24000": {exitDone, ""},
		"align":                {exitUsage, "--pair A.wav,B.wav"},
		"align --pair " + good: {exitUsage, "two files"},
		"align --pair " + good + "," + twin + " --aim high":          {exitUsage, "mean or worst"},
		"align --pair " + good + "," + twin + " --range 0":           {exitUsage, "--range"},
		"align --pair " + good + "," + silent:                        {exitBadInput, "Nothing from the microphone on channel 2"},
		"align --window 1024 --range 50 --pair " + good + "," + twin: {exitBadInput, "longer window"},
		"align --band 10:20 --pair " + good + "," + twin:             {exitBadInput, "another band"},
		"align --pair " + good + "," + good:                          {exitBadInput, "both A and B"},
		"align --range 5 --window 4096 --pair " + good + "," + twin:  {exitDone, ""},
	} {
		o := plumbline(t, strings.Fields(args)...)
		if o.code != want.code || want.text != "" && !oneLineWith(o.stderr, want.text) || want.code != exitDone && o.stdout != "" {
			t.Errorf("%s: exit status %d, stderr %q, want %d and %q", args, o.code, o.stderr, want.code, want.text)
		}
	}
}
