package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/capture"
	"plumbline/stream/wire"
)

// What is wrong with a device stands on the page, whether the device runs nevertheless or is
// away, and what is wrong with the show; it goes when it is mended. The page comes back by itself, and what was lost is in
// the clock.
func TestFaultsAreInWordsOnThePageInRealTime(t *testing.T) {
	st := setStage(t, box("stage/large", "Large box", 4, 4))
	file := filepath.Join(t.TempDir(), "hall.plumbline")
	s := start(t, "serve", "--device", "stage/large", "--listen", "127.0.0.1:0", "--show", file)
	p := open(t, s.url+"/", laptop)
	shows := func(text string) string {
		return fmt.Sprintf(`['status', 'verdict', 'headline'].some((id) => document.querySelector('[data-testid=' + id + ']').textContent.includes(%q))`, text)
	}
	for _, text := range []string{
		`Input "stage/large" has delivered exact zeros for 3 s: unmute it, check the routing, and whether this program may use the microphone.`,
		`Input "stage/large" has lost samples in 4 of the last 10 s: end other programs that use it, or this computer's processor.`,
		`Input "stage/large" delivers about 44100 samples a second and not 48000: set both to the same rate.`,
	} {
		st.says.Store(&capture.Status{State: capture.Running, Text: "i" + strings.TrimSuffix(text[1:], ".")})
		p.until(shows(text))
		var h struct {
			Faults []wire.Fault `json:"faults"`
		}
		s.get(t, "/api/v1/health", http.StatusServiceUnavailable, &h)
		if len(h.Faults) != 1 || h.Faults[0].Code != wire.FaultDoubtful {
			t.Errorf("%s: %+v", text, h)
		}
		st.says.Store(nil)
		p.until("!" + shows(text))
	}

	// The show's file is taken away and put back.
	if err := os.Rename(file, file+".aside"); err != nil {
		t.Fatal(err)
	}
	p.until(shows("Levels are not being logged: "))
	p.until(shows("was deleted or moved while it was open"))
	var h struct {
		Faults []wire.Fault `json:"faults"`
	}
	s.get(t, "/api/v1/health", http.StatusServiceUnavailable, &h)
	if len(h.Faults) != 1 || h.Faults[0].Code != wire.FaultLevelLog {
		t.Errorf("the show's file is gone: %+v", h)
	}
	if err := os.Rename(file+".aside", file); err != nil {
		t.Fatal(err)
	}
	p.until("!" + shows("Levels are not being logged"))

	before := s.frame(t)
	st.away.Store(true)
	st.says.Store(&capture.Status{State: capture.Lost, Text: `input "stage/large" has gone: connect it again, it is looked for every second`})
	p.until(shows("No sound since "))
	p.until(shows(`nput "stage/large" has gone: connect it again, it is looked for every second.`))
	st.says.Store(nil)
	st.away.Store(false)
	p.until("!" + shows("has gone"))
	p.until("!" + shows("No sound since "))
	after := s.until(t, "it goes on", func(o wire.Object) bool { return o.Gaps > before.Gaps })
	if lost := after.Sample - before.Sample; after.Gaps != before.Gaps+1 || lost < 48000 {
		t.Errorf("%d gaps, the clock went on by %d samples; want one gap of more than a second", after.Gaps-before.Gaps, lost)
	}
}
