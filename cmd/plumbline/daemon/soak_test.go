package daemon

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/analyze/response"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream"
	"plumbline/stream/client"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// soak is a daemon with its day, and all that comes and goes in it.
type soak struct {
	*hall
	day    *day
	loop   int // samples
	take   int64
	visits atomic.Int64
	frames atomic.Int64 // that visitors had
	took   int
}

func newSoak(t *testing.T, loop int) *soak {
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
	day := newDay(t, loop)
	if err := Furnish(x, day.Scene()); err != nil {
		t.Fatal(err)
	}
	d, url := daemonUnderTest(t, day.config(Config{Shelf: shelf}))
	day.rooms = d.pump.taps
	t.Cleanup(func() { close(day.asked) }) // before the daemon ends
	return &soak{hall: &hall{t: t, d: d, url: url, shelf: shelf, scene: day.Scene()}, day: day, loop: loop}
}

// visit has five clients come and go over the network until ctx is done: some look at
// some frames, some never read.
func (s *soak) visit(ctx context.Context) (wait func()) {
	var all sync.WaitGroup
	for i := range 5 {
		r := rand.New(rand.NewPCG(uint64(s.visits.Load()), uint64(i)))
		all.Go(func() {
			for ctx.Err() == nil {
				if r.IntN(6) == 0 {
					s.stare(ctx, r)
				} else {
					s.look(ctx, r)
				}
				s.visits.Add(1)
			}
		})
	}
	return all.Wait
}

// look is the visit of a client that behaves.
func (s *soak) look(ctx context.Context, r *rand.Rand) {
	c, err := client.Dial(ctx, client.Config{URL: s.url, FramesPerSecond: 10 + 50*r.Float64()})
	if err != nil {
		if ctx.Err() == nil {
			s.t.Error(err)
		}
		return
	}
	defer c.Close()
	for last, left := uint64(0), 1+r.IntN(20); left > 0; left-- {
		f, err := c.Next(ctx)
		if err != nil {
			if ctx.Err() == nil {
				s.t.Error(err)
			}
			return
		}
		if f.Seq <= last && last > 0 {
			s.t.Errorf("frame %d comes after %d", f.Seq, last)
		}
		last = f.Seq
		s.frames.Add(1)
	}
}

// stare is that of one that reads its first message and no more, and goes without a word.
func (s *soak) stare(ctx context.Context, r *rand.Rand) {
	conn, _, err := websocket.DefaultDialer.DialContext(ctx, "ws"+s.url[len("http"):]+"/api/v1/live", nil)
	if err != nil {
		if ctx.Err() == nil {
			s.t.Error(err)
		}
		return
	}
	defer conn.Close()
	if _, _, err := conn.ReadMessage(); err != nil && ctx.Err() == nil {
		s.t.Error(err)
	}
	leave := time.NewTimer(time.Duration(r.IntN(int(time.Second / 2))))
	defer leave.Stop()
	select {
	case <-leave.C:
	case <-ctx.Done():
	}
}

// work stores a take in place of the one before, and asks for what pages ask for.
func (s *soak) work() {
	var take struct {
		ID int64 `json:"id"`
	}
	s.must("POST", "/api/v1/show/takes", "c1", map[string]any{"audio_s": 2, "force": true, "playing": []string{"main"}}, &take)
	s.took++
	for _, path := range []string{
		fmt.Sprintf("/api/v1/show/takes/%d/curve", take.ID), "/api/v1/show", "/api/v1/show/takes", "/api/v1/show/log", "/api/v1/state",
		"/api/v1/verdict", "/api/v1/levels", "/api/v1/levels/history?points=500&bands=1&microphone=2", "/api/v1/watch", "/metrics",
	} {
		s.must("GET", path, "c1", nil, nil)
	}
	if s.take != 0 {
		s.must("DELETE", fmt.Sprintf("/api/v1/show/takes/%d", s.take), "c1", nil, nil)
	}
	s.take = take.ID
}

// loopEnd is what was measured at the end of a loop, in full: the curves and numbers of the
// frame as a client gets them, and the averages behind them.
type loopEnd struct {
	seq     uint64
	numbers map[wire.CurveID][]float32
	spectra response.Spectra
}

