package verdict

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"plumbline/analyze"
	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/analyze/polarity"
	"plumbline/analyze/stationarity"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

var room = Options{TemperatureC: 20}

// once is the sentence about one frame, out of the blue.
func once(f *analyze.Frame, o Options) Sentence {
	var k Keeper
	k.Update(f, 0, o)
	return k.Sentence()
}

// The distances are those of 343.2 m/s, the handbook's figure at 20 °C.
func TestSentences(t *testing.T) {
	for _, c := range sentences() {
		t.Run(c.name, func(t *testing.T) {
			f := frametest.New(1)
			c.change(f, &f.Microphones[0])
			got := once(f, room)
			if got.Text() != c.want {
				t.Errorf("got  %s\nwant %s", got.Text(), c.want)
			}
			if got.Certainty != c.certainty || got.Mark != c.mark {
				t.Errorf("%s, %s; want %s, %s", got.Certainty, got.Mark, c.certainty, c.mark)
			}
		})
	}
}

// said is a frame and what is said of it.
type said struct {
	name      string
	change    func(*analyze.Frame, *analyze.Microphone)
	want      string
	certainty string
	mark      string
}

func sentences() []said {
	return []said{
		{"all is well", func(f *analyze.Frame, m *analyze.Microphone) {},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"two clocks", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Movement = stationarity.Movement{Kind: stationarity.Drifts, PPM: 3.0}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz. The clocks of the reference and of the microphone on channel 2 drift apart by 3 ppm. Record both with one clock.",
			wire.Sure, wire.Attention},
		{"wind", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Movement = stationarity.Movement{Kind: stationarity.Wanders, RangeS: 150e-6}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz. The path to the microphone on channel 2 does not stand still: the sound comes now earlier, now later, by up to 0.15 ms. Put the microphone on a stand, and measure when there is no wind.",
			wire.Sure, wire.Attention},
		{"opposite", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity = polarity.Verdict{Sign: -1, Confidence: 0.999}
			m.Arrivals[0].Sign = -1
			m.Curve = frametest.Curve(90, 9000)
		},
			"Opposite polarity to the reference from 91 Hz to 9 kHz (sure). Check the cable or the processor of this cabinet. The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Known to ±1 dB from 91 Hz to 9 kHz. Switch amplifiers off before touching loudspeaker cables.",
			wire.Sure, wire.Act},
		{"perhaps opposite", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity = polarity.Verdict{Sign: -1, Confidence: 0.93}
		},
			"Opposite polarity to the reference from 63 Hz to 14 kHz (likely). Check the cable or the processor of this cabinet. The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Known to ±1 dB from 63 Hz to 14 kHz. Switch amplifiers off before touching loudspeaker cables.",
			wire.Likely, wire.Attention},
		{"undecided", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity = polarity.Verdict{Reason: "the phase turns by more than the crossover explains"}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Polarity: cannot tell: the phase turns by more than the crossover explains. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.CannotTell, wire.Steady},
		{"a reversed driver", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity.Bands = []polarity.Band{{LowHz: 63, HighHz: 1500, Sign: 1, Confidence: 0.999}, {LowHz: 1500, HighHz: 14000, Sign: -1, Confidence: 0.999}}
			m.Polarity.Fault = true
		},
			"Inverted from 1.5 kHz to 14 kHz: one driver in this cabinet may be reversed. Same polarity from 63 Hz to 1.5 kHz. The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Known to ±1 dB from 63 Hz to 14 kHz. Switch amplifiers off before touching loudspeaker cables.",
			wire.Sure, wire.Act},
		{"a crossover that turns the highs by design", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity.Bands = []polarity.Band{{LowHz: 63, HighHz: 1500, Sign: 1, Confidence: 0.999}, {LowHz: 1500, HighHz: 14000, Sign: -1, Confidence: 0.999}}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity from 63 Hz to 1.5 kHz. From 1.5 kHz to 14 kHz it is inverted, as a crossover of 12 dB an octave makes it by design. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"a main above a subwoofer", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity.Bands = []polarity.Band{{LowHz: 63, HighHz: 178}, {LowHz: 178, HighHz: 14000, Sign: 1, Confidence: 0.999}}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity from 180 Hz up. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"a reversed main above a subwoofer", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Polarity = polarity.Verdict{Sign: -1, Confidence: 0.999, Bands: []polarity.Band{{LowHz: 63, HighHz: 178}, {LowHz: 178, HighHz: 14000, Sign: -1, Confidence: 0.999}}}
		},
			"Opposite polarity to the reference from 180 Hz to 14 kHz (sure). Check the cable or the processor of this cabinet. The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Known to ±1 dB from 63 Hz to 14 kHz. Switch amplifiers off before touching loudspeaker cables.",
			wire.Sure, wire.Act},
		{"the first of two is reversed, the second cannot be told", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs = 12.1
			m.Polarity = polarity.Verdict{Sign: -1, Confidence: 0.999, Several: true, DelayMs: 12.1, Bands: []polarity.Band{{LowHz: 178, HighHz: 14000, Sign: -1, Confidence: 0.999}}}
			m.Arrivals = []arrival.Arrival{{DelayMs: 12.1, Sign: -1}, {DelayMs: 19.5, LevelDB: -3}}
		},
			"Arrival 1 is inverted from 180 Hz to 14 kHz (sure). Check the cable or the processor of that loudspeaker. Arrival 1 at 12.1 ms; arrival 2 at 19.5 ms, 3 dB down. They comb every 135 Hz. Known to ±1 dB from 63 Hz to 14 kHz. Switch amplifiers off before touching loudspeaker cables.",
			wire.Sure, wire.Act},
		// τ = 7.4 ms: notches at (2k+1)/2τ = 67.6, 202.7, 337.8 Hz.
		{"two arrivals", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs = 12.1
			m.Arrivals = []arrival.Arrival{{DelayMs: 12.1, Sign: 1}, {DelayMs: 19.5, LevelDB: -3, Sign: 1}}
		},
			"Arrival 1 at 12.1 ms; arrival 2 at 19.5 ms, 3 dB down. They comb at 68 Hz, 203 Hz, 338 Hz, … Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Attention},
		// A list that a moment overtook: the offset is what it is, and no comb below 0 Hz.
		{"two arrivals out of order", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs = 12.1
			m.Arrivals = []arrival.Arrival{{DelayMs: 19.5, LevelDB: -3, Sign: 1}, {DelayMs: 12.1, Sign: 1}}
		},
			"Arrival 2 at 12.1 ms; arrival 1 at 19.5 ms, 3 dB down. They comb at 68 Hz, 203 Hz, 338 Hz, … Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Attention},
		// Where the notches lie depends on a polarity that is not known; how far apart, 1/τ, does not.
		{"two arrivals, one of either polarity", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs = 12.1
			m.Arrivals = []arrival.Arrival{{DelayMs: 12.1, Sign: 1}, {DelayMs: 19.5, LevelDB: -3}}
		},
			"Arrival 1 at 12.1 ms; arrival 2 at 19.5 ms, 3 dB down. They comb every 135 Hz. Arrival 1 has the polarity of the reference. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Attention},
		// Opposite copies swap notches and peaks: k/τ = 135, 270, 405 Hz.
		{"two arrivals, the second reversed and louder", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs = 12.1
			m.Arrivals = []arrival.Arrival{{DelayMs: 12.1, LevelDB: -3, Sign: 1}, {DelayMs: 19.5, Sign: -1}}
		},
			"Arrival 1 at 12.1 ms; arrival 2 at 19.5 ms, 3 dB up, opposite polarity. They comb at 135 Hz, 270 Hz, 405 Hz, … Arrival 1 has the polarity of the reference. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Attention},
		{"three arrivals, one weak", func(f *analyze.Frame, m *analyze.Microphone) {
			m.Arrivals = []arrival.Arrival{{DelayMs: 10, LevelDB: -8, Sign: 1}, {DelayMs: 12, Sign: 1}, {DelayMs: 13, LevelDB: -2, Sign: 1}, {DelayMs: 30, LevelDB: -12, Sign: 1}}
		},
			"Arrival 2 at 12.0 ms; arrival 3 at 13.0 ms, 2 dB down. They comb at 500 Hz, 1.5 kHz, 2.5 kHz, … Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Attention},
		{"delay set by hand", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayFixed, m.DelayMs, m.Arrivals = true, 10, nil
		},
			"The compensation is set to 10.00 ms. Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"no arrival", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs, m.DelayReason = math.NaN(), "nothing in the microphone is like the reference"
		},
			"No delay found for the microphone: nothing in the microphone is like the reference.",
			wire.CannotTell, wire.Attention},
		// No sound arrives before it is sent: the cause comes first, and nothing else is claimed.
		{"a limiter", func(f *analyze.Frame, m *analyze.Microphone) { m.NotLinear = linearity.Slow },
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz. The louder the programme, the less of it reaches the microphone on channel 2: a limiter or a compressor is at work behind the reference. Bypass it, or turn the programme down until it rests, and measure again. Until then the curve is as good as its gain, which goes with the loudness.",
			wire.Sure, wire.Attention},
		{"an amplifier that clips, and crosstalk", func(f *analyze.Frame, m *analyze.Microphone) {
			m.NotLinear, m.Leak = linearity.Clipping, crosstalk.Leak{Into: crosstalk.Microphone, Gain: 0.001, BelowDB: 52.3}
		},
			"The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz. What the microphone on channel 2 hears has its peaks cut off: an amplifier or a processor in front of the loudspeaker clips. Turn the programme down by 6 dB and measure again. Until then the curve is as good as its gain, which goes with the loudness. The microphone on channel 2 hears the reference on channel 1 electrically, 52 dB down at 0.00 ms. Separate the cables, turn the reference's send down, or use inputs that are not next to each other. Where the loudspeaker plays softly, the curve is not its own.",
			wire.Sure, wire.Attention},
		{"ahead of the reference", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs, m.Polarity.Sign = -12.3, -1
		},
			"The microphone on channel 2 hears the sound 12.30 ms before the reference: the channels are swapped, or something delays the reference. Take channel 2 as reference and channel 1 as microphone, or the reference from behind what delays it.",
			wire.Likely, wire.Act},
		{"ahead by two samples, as converters differ", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayMs, m.Arrivals[0].DelayMs = -0.04, -0.04
		},
			"The microphone hears the loudspeaker 0.04 ms before the reference. Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"ahead of the reference, set by hand", func(f *analyze.Frame, m *analyze.Microphone) {
			m.DelayFixed, m.DelayMs, m.Arrivals = true, -12.3, nil
		},
			"The compensation is set to -12.30 ms. Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"at the start", func(f *analyze.Frame, m *analyze.Microphone) { f.AveragedS = 0.1 },
			"Averaging: not enough heard yet to tell.",
			wire.CannotTell, wire.Steady},
		// γ² = 0.0419 after the bias is an SNR of 10 lg(0.0419/0.9581) = −13.6 dB; the threshold at n averages,
		// 1 − 0.01^(1/(n−1)), falls to half of it at n = 219: 2 s · 219/44.5 = 9.9 s.
		{"too quiet", func(f *analyze.Frame, m *analyze.Microphone) { setCoherence(f, 0.0634) },
			"Too quiet to tell: the room is 14 dB above the signal. Turn up, or average over 10 s.",
			wire.CannotTell, wire.Attention},
		{"held", func(f *analyze.Frame, m *analyze.Microphone) { f.Hold = true },
			"On hold. The microphone hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
		{"one of several", func(f *analyze.Frame, m *analyze.Microphone) { f.Microphones = append(f.Microphones, *m) },
			"The microphone on channel 2 hears the loudspeaker 23.42 ms after the reference (8.04 m). Same polarity. Known to ±1 dB from 63 Hz to 14 kHz.",
			wire.Sure, wire.Steady},
	}
}

