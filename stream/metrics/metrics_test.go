package metrics

import (
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"plumbline/stream/wire"
)

func reading() Reading {
	frequencies, coherences := []float64{}, wire.Values{}
	for hz := 20.0; hz < 20000; hz *= math.Pow(2, 1./48) {
		c := float32(0.5)
		if hz > 1000/math.Sqrt2 && hz < 1000*math.Sqrt2 {
			c = 0.9
		}
		if hz < 100 {
			c = float32(math.NaN())
		}
		frequencies, coherences = append(frequencies, hz), append(coherences, c)
	}
	return Reading{
		State: wire.State{
			Source:    wire.Source{Kind: "device", Name: "interface \"A\"\n2", State: "running"},
			Recording: &wire.Recording{State: wire.RecordingStopped, LostS: 1.5},
			Counters:  wire.Counters{Gaps: 3, LostFrames: 480, DroppedFrames: 7, Overflows: 2, Stalls: 1, Bursts: 5},
		},
		Frame: &wire.Object{Microphones: []wire.Microphone{{Channel: 2, DelayMs: 12.5, FrequencyHz: frequencies, Coherence: coherences}}},
		Levels: wire.SoundLevels{
			BandNominalHz: []float64{31.5, 1000},
			Microphones: []wire.SoundLevel{
				{Microphone: 2, Unit: wire.UnitPascal, LAFDB: 93.4, LAeq1sDB: 92, LCPeak1sDB: wire.Value(math.Inf(-1)), L10DB: wire.Unknown(), BandDB: wire.Values{70, 80.5},
					Sliding: []wire.SlidingLevel{{Minutes: 15, LAeqDB: 91.2}}, Limit: &wire.LimitStatus{Profile: "who", State: wire.LimitCrossed, Used: 1.25}},
				{Microphone: 3, Unit: wire.UnitFullScale, LAFDB: -30, Limit: &wire.LimitStatus{Profile: "who", State: wire.LimitUnknown, Used: wire.Unknown()}},
			},
			Log: wire.LevelLog{State: wire.LogFailed, Waiting: 9, Rows: 100, Lost: 1},
		},
		Watches: wire.Watches{Watches: []wire.Watch{{Microphone: 2, State: wire.WatchListens, Certainty: wire.Sure, Wrong: &wire.WatchChange{Kind: "flipped"},
			LowHz: []float64{891, 1122}, DifferenceDB: wire.Values{-6.5, float32(math.NaN())}, WithinDB: wire.Unknown(), TemperatureC: 22.5}}},
		Events:  map[Event]uint64{{2, "flipped"}: 1, {2, "limit crossed"}: 2},
		Clients: 4, Published: 1000, Sent: 3000, Skipped: 12, Posted: 2, PostFailed: 1,
	}
}

// scrape parses what a collector would get with the parser that collectors use.
func scrape(t *testing.T, r Reading) map[string]*dto.MetricFamily {
	t.Helper()
	w := httptest.NewRecorder()
	Handler(func() Reading { return r }).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusOK || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain") {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Content-Type"))
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return families
}

// value is that of the one metric with these labels; NaN: there is none.
func value(families map[string]*dto.MetricFamily, name string, labels map[string]string) float64 {
	f := families["plumbline_"+name]
	if f == nil {
		return math.NaN()
	}
next:
	for _, m := range f.Metric {
		if len(m.Label) != len(labels) {
			continue
		}
		for _, l := range m.Label {
			if labels[l.GetName()] != l.GetValue() {
				continue next
			}
		}
		if m.Counter != nil {
			return m.Counter.GetValue()
		}
		return m.Gauge.GetValue()
	}
	return math.NaN()
}

