package daemon

import (
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/analyze/setting"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// likeTheStop is why the race detector does without most of these.
const likeTheStop = "as many goroutines as in TestDemoReferenceStops, and minutes of sound"

// said makes a test of both: with the rig's own word that something was changed,
// and without, as on a device.
func said(t *testing.T, visit func(t *testing.T, unmarked bool)) {
	t.Helper()
	t.Run("said", func(t *testing.T) { visit(t, false) })
	t.Run("unsaid", func(t *testing.T) { visit(t, true) })
}

func speaker(name string, p wire.LoudspeakerPatch) stream.RigPatch {
	return stream.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{name: p}}
}

// demo changes the demo's rig once it has been heard for a while, and hands over
// what is told three seconds later; all of it must be so.
func demo(t *testing.T, p stream.RigPatch, check func(t *testing.T, m *wire.Microphone)) {
	said(t, func(t *testing.T, unmarked bool) {
		open(t, rig.Demo(), unmarked, func(v *venue) {
			v.wait(5 * time.Second)
			v.change(p)
			v.wait(3 * time.Second)
			m := &v.frame().Microphones[0]
			wrong, missing := judge(v.r.Scene(), m)
			for _, w := range append(wrong, missing...) {
				t.Error(w)
			}
			check(t, m)
			if t.Failed() {
				t.Logf("%s %s", list(m.Arrivals), m.Verdict)
			}
		})
	})
}

// at is the arrival at ms; its level is −Inf if there is none.
func at(m *wire.Microphone, ms float64) wire.ArrivalObject {
	for _, a := range m.Arrivals {
		if math.Abs(float64(a.DelayMs)-ms) < timeMs {
			return a
		}
	}
	return wire.ArrivalObject{LevelDB: wire.Value(math.Inf(-1))}
}

// Where the direct sounds of the demo arrive.
func demoTimes() (main, fill float64) {
	s := rig.Demo()
	return 1000 * s.ArrivalS(0, 0), 1000 * s.ArrivalS(1, 0)
}

func TestDemoFillTurnedToTheSamePolarity(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	same := rig.Same
	_, fill := demoTimes()
	demo(t, speaker("fill", wire.LoudspeakerPatch{Polarity: &same}), func(t *testing.T, m *wire.Microphone) {
		if a := at(m, fill); a.Polarity != "same" {
			t.Errorf("the fill: %+v, want same", a)
		}
		if m.Polarity.Verdict == "opposite" || strings.Contains(m.Verdict, "pposite") || strings.Contains(m.Verdict, "inverted") {
			t.Errorf("%s; %s", m.Polarity.Verdict, m.Verdict)
		}
	})
}

func TestDemoFillMuted(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	mute := true
	main, fill := demoTimes()
	demo(t, speaker("fill", wire.LoudspeakerPatch{Mute: &mute}), func(t *testing.T, m *wire.Microphone) {
		if a := at(m, fill); !math.IsInf(float64(a.LevelDB), -1) {
			t.Errorf("the fill is muted, but arrives: %+v", a)
		}
		if math.Abs(float64(m.DelayMs)-main) > timeMs {
			t.Errorf("delay %.2f ms, the main's is %.2f", float64(m.DelayMs), main)
		}
	})
}

// The one that is followed falls silent, and the other takes over.
func TestDemoMainMuted(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	mute := true
	_, fill := demoTimes()
	demo(t, speaker("main", wire.LoudspeakerPatch{Mute: &mute}), func(t *testing.T, m *wire.Microphone) {
		if math.Abs(float64(m.DelayMs)-fill) > timeMs || m.Polarity.Verdict != "opposite" {
			t.Errorf("delay %.2f ms, %s; the fill's is %.2f, opposite", float64(m.DelayMs), m.Polarity.Verdict, fill)
		}
		if !strings.Contains(m.Verdict, "Opposite polarity to") && !strings.Contains(m.Verdict, "is inverted") {
			t.Error(m.Verdict)
		}
	})
}

func TestDemoAllMuted(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	mute := true
	p := speaker("main", wire.LoudspeakerPatch{Mute: &mute})
	p.Loudspeakers["fill"] = wire.LoudspeakerPatch{Mute: &mute}
	demo(t, p, func(t *testing.T, m *wire.Microphone) {
		if m.Reason == nil || *m.Reason == "" {
			t.Errorf("no reason: %s", m.Verdict)
		}
	})
}

func TestDemoReferenceStops(t *testing.T) {
	open(t, rig.Demo(), true, func(v *venue) {
		v.wait(5 * time.Second)
		v.cut.Store(true)
		v.wait(3 * time.Second)
		if m := &v.frame().Microphones[0]; !strings.Contains(m.Verdict, "Nothing on the reference channel") || len(m.Arrivals) > 0 || m.Polarity.Verdict != "undecided" {
			t.Error(m.Verdict, list(m.Arrivals), m.Polarity.Verdict)
		}
		v.cut.Store(false)
		v.wait(3 * time.Second)
		wrong, missing := judge(v.r.Scene(), &v.frame().Microphones[0])
		for _, w := range append(wrong, missing...) {
			t.Error(w)
		}
	})
}