// setCoherence gives the microphone one coherence everywhere.
func setCoherence(f *analyze.Frame, g float64) {
	for i := range f.Microphones[0].Curve.Coherence {
		f.Microphones[0].Curve.Coherence[i] = g
	}
}

func TestWaitingHelpsOnlyGrowingAverages(t *testing.T) {
	f := frametest.New(1)
	setCoherence(f, 0.0634)
	got := once(f, Options{TemperatureC: 20, Grows: true})
	if want := "or wait about 10 s."; !strings.Contains(got.Text(), want) {
		t.Errorf("%s, want %q", got.Text(), want)
	}
}

func TestDistanceFollowsTemperature(t *testing.T) {
	got := once(frametest.New(1), Options{TemperatureC: 0})
	// 331.3 m/s · 23.42 ms = 7.759 m
	if !strings.Contains(got.Text(), "(7.76 m)") {
		t.Error(got.Text())
	}
}

func TestPartsPointAtTheEvidence(t *testing.T) {
	f := frametest.New(1)
	m := &f.Microphones[0]
	m.Polarity = polarity.Verdict{Sign: -1, Confidence: 0.999}
	// The first is too weak to matter, the third is the second again: parts go by the frame's list.
	m.Arrivals = []arrival.Arrival{{DelayMs: 5, LevelDB: -20, Sign: 1}, {DelayMs: 23.41, LevelDB: -1, Sign: -1}, {DelayMs: 23.42, Sign: -1}, {DelayMs: 30, LevelDB: -4, Sign: 1}}
	about := map[string]string{}
	for _, p := range once(f, room).Parts {
		about[p.About] = p.Text
	}
	if got := about["next"]; got != "Check the cable or the processor of that loudspeaker." {
		t.Errorf("next is %q", got)
	}
	for what, text := range map[string]string{
		"arrival:3": "23.4 ms", "trusted": "from 63 Hz to 14 kHz", "caution": Caution,
	} {
		if about[what] != text {
			t.Errorf("%s is about %q, want %q", what, about[what], text)
		}
	}
	for _, what := range []string{"comb", "polarity", "arrival:4"} {
		if about[what] == "" {
			t.Errorf("nothing is about %s", what)
		}
	}
}

