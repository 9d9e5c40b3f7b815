package watching

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbline/analyze/response"
	"plumbline/analyze/watch"
	"plumbline/capture"
	"plumbline/capture/leak"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

const rate = 48000

// hall has a main and a fill, each a path with an echo, and noise. The
// reference is noise too.
type hall struct {
	r          *rand.Rand
	past       [rate / 4]float64
	at         int
	main, fill float64 // gains
	fillDelay  int     // samples
	noise      float64
}

func newHall(seed uint64) *hall {
	return &hall{r: rand.New(rand.NewPCG(seed, 7)), main: 0.5, fill: 0.4, fillDelay: 1200, noise: 0.002}
}

func (h *hall) next() (ref, mic float64) {
	ref = 0.1 * h.r.NormFloat64()
	h.past[h.at] = ref
	ago := func(n int) float64 { return h.past[(h.at-n+len(h.past))%len(h.past)] }
	mic = h.main*(ago(700)+0.3*ago(2300)) + h.fill*(ago(h.fillDelay)+0.3*ago(h.fillDelay+1700)) + h.noise*h.r.NormFloat64()
	h.at = (h.at + 1) % len(h.past)
	return ref, mic
}

// place is a watcher with a show in which takes of the hall are stored.
type place struct {
	*Watcher
	t       *testing.T
	shelf   *show.Shelf
	show    *show.Show
	seat    int64
	ids     map[string]int64
	changed chan wire.Watches
	found   chan wire.Event
	samples chan uint64
	stop    func()
}

func newPlace(t *testing.T) *place {
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
	p := &place{t: t, shelf: shelf, show: x, ids: map[string]int64{}}
	seat, err := x.PutSeat(show.Seat{Name: "row 5"}, "")
	if err != nil {
		t.Fatal(err)
	}
	p.seat = seat.ID
	for _, name := range []string{"main", "fill"} {
		l, err := x.PutLoudspeaker(show.Loudspeaker{Name: name}, "")
		if err != nil {
			t.Fatal(err)
		}
		p.ids[name] = l.ID
	}
	p.run(Config{})
	return p
}

// run starts a watcher of the place, in place of the one before.
func (p *place) run(cfg Config) {
	p.t.Helper()
	if p.stop != nil {
		p.stop()
	}
	changed, found, samples := make(chan wire.Watches, 10000), make(chan wire.Event, 100), make(chan uint64, 100)
	p.changed, p.found, p.samples = changed, found, samples
	cfg.Shelf, cfg.Channels = p.shelf, 3
	cfg.SampleRateHz = cmp.Or(cfg.SampleRateHz, rate)
	cfg.Source = cmp.Or(cfg.Source, "device test")
	cfg.Changed = func(v wire.Watches) { changed <- v }
	cfg.Found = func(e wire.Event, sample uint64) { found <- e; samples <- sample }
	var err error
	if p.Watcher, err = New(cfg); err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	w := p.Watcher
	go func() { defer close(done); w.Run(ctx) }()
	p.stop = func() { cancel(); <-done }
	p.t.Cleanup(p.stop)
}

// take stores what a hall sounds like.
func (p *place) take(h *hall, seconds float64, change func(*show.Take, *show.Audio), playing ...string) int64 {
	p.t.Helper()
	est, err := response.NewEstimator(response.Config{SampleRateHz: rate, Microphones: 1, Averaging: response.Averaging{Mode: response.Infinite}})
	if err != nil {
		p.t.Fatal(err)
	}
	const delayS = 700. / rate
	if err := est.SetDelay(0, delayS); err != nil {
		p.t.Fatal(err)
	}
	n := int(seconds * rate)
	ref, mic := make([]float64, n), make([]float64, n)
	audio := &show.Audio{SampleRateHz: rate, Channels: []int{1, 3}}
	for i := range n {
		x, y := h.next()
		audio.Samples = append(audio.Samples, float32(x), float32(y))
		ref[i], mic[i] = float64(float32(x)), float64(float32(y))
	}
	est.Feed(ref, [][]float64{mic})
	var spectra response.Spectra
	est.Spectra(0, &spectra)
	t := show.Take{Name: strings.Join(playing, " + "), Seat: p.seat, Origin: show.Measured, Source: "test", Reference: 1, Microphone: 3, TemperatureC: 21}
	for _, name := range playing {
		t.Loudspeakers = append(t.Loudspeakers, p.ids[name])
	}
	if change != nil {
		change(&t, audio)
	}
	t, err = p.show.AddTake(t, &spectra, audio, "")
	if err != nil {
		p.t.Fatal(err)
	}
	return t.ID
}

