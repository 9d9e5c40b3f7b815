package main

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
)

// object is a decoded JSON object. Numbers are float64, null is nil.
type object = map[string]any

func decode(t *testing.T, text string) object {
	t.Helper()
	if strings.Count(text, "\n") != 1 {
		t.Errorf("not one object on one line: %d lines", strings.Count(text, "\n"))
	}
	var o object
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		t.Fatalf("%v in %.200q", err, text)
	}
	return o
}

// hasKeys wants every key to be there, null or not.
func hasKeys(t *testing.T, what string, o object, keys string) {
	t.Helper()
	for _, key := range strings.Fields(keys) {
		if _, ok := o[key]; !ok {
			t.Errorf("%s has no key %q", what, key)
		}
	}
}

func list(t *testing.T, o object, key string) []object {
	t.Helper()
	items, ok := o[key].([]any)
	if !ok {
		t.Fatalf("%q is no array but %T", key, o[key])
	}
	out := make([]object, len(items))
	for i := range items {
		out[i] = items[i].(object)
	}
	return out
}

// curve is an array of numbers; null is NaN.
func curve(t *testing.T, o object, key string) []float64 {
	t.Helper()
	items, ok := o[key].([]any)
	if !ok {
		t.Fatalf("%q is no array but %T", key, o[key])
	}
	out := make([]float64, len(items))
	for i, item := range items {
		out[i] = math.NaN()
		if x, ok := item.(float64); ok {
			out[i] = x
		}
	}
	return out
}

const responseCurves = "frequency_hz magnitude_db magnitude_low_db magnitude_high_db phase_deg phase_error_deg coherence threshold effective_averages"

// checkResponse wants what the contract promises of one microphone's response.
func checkResponse(t *testing.T, m object) {
	t.Helper()
	hasKeys(t, "a microphone", m, "channel delay_ms delay_sd_ms reason cautions polarity "+responseCurves)
	hasKeys(t, "polarity", m["polarity"].(object), "verdict confidence reason")
	if v := m["polarity"].(object)["verdict"].(string); !slices.Contains([]string{"same", "opposite", "undecided"}, v) {
		t.Errorf("polarity is %q", v)
	}
	if (m["delay_ms"] == nil) != (m["reason"] != nil) {
		t.Errorf("delay %v beside reason %v: one of them must be null", m["delay_ms"], m["reason"])
	}
	hz := curve(t, m, "frequency_hz")
	if len(hz) == 0 || slices.ContainsFunc(hz, math.IsNaN) || !slices.IsSorted(hz) || len(slices.Compact(slices.Clone(hz))) != len(hz) {
		t.Errorf("frequencies do not ascend: %.100v", hz)
	}
	for key := range strings.FieldsSeq(responseCurves) {
		if n := len(curve(t, m, key)); n != len(hz) {
			t.Errorf("%s has %d points, frequency_hz has %d", key, n, len(hz))
		}
	}
	low, mid, high := curve(t, m, "magnitude_low_db"), curve(t, m, "magnitude_db"), curve(t, m, "magnitude_high_db")
	phase, coherence := curve(t, m, "phase_deg"), curve(t, m, "coherence")
	for k := range hz {
		if low[k] > mid[k] || mid[k] > high[k] {
			t.Fatalf("at %g Hz the interval is %g…%g dB around %g dB", hz[k], low[k], high[k], mid[k])
		}
		if math.Abs(phase[k]) > 180 || coherence[k] < 0 || coherence[k] > 1 {
			t.Fatalf("at %g Hz phase is %g° and coherence %g", hz[k], phase[k], coherence[k])
		}
	}
}

// twoMicrophones is a recording with a plain microphone and a reversed one.
func twoMicrophones(t *testing.T) string {
	x := noise(1, 10*48000, 0.1)
	return record(t, "two.wav", 48000, x,
		late(x, 480, 0.5, noise(2, len(x), 0.002)),
		late(x, 960, -0.25, noise(3, len(x), 0.002)))
}

