package analyze

import (
	"cmp"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/truth"
	"plumbline/analyze/setting"
	"plumbline/analyze/stationarity"
)

// pumped drives a Live as the daemon does: blocks of a device's size, cut where a
// frame is due, and 20 frames a second of the sample clock, lost samples counted.
type pumped struct {
	live     *Live
	channels int
	sample   uint64
	next     uint64
	frames   int
	last     *Frame
}

const (
	deviceBlock = 480       // 10 ms
	frameEvery  = rate / 20 // samples
)

func pump(l *Live, channels int) *pumped {
	return &pumped{live: l, channels: channels, next: frameEvery}
}

func (p *pumped) feed(audio []float32) {
	for len(audio) > 0 {
		n := min(deviceBlock, int(p.next-p.sample), len(audio)/p.channels)
		p.live.Feed(audio[:n*p.channels])
		audio = audio[n*p.channels:]
		p.sample += uint64(n)
		p.due()
	}
}

// lose is a gap, and the block behind it, which makes a frame if one became due.
func (p *pumped) lose(lost uint64, behind []float32) {
	p.live.Gap(lost)
	n := min(deviceBlock, len(behind)/p.channels)
	p.live.Feed(behind[:n*p.channels])
	p.sample += lost + uint64(n)
	p.due()
	p.feed(behind[n*p.channels:])
}

func (p *pumped) due() {
	if p.sample >= p.next {
		p.last, p.frames = p.live.Frame(), p.frames+1
		p.next = p.sample + frameEvery
	}
}

// A segment is of the fixed window's length and starts on a multiple of the hop, the
// microphone's later by the delay. So whole ones are in n samples that follow on
// each other from index from on, of those that end after index after:
func segments(from, to, after, window, hop, delay int) int {
	first := (from + hop - 1) / hop * hop
	n := 0
	for s := first; s+window+delay <= to; s += hop {
		if s+window+delay > after {
			n++
		}
	}
	return n
}