// play lets the watcher hear the hall on channels 1 and 3.
func (p *place) play(h *hall, seconds float64) {
	p.t.Helper()
	for range int(seconds * 10) {
		block := make([]float32, 0, 3*rate/10)
		for range rate / 10 {
			x, y := h.next()
			block = append(block, float32(x), 0, float32(y))
		}
		for p.Ring().Cap()-p.Ring().Len() < rate/10 {
			time.Sleep(time.Millisecond) // the ring is full: a converter would wait, too
		}
		if !p.Ring().Write(block) {
			p.t.Fatal("no room")
		}
	}
}

// until waits for a state that ok takes.
func (p *place) until(what string, ok func(wire.Watch) bool) wire.Watch {
	p.t.Helper()
	limit := time.After(3 * time.Minute)
	var last wire.Watches
	for {
		select {
		case last = <-p.changed:
			if len(last.Watches) == 1 && ok(last.Watches[0]) {
				return last.Watches[0]
			}
		case <-limit:
			p.t.Fatalf("never: %s; last %+v", what, last)
		}
	}
}

func (p *place) event(h *hall, withinS float64) wire.Event {
	p.t.Helper()
	for played := 0.0; played < withinS; played += 0.5 {
		p.play(h, 0.5)
		select {
		case e := <-p.found:
			p.t.Logf("%s: %s", e.Kind, e.Text)
			return e
		default:
		}
	}
	select {
	case e := <-p.found:
		p.t.Logf("%s: %s", e.Kind, e.Text)
		return e
	case <-time.After(3 * time.Minute):
	}
	p.t.Fatal("nothing was found")
	return wire.Event{}
}

func listens(w wire.Watch) bool { return w.State == wire.WatchListens }

func TestAFlippedFillIsToldByName(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	p := newPlace(t)
	h := newHall(1)
	alone := func(main, fill float64) *hall { a := newHall(2); a.main, a.fill = main, fill; return a }
	main := p.take(alone(0.5, 0), 6, nil, "main")
	fill := p.take(alone(0, 0.4), 6, nil, "fill")
	baseline := p.take(h, 16, nil, "main", "fill")
	v, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: baseline}, "c1")
	if err != nil || len(v.Watches) != 1 || v.Watches[0].State != wire.WatchLearning || v.Watches[0].SeatName != "row 5" {
		t.Fatalf("%+v, %v", v, err)
	}
	w := p.until("it has learnt", listens)
	if len(w.Loudspeakers) != 2 || w.Loudspeakers[0].Take != main || w.Loudspeakers[1].Take != fill || w.Loudspeakers[1].Name != "fill" {
		t.Errorf("%+v", w.Loudspeakers)
	}
	p.play(h, 10)
	w = p.until("it is as it was", func(w wire.Watch) bool { return strings.HasPrefix(w.Text, "Matches the baseline within 0.") })
	if w.Mark != wire.Steady || w.Wrong != nil || len(w.DifferenceDB) != len(w.LowHz) || !(math.Abs(float64(w.TemperatureC)-21) < 1) {
		t.Errorf("%+v", w)
	}
	h.fill = -h.fill
	e := p.event(h, 10)
	if e.Kind != "flipped" || e.What != "fill" || e.Certainty != wire.Sure || e.Mark != wire.Act || e.Microphone != 3 || e.Take != baseline ||
		!strings.Contains(e.Text, "switch amplifiers off") {
		t.Errorf("%+v", e)
	}
	// It began 10 s into what was heard, and was found within 10 s of programme.
	if sample := float64(<-p.samples) / rate; sample < 10 || sample > 20 {
		t.Errorf("found at %g s", sample)
	}
	if w := p.until("it says so", func(w wire.Watch) bool { return w.Wrong != nil }); w.Wrong.Kind != "flipped" || w.Text != e.Text || w.Events != 1 {
		t.Errorf("%+v", w)
	}
	h.fill = -h.fill
	if e := p.event(h, 30); e.Kind != string(watch.Restored) || e.Mark != wire.Steady {
		t.Errorf("%+v", e)
	}
	// A microphone that is not watched is none to stop; 0 stops all.
	if v, err := p.StopWatch(t.Context(), 2, "c1"); err != nil || len(v.Watches) != 1 {
		t.Errorf("%+v, %v", v, err)
	}
	if v, err := p.StopWatch(t.Context(), 0, "c1"); err != nil || len(v.Watches) != 0 {
		t.Errorf("%+v, %v", v, err)
	}
}

