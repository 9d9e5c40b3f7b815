package daemon

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"testing"

	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// conducted is a virtual rig that plays when its test asks for it, no faster than
// the room takes it: sample for sample what it plays by the clock.
type conducted struct {
	*rig.Rig
	inner *capture.Ring
	asks  chan float64
	done  chan struct{}
}

func conduct(r *rig.Rig) *conducted {
	return &conducted{r, capture.NewRing(len(r.Info().Channels), 2048), make(chan float64), make(chan struct{})}
}

func (c *conducted) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	ended := make(chan error, 1)
	go func() { ended <- c.Rig.Run(ctx, c.inner) }()
	channels := c.inner.Channels()
	block := make([]float32, 512*channels)
	for {
		select {
		case <-ctx.Done():
			return <-ended
		case seconds := <-c.asks:
			for left := int(seconds * float64(c.Info().SampleRateHz)); left > 0; {
				if c.inner.Wait(ctx) != nil {
					return <-ended
				}
				n, _, gap := c.inner.Read(block)
				if gap != (capture.Gap{}) {
					out.Mark(gap)
				}
				if n > 0 && out.Offer(ctx, block[:n*channels]) != nil {
					return <-ended
				}
				left -= n
			}
			c.done <- struct{}{}
		}
	}
}

// audience is a daemon on a conducted rig whose microphone is watched.
type audience struct {
	*hall
	src  *conducted
	page *walker
	seen int // events
}

// watchedRig takes each loudspeaker of a scene alone and all together, and watches
// the microphone against that.
func watchedRig(t *testing.T, scene rig.Scene) *audience {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	if err := Furnish(x, scene); err != nil {
		t.Fatal(err)
	}
	r, err := rig.New(scene, rig.Config{})
	if err != nil {
		t.Fatal(err)
	}
	src := conduct(r)
	d, url := daemonUnderTest(t, Config{Source: src, Rig: r, Shelf: shelf})
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections() })
	a := &audience{hall: &hall{t: t, d: d, url: url, shelf: shelf, scene: scene}, src: src}
	a.page = a.walk()
	var names []string
	for _, l := range scene.Loudspeakers {
		names = append(names, l.Name)
	}
	for _, only := range names {
		a.mute(func(name string) bool { return name != only })
		a.play(7)
		a.take(5, only)
	}
	a.mute(func(string) bool { return false })
	a.play(15)
	id := a.take(13, names...)
	a.must("POST", "/api/v1/watch", a.page.name, wire.WatchRequest{Microphone: 2, Take: id}, nil)
	eventually(t, "the baseline is learnt", func() bool { return a.watch().State == wire.WatchListens })
	if parts := a.watch().Loudspeakers; len(parts) != len(names) || parts[0].Take == 0 && len(names) > 1 {
		t.Fatalf("known by %+v", parts)
	}
	return a
}

// play has the rig play, and waits until the room has heard it.
func (a *audience) play(seconds float64) {
	a.t.Helper()
	for ; seconds > 0; seconds -= 0.5 {
		a.src.asks <- min(seconds, 0.5)
		<-a.src.done
		eventually(a.t, "the room has heard it", func() bool {
			return a.d.ring.Len() == 0 && a.d.room.watch.Ring().Len() == 0 && a.d.room.levels.Ring().Len() == 0
		})
	}
}

func (a *audience) patch(p wire.RigPatch) {
	a.t.Helper()
	a.must("PATCH", "/api/v1/rig", a.page.name, p, nil)
}

func (a *audience) mute(mute func(name string) bool) {
	a.t.Helper()
	p := wire.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{}}
	for _, l := range a.scene.Loudspeakers {
		m := mute(l.Name)
		p.Loudspeakers[l.Name] = wire.LoudspeakerPatch{Mute: &m}
	}
	a.patch(p)
}

func (a *audience) take(seconds float64, playing ...string) int64 {
	a.t.Helper()
	var take struct {
		ID int64 `json:"id"`
	}
	a.must("POST", "/api/v1/show/takes", a.page.name, map[string]any{"seat": 1, "playing": playing, "audio_s": seconds, "force": true}, &take)
	return take.ID
}

// watch is how the watch stands now: what is published next.
func (a *audience) watch() wire.Watch {
	a.t.Helper()
	var w wire.Watches
	first := uint64(0)
	eventually(a.t, "a new state is published", func() bool {
		a.must("GET", "/api/v1/watch", a.page.name, nil, &w)
		if first == 0 {
			first = w.Revision
		}
		return w.Revision > first && len(w.Watches) == 1
	})
	return w.Watches[0]
}