// The time that a frame states is what its averages hold: the number of segments,
// weighted as each averaging weighs them, times the hop. A gap costs the segments
// that span it and no more, of however many samples it is; a reset drops what was
// averaged, not the samples that wait for their segment to be whole.
func TestAveragedTimeIsWhatWentIn(t *testing.T) {
	const shortest = 2048 // window of the multi-resolution grid that is counted by
	for i, c := range []struct {
		name   string
		window int
		avg    setting.Averaging
	}{
		{"all, multi-resolution", 0, setting.Averaging{Mode: setting.AverageInfinite}},
		{"all, 8192", 8192, setting.Averaging{Mode: setting.AverageInfinite}},
		{"until sure", 8192, setting.Averaging{Mode: setting.AverageUntil, WithinDB: 0.05, LowHz: 100, HighHz: 10000}},
		{"2 s", 0, setting.Averaging{Mode: setting.AverageTime, Seconds: 2}},
		{"0.3 s", 4096, setting.Averaging{Mode: setting.AverageTime, Seconds: 0.3}},
		{"8 s", 16384, setting.Averaging{Mode: setting.AverageTime, Seconds: 8}},
		{"16 segments", 4096, setting.Averaging{Mode: setting.AverageCount, Count: 16}},
		{"1000 segments", 4096, setting.Averaging{Mode: setting.AverageCount, Count: 1000}},
	} {
		if i%2 == 1 && !truth.Thorough {
			continue // the same with another number
		}
		t.Run(c.name, func(t *testing.T) {
			const delay = 480
			l := newLive(t, 2, func(s *setting.Settings) {
				c.avg.Seconds, c.avg.Count = cmp.Or(c.avg.Seconds, s.Averaging.Seconds), cmp.Or(c.avg.Count, s.Averaging.Count)
				c.avg.WithinDB, c.avg.LowHz, c.avg.HighHz = cmp.Or(c.avg.WithinDB, s.Averaging.WithinDB), cmp.Or(c.avg.LowHz, s.Averaging.LowHz), cmp.Or(c.avg.HighHz, s.Averaging.HighHz)
				s.Window, s.Averaging, s.Delay = setting.Window(c.window), c.avg, []setting.Delay{{Microphone: 2, Mode: setting.DelayFixed, Ms: 10}}
			})
			window := c.window
			if window == 0 {
				window = shortest
			}
			hop := window / 4
			// The seconds that so many segments are worth.
			worth := func(n int) float64 {
				weight := 0.0
				for range n {
					switch c.avg.Mode {
					case setting.AverageInfinite, setting.AverageUntil:
						weight++
					case setting.AverageTime:
						weight = weight*math.Exp(-float64(hop)/rate/c.avg.Seconds) + 1
					default:
						weight = min(weight+1, float64(c.avg.Count))
					}
				}
				return weight * float64(hop) / rate
			}
			p := pump(l, 2)
			check := func(when string, segments int) {
				t.Helper()
				p.last = l.Frame()
				if p.last.Bursts != 0 {
					t.Fatalf("%s: %d bursts in even noise", when, p.last.Bursts)
				}
				if want := worth(segments); math.Abs(p.last.AveragedS-want) > 1e-9 {
					t.Errorf("%s: %.4f s are said to be averaged, %.4f s went in", when, p.last.AveragedS, want)
				}
			}
			// The microphone's own noise keeps a measurement with a goal from reaching it.
			audio, rng := rig48(11, 9*rate, 2, delay, -1)[2*rate:], rand.New(rand.NewPCG(11, 11))
			for i := 1; i < len(audio); i += 2 {
				audio[i] += 0.01 * float32(rng.NormFloat64())
			}
			at := func(sample int) int { return 2 * sample }
			const begun, gapAt, skip, gap2, resetAt, end = rate, 2*rate + 1234, 777, 3*rate + 99, 4*rate + 4321, 7*rate + 17
			p.feed(audio[:at(begun)])
			l.estimator.Reset() // the delay is found, too, and no search begins them anew
			check("at the beginning", 0)
			p.feed(audio[at(begun):at(gapAt)])
			one := segments(0, gapAt, begun, window, hop, delay)
			check("before the gap", one)
			// What was lost is neither heard nor counted by the averages, whose own
			// index goes on.
			audio = audio[at(skip):]
			p.lose(skip, audio[at(gapAt):at(gap2)])
			two := one + segments(gapAt, gap2, begun, window, hop, delay)
			check("after the gap", two)
			p.lose(0, audio[at(gap2):at(resetAt)])
			check("after another, of unknown length", two+segments(gap2, resetAt, begun, window, hop, delay))
			l.Reset()
			check("after a reset", 0)
			// The delay is searched for anew and found within half a second, and the
			// averages begin when it is known to have been like that.
			p.feed(audio[at(resetAt):at(end)])
			least := worth(segments(resetAt+rate/4, end, 0, window, hop, delay))
			most := worth(segments(gap2, end, resetAt, window, hop, delay))
			if got := l.Frame().AveragedS; got < least || got > most {
				t.Errorf("3 s after the reset: %.4f s are said to be averaged, %.4f…%.4f s went in", got, least, most)
			}
		})
	}
}