// player feeds frames 50 ms apart and collects the sentences.
type player struct {
	k     Keeper
	f     *analyze.Frame
	texts []string
}

func (p *player) play(seconds float64, change func(f *analyze.Frame, t float64)) {
	for i := range int(math.Round(seconds * 20)) {
		p.f.Sample += 2400
		p.f.Seq++
		if change != nil {
			change(p.f, float64(i)/20)
		}
		if p.k.Update(p.f, 0, room) {
			p.texts = append(p.texts, p.k.Sentence().Text())
		}
	}
}

func TestDigitsDoNotFlicker(t *testing.T) {
	p := player{f: frametest.New(1)}
	p.play(30, func(f *analyze.Frame, t float64) {
		m := &f.Microphones[0]
		m.DelayMs = 23.42 + 0.004*math.Sin(40*t) // about two standard deviations
		m.Arrivals[0].DelayMs = m.DelayMs
		m.Polarity.Confidence = 0.99 + 0.009*math.Sin(9*t) // about the border of sure
		m.Curve = frametest.Curve(63*math.Exp2(0.2*math.Sin(3*t)), 14000)
	})
	if len(p.texts) != 1 {
		t.Errorf("the sentence changed %d times: %q", len(p.texts)-1, p.texts)
	}
}

func TestMeaningMustLastASecond(t *testing.T) {
	p := player{f: frametest.New(1)}
	p.play(5, nil)
	reverse := func(f *analyze.Frame, _ float64) { f.Microphones[0].Polarity.Sign = -1 }
	restore := func(f *analyze.Frame, _ float64) { f.Microphones[0].Polarity.Sign = 1 }
	p.play(0.9, reverse)
	p.play(0.2, restore)
	if len(p.texts) != 1 {
		t.Fatalf("a lapse of 0.9 s changed the sentence: %q", p.texts)
	}
	p.play(1.2, reverse)
	if len(p.texts) != 2 || !strings.Contains(p.texts[1], "Opposite") {
		t.Fatalf("1.2 s of another meaning: %q", p.texts)
	}
}