// Takes of one loudspeaker at two settings are not of one system, as far as is known.
func TestTakesOfAnotherSetting(t *testing.T) {
	of := func(settings string) *show.Take { return &show.Take{Settings: json.RawMessage(settings)} }
	a := of(`{"dialled":{"fill":{"delay_ms":7.4,"polarity":"same","gain_db":-2}}}`)
	for settings, want := range map[string]bool{
		`{"dialled":{"fill":{"delay_ms":7.4,"polarity":"same","gain_db":-2}}}`:     true,
		`{"dialled":{"fill":{"delay_ms":7.5,"polarity":"same","gain_db":-2}}}`:     false,
		`{"dialled":{"fill":{"delay_ms":7.4,"polarity":"opposite","gain_db":-2}}}`: false,
		`{"dialled":{"fill":{"delay_ms":7.4,"polarity":"same","gain_db":-1}}}`:     false,
		`{}`: true, `"of an import"`: true, // nothing is known
	} {
		if got := sameDial(a, of(settings), "fill"); got != want {
			t.Errorf("%s: the same is %v", settings, got)
		}
	}
}

// Without takes of each alone, or with takes of another setting, the arrivals
// stand for the loudspeakers.
func TestPartsWithoutTakesOfEachAlone(t *testing.T) {
	p := newPlace(t)
	baseline := p.take(newHall(1), 16, nil, "main", "fill")
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: baseline}, "c1"); err != nil {
		t.Fatal(err)
	}
	parts := func() []wire.WatchedPart { return p.until("it has learnt", listens).Loudspeakers }
	arrivals := parts()
	if len(arrivals) < 2 || arrivals[0].Take != 0 || math.Abs(float64(arrivals[0].DelayMs)-700./48) > 0.05 || arrivals[0].Name != "arrival at 14.6 ms" {
		t.Errorf("%+v", arrivals)
	}
	alone := func(main, fill float64, delay int) *hall {
		a := newHall(2)
		a.main, a.fill, a.fillDelay = main, fill, delay
		return a
	}
	p.take(alone(0.5, 0, 0), 6, nil, "main")
	p.take(alone(0, 0.4, 1500), 6, nil, "fill") // before it was delayed less
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: baseline}, "c1"); err != nil {
		t.Fatal(err)
	}
	if again := parts(); len(again) != len(arrivals) || again[0] != arrivals[0] {
		t.Errorf("takes that do not add up were used: %+v", again)
	}
}

