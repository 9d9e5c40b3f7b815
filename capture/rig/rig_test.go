package rig

import (
	"testing"
	"time"

	"plumbline/capture/internal/leak"
)

func TestMain(m *testing.M) { leak.Main(m) }

func BenchmarkRender(b *testing.B) {
	s := Demo()
	frames := int64(s.RateHz)
	start := time.Now()
	n := 0
	for b.Loop() {
		if err := Render(b.Context(), s, frames, func([]float32) error { return nil }); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(n)/time.Since(start).Seconds(), "x-realtime")
}
func BenchmarkNew(b *testing.B) {
	s := Demo()
	for b.Loop() {
		if _, err := New(s, Config{}); err != nil {
			b.Fatal(err)
		}
	}
}