// Dragging a microphone: the number follows at least once a second.
func TestMovingNumberIsFollowed(t *testing.T) {
	p := player{f: frametest.New(1)}
	p.play(10, func(f *analyze.Frame, t float64) {
		f.Microphones[0].DelayMs = 20 + t
		f.Microphones[0].Arrivals[0].DelayMs = 20 + t
	})
	if n := len(p.texts); n < 9 || n > 11 {
		t.Errorf("%d sentences in 10 s: %q", n, p.texts)
	}
}

func TestSilenceAndClipping(t *testing.T) {
	p := player{f: frametest.New(1)}
	last := func() string { return p.texts[len(p.texts)-1] }
	p.play(2, nil)
	p.play(2.5, func(f *analyze.Frame, _ float64) { f.Reference.RMSDBFS = math.Inf(-1) })
	if want := "Nothing on the reference channel. Is the signal on, is channel 1 the right one?"; last() != want {
		t.Errorf("%s, want %s", last(), want)
	}
	p.play(2.5, func(f *analyze.Frame, _ float64) { f.Reference.RMSDBFS, f.Microphones[0].RMSDBFS = -20, -110 })
	if !strings.HasPrefix(last(), "Nothing from the microphone on channel 2.") {
		t.Error(last())
	}
	clips := uint64(3)
	p.play(1.2, func(f *analyze.Frame, _ float64) {
		clips++
		f.Microphones[0].RMSDBFS, f.Microphones[0].Clipped = -3, clips
	})
	if !strings.HasPrefix(last(), "The microphone on channel 2 clips: turn its input down.") {
		t.Error(last())
	}
	p.play(3, nil)
	if !strings.HasPrefix(last(), "The microphone on channel 2 clips") {
		t.Error("a clip is forgotten too soon")
	}
	p.play(1.5, nil)
	if !strings.HasPrefix(last(), "The microphone hears") {
		t.Error(last())
	}
}

