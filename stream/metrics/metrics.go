// Package metrics offers what the daemon measures, and how it is doing, in the
// text format for collectors of metrics, so that many rooms are watched with
// what people already run for that; and a dashboard to go with it.
//
// Everything is read when it is collected. What is unknown then is left out.
package metrics

import (
	_ "embed"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"plumbline/stream/wire"
)

// Dashboard is a dashboard to import where metrics are drawn; its data source
// is asked for then.
//
//go:embed dashboard.json
var Dashboard []byte

// Reading is all that is offered, at one moment.
type Reading struct {
	State   wire.State
	Frame   *wire.Object // nil: none yet
	Levels  wire.SoundLevels
	Watches wire.Watches
	Events  map[Event]uint64 // since the start
	Clients int
	// Frames since the start: published, written to clients, and left out for a
	// client because a newer one came first.
	Published, Sent, Skipped uint64
	// Posts to the webhook: delivered, and given up.
	Posted, PostFailed uint64
}

// Event is of a microphone and a kind.
type Event struct {
	Microphone int
	Kind       string
}

// Handler serves GET /metrics, and the dashboard under every path that ends in
// .json. read is called for each collection, from any goroutine.
func Handler(read func() Reading) http.Handler {
	r := prometheus.NewRegistry()
	r.MustRegister(collector{read}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	collect := promhttp.HandlerFor(r, promhttp.HandlerOpts{MaxRequestsInFlight: 4})
	return http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if q.URL.Path == "/metrics" {
			collect.ServeHTTP(w, q)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Content-Disposition", `attachment; filename="plumbline dashboard.json"`)
		w.Write(Dashboard) // an error means that the peer has gone
	})
}

type metric struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
}

var all []metric

func gauge(name, help string, labels ...string) metric {
	return add(prometheus.GaugeValue, name, help, labels)
}

func counter(name, help string, labels ...string) metric {
	return add(prometheus.CounterValue, name, help, labels)
}

func add(kind prometheus.ValueType, name, help string, labels []string) metric {
	m := metric{prometheus.NewDesc("plumbline_"+name, help, labels, nil), kind}
	all = append(all, m)
	return m
}

var (
	running   = gauge("source_running", "1 while the source delivers samples.", "kind", "name")
	level     = gauge("sound_level_decibels", "Sound level now or over the last second, IEC 61672-1; unit says re what.", "microphone", "quantity", "unit")
	sliding   = gauge("sound_level_sliding_decibels", "LAeq over the last minutes.", "microphone", "minutes", "unit")
	band      = gauge("band_level_decibels", "Leq of a third-octave band over the last second, IEC 61260-1.", "microphone", "band_hz", "unit")
	used      = gauge("limit_used_ratio", "Part of the budget of the limit that is followed; information only.", "microphone", "profile")
	crossed   = gauge("limit_crossed", "1 while the limit that is followed is crossed; information only.", "microphone", "profile")
	coherence = gauge("coherence_ratio", "Mean magnitude-squared coherence in an octave.", "microphone", "band_hz")
	delay     = gauge("delay_seconds", "Delay of the microphone to the reference.", "microphone")

	asBaseline  = gauge("watch_as_baseline", "1 while nothing is known to differ from the baseline, 0 while something is.", "microphone")
	within      = gauge("watch_within_decibels", "Largest difference to the baseline in the bands known to 0.5 dB.", "microphone")
	difference  = gauge("watch_difference_decibels", "Difference to the baseline in a third-octave band.", "microphone", "low_hz")
	temperature = gauge("watch_temperature_celsius", "Temperature of the air as the delays tell it.", "microphone")
	events      = counter("events_total", "Events since the start.", "microphone", "kind")
	posts       = counter("webhook_posts_total", "Events posted to the webhook, by result.", "result")

	gaps      = counter("gaps_total", "Discontinuities in the samples.")
	lost      = counter("lost_frames_total", "Sample frames that the source lost.")
	dropped   = counter("dropped_frames_total", "Sample frames that found the ring full.")
	overflows = counter("overflows_total", "Overflows that the source told of.")
	stalls    = counter("stalls_total", "Times at which nothing arrived.")
	bursts    = gauge("bursts", "Disturbances left out of the averages since the last reset.")

	recording     = gauge("recording", "1 while what is heard is recorded, 0 once that has stopped; absent where it was not asked for.")
	recordingLost = gauge("recording_lost_seconds", "Sound that is missing in the recording.")

	clients   = gauge("clients", "Live connections.")
	published = counter("frames_published_total", "Results published.")
	sent      = counter("frames_sent_total", "Results written to clients.")
	skipped   = counter("frames_skipped_total", "Results that a client did not see because a newer one came first.")

	logUp      = gauge("log_up", "1 while levels are logged, 0 while the disk takes none; absent without a show.")
	logWaiting = gauge("log_waiting_rows", "Rows of the level log on their way to the disk.")
	logRows    = counter("log_rows_total", "Rows of the level log written.")
	logLost    = counter("log_lost_rows_total", "Rows of the level log that found no room.")
)