func TestACollectorReadsWhatTheAPISays(t *testing.T) {
	families := scrape(t, reading())
	type labels = map[string]string
	for _, c := range []struct {
		name   string
		labels labels
		want   float64
	}{
		{"source_running", labels{"kind": "device", "name": "interface \"A\"\n2"}, 1},
		{"sound_level_decibels", labels{"microphone": "2", "quantity": "LAF", "unit": "dB re 20 uPa"}, 93.4},
		{"sound_level_decibels", labels{"microphone": "3", "quantity": "LAF", "unit": "dB re FS"}, -30},
		{"sound_level_decibels", labels{"microphone": "2", "quantity": "LA10", "unit": "dB re 20 uPa"}, math.NaN()},
		{"sound_level_decibels", labels{"microphone": "2", "quantity": "LCpeak,1s", "unit": "dB re 20 uPa"}, math.NaN()},
		{"sound_level_sliding_decibels", labels{"microphone": "2", "minutes": "15", "unit": "dB re 20 uPa"}, 91.2},
		{"band_level_decibels", labels{"microphone": "2", "band_hz": "31.5", "unit": "dB re 20 uPa"}, 70},
		{"limit_used_ratio", labels{"microphone": "2", "profile": "who"}, 1.25},
		{"limit_crossed", labels{"microphone": "2", "profile": "who"}, 1},
		{"limit_crossed", labels{"microphone": "3", "profile": "who"}, math.NaN()},
		{"delay_seconds", labels{"microphone": "2"}, 0.0125},
		{"coherence_ratio", labels{"microphone": "2", "band_hz": "63"}, math.NaN()},
		{"coherence_ratio", labels{"microphone": "2", "band_hz": "1000"}, 0.9},
		{"coherence_ratio", labels{"microphone": "2", "band_hz": "4000"}, 0.5},
		{"watch_as_baseline", labels{"microphone": "2"}, 0},
		{"watch_difference_decibels", labels{"microphone": "2", "low_hz": "891"}, -6.5},
		{"watch_difference_decibels", labels{"microphone": "2", "low_hz": "1122"}, math.NaN()},
		{"watch_temperature_celsius", labels{"microphone": "2"}, 22.5},
		{"events_total", labels{"microphone": "2", "kind": "limit crossed"}, 2},
		{"webhook_posts_total", labels{"result": "failed"}, 1},
		{"gaps_total", labels{}, 3}, {"lost_frames_total", labels{}, 480}, {"dropped_frames_total", labels{}, 7},
		{"recording", labels{}, 0}, {"recording_lost_seconds", labels{}, 1.5},
		{"clients", labels{}, 4}, {"frames_skipped_total", labels{}, 12},
		{"log_up", labels{}, 0}, {"log_waiting_rows", labels{}, 9}, {"log_rows_total", labels{}, 100}, {"log_lost_rows_total", labels{}, 1},
	} {
		if got := value(families, c.name, c.labels); !(math.Abs(got-c.want) < 1e-6) && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("%s%v is %g, want %g", c.name, c.labels, got, c.want)
		}
	}
	for _, name := range []string{"process_cpu_seconds_total", "go_goroutines"} {
		if families[name] == nil {
			t.Errorf("there is no %s", name)
		}
	}
	if before := scrape(t, Reading{}); value(before, "source_running", labels{"kind": "", "name": ""}) != 0 || before["plumbline_delay_seconds"] != nil {
		t.Error("before the first frame")
	}
}

// A name in the coding of another system, as some hosts give their devices, must
// not cost all the others.
func TestANameThatIsNoUTF8(t *testing.T) {
	r := reading()
	r.State.Source.Name = "Mikrofon\xfcbung"
	if got := value(scrape(t, r), "source_running", map[string]string{"kind": "device", "name": "Mikrofon\ufffdbung"}); got != 1 {
		t.Errorf("source_running is %g, want 1", got)
	}
}

// The names follow the rules of those who collect them.
func TestNamesAreIdiomatic(t *testing.T) {
	w := httptest.NewRecorder()
	Handler(reading).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	problems, err := promlint.New(w.Body).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// Every metric that the dashboard asks for is there, and the other way round.
func TestTheDashboardFits(t *testing.T) {
	w := httptest.NewRecorder()
	Handler(reading).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/dashboard.json", nil))
	var d struct {
		Title  string
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	families := scrape(t, reading())
	asked := 0
	for _, p := range d.Panels {
		for _, target := range p.Targets {
			for _, m := range regexp.MustCompile(`(plumbline|process)_[a-z_]+`).FindAllString(target.Expr, -1) {
				asked++
				f := families[m]
				if f == nil {
					t.Errorf("%q asks for %s, which is not there", p.Title, m)
					continue
				}
				// The labels it restricts are there too; instance is the collector's.
				for _, l := range regexp.MustCompile(`([a-z_]+)=~?"`).FindAllStringSubmatch(target.Expr, -1) {
					found := l[1] == "instance"
					for _, have := range f.Metric[0].Label {
						found = found || have.GetName() == l[1]
					}
					if !found {
						t.Errorf("%q: %s has no label %s", p.Title, m, l[1])
					}
				}
			}
		}
	}
	if d.Title != "plumbline" || asked < 15 {
		t.Errorf("%q asks for %d metrics", d.Title, asked)
	}
}