// The averages of a path without noise are exact, coherence 1, and stay so however
// much is lost of it, how often, or back to where the sound jumps: no segment spans
// a gap. The delay, which is followed by windows of its own, stays found, too, and
// nothing is taken for a change of the path.
func TestGapsSpoilNothing(t *testing.T) {
	// About 200 ms, so long does the microphone hear a lost reference, and whole
	// samples at the lowest rate too, so that nothing but a gap costs coherence.
	const delay, delayMs = 38 * 256, 38 * 256 / 48.0
	audio := rig48(12, 13*rate, 2, delay, -1)[2*rate:]
	for kind, c := range []struct {
		name string
		lost func(i int) (lost uint64, jump int)
	}{
		{"every 0.7 s, some milliseconds", func(i int) (uint64, int) { return uint64(500 + 37*i), 500 + 37*i }},
		{"every 0.7 s, of unknown length", func(i int) (uint64, int) { return 0, 1000 }},
		{"a replay that begins again", func(i int) (uint64, int) { return 0, -20000 }},
		{"twelve hours each", func(i int) (uint64, int) { return 12 * 3600 * rate, 4000 }},
	} {
		for _, fixed := range []bool{true, false} {
			if fixed != (kind%2 == 0) && !truth.Thorough {
				continue
			}
			l := newLive(t, 2, func(s *setting.Settings) {
				s.Averaging.Mode = setting.AverageInfinite
				if fixed {
					s.Delay = []setting.Delay{{Microphone: 2, Mode: setting.DelayFixed, Ms: delayMs}}
				}
			})
			p := pump(l, 2)
			const before, part = 4 * rate, 7 * rate / 10
			p.feed(audio[:2*before])
			averaged := p.last.AveragedS
			if averaged < 2 {
				t.Fatalf("%s: %.2f s averaged in 4 s", c.name, averaged)
			}
			at, heard, frames, changes := before, 0, p.frames, l.mics[0].follower.Changes()
			for i := range 8 {
				lost, jump := c.lost(i)
				at += jump
				end := p.sample + lost + part
				p.lose(lost, audio[2*at:2*(at+part)])
				at, heard = at+part, heard+part
				f := p.last
				m := &f.Microphones[0]
				if f.Gaps != uint64(i+1) || f.Sample > end || f.Sample+frameEvery < end {
					t.Errorf("%s, fixed %v: gap %d: %d gaps, sample %d of %d", c.name, fixed, i, f.Gaps, f.Sample, end)
				}
				if !(math.Abs(m.DelayMs-delayMs) < 0.001) {
					t.Errorf("%s, fixed %v: after gap %d the delay is %.4f ms %s", c.name, fixed, i, m.DelayMs, m.DelayReason)
				}
				for k, hz := range m.Curve.FrequencyHz {
					// The halved rates' filters and float32 leave 1e-6; a single segment in a
					// hundred that spans a gap takes 1e-2.
					if !(m.Curve.Coherence[k] > 1-1e-5) {
						t.Errorf("%s, fixed %v: after gap %d the coherence is %.6f at %.0f Hz", c.name, fixed, i, m.Curve.Coherence[k], hz)
						break
					}
				}
				if len(m.Arrivals) != 1 || m.Polarity.Sign != -1 {
					t.Errorf("%s, fixed %v: after gap %d: %d arrivals, polarity %s", c.name, fixed, i, len(m.Arrivals), m.Polarity.Word())
				}
			}
			// Each gap costs the longest way from the first sample behind it to a segment
			// that is heard whole: window, delay, and up to a hop.
			least := float64(heard-8*(2048+delay+512)) / rate
			if got := p.last.AveragedS - averaged; got < least || got > float64(heard)/rate {
				t.Errorf("%s, fixed %v: %.3f s came to the averages, want %.3f…%.3f", c.name, fixed, got, least, float64(heard)/rate)
			}
			if n := p.frames - frames; n < heard/frameEvery-8 {
				t.Errorf("%s, fixed %v: %d frames in %.2f s", c.name, fixed, n, float64(heard)/rate)
			}
			if n := l.mics[0].follower.Changes() - changes; n != 0 {
				t.Errorf("%s, fixed %v: %d changes of a path that did not", c.name, fixed, n)
			}
		}
	}
}

// What moved while nothing was heard is no drift and no wander: the watch over the
// path begins anew behind a gap of more than two seconds.
func TestMovementDoesNotSpanALongGap(t *testing.T) {
	l := newLive(t, 2)
	p := pump(l, 2)
	rng := rand.New(rand.NewPCG(13, 13))
	x := make([]float32, 30*rate)
	for i := range x {
		x[i] = float32(rng.NormFloat64()) * 0.1
	}
	heard := func(from, to, delay int) []float32 {
		out := make([]float32, 0, 2*(to-from))
		for i := from; i < to; i++ {
			out = append(out, x[i], 0.5*x[i-delay])
		}
		return out
	}
	p.feed(heard(rate, 27*rate, 480))
	if k := p.last.Microphones[0].Movement.Kind; k != stationarity.Still {
		t.Fatalf("a path that stands is %v after 26 s", k)
	}
	p.lose(3600*rate, heard(27*rate, 29*rate, 480))
	if k := p.last.Microphones[0].Movement.Kind; k != stationarity.Unknown {
		t.Errorf("2 s after an hour of nothing the path is %v", k)
	}
}

