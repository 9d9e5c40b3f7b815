package daemon

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"plumbline/capture"
)

// A pause on a digital input is no loss, and says so.
func TestLogOfWhatHappenedToTheSamples(t *testing.T) {
	var log bytes.Buffer
	p := &pump{d: &Daemon{log: slog.New(slog.NewTextHandler(&log, nil))}}
	said := func(c capture.Counters) string {
		log.Reset()
		p.warn(time.Now(), c)
		return log.String()
	}
	if text := said(capture.Counters{}); text != "" {
		t.Errorf("nothing happened: %s", text)
	}
	if text := said(capture.Counters{ZeroRuns: 2}); !strings.Contains(text, "level=INFO") || !strings.Contains(text, "zero_runs=2") || strings.Contains(text, "lost") {
		t.Errorf("zeros: %s", text)
	}
	if text := said(capture.Counters{ZeroRuns: 2, Overflows: 1, LostFrames: 480}); strings.Count(text, "\n") != 1 || !strings.Contains(text, "level=WARN") || !strings.Contains(text, "lost_frames=480 overflows=1") {
		t.Errorf("lost: %s", text)
	}
	if text := said(capture.Counters{ZeroRuns: 2, Overflows: 1, LostFrames: 480}); text != "" {
		t.Errorf("nothing new: %s", text)
	}
}
