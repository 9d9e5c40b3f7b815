package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// narrow is programme that repeats itself, or is but tones; of 6 s, and a whole number
// of periods long.
func narrow(name string) []float32 {
	const n = 6 * 48000
	round := func(period int) []float32 {
		part, x := noise(3, period, 0.1), make([]float32, n/period*period)
		for i := range x {
			x[i] = part[i%period]
		}
		return x
	}
	tones := func(hz ...float64) []float32 {
		x := noise(4, n, 1e-5)
		for k, f := range hz {
			for i := range x {
				x[i] += 0.1 * float32(math.Sin(float64(k)+2*math.Pi*f*float64(i)/48000)/math.Sqrt(float64(len(hz))))
			}
		}
		return x
	}
	switch name {
	case "341 ms":
		return round(1 << 14)
	case "21 ms":
		return round(1 << 10)
	case "2.7 s":
		return round(1 << 17)
	case "hum":
		return tones(50, 100, 150, 250, 350, 450)
	case "square":
		return tones(315, 945, 1575, 2205, 2835, 3465, 4095)
	}
	return tones(110, 523, 1319, 4186)
}

// What repeats itself is told, with the delay within a period where one can be
// known; tones, odd harmonics and hum have none, nor curve nor polarity.
func TestProgrammeThatRepeatsItself(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	for name, want := range map[string]struct {
		codes, words string
		ms           float64 // NaN: none
	}{
		"341 ms": {"periodic", "repeats itself every 341.3 ms: the delay is known within one period, and may be whole periods longer.", 700. / 48},
		"21 ms":  {"periodic no_delay", "The reference on channel 1 repeats itself every 21.3 ms, too often for a delay to be told.", math.NaN()},
		"2.7 s":  {"", "", 700. / 48},
		"hum":    {"no_delay", "several delays fit", math.NaN()},
		"square": {"no_delay", "several delays fit", math.NaN()},
		"tones":  {"no_delay", "the reference is a few tones, so that several delays fit", math.NaN()},
	} {
		t.Run(name, func(t *testing.T) {
			x := narrow(name)
			file := record(t, "take.wav", 48000, x, late(x, 700, -0.5, noise(2, len(x), 1e-4)))
			for _, command := range []string{"response", "arrivals"} {
				m := list(t, decode(t, must(t, command, file, "--json")), "microphones")[0]
				codes, said := []string{}, ""
				for _, c := range list(t, m, "cautions") {
					codes = append(codes, c["code"].(string))
					said += c["text"].(string)
				}
				if got := strings.Join(codes, " "); got != want.codes && !(name == "hum" || name == "square") || !strings.HasSuffix(got, want.codes) || !strings.Contains(said, want.words) {
					t.Errorf("%s says %q, %s; want %q, %s", command, got, said, want.codes, want.words)
				}
				if command == "arrivals" {
					at := list(t, m, "arrivals")
					if math.IsNaN(want.ms) != (len(at) == 0) || len(at) > 0 && (len(at) > 1 || math.Abs(at[0]["delay_ms"].(float64)-want.ms) > 0.002 || at[0]["polarity"] != "opposite") {
						t.Errorf("arrivals %v, want one at %.3f ms", at, want.ms)
					}
					continue
				}
				db, polarity := curve(t, m, "magnitude_db"), m["polarity"].(object)
				if math.IsNaN(want.ms) {
					known := slices.ContainsFunc(db, func(db float64) bool { return !math.IsNaN(db) })
					if m["delay_ms"] != nil || known || polarity["verdict"] != "undecided" || polarity["reason"] == "" {
						t.Errorf("delay %v, curve %v, polarity %v: want none", m["delay_ms"], known, polarity)
					}
					continue
				}
				if ms, ok := m["delay_ms"].(float64); !ok || math.Abs(ms-want.ms) > 0.002 || polarity["verdict"] != "opposite" {
					t.Errorf("delay %v, want %.3f ms; polarity %v", m["delay_ms"], want.ms, polarity)
				}
				low, high := curve(t, m, "magnitude_low_db"), curve(t, m, "magnitude_high_db")
				for i, hz := range curve(t, m, "frequency_hz") {
					if hz > 300 && !(low[i]-0.05 < -6.02 && -6.02 < high[i]+0.05 && high[i]-low[i] < 1) {
						t.Fatalf("%.0f Hz: %.2f (%.2f…%.2f) dB, want −6.02", hz, db[i], low[i], high[i])
					}
				}
			}
		})
	}
}

