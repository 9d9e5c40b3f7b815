package daemon

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/capture"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// stage is a source that plays what its test asks for, no faster than the room
// takes it: channel 1 is noise, channel 2 hears it 10 ms later.
type stage struct {
	script
	gain  float64 // of the path; the test changes it between two plays
	asks  chan float64
	marks chan capture.Gap
	done  chan struct{}
}

func newStage() *stage {
	return &stage{script: *newScript(), gain: 0.5, asks: make(chan float64), marks: make(chan capture.Gap), done: make(chan struct{})}
}

func (s *stage) Info() capture.Info {
	return capture.Info{Kind: "device", Name: "stage", SampleRateHz: scriptRate, Channels: []string{"one", "two"}}
}

func (s *stage) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	r := rand.New(rand.NewPCG(3, 1))
	var past [480]float64
	at := 0
	for {
		select {
		case <-ctx.Done():
			return nil
		case g := <-s.marks:
			out.Mark(g)
		case seconds := <-s.asks:
			for left := int(seconds * scriptRate); left > 0; left -= 480 {
				block := make([]float32, 0, 2*480)
				for range 480 {
					x := r.NormFloat64() * 0.1
					y := s.gain*past[at] + r.NormFloat64()*0.001
					past[at], at = x, (at+1)%len(past)
					block = append(block, float32(x), float32(y))
				}
				if err := out.Offer(ctx, block); err != nil {
					return nil
				}
			}
			s.done <- struct{}{}
		}
	}
}

// play has the stage play, and waits until the room has heard it.
func (s *stage) play(t *testing.T, d *Daemon, seconds float64) {
	t.Helper()
	for ; seconds > 0; seconds -= 0.5 {
		s.asks <- min(seconds, 0.5)
		<-s.done
		eventually(t, "the room has heard it", func() bool {
			return d.ring.Len() == 0 && d.room.watch.Ring().Len() == 0 && d.room.levels.Ring().Len() == 0
		})
	}
}