// The microphone is carried to where the fill comes first, and by far the louder.
func TestDemoMicrophoneMovedSoThatTheOrderSwaps(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	to := wire.Position{4.2, 9.0, 1.2}
	none := 0.0
	p := stream.RigPatch{Microphones: map[string]wire.MicrophonePatch{"seat 1": {PositionM: &to}}}
	p.Loudspeakers = map[string]wire.LoudspeakerPatch{"fill": {DelayMs: &none}}
	demo(t, p, func(t *testing.T, m *wire.Microphone) {
		if len(m.Arrivals) < 2 || m.Arrivals[0].Polarity != "opposite" {
			t.Errorf("the fill, opposite, is the first now: %s", list(m.Arrivals))
		}
		for i := 1; i < len(m.Arrivals); i++ {
			if m.Arrivals[i].DelayMs < m.Arrivals[i-1].DelayMs {
				t.Errorf("out of order: %s", list(m.Arrivals))
			}
		}
	})
}

// Each of the two lags the other in turn, as the slider of a delay is pulled to
// and fro: no comb is ever of a negative frequency.
func TestDemoDelayPulledToAndFro(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	said(t, func(t *testing.T, unmarked bool) {
		open(t, rig.Demo(), unmarked, func(v *venue) {
			v.wait(3 * time.Second)
			for i := range 60 {
				ms := 5.4 + 5*math.Sin(float64(i)/8)
				v.change(speaker("fill", wire.LoudspeakerPatch{DelayMs: &ms}))
				v.wait(100 * time.Millisecond)
				m := &v.frame().Microphones[0]
				if minusHz.MatchString(m.Verdict) {
					t.Fatal(m.Verdict)
				}
				for k := 1; k < len(m.Arrivals); k++ {
					if m.Arrivals[k].DelayMs < m.Arrivals[k-1].DelayMs {
						t.Fatalf("out of order: %s", list(m.Arrivals))
					}
				}
			}
			v.wait(3 * time.Second)
			wrong, missing := judge(v.r.Scene(), &v.frame().Microphones[0])
			for _, w := range append(wrong, missing...) {
				t.Error(w)
			}
		})
	})
}

// What changes while the averages are held is told once they go on.
func TestDemoFillTurnedOnHold(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	said(t, func(t *testing.T, unmarked bool) {
		open(t, rig.Demo(), unmarked, func(v *venue) {
			v.wait(4 * time.Second)
			hold, same := true, rig.Same
			v.set(stream.SettingsPatch{Hold: &hold})
			v.change(speaker("fill", wire.LoudspeakerPatch{Polarity: &same}))
			v.wait(2 * time.Second)
			if m := v.frame().Microphones[0]; !strings.HasPrefix(m.Verdict, "On hold. ") {
				t.Error(m.Verdict)
			}
			hold = false
			v.set(stream.SettingsPatch{Hold: &hold})
			v.wait(3 * time.Second)
			wrong, missing := judge(v.r.Scene(), &v.frame().Microphones[0])
			for _, w := range append(wrong, missing...) {
				t.Error(w)
			}
		})
	})
}

// Averages that never forget do when the path is another: a gain that nobody
// spoke of is in the curve three seconds later.
func TestDemoGainIsInTheCurve(t *testing.T) {
	raced.NotFor(t, likeTheStop)
	said(t, func(t *testing.T, unmarked bool) {
		scene := rig.Demo()
		scene.Loudspeakers = scene.Loudspeakers[:1]
		open(t, scene, unmarked, func(v *venue) {
			infinite := setting.AverageInfinite
			v.set(stream.SettingsPatch{Averaging: &wire.AveragingPatch{Mode: &infinite}})
			v.wait(6 * time.Second)
			before := v.frame().Microphones[0]
			gain := scene.Loudspeakers[0].GainDB - 6
			v.change(speaker("main", wire.LoudspeakerPatch{GainDB: &gain}))
			v.wait(3 * time.Second)
			after := v.frame().Microphones[0]
			sum, n := 0.0, 0
			for i, hz := range after.FrequencyHz {
				if d := float64(after.MagnitudeDB[i] - before.MagnitudeDB[i]); hz > 500 && hz < 8000 && !math.IsNaN(d) {
					sum += d
					n++
				}
			}
			if off := sum/float64(n) + 6; n < 100 || math.Abs(off) > 0.5 {
				t.Errorf("the curve is off by %.2f dB, mean of %d points", off, n)
			}
		})
	})
}
