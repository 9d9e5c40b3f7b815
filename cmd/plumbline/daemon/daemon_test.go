package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/analyze/setting"
	"plumbline/capture"
	"plumbline/capture/leak"
	"plumbline/capture/rig"
	"plumbline/stream"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

// script is a source that does what its test tells it to: the reference is
// noise, channel 2 the same 480 samples later and half as loud, channel 3 is
// channel 2 reversed.
type script struct {
	feed   chan int // frames to deliver
	mark   chan capture.Gap
	end    chan error
	status atomic.Pointer[capture.Status]
}

const scriptRate = 48000

func newScript() *script {
	s := &script{feed: make(chan int), mark: make(chan capture.Gap), end: make(chan error, 1)}
	s.status.Store(&capture.Status{State: capture.Running})
	return s
}

func (s *script) Info() capture.Info {
	return capture.Info{Kind: "device", Name: "script", SampleRateHz: scriptRate, Channels: []string{"one", "two", "three"}}
}
func (s *script) Status() capture.Status     { return *s.status.Load() }
func (s *script) Counters() capture.Counters { return capture.Counters{} }

func (s *script) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	r := rand.New(rand.NewPCG(1, 1))
	var past [480]float32
	at := 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-s.end:
			return err
		case g := <-s.mark:
			out.Mark(g)
		case n := <-s.feed:
			block := make([]float32, 0, 3*n)
			for range n {
				x := float32(r.NormFloat64() * 0.1)
				y := past[at] / 2
				past[at], at = x, (at+1)%len(past)
				block = append(block, x, y, -y)
			}
			if err := out.Offer(ctx, block); err != nil {
				return nil
			}
		}
	}
}

// play delivers seconds of sound, as fast as it goes.
func (s *script) play(t *testing.T, seconds float64) {
	t.Helper()
	for left := int(seconds * scriptRate); left > 0; left -= 480 {
		select {
		case s.feed <- min(480, left):
		case <-time.After(3 * time.Minute):
			t.Fatal("the source is not run")
		}
	}
}

// daemonUnderTest runs a daemon for the time of a test.
func daemonUnderTest(t *testing.T, cfg Config) (d *Daemon, url string) {
	t.Helper()
	cfg.stopWithin = time.Minute // other work may hold it up
	d, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if _, err := d.Change(context.Background(), stream.SettingsPatch{}, "late"); err == nil {
			t.Error("a daemon that has ended takes changes")
		}
	})
	return d, "http://" + l.Addr().String()
}

// frame is the newest frame; it is the zero Object before the first.
func frame(t *testing.T, url string) (o wire.Object) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url+"/api/v1/frame", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Close = true
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return o
	}
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &o); err != nil {
		t.Fatal(err)
	}
	return o
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(3 * time.Minute); !ok(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("never: %s", what)
		}
	}
}

// after waits until so many frames are published and returns the newest.
func after(t *testing.T, url string, frames uint64) (o wire.Object) {
	t.Helper()
	eventually(t, "enough frames", func() bool {
		o = frame(t, url)
		return o.Seq >= frames
	})
	return o
}

func TestTwentyFramesForASecondOfAudio(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s})
	s.play(t, 3.02)
	o := after(t, url, 60)
	if o.Seq != 60 || o.Sample != 3*scriptRate {
		t.Errorf("frame %d at sample %d, want 60 at %d", o.Seq, o.Sample, 3*scriptRate)
	}
	if len(o.Microphones) != 2 || math.Abs(float64(o.Microphones[0].DelayMs)-10) > 0.01 {
		t.Errorf("%d microphones, delay %g ms", len(o.Microphones), float64(o.Microphones[0].DelayMs))
	}
	st := d.State()
	if st.Settings.Reference != 1 || len(st.Settings.Microphones) != 2 || st.Source.State != "running" || st.Epoch != 1 {
		t.Errorf("state %+v", st)
	}
}

func TestGapsAreCounted(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s})
	s.play(t, 0.5)
	s.mark <- capture.Gap{Cause: capture.Overflow, LostFrames: 1000}
	s.play(t, 0.25)
	s.mark <- capture.Gap{Changed: true} // on purpose: nothing was lost
	s.play(t, 0.25)
	o := after(t, url, 20)
	if o.Gaps != 1 {
		t.Errorf("%d gaps, want 1", o.Gaps)
	}
	eventually(t, "the state to count the gap", func() bool { return d.State().Counters.Gaps == 1 })
	if o.Sample <= scriptRate || o.Sample > scriptRate+1000 {
		t.Errorf("sample %d: lost samples are part of the time", o.Sample)
	}

	// What was lost in a change does not hide the change.
	s.mark <- capture.Gap{Cause: capture.Full, LostFrames: 10, Changed: true}
	s.play(t, 0.25)
	if o := after(t, url, 24); o.Gaps != 2 || float64(o.AveragedS) > 0.3 {
		t.Errorf("%d gaps, averages of %.2f s; want 2 and at most 0.25", o.Gaps, float64(o.AveragedS))
	}
}

