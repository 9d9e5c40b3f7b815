package watch

import (
	"fmt"
	"math"
	"os"
	"testing"
	"time"
)

// long tells whether the long runs are asked for (make watch-day).
func long() bool { return os.Getenv("PLUMBLINE_WATCH_DAY") != "" }

// TestNoFalseAlarmInADay plays a day of each programme in a hall with noise at
// 12 dB SNR whose air warms by 4 K and cools again, with nothing wrong. At most
// one alarm a day is promised.
func TestNoFalseAlarmInADay(t *testing.T) {
	for name, play := range programmes(21) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			begun := time.Now()
			h := newHall(rate, 31)
			s := newSound(h, play, 41)
			ref, mic := s.record(40)
			b, err := Learn(Config{SampleRateHz: rate}, ref, mic, gated())
			if err != nil {
				t.Fatal(err)
			}
			w := New(b)
			var events []Event
			day, worst, celsius := 120.0, 0.0, 20.0
			warming := 1200.0 // s from one warmest moment to the next
			if long() {
				day, warming = 8*3600, 14400
			}
			for n := 0; float64(n) < day*rate; {
				// In the long run as fast as a hall warms when its doors are closed: 4 K in two hours.
				now := float64(n) / rate
				want := 20 + 2*(1-math.Cos(2*math.Pi*now/warming))
				if math.Abs(want-celsius) >= 0.02 {
					celsius = want
					h.warm(celsius)
					s.set(h.a, h.b)
				}
				x, y := s.next()
				w.Feed(x, y)
				n += len(x)
				events = w.Events(events)
				worst = math.Max(worst, math.Abs(w.TemperatureC()-celsius))
			}
			t.Logf("%.1f h of %s in %.0f s: %d alarms, temperature within %.2f K", day/3600, name, time.Since(begun).Seconds(), len(events), worst)
			for _, e := range events {
				t.Logf("%.0f s: %s %s %g dB %g ms %.0f–%.0f Hz", float64(e.Sample)/rate, e.Kind, e.What, e.ChangeDB, e.ShiftMs, e.LowHz, e.HighHz)
			}
			if len(events) > int(day/(8*3600)) {
				t.Errorf("%d false alarms in %.2f h", len(events), day/3600)
			}
			if worst > 0.1 {
				t.Errorf("temperature off by %.2f K", worst)
			}
			record(t, "at most one false alarm in 8 h of "+name, fmt.Sprintf("%d in %.1f h", len(events), day/3600), "simulated hall, 12 dB SNR, air 20…24 °C; Page 1954")
		})
	}
}

// record reports what a long run has found against what was claimed.
func record(t *testing.T, claim, found, source string) {
	if long() {
		t.Attr("truth", fmt.Sprintf("%s | %s | %s", claim, found, source))
	}
}