// result is what is measured now, at the end of a loop. The arrivals and how sure they are
// are no part of it: they are looked for at a rhythm of their own, which a loop's end does
// not meet at the same beat.
func (s *soak) result() (e loopEnd) {
	t := s.t
	t.Helper()
	due := s.day.heard.Load() / uint64(s.d.info.SampleRateHz/FramesPerSecond)
	c, err := client.Dial(t.Context(), client.Config{URL: s.url})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	f, err := c.Next(t.Context()) // who comes gets the newest
	if err != nil {
		t.Fatal(err)
	}
	if e.seq = f.Seq; e.seq != due {
		t.Errorf("frame %d, want %d", e.seq, due)
	}
	microphone := f.State.Settings.Microphones[0]
	e.numbers = map[wire.CurveID][]float32{wire.DelayMs: {f.Curve(wire.DelayMs, microphone)[0]}}
	for _, id := range []wire.CurveID{
		wire.MagnitudeDB, wire.MagnitudeLowDB, wire.MagnitudeHighDB, wire.PhaseDeg, wire.PhaseErrorDeg, wire.Coherence, wire.Threshold,
		wire.EffectiveAverages, wire.Impulse, wire.ImpulseAxisMs, wire.Polarity, wire.PolarityBands, wire.Levels,
	} {
		if e.numbers[id] = slices.Clone(f.Curve(id, microphone)); len(e.numbers[id]) == 0 {
			t.Errorf("frame %d has no numbers %d", e.seq, id)
		}
	}
	if err := s.d.do(t.Context(), func() { s.d.pump.live.Spectra(0, &e.spectra) }); err != nil {
		t.Fatal(err)
	}
	return e
}

// same fails where what is measured now differs from what was measured at the same place of
// another loop, in any digit.
func (s *soak) same(was, is loopEnd) {
	s.t.Helper()
	for id, x := range was.numbers {
		if !slices.EqualFunc(x, is.numbers[id], func(a, b float32) bool { return math.Float32bits(a) == math.Float32bits(b) }) {
			s.t.Errorf("numbers %d of frames %d and %d, of the same sound, differ: %.6g, %.6g", id, was.seq, is.seq, x, is.numbers[id])
		}
	}
	a, b := &was.spectra, &is.spectra
	if !slices.Equal(a.Gxx, b.Gxx) || !slices.Equal(a.Gyy, b.Gyy) || !slices.Equal(a.Gxy, b.Gxy) || !slices.Equal(a.EffectiveAverages, b.EffectiveAverages) {
		s.t.Errorf("the averages behind frames %d and %d, of the same sound, differ", was.seq, is.seq)
	}
}

// stretch is a part of the day: so many loops among visitors, at the end of which they
// leave. It returns what is held when all is quiet: no more goroutines and descriptors than
// those of before, where there are any.
func (s *soak) stretch(loops int, before *footprint) footprint {
	t := s.t
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	wait := s.visit(ctx)
	s.day.play(t, s.d, loops, func() {
		if s.day.heard.Load() > 0 {
			s.work()
		}
	})
	cancel()
	wait()
	var f footprint
	eventually(t, "those who left leave nothing", func() bool {
		http.DefaultClient.CloseIdleConnections()
		if s.d.server.Stats().Clients > 0 {
			return false
		}
		f = takeFootprint(s.day.elapsed().Hours())
		return before == nil || f.goroutines <= before.goroutines && f.descriptors <= before.descriptors
	})
	return f
}

// The soak in small: after the first loops nothing is held that was not held before, and
// each loop says what the one before it said.
func TestADayLeavesNothingAndRepeats(t *testing.T) {
	raced.NotFor(t, "numbers; what runs at once is raced by the other tests of the daemon and of stream")
	s := newSoak(t, loopStep)
	window, seconds := wire.Window(4096), 0.5 // short, so that a loop has forgotten the one before
	if _, err := s.d.Change(t.Context(), stream.SettingsPatch{Window: &window, Averaging: &wire.AveragingPatch{Seconds: &seconds}}, "c1"); err != nil {
		t.Fatal(err)
	}
	s.stretch(2, nil)
	first := s.stretch(1, nil)
	was := s.result()
	var last footprint
	for range 3 {
		last = s.stretch(1, &first)
		s.same(was, s.result())
	}
	// What a hundred visitors leave, at 70 kB of buffers each, or three takes of 800 kB, would be more.
	if grown := last.heapMB - first.heapMB; grown > 1 {
		t.Errorf("%.2f MB more are held than three loops before, of %.1f", grown, first.heapMB)
	}
	if s.visits.Load() < 10 || s.frames.Load() < 10 || s.took != 4 || s.d.State().Counters.Gaps != 0 {
		t.Errorf("%d visitors had %d frames; %d takes; %d gaps", s.visits.Load(), s.frames.Load(), s.took, s.d.State().Counters.Gaps)
	}
	t.Logf("%d visits, %.2f → %.2f MB, %d goroutines, %d descriptors", s.visits.Load(), first.heapMB, last.heapMB, last.goroutines, last.descriptors)
}