func TestOtherChannelsAreANewEpoch(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s, Microphones: []int{2}})
	s.play(t, 1)
	before := after(t, url, 20)

	reference := 3
	st, err := d.Change(t.Context(), stream.SettingsPatch{Reference: &reference, Microphones: []int{2, 1}}, "tester")
	if err != nil {
		t.Fatal(err)
	}
	if st.Epoch != 2 || st.ChangedBy != "tester" || st.Revision <= 1 || len(st.Settings.Delay) != 2 {
		t.Errorf("state %+v", st)
	}
	s.play(t, 1)
	o := after(t, url, before.Seq+20)
	if o.Epoch != 2 || o.Sample != 2*scriptRate || o.Reference.Channel != 3 || o.Microphones[0].Channel != 1 {
		t.Errorf("epoch %d, sample %d, reference %d, microphone %d", o.Epoch, o.Sample, o.Reference.Channel, o.Microphones[0].Channel)
	}

	wrong := 4
	if _, err := d.Change(t.Context(), stream.SettingsPatch{Reference: &wrong}, "tester"); err == nil || d.State().Settings.Reference != 3 {
		t.Errorf("channel 4 of 3 is taken: %v", err)
	}
}

func TestFixingADelayKeepsWhatWasFound(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s, Microphones: []int{2}})
	s.play(t, 3)
	after(t, url, 60)
	fixed := setting.DelayFixed
	st, err := d.Change(t.Context(), stream.SettingsPatch{Delay: []wire.DelayPatch{{Microphone: 2, Mode: &fixed}}}, "tester")
	if err != nil {
		t.Fatal(err)
	}
	if got := st.Settings.Delay[0]; got.Mode != fixed || math.Abs(got.Ms-10) > 0.01 {
		t.Errorf("fixed at %+v, want 10 ms", got)
	}
	s.play(t, 0.1)
	if m := after(t, url, 62).Microphones[0]; !m.DelayFixed || math.Abs(float64(m.DelayMs)-10) > 0.01 {
		t.Errorf("delay %g, fixed %v", float64(m.DelayMs), m.DelayFixed)
	}
}

func TestMeasuringUntilSureHoldsAndBeginsAgain(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s, Microphones: []int{2}})
	s.play(t, 2)
	after(t, url, 40)
	mode, within, low, high := setting.AverageUntil, 1.0, 500.0, 5000.0
	if _, err := d.Change(t.Context(), stream.SettingsPatch{Averaging: &wire.AveragingPatch{Mode: &mode, WithinDB: &within, LowHz: &low, HighHz: &high}}, "tester"); err != nil {
		t.Fatal(err)
	}
	sure := func() bool {
		s.play(t, 0.1)
		st := d.State()
		return st.Settings.Hold && st.Progress != nil && st.Progress.Done && float64(st.Progress.WidthDB) <= within
	}
	eventually(t, "to be sure and hold", sure)
	if err := d.Reset(t.Context(), "tester"); err != nil {
		t.Fatal(err)
	}
	if st := d.State(); st.Settings.Hold || st.Progress != nil {
		t.Errorf("after the reset it holds: %v, progress %v", st.Settings.Hold, st.Progress)
	}
	eventually(t, "to be sure again", sure)
}

// A source that fails must not take the pages with it.
func TestServesOnWhenTheSourceFails(t *testing.T) {
	s := newScript()
	d, url := daemonUnderTest(t, Config{Source: s})
	s.play(t, 0.1)
	after(t, url, 2)
	s.end <- errors.New("the cable is cut")
	eventually(t, "the state to say why", func() bool {
		src := d.State().Source
		return src.State == "failed" && src.Text == "the cable is cut"
	})
	if o := frame(t, url); o.Seq != 2 {
		t.Errorf("frame %d", o.Seq)
	}
}

func TestALostSourceIsSeen(t *testing.T) {
	s := newScript()
	d, _ := daemonUnderTest(t, Config{Source: s})
	for _, status := range []capture.Status{
		{State: capture.Lost, Text: "unplugged"},
		{State: capture.Running},
		{State: capture.Stalled, Text: "nothing arrives"},
	} {
		s.status.Store(&status)
		eventually(t, "the state "+status.State.String(), func() bool {
			src := d.State().Source
			return src.State == status.State.String() && src.Text == status.Text
		})
	}
}

func TestNewRefuses(t *testing.T) {
	for name, cfg := range map[string]Config{
		"no source":        {},
		"no such channel":  {Source: newScript(), Reference: 4},
		"reference as mic": {Source: newScript(), Reference: 1, Microphones: []int{1}},
		"no microphone":    {Source: newScript(), Microphones: []int{}},
	} {
		if _, err := New(cfg); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

func TestScenesSurviveTheWire(t *testing.T) {
	want := rig.Demo()
	if got := sceneFromWire(sceneToWire(want)); !equalJSON(t, got, want) {
		t.Errorf("%+v\nwant %+v", got, want)
	}
}

func equalJSON(t *testing.T, a, b any) bool {
	t.Helper()
	x, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return string(x) == string(y)
}
