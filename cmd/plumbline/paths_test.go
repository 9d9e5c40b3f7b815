package main

import (
	"math"
	"strings"
	"testing"

	"plumbline/analyze/fft"
	"plumbline/cmd/plumbline/raced"
)

const pathsScene = `
name = "two"
[room]
size_m = [14, 10, 5]
reflections = 2
[programme]
each = "stereo"
alike = 0.9
[noise]
level_dbfs = -70
[[loudspeaker]]
name = "main"
position_m = [1, 3, 3]
low_hz = 60
[[loudspeaker]]
name = "fill"
position_m = [1.5, 6, 1]
polarity = "opposite"
delay_ms = 3
[[microphone]]
name = "seat"
position_m = [8, 6, 1.2]
`

// pathOf is what was told of one reference at the first microphone.
func pathOf(t *testing.T, o object, p int) object {
	t.Helper()
	return list(t, list(t, o, "microphones")[0], "paths")[p]
}

// Two loudspeakers that play a stereo programme, 90 % alike: each path is what the
// loudspeaker is by itself, within its interval, at its delay and polarity.
func TestPathsWhileBothPlay(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	inFolder(t, map[string][]byte{"two.toml": []byte(pathsScene)})
	must(t, strings.Fields("rig render two.toml both.wav --seconds 12")...)
	both := decode(t, must(t, strings.Fields("response both.wav --ref 1,2 --json")...))
	arrivals := decode(t, must(t, strings.Fields("arrivals both.wav --ref 1,2 --max 1 --json")...))
	for p, want := range []string{"same", "opposite"} {
		must(t, "rig", "render", "two.toml", "solo.wav", "--seconds", "8", "--each=", "--play", string(rune('A'+p)))
		solo := list(t, decode(t, must(t, "response", "solo.wav", "--json")), "microphones")[0]
		path := pathOf(t, both, p)
		hasKeys(t, "path", path, "reference alike delay_ms delay_sd_ms reason cautions polarity "+responseCurves)
		if path["reference"].(float64) != float64(p+1) || len(path["alike"].([]any)) > 0 || len(path["cautions"].([]any)) > 0 {
			t.Errorf("reference %d: %v, %v, %v", p+1, path["reference"], path["alike"], path["cautions"])
		}
		first := list(t, pathOf(t, arrivals, p), "arrivals")[0]
		if got := first["polarity"]; got != want {
			t.Errorf("reference %d: polarity %v, want %s", p+1, got, want)
		}
		if got := path["polarity"].(object)["verdict"]; got != want && got != "undecided" { // five arrivals may blur it
			t.Errorf("reference %d: polarity %v with five arrivals, want %s", p+1, got, want)
		}
		for name, ms := range map[string]any{"response": path["delay_ms"], "arrivals": first["delay_ms"]} {
			if off := math.Abs(ms.(float64) - solo["delay_ms"].(float64)); !(off <= 0.1) {
				t.Errorf("reference %d, %s: delay off by %.3f ms", p+1, name, off)
			}
		}
		hz, db, low, high := curve(t, path, "frequency_hz"), curve(t, path, "magnitude_db"), curve(t, path, "magnitude_low_db"), curve(t, path, "magnitude_high_db")
		alone, below, above := curve(t, solo, "magnitude_db"), curve(t, solo, "magnitude_low_db"), curve(t, solo, "magnitude_high_db")
		points, within := 0, 0
		for k, f := range hz {
			if f < 80 || f > 14000 || math.IsNaN(db[k]) {
				continue
			}
			points++
			if low[k] <= above[k] && below[k] <= high[k] && !math.IsNaN(alone[k]) {
				within++
			}
		}
		if points < 340 || within < points*93/100 {
			t.Errorf("reference %d: of %d points %d hold what the loudspeaker is by itself", p+1, points, within)
		}
		t.Logf("reference %d: delay %.4f ms, alone %.4f ms; %d of %d points within", p+1, path["delay_ms"], solo["delay_ms"], within, points)
	}
	multiple := curve(t, list(t, both, "microphones")[0], "multiple_coherence")
	if n := len(curve(t, pathOf(t, both, 0), "frequency_hz")); len(multiple) != n || !(multiple[n/2] > 0.9) {
		t.Errorf("multiple coherence: %d points of %d, %.3f in the middle", len(multiple), n, multiple[n/2])
	}
	text := must(t, strings.Fields("response both.wav --ref 1,2")...)
	if !strings.Contains(text, "Reference 2 at channel 3: ") || !strings.Contains(text, "The microphone hears reference 1 after ") {
		t.Errorf("said:\n%.600s", text)
	}
	if text := must(t, strings.Fields("arrivals both.wav --ref 1,2 --max 1")...); strings.Count(text, "  Reference ") != 2 {
		t.Errorf("said:\n%s", text)
	}
}

// split is x below and above an edge.
func split(x []float32, edgeHz float64) (below, above []float32) {
	n := len(x)
	plan, in := fft.NewReal(n), make([]float64, n)
	for i, v := range x {
		in[i] = float64(v)
	}
	spectrum := plan.Forward(make([]complex128, n/2+1), in)
	clear(spectrum[int(edgeHz*float64(n)/48000):])
	plan.Inverse(in, spectrum)
	below, above = make([]float32, n), make([]float32, n)
	for i, v := range x {
		below[i] = float32(in[i])
		above[i] = v - below[i]
	}
	return below, above
}

