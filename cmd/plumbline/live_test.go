package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// get decodes an answer of the API; status is what it should have.
func (s service) get(t *testing.T, path string, status int, into any) {
	t.Helper()
	s.ask(t, http.MethodGet, path, "", status, into)
}

func (s service) ask(t *testing.T, method, path, body string, status int, into any) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, s.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Close = true // nothing of the client's may outlive the test
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if res.StatusCode != status {
		t.Fatalf("%s %s: %s, want %d: %s", method, path, res.Status, status, text)
	}
	if into != nil {
		if err := json.Unmarshal(text, into); err != nil {
			t.Fatalf("%s %s: %v in %.200q", method, path, err, text)
		}
	}
}

// frame is the newest frame, once there is one.
func (s service) frame(t *testing.T) wire.Object {
	t.Helper()
	var o wire.Object
	s.get(t, "/api/v1/frame", http.StatusOK, &o)
	return o
}

// until waits for a frame that satisfies ok.
func (s service) until(t *testing.T, what string, ok func(wire.Object) bool) wire.Object {
	t.Helper()
	s.awaitFirstFrame(t)
	var o wire.Object
	eventually(t, what, func() bool {
		o = s.frame(t)
		return ok(o)
	})
	return o
}

func (s service) awaitFirstFrame(t *testing.T) {
	t.Helper()
	eventually(t, "a first frame", func() bool {
		var h struct {
			Frames uint64 `json:"frames"`
		}
		s.get(t, "/api/v1/health", http.StatusOK, &h)
		return h.Frames > 0
	})
}

// distanceMs is the time that sound takes from one point to the other in air of
// the temperature: 343.2·√(T/293.15 K) m/s, ISO 9613-1:1993.
func distanceMs(from, to [3]float64, temperatureC float64) float64 {
	var sum float64
	for i := range from {
		sum += (from[i] - to[i]) * (from[i] - to[i])
	}
	return 1000 * math.Sqrt(sum) / (343.2 * math.Sqrt((temperatureC+273.15)/293.15))
}

// TestDemoFollowsTheMicrophone is the demo as its user meets it: it starts,
// measures, and follows when the microphone is carried about.
func TestDemoFollowsTheMicrophone(t *testing.T) {
	demo := start(t, "demo", "--empty", "--listen", "127.0.0.1:0")
	demo.awaitFirstFrame(t)

	var scene wire.RigScene
	demo.ask(t, http.MethodPatch, "/api/v1/rig", `{"loudspeakers":{"fill":{"mute":true}}}`, http.StatusOK, &scene)
	main := scene.Loudspeakers[0]
	await := func(what string, ok func(wire.Object) bool) wire.Object { return demo.until(t, what, ok) }
	for _, at := range [][3]float64{{6, 4, 1.2}, {12, 6.5, 1.2}, {9, 6.5, 1.2}} {
		await("a second of averages", func(o wire.Object) bool { return float64(o.AveragedS) > 1 })
		body := fmt.Sprintf(`{"microphones":{%q:{"position_m":[%g,%g,%g]}}}`, scene.Microphones[0].Name, at[0], at[1], at[2])
		demo.ask(t, http.MethodPatch, "/api/v1/rig", body, http.StatusOK, &scene)
		before := demo.frame(t)
		want := distanceMs(main.PositionM, at, scene.TemperatureC) + main.DelayMs
		// The box adds its crossover's delay, below 0.1 ms: see capture/rig.
		after := await(fmt.Sprintf("a delay of %.2f ms", want), func(o wire.Object) bool {
			return math.Abs(float64(o.Microphones[0].DelayMs)-want) < 0.1
		})
		// On the clock of the audio, as a busy machine is late on the wall's; but what was
		// asked before is then of sound long past, under the race detector most of all. Lost
		// samples are time in which nothing was heard.
		if s := float64(after.Sample-before.Sample) / before.SampleRateHz; s > 0.5 && after.Gaps == before.Gaps && !raced.Detector {
			t.Errorf("at %v: the delay followed after %.2f s, want 0.5", at, s)
		}
	}

	// The sentence and the polarity come with the averages.
	o := await("same polarity", func(o wire.Object) bool {
		return o.Microphones[0].Polarity.Verdict == "same"
	})
	if o.Verdict == "" || o.Source != scene.Name {
		t.Errorf("verdict %q of %q", o.Verdict, o.Source)
	}
	demo.ask(t, http.MethodPatch, "/api/v1/rig", `{"loudspeakers":{"main":{"polarity":"opposite"}}}`, http.StatusOK, nil)
	await("opposite polarity", func(o wire.Object) bool {
		return o.Microphones[0].Polarity.Verdict == "opposite"
	})

	end := demo.stop()
	if end.code != exitDone || strings.Count(end.stdout, "\n") != 1 {
		t.Errorf("exit status %d, stdout %q", end.code, end.stdout)
	}
	if !strings.Contains(end.stderr, `msg="first frame" after_s=`) {
		t.Errorf("the time to the first frame is not logged: %s", end.stderr)
	}
}

