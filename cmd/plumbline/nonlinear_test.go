package main

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/taketest"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// lowPass is a second-order Butterworth low-pass (bilinear transform).
func lowPass(x []float32, hz float64) []float32 {
	w := math.Tan(math.Pi * hz / 48000)
	d := 1 + math.Sqrt2*w + w*w
	b, a1, a2 := w*w/d, 2*(w*w-1)/d, (1-math.Sqrt2*w+w*w)/d
	var x1, x2, y1, y2 float64
	out := make([]float32, len(x))
	for i, v := range x {
		y := b*(float64(v)+2*x1+x2) - a1*y1 - a2*y2
		x1, x2, y1, y2 = float64(v), x1, y, y1
		out[i] = float32(y)
	}
	return out
}

// breathing is noise that is loud and 12 dB softer in turn, as music is.
func breathing(seed uint64, n int) []float32 {
	x := noise(seed, n, 0.1)
	for i := range x {
		if i/19200%2 == 1 {
			x[i] /= 4
		}
	}
	return x
}

// limit takes away 1−1/ratio decibels per decibel over threshold; the level rises
// within 5 ms and falls within 200 ms.
func limit(x []float32, threshold, ratio float64) []float32 {
	up, down := 1-math.Exp(-1/(0.005*48000)), 1-math.Exp(-1/(0.2*48000))
	level := 0.0
	out := make([]float32, len(x))
	for i, v := range x {
		if a := math.Abs(float64(v)); a > level {
			level += up * (a - level)
		} else {
			level += down * (a - level)
		}
		out[i] = v
		if level > threshold {
			out[i] *= float32(math.Pow(level/threshold, 1/ratio-1))
		}
	}
	return out
}

func clip(x []float32, at float32) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = max(-at, min(at, v))
	}
	return out
}

// What drives the loudspeaker, and what leaks beside it, is said by both commands;
// the sound is told where it arrives, 20 ms late, and never what leaks at 0 ms.
func TestLimitersAndCrosstalk(t *testing.T) {
	raced.NotFor(t, "pure computation, over and over: minutes under the race detector")
	const n, far = 10 * 48000, 960
	x := breathing(1, n)
	room := noise(2, n, 0.0003)
	heard := func(y []float32) []float32 { return late(y, far, 0.5, late(y, far+431, 0.2, room)) }
	sub := late(lowPass(lowPass(x, 100), 100), far, 1, noise(3, n, 0.000001))
	leaky := late(x, 0, 0.0002, sub) // 50 dB under the sub
	for _, c := range []struct {
		name       string
		x, y       []float32
		code, says string
		within     float64 // ms
	}{
		{"linear", x, heard(x), "", "", 0.005},
		{"clips", x, heard(clip(x, 0.1)), "not_linear", "What the microphone on channel 2 hears has its peaks cut off: an amplifier", 0.005},
		{"limits", x, heard(limit(x, 0.04, 100)), "not_linear", "The louder the programme, the less of it reaches the microphone on channel 2: a limiter", 0.005},
		{"compresses", x, heard(limit(x, 0.01, 3)), "not_linear", "a limiter or a compressor is at work behind the reference.", 0.005},
		{"leaks", x, leaky, "crosstalk", "The microphone on channel 2 hears the reference on channel 1 electrically, 5", 8}, // two low-passes delay by 4.5 ms
	} {
		t.Run(c.name, func(t *testing.T) {
			file := record(t, c.name+".wav", 48000, c.x, c.y)
			polarity := ""
			for _, command := range []string{"response", "arrivals"} {
				m := list(t, decode(t, must(t, command, file, "--json")), "microphones")[0]
				codes, said := "", ""
				for _, caution := range list(t, m, "cautions") {
					codes += caution["code"].(string)
					said += caution["text"].(string)
				}
				if codes != c.code || !strings.Contains(said, c.says) {
					t.Errorf("%s says %q: %s", command, codes, said)
				}
				if command == "response" {
					if ms, ok := m["delay_ms"].(float64); !ok || ms < 20-c.within || ms > 20+c.within {
						t.Errorf("delay %v ms", m["delay_ms"])
					}
					polarity = m["polarity"].(object)["verdict"].(string)
					continue
				}
				for i, a := range list(t, m, "arrivals") {
					if i == 0 && a["polarity"] != polarity {
						t.Errorf("polarity %v of the arrival, %s of the response", a["polarity"], polarity)
					}
					if ms := a["delay_ms"].(float64); ms < 1 {
						t.Errorf("an arrival at %g ms", ms)
					}
				}
			}
		})
	}
}