// A baseline, a fault, and who hears of it: pages, show, webhook.
func TestAFaultIsFoundStoredAndTold(t *testing.T) {
	raced.NotFor(t, "minutes of analysis; what runs at once in a watch does in package watching")
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	if _, err := shelf.New("hall"); err != nil {
		t.Fatal(err)
	}
	posted := make(chan wire.Event, 10)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var e wire.Event
		if err := json.NewDecoder(r.Body).Decode(&e); err != nil {
			t.Error(err)
		}
		posted <- e
	}))
	defer hook.Close()
	cal, err := calibration.Open("")
	if err != nil {
		t.Fatal(err)
	}
	cal.Give(calibration.Entry{Device: "device stage", Channel: 2, OffsetDB: 120})
	src := newStage()
	now := time.Now() // however long this machine takes, what was played is of now
	d, url := daemonUnderTest(t, Config{Source: src, Shelf: shelf, Calibrations: cal, Webhook: hook.URL, Now: func() time.Time { return now }})
	h := &hall{t: t, d: d, url: url, shelf: shelf}
	t.Cleanup(func() { http.DefaultClient.CloseIdleConnections() })
	page := h.walk()

	var seat, box struct {
		ID int64 `json:"id"`
	}
	h.must("POST", "/api/v1/show/seats", page.name, map[string]any{"name": "row 5"}, &seat)
	h.must("POST", "/api/v1/show/loudspeakers", page.name, map[string]any{"name": "main"}, &box)
	src.play(t, d, 18)
	var take struct {
		ID int64 `json:"id"`
	}
	h.must("POST", "/api/v1/show/takes", page.name, map[string]any{"seat": seat.ID, "playing": []string{"main"}, "audio_s": 16, "force": true}, &take)
	var watches wire.Watches
	h.must("POST", "/api/v1/watch", page.name, wire.WatchRequest{Microphone: 2, Take: take.ID}, &watches)
	watch := func() (w wire.Watch) {
		h.must("GET", "/api/v1/watch", page.name, nil, &watches)
		if len(watches.Watches) == 1 {
			w = watches.Watches[0]
		}
		return w
	}
	eventually(t, "the baseline is learnt", func() bool { return watch().State == wire.WatchListens })

	src.play(t, d, 12)
	src.gain = -src.gain
	src.play(t, d, 10)
	e := <-posted
	if e.Kind != "flipped" || e.What != "main" || e.ID != 1 || e.SeatName != "row 5" || e.Take != take.ID {
		t.Errorf("posted: %+v", e)
	}
	src.play(t, d, 6) // what comes after it
	var events wire.Events
	eventually(t, "the audio is stored", func() bool {
		h.must("GET", "/api/v1/events", page.name, nil, &events)
		return len(events.Events) == 1 && events.Events[0].Audio.SampleRateHz == scriptRate
	})
	if a := events.Events[0].Audio; math.Abs(a.Seconds-15) > 0.001 || math.Abs(a.EventS-10) > 0.001 {
		t.Errorf("%+v", a)
	}
	if w := watch(); w.Wrong == nil || w.Wrong.Kind != "flipped" || w.Mark != wire.Act {
		t.Errorf("%+v", w)
	}
	h.checkClip("/api/v1/events/1/audio.wav")
	yes, comment := true, "Cable at the stage box."
	h.must("PATCH", "/api/v1/events/1", page.name, wire.EventPatch{Acknowledged: &yes, Comment: &comment}, &e)
	if !e.Acknowledged || e.AcknowledgedBy != page.name || e.Comment != comment {
		t.Errorf("%+v", e)
	}

	var levels wire.SoundLevels
	h.must("GET", "/api/v1/levels", page.name, nil, &levels)
	// Noise of 0.1 RMS, halved: 20 lg(0.05·√2) dB re a full-scale sine wave, and 120.
	if m := levels.Microphones[0]; m.Unit != wire.UnitPascal || math.Abs(float64(m.LZeqDB)-(120+20*math.Log10(0.05*math.Sqrt2))) > 0.2 {
		t.Errorf("%+v", m)
	}
	eventually(t, "a row for every second", func() bool {
		h.must("GET", "/api/v1/levels", page.name, nil, &levels)
		return levels.Log.State == wire.LogWriting && levels.Log.Rows == 46
	})
	var history wire.LevelHistory
	h.must("GET", "/api/v1/levels/history?bands=1&points=100&microphone=2", page.name, nil, &history)
	if len(history.Microphones) != 1 || len(history.Microphones[0].BandDB) != 32 || history.Microphones[0].Unit != wire.UnitPascal {
		t.Errorf("%+v", history.Microphones)
	}
	if _, text := h.do("GET", "/api/v1/levels/log.csv", page.name, nil, nil); strings.Count(text, "\n") != 47 || !strings.HasPrefix(text, "time,unix_s,microphone,unit,") {
		t.Errorf("%.100s", text)
	}
	_, text := h.do("GET", "/metrics", page.name, nil, nil)
	for _, want := range []string{
		`plumbline_events_total{kind="flipped",microphone="2"} 1`, `plumbline_watch_as_baseline{microphone="2"} 0`,
		`plumbline_source_running{kind="device",name="stage"} 1`, "plumbline_clients 1", "plumbline_log_up 1", "plumbline_log_rows_total 46",
		`plumbline_webhook_posts_total{result="delivered"} 1`, `plumbline_coherence_ratio{band_hz="1000",microphone="2"} 0.9`,
		`plumbline_sound_level_decibels{microphone="2",quantity="LAeq,1s",unit="dB re 20 uPa"} 9`,
	} {
		if !strings.Contains(text, "\n"+want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
	_, delay, _ := strings.Cut(text, "\n"+`plumbline_delay_seconds{microphone="2"} `)
	delay, _, _ = strings.Cut(delay, "\n")
	if s, err := strconv.ParseFloat(delay, 64); err != nil || math.Abs(s-0.01) > 1e-6 {
		t.Errorf("the metrics tell a delay of %q s, want 0.01", delay)
	}
	if status, text := h.do("GET", "/api/v1/dashboard.json", page.name, nil, nil); status != http.StatusOK || !json.Valid([]byte(text)) {
		t.Errorf("dashboard: %d", status)
	}
	for path, want := range map[string]int{
		"/api/v1/levels/history?from=9&to=3": http.StatusBadRequest, "/api/v1/levels/history?since=3": http.StatusBadRequest,
		"/api/v1/levels/history?points=0": http.StatusBadRequest, "/api/v1/events/7/audio.wav": http.StatusNotFound,
	} {
		if status, text := h.do("GET", path, page.name, nil, nil); status != want {
			t.Errorf("%s: %d %s", path, status, text)
		}
	}
}

// checkClip looks whether the path in the audio of an event is the stage's: at
// first 0.5, at the end −0.5.
func (h *hall) checkClip(path string) {
	h.t.Helper()
	status, text := h.do("GET", path, "c1", nil, nil)
	at := strings.Index(text, "data")
	if status != http.StatusOK || at < 0 {
		h.t.Fatalf("%s: %d", path, status)
	}
	data := []byte(text[at+8:])
	frames := len(data) / 8
	sample := func(n, channel int) float64 {
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(data[8*n+4*channel:])))
	}
	gain := func(from, to int) float64 {
		xy, xx := 0.0, 0.0
		for n := from; n < to; n++ {
			x := sample(n-480, 0)
			xy, xx = xy+x*sample(n, 1), xx+x*x
		}
		return xy / xx
	}
	if a, b := gain(480, scriptRate), gain(frames-scriptRate, frames); math.Abs(a-0.5) > 0.01 || math.Abs(b+0.5) > 0.01 {
		h.t.Errorf("the path is %.3f at first and %.3f in the end", a, b)
	}
}

// Levels are measured all the same.
func TestWithoutAShowNothingIsWatched(t *testing.T) {
	d, url := daemonUnderTest(t, Config{Source: newScript()})
	h := &hall{t: t, d: d, url: url}
	for path, code := range map[string]string{"/api/v1/watch": "no_watch", "/api/v1/events": "no_shows", "/api/v1/levels/history": "no_shows"} {
		if status, text := h.do("GET", path, "c1", nil, nil); status != http.StatusNotFound || !strings.Contains(text, code) {
			t.Errorf("%s: %d %s", path, status, text)
		}
	}
	var levels wire.SoundLevels
	h.must("GET", "/api/v1/levels", "c1", nil, &levels)
	if len(levels.Microphones) != 2 || levels.Log.State != wire.LogOff || levels.Log.Text == "" {
		t.Errorf("%+v", levels)
	}
}