// References that are the same in the bass, as of most music, but for what the edge lets through, are told apart above, and it
// is said that nothing can below.
func TestAlikeBelow(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	const n, edgeHz = 1 << 19, 200
	bass, _ := split(noise(1, n, 0.1), edgeHz)
	refs := make([][]float32, 2)
	for p := range refs {
		_, refs[p] = split(noise(uint64(2+p), n, 0.1), edgeHz)
		for i, v := range bass {
			refs[p][i] += v
		}
	}
	mic := late(refs[0], 480, 0.5, late(refs[1], 900, -0.4, noise(5, n, 0.001)))
	file := record(t, "bass.wav", 48000, refs[0], refs[1], mic)
	o := decode(t, must(t, "response", file, "--ref", "1,2", "--json"))
	const want = "References 1 and 2 are 99 % alike below 200 Hz: nothing can tell them apart there. Pan them apart for ten seconds or play the test signal."
	said := list(t, list(t, o, "microphones")[0], "cautions")
	if len(said) != 1 || said[0]["code"] != "alike" || said[0]["text"] != want {
		t.Errorf("said %v, want %q once", said, want)
	}
	for p, ms := range []float64{10, 18.75} {
		path := pathOf(t, o, p)
		if got := path["delay_ms"].(float64); math.Abs(got-ms) > 0.1 {
			t.Errorf("reference %d: %.3f ms, want %.3f ms", p+1, got, ms)
		}
		if path["reason"] != want {
			t.Errorf("reference %d: reason %v", p+1, path["reason"])
		}
		hz, db := curve(t, path, "frequency_hz"), curve(t, path, "magnitude_db")
		for k, f := range hz {
			if unknown := math.IsNaN(db[k]); f < 180 && !unknown || f > 225 && f < 20000 && unknown {
				t.Errorf("reference %d at %.0f Hz: %.2f dB", p+1, f, db[k])
			}
		}
		bands := list(t, path, "alike")
		if len(bands) != 1 || math.Abs(bands[0]["high_hz"].(float64)-edgeHz) > 20 || bands[0]["part"].(float64) < 0.98 {
			t.Errorf("reference %d: alike in %v", p+1, bands)
		}
	}
}

// References that are the same tell nothing, and no number is made up.
func TestTheSameReferences(t *testing.T) {
	inFolder(t, map[string][]byte{"two.toml": []byte(pathsScene)})
	must(t, strings.Fields("rig render two.toml same.wav --seconds 4 --each same")...)
	for _, flags := range []string{"", " --delay 0", " --delay 30 --window 4096"} {
		o := decode(t, must(t, strings.Fields("response same.wav --ref 1,2 --json"+flags)...))
		for p := range 2 {
			path := pathOf(t, o, p)
			for k, db := range curve(t, path, "magnitude_db") {
				if f := path["frequency_hz"].([]any)[k].(float64); f > 40 && !math.IsNaN(db) {
					t.Fatalf("%q: reference %d has %.2f dB at %.0f Hz", flags, p+1, db, f)
				}
			}
			if why, _ := path["reason"].(string); why == "" {
				t.Errorf("%q: no reason for reference %d", flags, p+1)
			}
		}
	}
}

func TestRefusesReferences(t *testing.T) {
	file := record(t, "take.wav", 48000, noise(1, 48000, 0.1), noise(2, 48000, 0.1), noise(3, 48000, 0.1))
	for args, want := range map[string]string{
		"response FILE --ref 1,1":                    "twice",
		"response FILE --ref 1,two":                  "--ref wants channel numbers such as 1 or 1,2",
		"response FILE --ref 1,2,3":                  "leave one for a microphone",
		"response FILE --ref 1,4":                    "--ref wants one of the channels 1 to 3, not 4",
		"response FILE --ref 1,2 --mic 2":            "--mic wants",
		"response FILE --ref 1,2,3,4,5,6,7,8,9":      "at most 8",
		"response FILE --ref 1,2 --until 1:100:8000": "--until works with one reference",
		"arrivals FILE --ref 1,2 --mic 1":            "--mic wants",
		"sum FILE FILE --ref 1,2":                    "--ref wants one channel here",
		"rig render demo out.wav --each two":         "--each wants own, stereo or same",
		"rig render demo out.wav --alike 2":          "--alike wants 0 to 1",
	} {
		o := plumbline(t, strings.Fields(strings.ReplaceAll(args, "FILE", file))...)
		if o.code == exitDone || !strings.Contains(o.stderr, want) || strings.Count(o.stderr, "\n") != 1 {
			t.Errorf("%s: exit status %d, %q, want one line with %q", args, o.code, o.stderr, want)
		}
	}
}

// A loudspeaker that is off, or muted, is named by its reference; the other's path is told.
func TestReferenceThatIsNotHeard(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	inFolder(t, map[string][]byte{"two.toml": []byte(pathsScene)})
	must(t, strings.Fields("rig render two.toml main.wav --seconds 6 --each own --play A")...)
	o := decode(t, must(t, strings.Fields("response main.wav --ref 1,2 --json")...))
	if got := list(t, o, "microphones")[0]["headline"]; got != "Reference 2 is not heard by the microphone on channel 3." {
		t.Errorf("it says %q", got)
	}
	if c := list(t, pathOf(t, o, 1), "cautions"); len(c) != 1 || c[0]["code"] != "no_delay" {
		t.Errorf("reference 2: %v", c)
	}
	if main := pathOf(t, o, 0); main["delay_ms"] == nil || len(main["cautions"].([]any)) > 0 {
		t.Errorf("reference 1: %v, %v", main["delay_ms"], main["cautions"])
	}
}