func TestUpdateAllocatesNothing(t *testing.T) {
	f := frametest.New(1)
	var k Keeper
	k.Update(f, 0, room)
	if n := testing.AllocsPerRun(100, func() {
		f.Sample += 2400
		k.Update(f, 0, room)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func TestCannotTellIsFollowedByWhy(t *testing.T) {
	f := frametest.New(1)
	f.Microphones[0].DelayMs = math.NaN()
	if got := once(f, room).Text(); !strings.Contains(got, "No delay found") || !strings.Contains(got, ": ") {
		t.Error(got)
	}
	since := time.Date(2026, 8, 12, 20, 41, 7, 0, time.Local)
	if got := Stale(since, "the stage box", "the device went away").Text(); got != "No data since 20:41:07 from the stage box: the device went away." {
		t.Error(got)
	}
}

func TestTrustedBand(t *testing.T) {
	c := frametest.Curve(63, 14000)
	for i, f := range c.FrequencyHz { // two narrow notches of a room
		if f > 200 && f < 215 || f > 1000 && f < 1040 {
			c.Coherence[i] = 0.01
		}
	}
	low, high := heardBand(&c)
	if low < 62 || low > 65 || high < 13700 || high > 14100 {
		t.Errorf("%.1f…%.1f Hz, want 63…14000", low, high)
	}
	for i, f := range c.FrequencyHz { // half an octave is missing: the wider side counts
		if f > 200 && f < 283 {
			c.Coherence[i] = 0.01
		}
	}
	if low, high = heardBand(&c); low < 280 || low > 290 || high < 13700 {
		t.Errorf("%.1f…%.1f Hz, want 283…14000", low, high)
	}
	c = frametest.Curve(30000, 40000)
	if low, high = heardBand(&c); low != 0 || high != 0 {
		t.Errorf("%.1f…%.1f Hz, want none", low, high)
	}
}

func TestHertz(t *testing.T) {
	for _, c := range []struct {
		f       float64
		figures int
		want    string
	}{
		{67.57, 3, "68 Hz"}, {202.7, 3, "203 Hz"}, {62.7, 2, "63 Hz"}, {112, 2, "110 Hz"}, {8970, 2, "9 kHz"},
		{13990, 2, "14 kHz"}, {1667, 3, "1.67 kHz"}, {999.6, 3, "1 kHz"}, {12.34, 2, "12 Hz"}, {4.46, 2, "4.5 Hz"},
	} {
		if got := hertz(c.f, c.figures); got != c.want {
			t.Errorf("%g Hz with %d figures: %s, want %s", c.f, c.figures, got, c.want)
		}
	}
}

// Names begin with a capital in any script.
func TestCapital(t *testing.T) {
	for in, want := range map[string]string{"": "", "main": "Main", "übertragung": "Übertragung", "öst": "Öst", "2 fills": "2 fills", "\xff": "\xff"} {
		if got := Capital(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}

// Bendat and Piersol's SNR = γ²/(1−γ²), of one coherence at all frequencies, and how
// long it takes to pass the threshold of chance twice over (values by hand).
func TestShortfall(t *testing.T) {
	c := frametest.Curve(20, 20000)
	const n, averagedS = 21.0, 2.0
	for _, g := range []float64{0.05, 0.5, 0.9} {
		for i := range c.FrequencyHz {
			c.EffectiveAverages[i], c.Coherence[i] = n, g+(1-g)/n // with its bias
		}
		snr, wait := shortfall(&c, averagedS)
		if want := 10 * math.Log10(g/(1-g)); math.Abs(snr-want) > 1e-9 {
			t.Errorf("coherence %v: %v dB, want %v", g, snr, want)
		}
		// 1 − 0.01^(1/(n−1)) = g/2
		need := 1 + math.Log(0.01)/math.Log(1-g/2)
		if math.Abs(wait-averagedS*need/n) > 1e-9 {
			t.Errorf("coherence %v: %v s, want %v", g, wait, averagedS*need/n)
		}
	}
	for i := range c.Coherence {
		c.Coherence[i] = 0.001 + 0.999/n
	}
	if _, wait := shortfall(&c, averagedS); wait != 0 {
		t.Errorf("%v s are waited for, want none: no time would do", wait)
	}
}

var update = flag.Bool("update", false, "rewrite the golden file")

// Every sentence and its headline: at most 70 characters. With -update they are written
// anew, to be looked at.
func TestHeadlines(t *testing.T) {
	var b strings.Builder
	check := func(name, headline string) {
		if n := utf8.RuneCountInString(headline); n == 0 || n > HeadlineMax {
			t.Errorf("%s: %q has %d characters, want 1 to %d", name, headline, n, HeadlineMax)
		}
		fmt.Fprintf(&b, "%s\n  %s\n", name, headline)
	}
	for _, c := range sentences() {
		f := frametest.New(1)
		c.change(f, &f.Microphones[0])
		s := once(f, room)
		check(fmt.Sprintf("%s (%s, %s)", c.name, s.Mark, s.Certainty), s.Headline)
		fmt.Fprintf(&b, "    %s\n", s.Text())
	}
	// What no single frame says, with numbers as long as they get.
	long := meaning{reference: caution.At(31), microphone: caution.At(32), low: 63, high: 14000, delayMs: 1234.56}
	say := func(name string, change func(*meaning)) {
		m := long
		change(&m)
		check(name, m.headline())
	}
	say("the reference clips", func(m *meaning) { m.kind, m.onReference = clippedInput, true })
	say("the microphone clips", func(m *meaning) { m.kind = clippedInput })
	say("no reference", func(m *meaning) { m.kind = silentReference })
	say("no microphone", func(m *meaning) { m.kind = silentMicrophone })
	say("ahead", func(m *meaning) { m.kind = ahead })
	say("too quiet, growing", func(m *meaning) { m.kind, m.grows, m.waitS = tooQuiet, true, 599 })
	say("too quiet for any time", func(m *meaning) { m.kind, m.snrDB = tooQuiet, math.Inf(-1) })
	say("crosstalk", func(m *meaning) { m.kind, m.leak.Into = heard, crosstalk.Microphone })
	say("peaks cut", func(m *meaning) { m.kind, m.notLinear = heard, linearity.Clipping })
	say("perhaps the same polarity", func(m *meaning) { m.kind, m.sign, m.certainty = heard, 1, wire.Likely })
	say("with the reference", func(m *meaning) { m.kind, m.sign, m.certainty, m.delayMs = heard, 1, wire.Sure, 0.001 })
	for _, sure := range []string{wire.Sure, wire.Likely} {
		say("the fourteenth of several inverted, "+sure, func(m *meaning) {
			m.kind, m.sign, m.certainty, m.n = heard, -1, sure, 2
			m.arrivals[0], m.arrivals[1] = arrival.Arrival{DelayMs: 1234.56, Sign: -1}, arrival.Arrival{DelayMs: 1300, Sign: 1}
			m.index[0], m.index[1] = 14, 15
		})
	}
	// Of three loudspeakers the middle one is inverted, and the last is louder.
	say("the second of three inverted", func(m *meaning) {
		m.kind, m.sign, m.certainty, m.n, m.delayMs = heard, 1, wire.Sure, 2, 40.6
		m.arrivals[0], m.arrivals[1] = arrival.Arrival{DelayMs: 30, LevelDB: -1, Sign: -1}, arrival.Arrival{DelayMs: 40.6, Sign: 1}
		m.index[0], m.index[1] = 2, 3
	})
	for _, sure := range []string{wire.Sure, wire.Likely} {
		say("both inverted, "+sure, func(m *meaning) {
			m.kind, m.sign, m.certainty, m.n = heard, -1, sure, 2
			m.arrivals[0], m.arrivals[1] = arrival.Arrival{DelayMs: 22, Sign: -1}, arrival.Arrival{DelayMs: 30, Sign: -1}
			m.index[0], m.index[1] = 14, 15
		})
	}
	say("likely in a band of its own", func(m *meaning) {
		m.kind, m.sign, m.certainty, m.signLow, m.signHigh = heard, 1, wire.Likely, 280, 1300
	})
	say("the clocks drift under two arrivals", func(m *meaning) {
		m.kind, m.sign, m.certainty, m.n, m.movement.Kind = heard, 1, wire.Sure, 2, stationarity.Drifts
	})
	say("the reference repeats", func(m *meaning) { m.kind, m.sign, m.certainty, m.periodMs = heard, 1, wire.Sure, 1365.3 })
	for _, sign := range []int{1, -1} {
		say("far apart", func(m *meaning) {
			m.kind, m.sign, m.certainty, m.n = heard, 1, wire.Sure, 2
			m.arrivals[0], m.arrivals[1] = arrival.Arrival{DelayMs: 1, Sign: 1}, arrival.Arrival{DelayMs: 1300, Sign: sign}
			m.index[0], m.index[1] = 14, 15
		})
	}
	check("waiting", Waiting("desk").Headline)
	check("stale", Stale(time.Time{}, "desk", "").Headline)

	const golden = "testdata/sentences.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the sentences have changed: look at them, and run with -update\n%s", b.String())
	}
}

// An arrival is the same one within a decibel, whatever its level is.
func TestArrivalsOfOneLevelAreTheSame(t *testing.T) {
	a := meaning{kind: heard, n: 1, low: 63, high: 14000}
	a.arrivals[0] = arrival.Arrival{DelayMs: 20, LevelDB: -3, Sign: 1}
	for change, want := range map[float64]bool{0: true, 0.9: true, -0.9: true, 1: false, -1.1: false} {
		b := a
		b.arrivals[0].LevelDB += change
		if same(&a, &b) != want {
			t.Errorf("%+.1f dB: same is %v", change, !want)
		}
	}
}

// What is trusted from the first point on to the last is so from there to there.
func TestTrustedEverywhere(t *testing.T) {
	c := frametest.Curve(10, 30000)
	for i := range c.Coherence {
		c.Coherence[i] = 0.9
	}
	if low, high := heardBand(&c); low != c.FrequencyHz[0] || high != c.FrequencyHz[len(c.FrequencyHz)-1] {
		t.Errorf("from %g to %g Hz", low, high)
	}
}