// With a delay that is set by hand there is a curve of the lines there are, and
// nothing between them.
func TestNothingBetweenTheLines(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	for name, on := range map[string]func(hz float64) bool{
		"tones": func(hz float64) bool {
			return slices.ContainsFunc([]float64{110, 523, 1319, 4186}, func(tone float64) bool { return math.Abs(hz/tone-1) < 0.2 })
		},
		"hum": func(hz float64) bool { return hz < 600 },
	} {
		x := narrow(name)
		file := record(t, "take.wav", 48000, x, late(x, 700, 0.5, noise(2, len(x), 1e-4)))
		m := list(t, decode(t, must(t, "response", file, "--delay", "14.583", "--json")), "microphones")[0]
		hz, db, low, high := curve(t, m, "frequency_hz"), curve(t, m, "magnitude_db"), curve(t, m, "magnitude_low_db"), curve(t, m, "magnitude_high_db")
		known := 0
		for i, v := range db {
			switch {
			case math.IsNaN(v):
			case !on(hz[i]):
				t.Errorf("%s: %.2f dB at %.1f Hz, where nothing is played", name, v, hz[i])
			case low[i]-0.05 > -6.02 || high[i]+0.05 < -6.02: // an end that is unknown is open
				t.Errorf("%s: %.2f (%.2f…%.2f) dB at %.1f Hz, want −6.02", name, v, low[i], high[i], hz[i])
			default:
				known++
			}
		}
		if known < 8 {
			t.Errorf("%s: %d points are known", name, known)
		}
	}
}

// The daemon says the same of what it hears now: on the page, in the API and to
// follow.
func TestPagesSayThatProgrammeRepeatsItself(t *testing.T) {
	for name, want := range map[string]string{"341 ms": "periodic", "tones": "no_delay"} {
		x := narrow(name)
		file := record(t, "take.wav", 48000, x, late(x, 700, 0.5, noise(2, len(x), 1e-4)))
		d := start(t, "serve", "--file", file, "--loop", "--listen", "127.0.0.1:0")
		o := d.until(t, want+" to be said", func(o wire.Object) bool {
			return len(o.Microphones) > 0 && slices.ContainsFunc(o.Microphones[0].Cautions, func(c wire.Caution) bool { return c.Code == want })
		})
		m := o.Microphones[0]
		if want == "no_delay" {
			if !math.IsNaN(float64(m.DelayMs)) || m.Polarity.Verdict != "undecided" || !strings.Contains(o.Verdict, "a few tones") {
				t.Errorf("%s: %.3f ms, %s: %s", name, float64(m.DelayMs), m.Polarity.Verdict, o.Verdict)
			}
			continue
		}
		if math.Abs(float64(m.DelayMs)-700./48) > 0.01 || !strings.Contains(o.Verdict, "repeats itself every 341.3 ms: the delay is known within one period") {
			t.Errorf("%s: %.3f ms: %s", name, float64(m.DelayMs), o.Verdict)
		}
	}
}

// A second data chunk is not read, and that is said.
func TestFurtherDataChunksAreSaid(t *testing.T) {
	x := noise(1, 2*48000, 0.1)
	path := filepath.Join(t.TempDir(), "two.wav")
	recordTo(t, path, 48000, x, late(x, 700, 0.5, noise(2, len(x), 1e-3)))
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	sound := 2 * 4 * len(x)
	b = append(b[:len(b)-sound-8:len(b)-sound-8], append(bytes.Clone(b[len(b)-sound-8:]), b[len(b)-sound-8:]...)...)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"response", "arrivals", "levels"} {
		out := plumbline(t, command, path)
		if !strings.Contains(out.stderr, "several data chunks: the first, 2 s, is read and 2 s behind it are not") {
			t.Errorf("%s: %s", command, out.stderr)
		}
	}
}