// Without takes of each alone a loudspeaker that dies is not called softer: its
// arrival is gone, and the other's is not.
func TestADeadLoudspeakerIsNotSofter(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	p := newPlace(t)
	h := newHall(1)
	baseline := p.take(h, 16, nil, "main", "fill")
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: baseline}, "c1"); err != nil {
		t.Fatal(err)
	}
	p.until("it has learnt", listens)
	p.play(h, 5)
	h.fill = 0
	if e := p.event(h, 15); e.Kind != "lost" || e.What != "arrival at 25.0 ms" || e.Mark != wire.Act {
		t.Errorf("%+v", e)
	}
}

func TestABaselineThatSaysNothingIsRefused(t *testing.T) {
	p := newPlace(t)
	h := newHall(1)
	good := p.take(h, 13, nil, "main")
	for name, c := range map[string]struct {
		seconds    float64
		change     func(*show.Take, *show.Audio)
		microphone int
		code, say  string
	}{
		"another rate":       {13, func(_ *show.Take, a *show.Audio) { a.SampleRateHz = 44100 }, 3, "rate", "44100 Hz"},
		"another microphone": {13, nil, 2, "microphone", "microphone 3"},
		"another reference":  {13, func(k *show.Take, _ *show.Audio) { k.Reference = 4 }, 3, "reference", "channel 4"},
		"too short":          {8, nil, 3, "too_short", "8.0 s"},
		"no such channel":    {13, nil, 9, "microphone", "channel 9"},
	} {
		id := p.take(h, c.seconds, c.change, "main")
		_, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: c.microphone, Take: id}, "c1")
		var mine *wire.Error
		if !errors.As(err, &mine) || mine.Code != c.code || !strings.Contains(mine.Text, c.say) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: good + 100}, "c1"); err == nil {
		t.Error("a take that is not there")
	}
	// Silence is found out while it learns.
	silent := newHall(1)
	silent.main, silent.fill = 0, 0
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: p.take(silent, 13, nil, "main")}, "c1"); err != nil {
		t.Fatal(err)
	}
	w := p.until("it has failed", func(w wire.Watch) bool { return w.State == wire.WatchFailed })
	if !strings.Contains(w.Text, "hears nothing of the reference") || w.Mark != wire.Attention {
		t.Errorf("%+v", w)
	}
}

// Lost samples are told to the watch, and are no event.
func TestLostSamplesAreNoEvent(t *testing.T) {
	p := newPlace(t)
	h := newHall(1)
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: p.take(h, 16, nil, "main", "fill")}, "c1"); err != nil {
		t.Fatal(err)
	}
	p.until("it has learnt", listens)
	for range 10 {
		p.play(h, 1.3)
		for range 5000 {
			h.next()
		}
		p.Ring().Mark(capture.Gap{Cause: capture.Overflow, LostFrames: 5000})
	}
	p.play(h, 1)
	w := p.until("all breaks were heard", func(w wire.Watch) bool { return w.Breaks == 10 })
	if len(p.found) != 0 || w.Events != 0 {
		t.Errorf("found %+v", <-p.found)
	}
}