// A day, faster than the clock: as many hours as HOURS says, or as go into eight minutes.
func TestSoak(t *testing.T) {
	if os.Getenv("PLUMBLINE_SOAK") == "" {
		t.Skip("make soak runs it: minutes")
	}
	hours := math.Inf(1)
	if text := os.Getenv("HOURS"); text != "" {
		var err error
		if hours, err = strconv.ParseFloat(text, 64); err != nil || !(hours > 0) {
			t.Fatalf("HOURS=%s is no number of hours", text)
		}
	}
	const loops = 4
	s := newSoak(t, 8*loopStep)
	begun := time.Now()
	var all []footprint
	var was loopEnd
	for s.day.elapsed().Hours() < hours && (!math.IsInf(hours, 1) || time.Since(begun) < 8*time.Minute) {
		if len(all) == 0 {
			s.stretch(loops, nil)
			all = append(all, s.stretch(loops, nil))
			was = s.result()
		} else {
			all = append(all, s.stretch(loops, &all[0]))
			s.same(was, s.result())
		}
		f := all[len(all)-1]
		t.Logf("%.2f h after %.0f s: %.2f MB live, %.1f MB resident, %d goroutines, %d descriptors, %d visits",
			f.hours, time.Since(begun).Seconds(), f.heapMB, f.residentMB, f.goroutines, f.descriptors, s.visits.Load())
	}
	took := time.Since(begun)
	if n := s.d.State().Counters.Gaps; n > 0 {
		t.Errorf("%d gaps: not all was heard", n)
	}
	if n := s.d.Levels().Log; n.State != wire.LogWriting || n.Lost > 0 {
		t.Errorf("the log of levels: %+v", n)
	}

	const source = "own simulation, virtual rig"
	last := all[len(all)-1]
	claim := func(claimed, format string, found ...any) {
		t.Attr("truth", claimed+" | "+fmt.Sprintf(format, found...)+" | "+source)
	}
	claim("a day, faster than the clock", "%.1f h in %.0f min, %d takes, %d level rows, %d visits by 5 clients, %d frames sent to them",
		last.hours, took.Minutes(), s.took, s.d.Levels().Log.Rows, s.visits.Load(), s.frames.Load())
	for _, c := range []struct {
		what string
		of   func(f footprint) float64
	}{
		{"live heap", func(f footprint) float64 { return f.heapMB }},
		{"resident memory", func(f footprint) float64 { return f.residentMB }},
	} {
		var x, y []float64
		for _, f := range all {
			if f.hours > warmHours || last.hours < 2*warmHours {
				x, y = append(x, f.hours), append(y, c.of(f))
			}
		}
		if math.IsNaN(y[0]) {
			continue
		}
		perHour, sd := slope(x, y)
		claim("a day: "+c.what+" grows by less than 1 MB/h after warm-up", "%+.3f ± %.3f MB/h (95 %%) from %.1f h on, %.1f MB at the end", perHour, 2*sd, x[0], y[len(y)-1])
		if !(perHour+2*sd < 1) {
			t.Errorf("%s: %.3f ± %.3f MB/h", c.what, perHour, 2*sd)
		}
	}
	claim("a day: goroutines and descriptors stay as they are when all visitors have gone", "%d and %d, then and at the end %d and %d",
		all[0].goroutines, all[0].descriptors, last.goroutines, last.descriptors)
	if !t.Failed() {
		claim("a day: the same sound says the same to the last digit", "curves, levels, polarity and delay of frame %d and %d more at the same place of the loop, and the averages behind them",
			was.seq, len(all)-1)
	}
}

// warmHours is after which a day's memory is looked at: the caches of the show fill before.
const warmHours = 0.9