// events are those since the last call, the oldest first.
func (a *audience) events() []wire.Event {
	a.t.Helper()
	var e wire.Events
	found := int(a.watch().Events)
	eventually(a.t, "all events are kept", func() bool {
		a.must("GET", "/api/v1/events", a.page.name, nil, &e)
		return len(e.Events) == found
	})
	list := slices.Clone(e.Events[:len(e.Events)-a.seen])
	a.seen = len(e.Events)
	slices.Reverse(list)
	for _, x := range list {
		a.t.Logf("%s, %s: %s", x.Mark, x.Certainty, x.Text)
	}
	return list
}

// calm wants the microphone to be as the baseline within 15 s, and nothing new to
// be told but that.
func (a *audience) calm(after string) {
	a.t.Helper()
	a.play(15)
	for _, e := range a.events() {
		if e.Kind != "as before" || e.Mark != wire.Steady {
			a.t.Errorf("%s undone, and told: %s", after, e.Text)
		}
	}
	if w := a.watch(); w.Wrong != nil || w.Mark != wire.Steady || !strings.HasPrefix(w.Text, "Matches the baseline within 0.") {
		a.t.Errorf("15 s after %s was undone: %q", after, w.Text)
	}
}

// harmless wants that nobody is accused.
func (a *audience) harmless(what string) {
	a.t.Helper()
	for _, e := range a.events() {
		if e.Mark == wire.Act || e.Certainty == wire.Sure && e.Kind != "as before" {
			a.t.Errorf("%s: %s, %s: %s", what, e.Mark, e.Certainty, e.Text)
		}
	}
	if w := a.watch(); w.Mark == wire.Act {
		a.t.Errorf("%s: %q", what, w.Text)
	}
}

// On the demo's rig, with takes of each box and a baseline: a microphone that is
// nudged, warmer air, muting and surveys accuse nobody; a box turned over does.
func TestTheWatchAccusesNobodyWithoutAFault(t *testing.T) {
	raced.NotFor(t, "a minute of sound takes too long; what runs beside each other here does in the tests of watching and of surveys")
	scene := rig.Demo()
	a := watchedRig(t, scene)
	a.play(4)

	aside := scene.Microphones[0].PositionM
	aside[1] += 0.02
	at := func(p rig.Position) {
		position := wire.Position(p)
		a.patch(wire.RigPatch{Microphones: map[string]wire.MicrophonePatch{"seat 1": {PositionM: &position}}})
	}
	at(aside)
	a.play(10)
	a.harmless("2 cm aside")
	if w := a.watch(); w.Wrong == nil || w.Wrong.Kind != "microphone moved" || !strings.Contains(w.Text, "Check the stand") {
		t.Errorf("2 cm aside: %+v: %q", w.Wrong, w.Text)
	}
	at(scene.Microphones[0].PositionM)
	a.calm("2 cm aside")

	// What is muted on purpose is not lost.
	a.mute(func(name string) bool { return name == "fill" })
	a.play(5)
	if w := a.watch(); w.State != wire.WatchPaused || w.Text != "Paused: fill is muted. Nothing is compared until it plays again." {
		t.Errorf("fill muted: %s: %q", w.State, w.Text)
	}
	a.mute(func(string) bool { return false })
	a.play(3)
	if e := a.events(); len(e) > 0 || a.watch().State != wire.WatchListens {
		t.Errorf("%d events of muting; %+v", len(e), a.watch())
	}
	a.must("POST", "/api/v1/survey", a.page.name, map[string]any{"seat": 1, "main": "main", "fill": "fill"}, nil)
	if w := a.watch(); w.State != wire.WatchPaused || !strings.Contains(w.Text, "a survey plays") {
		t.Errorf("a survey plays: %s: %q", w.State, w.Text)
	}
	a.must("POST", "/api/v1/survey/stop", a.page.name, nil, nil)
	eventually(t, "the survey has ended", func() bool { return a.watch().State == wire.WatchListens })
	a.play(3)

	warmer := scene.TemperatureC + 1
	a.patch(wire.RigPatch{TemperatureC: &warmer})
	a.play(10)
	a.harmless("1 °C warmer")
	if w := a.watch(); w.Wrong != nil || !strings.HasSuffix(w.Text, "The air is 1.0 °C warmer.") {
		t.Errorf("1 °C warmer: %q, %g over %g °C", w.Text, w.TemperatureC, w.BaselineTemperatureC)
	}
	a.patch(wire.RigPatch{TemperatureC: &scene.TemperatureC})
	a.calm("warmer air")

	flip := func(to string) {
		a.patch(wire.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{"fill": {Polarity: &to}}})
	}
	flip(rig.Same)
	a.play(10)
	if e := a.events(); len(e) != 1 || e[0].Kind != "flipped" || e[0].What != "fill" || e[0].Certainty != wire.Sure || e[0].Mark != wire.Act {
		t.Errorf("fill turned over: %+v", e)
	}
	flip(rig.Opposite)
	a.calm("the fill's polarity")
}