func TestSentences(t *testing.T) {
	at := time.Date(2030, 5, 4, 20, 41, 7, 0, time.Local)
	for want, c := range map[string]watch.Change{
		"Everything: opposite polarity since about 20:41:07. Look at the cables of the microphone and of the reference, and at what all loudspeakers share.":     {Kind: watch.Flipped},
		"fill: opposite polarity since about 20:41:07. Look at its cable and its processor; switch amplifiers off before you touch loudspeaker cables.":          {Kind: watch.Flipped, What: "fill"},
		"main: all above 4 kHz gone since about 20:41:07. Driver, or its amplifier.":                                                                             {Kind: watch.BandLost, What: "main", LowHz: 4000, HighHz: 16000},
		"main: all below 250 Hz gone since about 20:41:07. Driver, or its amplifier.":                                                                            {Kind: watch.BandLost, What: "main", LowHz: 45, HighHz: 250},
		"350 Hz to 710 Hz: about 6 dB quieter since about 20:41:07. An equalizer, something in the way, or one of several drivers dead?":                         {Kind: watch.BandChanged, LowHz: 353, HighHz: 707, ChangeDB: -6},
		"Everything: about 3 dB louder since about 20:41:07. Has somebody turned a gain?":                                                                        {Kind: watch.LevelChanged, ChangeDB: 3},
		"fill: arrives about 0.5 ms earlier, since about 20:41:07. Has its delay or its place changed, or the microphone's?":                                     {Kind: watch.Moved, What: "fill", ShiftMs: -0.5},
		"The microphone, or something near it, moved at about 20:41:07: arrivals shifted by up to 0.06 ms. Check the stand, or take a new baseline.":             {Kind: watch.Nudged, ShiftMs: 0.058},
		"Somebody or something is in front of the microphone since about 20:41:07: its direct sound is duller. Look there before you look at a loudspeaker.":     {Kind: watch.Shaded},
		"Everything: silent since about 20:41:07, but the microphone still hears the room. Look at what all loudspeakers share: an output, a mute, their power.": {Kind: watch.Lost},
		"The room is about 8 dB noisier since about 20:41:07.":                                                                                                   {Kind: watch.NoiseRose, ChangeDB: 8.2},
	} {
		if got := sentence(c, at, false, false); got != want {
			t.Errorf("%s\n%s", got, want)
		}
	}
	if got, want := sentence(watch.Change{Kind: watch.Restored, What: "fill"}, at, false, true), "fill: as before again, since about 20:41:07; something else still differs from the baseline."; got != want {
		t.Errorf("%s\n%s", got, want)
	}
	dead := watch.Event{Change: watch.Change{Kind: watch.InputLost}, Confidence: 0.9}
	if got, want := told(dead, at, false), "The microphone has heard nothing of the programme since about 20:41:07, and little of the room: it is dead, or all that plays is silent. Look at its cable, phantom power and channel, then at mutes and amplifiers."; got != want {
		t.Errorf("%s\n%s", got, want)
	}
	// Softer may be dead: where that cannot be told apart it is said, with what would tell.
	softer := watch.Change{Kind: watch.LevelChanged, ChangeDB: -3}
	for _, c := range []struct {
		what      string
		byArrival bool
		want      string
	}{
		{"", false, "Everything: about 3 dB quieter since about 20:41:07. Has somebody turned a gain?"},
		{"fill", false, "fill: about 3 dB quieter since about 20:41:07. Has somebody turned a gain, or has one of its cabinets died?"},
		{"", true, "Everything: about 3 dB quieter since about 20:41:07. Has somebody turned a gain, or has one of several loudspeakers died? A take of each alone at this seat would tell which."},
	} {
		softer.What = c.what
		if got := sentence(softer, at, c.byArrival, false); got != c.want {
			t.Errorf("%s\n%s", got, c.want)
		}
	}
}

// Nobody is sent to a loudspeaker for what is nobody's fault, or for what cannot be told.
func TestWhatEachEventAsksFor(t *testing.T) {
	for _, c := range []struct {
		e    watch.Event
		want string
	}{
		{watch.Event{Change: watch.Change{Kind: watch.Flipped}, Confidence: 1}, wire.Act},
		{watch.Event{Change: watch.Change{Kind: watch.BandLost}, Confidence: 0.7}, wire.Act},
		{watch.Event{Change: watch.Change{Kind: watch.BandLost}, Confidence: 0.7, Harmless: 0.2}, wire.Attention},
		{watch.Event{Change: watch.Change{Kind: watch.Lost}, Confidence: 0.3}, wire.Attention},
		{watch.Event{Change: watch.Change{Kind: watch.Nudged}, Confidence: 0.9, Harmless: 1}, wire.Attention},
		{watch.Event{Change: watch.Change{Kind: watch.InputLost}, Confidence: 1}, wire.Act},
		{watch.Event{Change: watch.Change{Kind: watch.Restored}, Confidence: 1}, wire.Steady},
	} {
		if got := markOf(c.e); got != c.want {
			t.Errorf("%+v: %s, want %s", c.e, got, c.want)
		}
	}
}

