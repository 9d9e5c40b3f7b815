package main

import (
	"math"
	"slices"
	"strings"
	"testing"

	"plumbline/stream/wire"
)

// spoilt are recordings of one seat, a loudspeaker 700 samples (14.6 ms) away with
// a reflection, each spoilt in one way; of 8 s.
func spoilt(t *testing.T, names ...string) map[string]string {
	t.Helper()
	const n = 8 * 48000
	x := noise(1, n, 0.1)
	y := late(x, 700, 0.5, late(x, 1131, 0.2, noise(2, n, 0.003)))
	silent := make([]float32, n)
	zero := func(x []float32, from, to int) []float32 {
		x = slices.Clone(x)
		clear(x[from:to])
		return x
	}
	hot := slices.Clone(y)
	for i := range hot {
		hot[i] = min(1, max(-1, 20*hot[i]))
	}
	far := late(x, 3000, 0.5, noise(2, n, 0.003))
	files := map[string]string{}
	for name, channels := range map[string][2][]float32{
		"clean": {x, y}, "swapped": {y, x}, "swapped far": {far, x}, "dead mic": {x, silent}, "dead ref": {silent, y},
		"dies": {x, zero(y, n/2, n)}, "off": {x, zero(y, n/8, n-n/8)}, "pulled": {zero(x, n/2, n), y},
		"clips": {x, hot}, "lost": {x, zero(zero(y, 100000, 100512), 200000, 200512)},
		"unlike": {x, noise(9, n, 0.1)},
	} {
		if len(names) > 0 && !slices.Contains(names, name) {
			continue
		}
		files[name] = record(t, strings.ReplaceAll(name, " ", "_")+".wav", 48000, channels[0], channels[1])
	}
	return files
}

// What is wrong with a take is the first thing that is said, by all commands, and
// nothing is claimed that cannot be known then.
func TestWhatIsWrongWithATake(t *testing.T) {
	files := spoilt(t)
	for name, want := range map[string]struct {
		codes, words string
		ms           float64 // the delay; NaN: none
		polarity     string
	}{
		"clean":       {"", "", 700. / 48, "same"},
		"swapped":     {"swapped", "hears the sound 14.58 ms before the reference: the channels are swapped, or something delays the reference. Use --ref 2 --mic 1", -700. / 48, "undecided"},
		"swapped far": {"swapped", "hears the sound 62.50 ms before the reference: the channels are swapped", -3000. / 48, "undecided"},
		"dead mic":    {"silent_microphone", "Nothing from the microphone on channel 2. Is the microphone plugged in", math.NaN(), "undecided"},
		"dead ref":    {"silent_reference", "Nothing on the reference channel. Is the signal on, is channel 1 the right one?", math.NaN(), "undecided"},
		"dies":        {"silent_microphone", "Nothing from the microphone on channel 2 from 4.0 s on, while the reference plays. Is its cable loose, or was it muted? Used is 0.0 s to 3.9 s.", 700. / 48, "same"},
		"off":         {"silent_microphone", "from 1.0 s to 7.0 s, while the reference plays. Is its cable loose, or was it muted? Too little is left to measure.", math.NaN(), "undecided"},
		"pulled":      {"silent_reference", "Nothing on the reference channel from 4.0 s on, while the microphone on channel 2 goes on as loud.", 700. / 48, "same"},
		"clips":       {"clipped", "The microphone on channel 2 clips (", 700. / 48, "same"},
		"lost":        {"lost_samples", "exactly zero 2 times, 21.3 ms in all, first at 2.1 s", 700. / 48, "same"},
		"unlike":      {"no_delay", "No delay found for the microphone on channel 2: ", math.NaN(), "undecided"},
	} {
		t.Run(name, func(t *testing.T) {
			said := map[string]string{}
			for _, command := range []string{"response", "arrivals"} {
				m := list(t, decode(t, must(t, command, files[name], "--json")), "microphones")[0]
				var codes []string
				for _, c := range list(t, m, "cautions") {
					codes = append(codes, c["code"].(string))
					said[command] += c["text"].(string)
				}
				if got := strings.Join(codes, " "); got != want.codes || !strings.Contains(said[command], want.words) {
					t.Errorf("%s says %q, %s; want %q, %s", command, got, said[command], want.codes, want.words)
				}
				if command == "arrivals" {
					at := list(t, m, "arrivals")
					switch {
					case math.IsNaN(want.ms):
						if len(at) > 0 {
							t.Errorf("arrivals %v", at)
						}
					case len(at) == 0 || math.Abs(at[0]["delay_ms"].(float64)-want.ms) > 0.002 || at[0]["polarity"] != want.polarity:
						t.Errorf("arrivals %v, want one at %.3f ms, %s", at, want.ms, want.polarity)
					}
					continue
				}
				if table := must(t, command, files[name]); !(strings.Index(table, said[command]) < strings.Index(table, "  delay ")) {
					t.Errorf("%s says it too late:\n%s", command, table)
				}
				if got := m["polarity"].(object)["verdict"]; got != want.polarity {
					t.Errorf("polarity %v, want %s", got, want.polarity)
				}
				curve := curve(t, m, "magnitude_db")
				known := slices.ContainsFunc(curve, func(db float64) bool { return !math.IsNaN(db) })
				if math.IsNaN(want.ms) {
					if m["delay_ms"] != nil || known {
						t.Errorf("delay %v, curve %v: want neither", m["delay_ms"], known)
					}
				} else if ms, ok := m["delay_ms"].(float64); !ok || math.Abs(ms-want.ms) > 0.002 || !known {
					t.Errorf("delay %v, want %.3f ms", m["delay_ms"], want.ms)
				}
			}
			if said["response"] != said["arrivals"] {
				t.Errorf("response  %s\narrivals  %s", said["response"], said["arrivals"])
			}
		})
	}
}