// TestServeFileAndFollow replays a recording of known delay, sign and gain.
func TestServeFileAndFollow(t *testing.T) {
	const enough = 16 // averages, for an error far below 0.5 dB at the coherence there is
	x := noise(1, 4*48000, 0.1)
	path := record(t, "known.wav", 48000, x, late(x, 480, -0.5, noise(2, len(x), 0.001)))
	s := start(t, "serve", "--file", path, "--loop", "--listen", "127.0.0.1:0")
	s.until(t, "opposite polarity at 10 ms, of enough averages", func(o wire.Object) bool {
		m := o.Microphones[0]
		return math.Abs(float64(m.DelayMs)-10) < 0.01 && m.Polarity.Verdict == "opposite" && slices.Max(m.EffectiveAverages) > enough
	})

	lines := strings.Split(strings.TrimSuffix(must(t, "follow", s.url, "--frames", "3"), "\n"), "\n")
	if len(lines) != 3 {
		t.Fatalf("%d lines, want 3", len(lines))
	}
	for _, line := range lines {
		o := decode(t, line+"\n")
		hasKeys(t, "a frame", o, "time source gaps sample_rate_hz verdict microphones")
		if _, err := time.Parse(time.RFC3339, o["time"].(string)); err != nil {
			t.Error(err)
		}
		m := list(t, o, "microphones")[0]
		checkResponse(t, m)
		hasKeys(t, "levels", m["levels"].(object), "peak_dbfs rms_dbfs")
		// Gaussian noise of RMS 0.05 where a full-scale sine wave, RMS 1/√2, is 0 dB
		if rms := m["levels"].(object)["rms_dbfs"].(float64); math.Abs(rms-20*math.Log10(0.05*math.Sqrt2)) > 0.5 {
			t.Errorf("level %g dB", rms)
		}
		hz, level, averages := curve(t, m, "frequency_hz"), curve(t, m, "magnitude_db"), curve(t, m, "effective_averages")
		for k := range hz {
			if averages[k] > enough && math.Abs(level[k]+6.02) > 0.5 {
				t.Errorf("%g dB at %g Hz, want -6.02", level[k], hz[k])
				break
			}
		}
	}

	// Another client changes what is measured: for all, and the frames go on.
	before := s.frame(t)
	var state wire.State
	s.ask(t, http.MethodPatch, "/api/v1/settings", `{"reference":2,"microphones":[1]}`, http.StatusOK, &state)
	if state.Epoch != before.Epoch+1 || state.Settings.Reference != 2 {
		t.Errorf("state after the change: epoch %d, reference %d", state.Epoch, state.Settings.Reference)
	}
	after := s.until(t, "frames of the new epoch", func(o wire.Object) bool { return o.Epoch == state.Epoch })
	if after.Seq <= before.Seq || after.Sample <= before.Sample || after.Microphones[0].Channel != 1 {
		t.Errorf("seq %d after %d, sample %d after %d, channel %d", after.Seq, before.Seq, after.Sample, before.Sample, after.Microphones[0].Channel)
	}
	if end := s.stop(); end.code != exitDone {
		t.Errorf("exit status %d: %s", end.code, end.stderr)
	}
}