// A survey, or a loudspeaker muted on purpose, is no fault; nor is what is heard of
// it after its end.
func TestPausedWhileWhatPlaysIsChangedOnPurpose(t *testing.T) {
	p := newPlace(t)
	h := newHall(1)
	if _, err := p.StartWatch(t.Context(), wire.WatchRequest{Microphone: 3, Take: p.take(h, 16, nil, "main", "fill")}, "c1"); err != nil {
		t.Fatal(err)
	}
	p.until("it has learnt", listens)
	p.play(h, 5)
	fill := h.fill
	for _, c := range []struct {
		begin, end func(*Playing)
		say        string
	}{
		{func(n *Playing) { n.Survey = true }, func(n *Playing) { n.Survey = false }, "Paused while a survey plays: nothing is compared until it has ended."},
		{func(n *Playing) { n.Muted = []string{"fill", "tower"} }, func(n *Playing) { n.Muted = []string{"tower"} }, "Paused: fill is muted. Nothing is compared until it plays again."},
		{func(n *Playing) { n.Muted = []string{"main", "fill"} }, func(n *Playing) { n.Muted = nil }, "Paused: main and fill are muted. Nothing is compared until they play again."},
	} {
		p.SetPlaying(c.begin)
		h.fill = 0
		w := p.until("it says so", func(w wire.Watch) bool { return w.State == wire.WatchPaused })
		if w.Text != c.say || w.Mark != wire.Steady || w.Certainty != wire.CannotTell {
			t.Errorf("%q, %s, %s", w.Text, w.Mark, w.Certainty)
		}
		p.play(h, 8)
		p.SetPlaying(c.end)
		h.fill = fill
		p.play(h, 4)
		p.until("it goes on", listens)
	}
	p.play(h, 4)
	p.until("all is well", func(w wire.Watch) bool { return strings.HasPrefix(w.Text, "Matches the baseline within 0.") })
	if len(p.found) > 0 {
		t.Errorf("found %+v", <-p.found)
	}
	// One that is not in the baseline may be muted or not.
	p.SetPlaying(func(n *Playing) { n.Muted = []string{"tower"} })
	if w := p.Watches().Watches[0]; w.State != wire.WatchListens {
		t.Errorf("%+v", w)
	}
	p.SetPlaying(func(n *Playing) { n.Muted, n.Sounding = nil, []string{"main", "fill", "tower"} })
	if w := p.Watches().Watches[0]; w.State != wire.WatchPaused || w.Text != "Paused: tower plays, and did not in the baseline. Mute it, or take a new baseline." {
		t.Errorf("%+v", w)
	}
}

// BenchmarkFeed is a second of audio through the watch of one microphone.
func BenchmarkFeed(b *testing.B) {
	h := newHall(1)
	sound := func(seconds int) (block []float32, ref, mic []float64) {
		for range seconds * rate {
			x, y := h.next()
			block, ref, mic = append(block, float32(x), float32(y)), append(ref, x), append(mic, y)
		}
		return block, ref, mic
	}
	_, ref, mic := sound(16)
	speakers := []watch.Loudspeaker{{Name: "main", DelayS: 700. / rate}, {Name: "fill", DelayS: 1200. / rate}}
	begun := time.Now()
	base, err := watch.Learn(watch.Config{SampleRateHz: rate}, ref, mic, speakers)
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("learnt from 16 s in %v", time.Since(begun).Round(time.Millisecond))
	w := &Watcher{cfg: Config{Channels: 2}}
	w.sessions = []*session{{take: show.Take{Reference: 1}, view: wire.Watch{Microphone: 2}, watch: watch.New(base)}}
	block, _, _ := sound(1)
	for b.Loop() {
		w.feed(block, ref[:rate], mic[:rate], 0, capture.Gap{})
	}
}