// Through the daemon: channels that are swapped 35 and 300 ms apart, further than
// live searches go back, are named with their delay, and so is a limiter, in the
// sentence and among the cautions.
func TestServeNamesSwappedChannelsAndLimiters(t *testing.T) {
	raced.NotFor(t, "a machine may not keep up with the sound under the race detector")
	const n = 20 * 48000
	x := breathing(1, n)
	for _, c := range []struct {
		name     string
		ref, mic []float32
		code     string
		ms       float64
	}{
		{"swapped 35", late(x, 1680, 0.5, noise(2, n, 0.001)), x, "swapped", -35},
		{"swapped 300", late(x, 14400, 0.5, noise(2, n, 0.001)), x, "swapped", -300},
		{"limited", x, late(limit(x, 0.04, 100), 480, 0.5, noise(2, n, 0.001)), "not_linear", 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			path := record(t, strings.ReplaceAll(c.name, " ", "_")+".wav", 48000, c.ref, c.mic)
			s := start(t, "serve", "--file", path, "--loop", "--listen", "127.0.0.1:0")
			o := s.until(t, c.code, func(o wire.Object) bool {
				m := o.Microphones[0]
				return len(m.Cautions) > 0 && m.Cautions[0].Code == c.code
			})
			m := o.Microphones[0]
			if ms := float64(m.DelayMs); math.Abs(ms-c.ms) > 0.1 || !strings.Contains(m.Verdict, m.Cautions[0].Text) {
				t.Errorf("%.3f ms, want %.0f; %q", ms, c.ms, m.Verdict)
			}
			// Five seconds for swapped channels, 15 for a limiter, of sound.
			if limit := map[string]uint64{"swapped": 6, "not_linear": 16}[c.code] * 48000; o.Sample > limit {
				t.Errorf("named after %.1f s of sound", float64(o.Sample)/48000)
			}
			if end := s.stop(); end.code != exitDone {
				t.Errorf("exit status %d: %s", end.code, end.stderr)
			}
		})
	}
}

// Notes that come again a second later look like an arrival of a second where the
// channels are swapped, so whoever looks only there is told of a loudspeaker at
// 330 m. The other way round explains more.
func TestSwappedNotesThatComeAgainAreNoLateArrival(t *testing.T) {
	k := taketest.Random(17030, 48000, 12) // plucked notes
	y := late(single(k.Y), 4388, 1, nil)
	path := record(t, "swapped.wav", 48000, y, single(k.X))
	got := plumbline(t, "arrivals", path)
	if !strings.Contains(got.stdout+got.stderr, "on channel 2 hears the sound 111.3") {
		t.Errorf("%s%s", got.stdout, got.stderr)
	}
}

// Two loudspeakers far away and a beat: a recording never says that the channels are
// swapped, although one of the beats is a little before each one that is heard.
func TestBeatsFromAfarAreNotSwapped(t *testing.T) {
	const n, period = 10 * 48000, 24000
	for seed := range uint64(6) {
		r := rand.New(rand.NewPCG(seed, 1))
		for name, wobble := range map[string]int{"exact": 0, "played": 1} {
			x, hit := make([]float32, n), noise(900+seed, 4000, 0.3)
			for at := 0; at < n-len(hit); at += period - wobble + r.IntN(2*wobble+1) {
				for i, v := range hit {
					x[at+i] += v * float32(math.Exp(-float64(i)/600))
				}
			}
			d := 5000 + r.IntN(6000)
			y := late(x, d, 0.5, noise(12+seed, n, 0.003))
			for i, v := range late(x, d+60+r.IntN(400), 0.45, nil) {
				y[i] += v
			}
			got := plumbline(t, "arrivals", record(t, "beats.wav", 48000, x, y))
			if text := got.stdout + got.stderr; strings.Contains(text, "swapped") {
				t.Errorf("%s, %d samples late: %s", name, d, text)
			}
		}
	}
}