type collector struct{ read func() Reading }

// Describe implements prometheus.Collector.
func (c collector) Describe(to chan<- *prometheus.Desc) {
	for _, m := range all {
		to <- m.desc
	}
}

// Collect implements prometheus.Collector.
func (c collector) Collect(to chan<- prometheus.Metric) {
	r := c.read()
	out := func(m metric, value float64, labels ...string) {
		if !math.IsNaN(value) && !math.IsInf(value, 0) {
			for i, l := range labels { // one that is not UTF-8 would spoil the whole collection
				labels[i] = strings.ToValidUTF8(l, "\ufffd")
			}
			to <- prometheus.MustNewConstMetric(m.desc, m.kind, value, labels...)
		}
	}
	count := func(m metric, n uint64, labels ...string) { out(m, float64(n), labels...) }

	s := r.State.Source
	out(running, flag(s.State == "running"), s.Kind, s.Name)
	n := r.State.Counters
	count(gaps, n.Gaps)
	count(lost, n.LostFrames)
	count(dropped, n.DroppedFrames)
	count(overflows, n.Overflows)
	count(stalls, n.Stalls)
	count(bursts, n.Bursts)
	if x := r.State.Recording; x != nil {
		out(recording, flag(x.State != wire.RecordingStopped))
		out(recordingLost, x.LostS)
	}
	out(clients, float64(r.Clients))
	count(published, r.Published)
	count(sent, r.Sent)
	count(skipped, r.Skipped)
	for e, n := range r.Events {
		count(events, n, strconv.Itoa(e.Microphone), e.Kind)
	}
	count(posts, r.Posted, "delivered")
	count(posts, r.PostFailed, "failed")
	log := r.Levels.Log
	if log.State != wire.LogOff {
		out(logUp, flag(log.State == wire.LogWriting))
	}
	out(logWaiting, float64(log.Waiting))
	count(logRows, log.Rows)
	count(logLost, log.Lost)
	for i := range r.Levels.Microphones {
		levels(out, &r.Levels, &r.Levels.Microphones[i])
	}
	if r.Frame != nil {
		for i := range r.Frame.Microphones {
			response(out, &r.Frame.Microphones[i])
		}
	}
	for i := range r.Watches.Watches {
		watched(out, &r.Watches.Watches[i])
	}
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// emit gives a value that is known.
type emit func(m metric, value float64, labels ...string)

func levels(out emit, all *wire.SoundLevels, l *wire.SoundLevel) {
	mic := strconv.Itoa(l.Microphone)
	for _, q := range []struct {
		name string
		db   wire.Value
	}{
		{"LAF", l.LAFDB}, {"LAS", l.LASDB}, {"LCF", l.LCFDB}, {"LAeq,1s", l.LAeq1sDB}, {"LCeq,1s", l.LCeq1sDB},
		{"LAFmax,1s", l.LAFMax1sDB}, {"LCpeak,1s", l.LCPeak1sDB}, {"LA10", l.L10DB}, {"LA50", l.L50DB}, {"LA90", l.L90DB},
	} {
		out(level, float64(q.db), mic, q.name, l.Unit)
	}
	for _, s := range l.Sliding {
		out(sliding, float64(s.LAeqDB), mic, strconv.Itoa(s.Minutes), l.Unit)
	}
	for i, db := range l.BandDB {
		out(band, float64(db), mic, number(all.BandNominalHz[i]), l.Unit)
	}
	if l.Limit != nil {
		out(used, float64(l.Limit.Used), mic, l.Limit.Profile)
		if l.Limit.State != wire.LimitUnknown {
			out(crossed, flag(l.Limit.State == wire.LimitCrossed), mic, l.Limit.Profile)
		}
	}
}

// response gives the mean coherence by octave from 63 Hz to 16 kHz.
func response(out emit, m *wire.Microphone) {
	mic := strconv.Itoa(m.Channel)
	out(delay, float64(m.DelayMs)/1000, mic)
	for _, hz := range []float64{63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000} {
		sum, n := 0.0, 0.0
		for k, f := range m.FrequencyHz {
			if c := float64(m.Coherence[k]); f >= hz/math.Sqrt2 && f < hz*math.Sqrt2 && !math.IsNaN(c) {
				sum, n = sum+c, n+1
			}
		}
		out(coherence, sum/n, mic, number(hz))
	}
}

func watched(out emit, w *wire.Watch) {
	mic := strconv.Itoa(w.Microphone)
	if w.State != wire.WatchListens {
		return
	}
	if w.Wrong != nil || w.Certainty != wire.CannotTell {
		out(asBaseline, flag(w.Wrong == nil), mic)
	}
	out(within, float64(w.WithinDB), mic)
	out(temperature, float64(w.TemperatureC), mic)
	for i, hz := range w.LowHz {
		out(difference, float64(w.DifferenceDB[i]), mic, number(hz))
	}
}

func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
