package stream

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

// healthOf asks for the health without a socket.
func healthOf(t *testing.T, s *Server) (int, healthObject) {
	t.Helper()
	status, body := local(s, "GET", "/api/v1/health")
	var h healthObject
	if err := json.Unmarshal([]byte(body), &h); err != nil {
		t.Fatalf("%d %s: %v", status, body, err)
	}
	return status, h
}

func codes(h healthObject) string {
	var all []string
	for _, f := range h.Faults {
		all = append(all, f.Code)
	}
	return strings.Join(all, " ")
}

// Every fault has its code and its sentence, and 503; nothing else has.
func TestHealth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		op := newOperator()
		levels := &fakeLevels{}
		s, err := New(Config{Operator: op, Levels: levels})
		if err != nil {
			t.Fatal(err)
		}
		well := op.state
		for _, c := range []struct {
			name   string
			change func(st *State, l *wire.LevelLog)
			// want are the codes; text is that of the first.
			status       int
			word         string
			want, inText string
		}{
			{"starting", func(st *State, _ *wire.LevelLog) { st.Source.State = "starting" }, 200, "starting", "", ""},
			{"running", func(*State, *wire.LevelLog) {}, 200, "ok", "", ""},
			{"no source", func(st *State, _ *wire.LevelLog) { st.Source.Kind, st.Source.State = wire.SourceNone, "starting" }, 503, "starting", "no_source", "Set up"},
			{"stalled", func(st *State, _ *wire.LevelLog) { st.Source.State, st.Source.Text = "stalled", "nothing for 2 s" }, 503, "stalled", "source_stalled", "nothing for 2 s"},
			{"lost", func(st *State, _ *wire.LevelLog) { st.Source.State = "lost" }, 503, "lost", "source_lost", "small hall is gone"},
			{"ended", func(st *State, _ *wire.LevelLog) { st.Source.State = "ended" }, 503, "ended", "source_ended", "small hall has ended"},
			{"a recording ended", func(st *State, _ *wire.LevelLog) { st.Source.Kind, st.Source.State = "file", "ended" }, 200, "ended", "", ""},
			{"a recording that cannot be read on", func(st *State, _ *wire.LevelLog) {
				st.Source.Kind, st.Source.State, st.Source.Text = "file", "failed", "hall.wav is damaged"
			}, 503, "failed", "source_failed", "hall.wav is damaged"},
			{"zeros", func(st *State, _ *wire.LevelLog) { st.Source.Text = "exact zeros for 3 s" }, 503, "faulty", "source_doubtful", "exact zeros for 3 s"},
			{"recording stopped", func(st *State, _ *wire.LevelLog) {
				st.Recording = &wire.Recording{State: wire.RecordingStopped, Text: "The disk is full."}
			}, 503, "faulty", "recording", "The disk is full."},
			{"recording", func(st *State, _ *wire.LevelLog) { st.Recording = &wire.Recording{State: wire.RecordingRuns} }, 200, "ok", "", ""},
			{"no log", func(_ *State, l *wire.LevelLog) {
				l.State, l.Text = wire.LogFailed, "Levels are not being logged: full."
			}, 503, "faulty", "level_log", "full"},
			{"two", func(st *State, l *wire.LevelLog) { st.Source.State, l.State = "lost", wire.LogFailed }, 503, "lost", "source_lost level_log", "gone"},
		} {
			st, log := well, wire.LevelLog{State: wire.LogWriting}
			c.change(&st, &log)
			op.mu.Lock()
			op.state = st
			op.mu.Unlock()
			levels.log = log
			status, h := healthOf(t, s)
			if status != c.status || h.Status != c.word || codes(h) != c.want || !strings.Contains(h.Text, c.inText) || c.want == "" && (h.Text != "" || h.Faults == nil) {
				t.Errorf("%s: %d %+v, want %d %s %q %q", c.name, status, h, c.status, c.word, c.want, c.inText)
			}
			for _, f := range h.Faults {
				if f.Text == "" {
					t.Errorf("%s: %s has no sentence", c.name, f.Code)
				}
			}
		}

		// It runs, and nothing comes of it any more.
		op.state, levels.log = well, wire.LevelLog{}
		s.Publish(frametest.New(1))
		time.Sleep(staleAfter - time.Millisecond)
		if status, h := healthOf(t, s); status != http.StatusOK || h.LastFrameS < 1.49 {
			t.Errorf("%d %+v", status, h)
		}
		time.Sleep(time.Millisecond)
		if status, h := healthOf(t, s); status != http.StatusServiceUnavailable || codes(h) != "no_frames" || !strings.HasPrefix(h.Text, "No data since ") {
			t.Errorf("%d %+v", status, h)
		}
		s.Publish(frametest.New(1))
		if status, h := healthOf(t, s); status != http.StatusOK || h.Status != "ok" {
			t.Errorf("%d %+v", status, h)
		}
	})
}

// fakeLevels has a log in some state.
type fakeLevels struct {
	LevelOperator
	log wire.LevelLog
}

func (f *fakeLevels) Levels() wire.SoundLevels { return wire.SoundLevels{Log: f.log} }

// The clock on the wall is set, back by an hour or forward by a day: a dead source is
// still said to be dead, after the same time, and a living one is not.
func TestSettingTheClockHidesNoDeadSource(t *testing.T) {
	for _, jump := range []time.Duration{-time.Hour, 24 * time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			s, err := New(Config{Operator: newOperator()})
			if err != nil {
				t.Fatal(err)
			}
			var set atomic.Int64                                                               // ns
			s.now = func() time.Time { return time.Unix(0, time.Now().UnixNano()+set.Load()) } // of the wall alone
			said := func() string { return s.board.Load().verdicts[0].verdict.Text }
			var watched sync.WaitGroup
			watched.Go(func() { s.watch(t.Context()) })
			f := frametest.New(1)
			s.Publish(f)
			synctest.Wait()
			set.Store(int64(jump)) // between two ticks of the watch
			time.Sleep(time.Second)
			synctest.Wait()
			if !strings.HasPrefix(said(), "The microphone hears") {
				t.Errorf("%v: a living source: %s", jump, said())
			}
			last := s.now().Add(-time.Second)
			time.Sleep(time.Second)
			synctest.Wait()
			if want := "No data since " + last.Format(time.TimeOnly) + " from small hall."; said() != want {
				t.Errorf("%v: %s, want %s", jump, said(), want)
			}
			if status, h := healthOf(t, s); status != http.StatusServiceUnavailable || !slices.ContainsFunc(h.Faults, func(f wire.Fault) bool { return f.Code == wire.FaultNoFrames }) || h.LastFrameS < 1.99 || h.LastFrameS > 2.01 {
				t.Errorf("%v: %d %+v", jump, status, h)
			}
		})
	}
}