func TestResponseKeepsTheContract(t *testing.T) {
	path := twoMicrophones(t)
	for _, window := range []any{"multi", 4096.} {
		args := []string{"response", path, "--json"}
		if window != "multi" {
			args = append(args, "--window", "4096")
		}
		o := decode(t, must(t, args...))
		hasKeys(t, "the response", o, "file sample_rate_hz duration_s reference window overlap microphones")
		if o["file"] != path || o["sample_rate_hz"] != 48000. || o["duration_s"] != 10. || o["reference"] != 1. || o["window"] != window || o["overlap"] != 0.75 {
			t.Errorf("head is %v %v %v %v %v %v", o["file"], o["sample_rate_hz"], o["duration_s"], o["reference"], o["window"], o["overlap"])
		}
		mics := list(t, o, "microphones")
		if len(mics) != 2 || mics[0]["channel"] != 2. || mics[1]["channel"] != 3. {
			t.Fatalf("%v microphones: %v", len(mics), mics)
		}
		for i, want := range []struct {
			delayMs  float64
			polarity string
			levelDB  float64
		}{{10, "same", -6.02}, {20, "opposite", -12.04}} {
			m := mics[i]
			checkResponse(t, m)
			if ms, ok := m["delay_ms"].(float64); !ok || math.Abs(ms-want.delayMs) > 0.001 {
				t.Errorf("window %v: delay %v ms, want %g", window, m["delay_ms"], want.delayMs)
			}
			if v := m["polarity"].(object)["verdict"]; v != want.polarity {
				t.Errorf("window %v: polarity %v, want %s: %v", window, v, want.polarity, m["polarity"])
			}
			hz, level := curve(t, m, "frequency_hz"), curve(t, m, "magnitude_db")
			for k := range hz { // white noise 34 dB and 28 dB over the microphone's own
				if hz[k] > 100 && hz[k] < 20000 && math.Abs(level[k]-want.levelDB) > 0.5 {
					t.Errorf("window %v: %g dB at %g Hz, want %g", window, level[k], hz[k], want.levelDB)
					break
				}
			}
		}
	}
}

func TestFixedWindowHasTheBinsOfItsTransform(t *testing.T) {
	o := decode(t, must(t, "response", twoMicrophones(t), "--json", "--window", "1024", "--delay", "0", "--mic", "2"))
	hz := curve(t, list(t, o, "microphones")[0], "frequency_hz")
	if len(hz) != 513 {
		t.Fatalf("%d bins, want 513", len(hz))
	}
	for k := range hz {
		if hz[k] != float64(k)*48000/1024 {
			t.Fatalf("bin %d lies at %v Hz, want %v", k, hz[k], float64(k)*48000/1024)
		}
	}
}

func TestArrivalsKeepTheContract(t *testing.T) {
	o := decode(t, must(t, "arrivals", twoMicrophones(t), "--json"))
	mics := list(t, o, "microphones")
	if len(mics) != 2 {
		t.Fatalf("%d microphones", len(mics))
	}
	for i, want := range []struct {
		delayMs  float64
		polarity string
	}{{10, "same"}, {20, "opposite"}} {
		hasKeys(t, "a microphone", mics[i], "channel reason arrivals")
		all := list(t, mics[i], "arrivals")
		if len(all) != 1 || mics[i]["reason"] != nil || mics[i]["channel"] != float64(i+2) {
			t.Fatalf("%v", mics[i])
		}
		a := all[0]
		hasKeys(t, "an arrival", a, "delay_ms delay_sd_ms distance_m level_db polarity")
		distance := want.delayMs / 1000 * 343.2 // speed of sound at 20 °C, ISO 9613-1:1993
		if math.Abs(a["delay_ms"].(float64)-want.delayMs) > 0.001 || math.Abs(a["distance_m"].(float64)-distance) > 0.001 ||
			a["level_db"] != 0. || a["polarity"] != want.polarity {
			t.Errorf("%v, want %+v at %g m", a, want, distance)
		}
	}
}

// Nothing to find: null with a reason, no delay made up. Exit status 0, for
// that is an answer.
func TestNothingToFind(t *testing.T) {
	const n = 10 * 48000
	x := noise(1, n, 0.1)
	for name, channels := range map[string][][]float32{
		"silent microphone":  {x, make([]float32, n)},
		"silent reference":   {make([]float32, n), x},
		"all silent":         {make([]float32, n), make([]float32, n)},
		"unrelated channels": {x, noise(2, n, 0.1)},
	} {
		t.Run(name, func(t *testing.T) {
			path := record(t, "nothing.wav", 48000, channels...)
			m := list(t, decode(t, must(t, "arrivals", path, "--json")), "microphones")[0]
			if len(list(t, m, "arrivals")) != 0 || m["reason"] == nil {
				t.Errorf("arrivals: %v", m)
			}
			if table := must(t, "arrivals", path); !strings.Contains(table, "no arrival: "+m["reason"].(string)) {
				t.Errorf("table: %q", table)
			}
			m = list(t, decode(t, must(t, "response", path, "--json")), "microphones")[0]
			checkResponse(t, m)
			if m["delay_ms"] != nil || m["reason"] == nil || m["polarity"].(object)["verdict"] != "undecided" || m["polarity"].(object)["reason"] == "" {
				t.Errorf("response: delay %v, reason %v, polarity %v", m["delay_ms"], m["reason"], m["polarity"])
			}
			if table := must(t, "response", path); !strings.Contains(table, "none found: ") {
				t.Errorf("table: %q", table)
			}
		})
	}
}

func TestDevicesKeepTheContract(t *testing.T) {
	o := plumbline(t, "devices", "--json")
	if o.code != exitDone {
		t.Skipf("devices cannot be listed here: %s", o.stderr)
	}
	for _, d := range list(t, decode(t, o.stdout), "devices") {
		hasKeys(t, "a device", d, "id name host inputs outputs default_rate_hz")
	}
}
