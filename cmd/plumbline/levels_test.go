package main

import (
	"math"
	"strings"
	"testing"
)

// tone is a sine wave of that level re a full-scale one.
func tone(rateHz, frequencyHz, levelDB, seconds float64) []float32 {
	x := make([]float32, int(rateHz*seconds))
	for i := range x {
		x[i] = float32(math.Pow(10, levelDB/20) * math.Sin(2*math.Pi*frequencyHz*float64(i)/rateHz))
	}
	return x
}

const levelKeys = "laeq_db lceq_db lzeq_db lafmax_db lasmax_db lcfmax_db lcsmax_db lae_db lcpeak_db lzpeak_db"

func TestLevelsKeepTheContract(t *testing.T) {
	path := record(t, "levels.wav", 48000, tone(48000, 1000, -20, 20), tone(48000, 100, -30, 20), make([]float32, 20*48000))
	calibrator := record(t, "calibrator.wav", 48000, tone(48000, 1000, -34, 5))
	for _, test := range []struct {
		args     []string
		offsetDB float64
		unit     string
	}{
		{nil, 0, "dB re FS"},
		{[]string{"--calibration", calibrator + "=94.0"}, 128, "dB re 20 uPa"},
		{[]string{"--sensitivity", "120"}, 120, "dB re 20 uPa"},
	} {
		o := decode(t, must(t, append([]string{"levels", path, "--channel", "all", "--json"}, test.args...)...))
		channels := list(t, o, "channels")
		if len(channels) != 3 {
			t.Fatalf("%d channels", len(channels))
		}
		for i, c := range channels {
			hasKeys(t, "a channel", c, "channel unit clipped_samples bands "+levelKeys)
			if c["channel"] != float64(i+1) || c["unit"] != test.unit || c["clipped_samples"] != 0. {
				t.Errorf("channel %v in %v, %v clipped", c["channel"], c["unit"], c["clipped_samples"])
			}
		}
		near := func(channel int, key string, want float64) {
			t.Helper()
			if got, ok := channels[channel][key].(float64); !ok || math.Abs(got-want-test.offsetDB) > 0.06 {
				t.Errorf("channel %d: %s is %v, want %.2f", channel+1, key, channels[channel][key], want+test.offsetDB)
			}
		}
		// IEC 61672-1:2013 Table 3: A(1 kHz) = C(1 kHz) = 0, A(100 Hz) = −19.1, C(100 Hz) = −0.3 dB.
		for key := range strings.FieldsSeq("laeq_db lceq_db lzeq_db lafmax_db lasmax_db lcsmax_db") {
			near(0, key, -20)
		}
		near(0, "lae_db", -20+10*math.Log10(20))
		near(0, "lzpeak_db", -20+20*math.Log10(math.Sqrt2))
		near(1, "lzeq_db", -30)
		near(1, "laeq_db", -30-19.14)
		near(1, "lceq_db", -30-0.30)
		for key := range strings.FieldsSeq(levelKeys) {
			if channels[2][key] != nil {
				t.Errorf("silence has %s %v", key, channels[2][key])
			}
		}
		if channels[2]["reason"] != "the channel is silent" {
			t.Errorf("reason %v", channels[2]["reason"])
		}
		bands := channels[0]["bands"].(object)
		mid, nominal, leq := curve(t, bands, "mid_hz"), curve(t, bands, "nominal_hz"), curve(t, bands, "leq_db")
		if bands["fraction"] != 3. || len(mid) != 32 || len(nominal) != 32 || len(leq) != 32 {
			t.Fatalf("bands %v: %d %d %d", bands["fraction"], len(mid), len(nominal), len(leq))
		}
		if math.Abs(mid[17]-794.32823) > 1e-5 || nominal[17] != 800 || math.Abs(leq[18]+20-test.offsetDB) > 0.06 {
			t.Errorf("band %g Hz (%g): next %g dB", mid[17], nominal[17], leq[18])
		}
	}
	o := decode(t, must(t, "levels", path, "--bands", "1", "--json"))
	if c := list(t, o, "channels"); len(c) != 1 || len(curve(t, c[0]["bands"].(object), "mid_hz")) != 11 {
		t.Errorf("octaves: %v", o)
	}
}

// 100 s at 103 dB against the WHO's 100 dB over 15 min: 22 % of the budget, and
// at this pace 451 − 100 s are left.
func TestLevelsAgainstALimit(t *testing.T) {
	path := record(t, "levels.wav", 48000, tone(48000, 1000, -20, 100))
	o := decode(t, must(t, "levels", path, "--sensitivity", "120", "--limit", "who", "--correction", "3", "--json"))
	e := list(t, o, "channels")[0]["exposure"].(object)
	hasKeys(t, "exposure", e, "limit source limit_db over_s correction_db level_db used_part exceeded pace_db crossed_in_s peak_db peak_exceeded information")
	used := 100 * math.Pow(10, 0.3) / 900
	if got := e["used_part"].(float64); math.Abs(got-used) > 0.002 || e["exceeded"] != false || e["correction_db"] != 3. {
		t.Errorf("%v, want %.4f used", e, used)
	}
	if got, want := e["crossed_in_s"].(float64), 900/math.Pow(10, 0.3)-100; math.Abs(got-want) > 1.5 {
		t.Errorf("crossed in %g s, want %.1f", got, want)
	}
	table := must(t, "levels", path, "--sensitivity", "120", "--limit", "who", "--correction", "3")
	golden(t, "levels.txt", strings.ReplaceAll(table, path, "levels.wav"))
}

