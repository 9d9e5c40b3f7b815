//go:build unix

package main

import (
	"bufio"
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbline/stream/wire"
)

// The program stands still for a while, as on a laptop that is closed, and goes
// on: the level log has a hole with a mark, and the source counts what was lost.
func TestAPauseIsAHoleInTheLog(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe, "demo", "--empty", "--listen", "127.0.0.1:0")
	cmd.Env = append(os.Environ(), "PLUMBLINE_TEST_AS_PROGRAM=1")
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		cmd.Process.Signal(os.Interrupt)
		cmd.Wait()
	}()
	line, err := bufio.NewReader(stdout).ReadString('\n')
	url, ok := strings.CutPrefix(strings.TrimSpace(line), "listening on ")
	if err != nil || !ok {
		t.Fatalf("%v: %q", err, line)
	}
	get := func(path string, to any) {
		t.Helper()
		answer, err := http.Get(url + path)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		if err := json.NewDecoder(answer.Body).Decode(to); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	history := func(ok func(h *wire.LevelHistory) bool) (h wire.LevelHistory) {
		t.Helper()
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for end := time.Now().Add(3 * time.Minute); ; <-tick.C {
			if get("/api/v1/levels/history", &h); ok(&h) {
				return h
			}
			if time.Now().After(end) {
				t.Fatalf("never: %+v", h.Marks)
			}
		}
	}
	covered := func(h *wire.LevelHistory) (known []float64) { // when
		if len(h.Microphones) > 0 {
			for i, s := range h.Microphones[0].CoveredS {
				if s == s {
					known = append(known, h.UnixS[i])
				}
			}
		}
		return known
	}
	before := history(func(h *wire.LevelHistory) bool { return len(covered(h)) >= 1 })
	const still = 3 * time.Second // it is the pause that is tried
	if err := cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	time.Sleep(still)
	if err := cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	var mark wire.LevelMark
	last := covered(&before)[len(covered(&before))-1]
	after := history(func(h *wire.LevelHistory) bool {
		for _, m := range h.Marks {
			if m.Kind == wire.MarkGap {
				mark = m
			}
		}
		known := covered(h)
		return len(known) > 0 && known[len(known)-1] > last+still.Seconds()
	})
	if mark.Text == "" || !strings.HasSuffix(mark.Text, " s of sound are missing here.") {
		t.Fatalf("marks %+v", after.Marks)
	}
	hole := 0.0
	known := covered(&after)
	for i := 1; i < len(known); i++ {
		hole = max(hole, known[i]-known[i-1])
	}
	if hole < 2 { // seconds of the clock that were touched on either side count as known
		t.Errorf("the largest hole between two rows is %g s, it stood still for %v", hole, still)
	}
	var state wire.State
	if get("/api/v1/state", &state); state.Counters.Stalls == 0 || state.Counters.LostFrames < 2*48000 {
		t.Errorf("%+v", state.Counters)
	}
}