// A file that has ended leaves the pages running, and the state says so.
func TestServeFileToItsEnd(t *testing.T) {
	x := noise(1, 48000/2, 0.1)
	s := start(t, "serve", "--file", record(t, "short.wav", 48000, x, x), "--listen", "127.0.0.1:0")
	eventually(t, "the state to say that the file has ended", func() bool {
		var state wire.State
		s.get(t, "/api/v1/state", http.StatusOK, &state)
		return state.Source.State == "ended" && state.Source.Text == "the file has ended"
	})
	// What was heard before is analysed to the end: half a second, 20 frames a second.
	s.until(t, "the tenth frame", func(o wire.Object) bool { return o.Seq == 10 })
}

// A file that cannot be read on is a fault, in words and in the health, and the pages go on.
func TestServeFileThatBreaksOff(t *testing.T) {
	x := noise(1, 2*48000, 0.1)
	path := record(t, "short.wav", 48000, x, x)
	s := start(t, "serve", "--file", path, "--loop", "--listen", "127.0.0.1:0")
	s.awaitFirstFrame(t)
	if err := os.Truncate(path, 100_000); err != nil {
		t.Fatal(err)
	}
	var state wire.State
	eventually(t, "the state to say that it cannot be read on", func() bool {
		s.get(t, "/api/v1/state", http.StatusOK, &state)
		return state.Source.State == "failed"
	})
	if want := "short.wav became shorter while it was read: wait until it is complete"; !strings.HasSuffix(state.Source.Text, want) {
		t.Errorf("the source says %q, want %q", state.Source.Text, want)
	}
	var h struct {
		Status string
		Faults []wire.Fault
	}
	s.get(t, "/api/v1/health", http.StatusServiceUnavailable, &h)
	if h.Status != "failed" || len(h.Faults) != 1 || h.Faults[0] != (wire.Fault{Code: wire.FaultFailed, Text: state.Source.Text}) {
		t.Errorf("%+v", h)
	}
}

// TestSignals starts the program as such and ends it as a shell or a
// supervisor would.
func TestSignals(t *testing.T) {
	for _, sig := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		t.Run(sig.String(), func(t *testing.T) {
			exe, err := os.Executable()
			if err != nil {
				t.Fatal(err)
			}
			cmd := exec.CommandContext(t.Context(), exe, "demo", "--empty", "--listen", "127.0.0.1:0")
			cmd.Env = append(os.Environ(), "PLUMBLINE_TEST_AS_PROGRAM=1")
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			stdout, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			line, err := bufio.NewReader(stdout).ReadString('\n')
			address, ok := strings.CutPrefix(strings.TrimSpace(line), "listening on http://")
			if err != nil || !ok {
				t.Fatalf("%v: %q, %s", err, line, stderr.String())
			}
			// A client that never reads must not hold up the end.
			conn, err := net.Dial("tcp", address)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			fmt.Fprintf(conn, "GET /api/v1/live HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"+
				"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: MDEyMzQ1Njc4OWFiY2RlZg==\r\n\r\n", address)
			if status, err := bufio.NewReader(conn).ReadString('\n'); err != nil || !strings.Contains(status, "101") {
				t.Fatalf("%v: %q", err, status)
			}
			if err := cmd.Process.Signal(sig); err != nil {
				t.Fatal(err)
			}
			if err := cmd.Wait(); err != nil {
				t.Errorf("%v: %s", err, stderr.String())
			}
		})
	}
}