func TestLevelsThatCannotBeMeasured(t *testing.T) {
	good := record(t, "good.wav", 48000, tone(48000, 1000, -20, 3))
	quiet := record(t, "quiet.wav", 48000, make([]float32, 5*48000))
	slow := record(t, "slow.wav", 16000, tone(16000, 1000, -20, 3))
	clipped := tone(48000, 1000, 6, 5)
	for i := range clipped {
		clipped[i] = min(max(clipped[i], -1), 1)
	}
	hot := record(t, "hot.wav", 48000, clipped)
	for args, want := range map[string]struct {
		code int
		text string
	}{
		"levels nowhere.wav":                                                  {exitBadInput, "nowhere.wav"},
		"levels " + slow:                                                      {exitBadInput, "resample"},
		"levels " + good + " --channel 2":                                     {exitBadInput, "no channel 2"},
		"levels " + good + " --channel one":                                   {exitUsage, "channel numbers"},
		"levels " + good + " --channel 1,1":                                   {exitUsage, "twice"},
		"levels " + good + " --bands 2":                                       {exitUsage, "1 or 3"},
		"levels " + good + " --calibration " + good:                           {exitUsage, "CAL.wav=LEVEL"},
		"levels " + good + " --calibration " + good + "=loud":                 {exitUsage, "CAL.wav=LEVEL"},
		"levels " + good + " --calibration " + good + "=9":                    {exitBadInput, "printed on it"},
		"levels " + good + " --calibration " + quiet + "=94":                  {exitBadInput, "silent"},
		"levels " + good + " --calibration " + hot + "=94":                    {exitBadInput, "clips"},
		"levels " + good + " --calibration nowhere.wav=94":                    {exitBadInput, "nowhere.wav"},
		"levels " + good + " --calibration " + good + "=94 --sensitivity 120": {exitUsage, "one of them"},
		"levels " + good + " --limit who":                                     {exitUsage, "--calibration or --sensitivity"},
		"levels " + good + " --limit mine --sensitivity 120":                  {exitUsage, "mine"},
		"levels " + good + " --sensitivity NaN":                               {exitUsage, "--sensitivity"},
		"levels " + good + " --limit who --sensitivity 120 --correction 90":   {exitUsage, "--correction"},
		"levels": {exitUsage, "one WAV file"},
	} {
		o := plumbline(t, strings.Fields(args)...)
		if o.code != want.code || o.stdout != "" || !oneLineWith(o.stderr, want.text) {
			t.Errorf("%s: exit status %d, stderr %q, want %d and %q", args, o.code, o.stderr, want.code, want.text)
		}
	}
	if o := decode(t, must(t, "levels", hot, "--json")); list(t, o, "channels")[0]["clipped_samples"].(float64) < 1000 {
		t.Errorf("clipping is not counted: %v", o)
	}
}

// What a recording is too short for is blank with the reason, never a number
// that the filters have not come to yet.
func TestLevelsOfShortRecordings(t *testing.T) {
	for _, c := range []struct {
		seconds         float64
		null, known     string
		reason, ofBands string // "": none
	}{
		{0.0002, "laeq_db lceq_db lafmax_db lasmax_db lcfmax_db lcsmax_db lae_db lcpeak_db l50_db", "lzeq_db lzpeak_db",
			"0.000208 s are too short: A and C need 0.05 s, F needs 0.375 s, S needs 3 s", "up to 20000 Hz"},
		{0.1, "lafmax_db lasmax_db lcfmax_db lcsmax_db l50_db", "laeq_db lceq_db lae_db lcpeak_db",
			"0.1 s are too short: F needs 0.375 s, S needs 3 s", "up to 400 Hz"},
		{1, "lasmax_db lcsmax_db", "laeq_db lafmax_db l50_db", "1 s are too short: S needs 3 s", "up to 40 Hz"},
		{3.5, "", "laeq_db lafmax_db lasmax_db l50_db", "", ""},
	} {
		path := record(t, "short.wav", 48000, noise(3, int(math.Round(c.seconds*48000)), 0.1))
		o := list(t, decode(t, must(t, "levels", path, "--json")), "channels")[0]
		for key := range strings.FieldsSeq(c.null) {
			if o[key] != nil {
				t.Errorf("%g s: %s is %v", c.seconds, key, o[key])
			}
		}
		for key := range strings.FieldsSeq(c.known) {
			if o[key] == nil {
				t.Errorf("%g s: %s is null", c.seconds, key)
			}
		}
		bands := o["bands"].(object)
		for key, pair := range map[string][2]any{"reason": {o["reason"], c.reason}, "bands.reason": {bands["reason"], c.ofBands}} {
			got, _ := pair[0].(string)
			if want := pair[1].(string); (got == "") != (want == "") || !strings.Contains(got, want) {
				t.Errorf("%g s: %s %q, want %q", c.seconds, key, got, want)
			}
		}
		for i, db := range curve(t, bands, "leq_db") {
			if db < -120 {
				t.Errorf("%g s: band %d has %.0f dB", c.seconds, i, db)
			}
		}
		if table := must(t, "levels", path); strings.Contains(table, "Blank") != (c.reason != "" || c.ofBands != "") {
			t.Errorf("%g s: %s", c.seconds, table)
		}
	}
}