// A microphone that dies half way is measured in the good half: the level is that
// of the clean recording and not 6 dB under it, sure.
func TestDeadHalfIsLeftOut(t *testing.T) {
	files := spoilt(t, "clean", "dies", "pulled")
	level := func(name string) (db, low, high float64) {
		m := list(t, decode(t, must(t, "response", files[name], "--json")), "microphones")[0]
		hz := curve(t, m, "frequency_hz")
		k := slices.IndexFunc(hz, func(f float64) bool { return f >= 5000 })
		return curve(t, m, "magnitude_db")[k], curve(t, m, "magnitude_low_db")[k], curve(t, m, "magnitude_high_db")[k]
	}
	clean, _, _ := level("clean")
	for _, name := range []string{"dies", "pulled"} {
		if db, low, high := level(name); !(low-0.1 < clean && clean < high+0.1) {
			t.Errorf("%s: %.2f dB (%.2f … %.2f) at 5 kHz, the clean one has %.2f", name, db, low, high, clean)
		}
	}
	o := decode(t, must(t, "sum", files["clean"], files["dies"], "--json"))
	if gain := o["gain_over_louder_db"].(float64); math.Abs(gain-6.02) > 0.1 {
		t.Errorf("a take and its dying twin gain %.2f dB, want 6.02", gain)
	}
}

// sum and align say which file, and since when; of what is the wrong way round or
// dead they tell nothing.
func TestTakesWithSomethingWrong(t *testing.T) {
	files := spoilt(t)
	for name, want := range map[string]string{
		"swapped":  "hears the sound 14.58 ms before the reference",
		"dead mic": "Nothing from the microphone on channel 2.",
		"dead ref": "Nothing on the reference channel.",
		"off":      "from 1.0 s to 7.0 s",
	} {
		for _, args := range [][]string{{"sum", files["clean"], files[name]}, {"align", "--pair", files[name] + "," + files["clean"]}} {
			refused(t, plumbline(t, args...), files[name]+": ", want)
		}
	}
	refused(t, plumbline(t, "sum", files["clean"], files["lost"], files["swapped"]), files["swapped"]+": ", "before the reference")
	for name, want := range map[string]string{"dies": "silent_microphone", "pulled": "silent_reference", "clips": "clipped", "lost": "lost_samples"} {
		for _, args := range [][]string{{"sum", files["clean"], files[name]}, {"align", "--window", "16384", "--pair", files["clean"] + "," + files[name]}} {
			if name == "clips" {
				args = append(args, "--band", "100:10000") // 20 times as loud: without it they share no band
			}
			c := list(t, decode(t, must(t, append(args, "--json")...)), "cautions")
			if len(c) != 1 || c[0]["code"] != want || c[0]["file"] != files[name] {
				t.Errorf("%s: %v, want %s", args, c, want)
			}
			if table := must(t, args...); !strings.HasPrefix(table, "▲ "+files[name]+": ") {
				t.Errorf("%s begins with %.80s", args, table)
			}
		}
	}
}

// The page says the same of a source whose channels are swapped, first and with
// the next step, and claims no polarity.
func TestPagesNameSwappedChannels(t *testing.T) {
	d := start(t, "serve", "--file", spoilt(t, "swapped")["swapped"], "--loop", "--listen", "127.0.0.1:0")
	o := d.until(t, "the swapped channels to be named", func(o wire.Object) bool {
		return strings.Contains(o.Verdict, "the channels are swapped")
	})
	if !strings.HasPrefix(o.Verdict, "The microphone on channel 2 hears the sound ") {
		t.Error(o.Verdict)
	}
	m := o.Microphones[0]
	if len(m.Cautions) != 1 || m.Cautions[0].Code != "swapped" || m.Cautions[0].Text != o.Verdict || m.Polarity.Verdict != "undecided" {
		t.Errorf("cautions %v, polarity %v", m.Cautions, m.Polarity)
	}
}