// Samples at either rail are counted, of the reference and of the microphone each
// for itself, whatever block they fall into; a single one is none. Two that lie on
// both sides of a gap do not follow on each other. A reset begins anew.
func TestClippingIsCountedOfEachChannel(t *testing.T) {
	const reference, microphone = 0, 1
	for _, sign := range []float32{1, -1} {
		for channel, name := range []string{"reference", "microphone"} {
			audio := rig48(14, rate, 2, 100, 1)
			for i := range audio {
				audio[i] = min(max(audio[i], -0.5), 0.5)
			}
			clip := func(at, n int) {
				for i := range n {
					audio[2*(at+i)+channel] = sign
				}
			}
			clip(1000, 1)               // none
			clip(2*deviceBlock-3, 7)    // across two blocks
			clip(2*frameEvery-1, 2)     // across two frames
			clip(10*frameEvery, 20)     // a run
			const gap = 15 * frameEvery // not two in a row
			clip(gap-1, 2)
			p := pump(newLive(t, 2), 2)
			p.feed(audio[:2*gap])
			p.lose(5, audio[2*gap:])
			counts := func() [2]uint64 {
				f := p.live.Frame()
				return [2]uint64{reference: f.Reference.Clipped, microphone: f.Microphones[0].Clipped}
			}
			var want [2]uint64
			want[channel] = 7 + 2 + 20
			if got := counts(); got != want {
				t.Errorf("%s at %+g: %d counted, want %d (reference, microphone)", name, sign, got, want)
			}
			p.live.Reset()
			if got := counts(); got != [2]uint64{} {
				t.Errorf("%s at %+g: %d counted after a reset", name, sign, got)
			}
			p.feed(audio[2*(10*frameEvery-5) : 2*(10*frameEvery+100)])
			if want[channel] = 20; counts() != want {
				t.Errorf("%s at %+g: %d counted since the reset, want %d", name, sign, counts(), want)
			}
		}
	}
}

// A Live that follows on another goes on where that one was: its frames' sample
// index and the history, gaps and all, but not its averages.
func TestLiveThatFollowsOnAnother(t *testing.T) {
	audio := rig48(15, 4*rate, 2, 480, 1)
	one := newLive(t, 2)
	p := pump(one, 2)
	p.feed(audio[:2*rate])
	p.lose(12345, audio[2*rate:4*rate])
	two, err := NewLive(LiveConfig{SampleRateHz: rate, Channels: 2, Settings: setting.Default(2, []int{1}), History: one.History(), Epoch: 7})
	if err != nil {
		t.Fatal(err)
	}
	f := two.Frame()
	if f.Sample != 2*rate+12345 || f.Epoch != 7 || f.AveragedS != 0 {
		t.Errorf("sample %d, epoch %d, %.2f s averaged", f.Sample, f.Epoch, f.AveragedS)
	}
	p = &pumped{live: two, channels: 2, sample: f.Sample, next: f.Sample + frameEvery}
	p.feed(audio[4*rate:])
	if p.last.Sample != 4*rate+12345 || two.History().Unbroken() != 3*rate {
		t.Errorf("sample %d, %d unbroken", p.last.Sample, two.History().Unbroken())
	}
	// Turned round, the microphone is ahead.
	if m := &p.last.Microphones[0]; !(math.Abs(m.DelayMs+10) < 0.01) {
		t.Errorf("delay %.3f ms %s", m.DelayMs, m.DelayReason)
	}
}
