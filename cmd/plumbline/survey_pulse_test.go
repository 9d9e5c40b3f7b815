//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/capture/device/pulsetest"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// TestSurveyOfRealSoundInRealTime: the program plays its test signal through PortAudio on
// the loudspeakers' channels and on the loopback, and surveys what comes back.
// The cable has no delay and no gain: main and its twin, on one channel, must be
// in step, at the level that was asked for; a loudspeaker on another channel is
// not heard.
func TestSurveyOfRealSoundInRealTime(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{Channels: 2})
	file := filepath.Join(t.TempDir(), "hall.plumbline")
	x, err := show.New(file, "hall")
	if err != nil {
		t.Fatal(err)
	}
	for name, channel := range map[string]int{"main": 1, "twin": 1, "other": 2} {
		if _, err := x.PutLoudspeaker(show.Loudspeaker{Name: name, Channel: channel}, "test"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := x.PutSeat(show.Seat{Name: "cable"}, "test"); err != nil {
		t.Fatal(err)
	}
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	url := spawn(t, "serve", "--device", pulsetest.DeviceID, "--ref", "2", "--mic", "1",
		"--output", pulsetest.DeviceID, "--loopback", "2", "--show", file, "--listen", "127.0.0.1:0")
	w := walk(t, url)
	survey := func(fill string) wire.Survey {
		t.Helper()
		begun := ask[wire.Survey](t, w.client, "POST", url+"/api/v1/survey", map[string]any{"seat": 1, "main": "main", "fill": fill})
		for {
			select {
			case v := <-w.surveys:
				if v.Revision >= begun.Revision && v.Fill == fill && v.State != wire.SurveyIdle && !v.Running() {
					return v
				}
			case <-time.After(3 * time.Minute):
				t.Fatal("the survey does not end")
			}
		}
	}

	// On a busy machine the sound server may be late with what is led back.
	done := survey("twin")
	for try := 1; done.State == wire.SurveyFailed && try < 5; try++ {
		t.Logf("once more: %s", done.Text)
		done = survey("twin")
	}
	if done.State != wire.SurveyDone || len(done.Takes) != 3 {
		t.Fatalf("%+v", done)
	}
	a := ask[wire.Align](t, w.client, "GET", url+"/api/v1/align?main=main&fill=twin&spread_m=0", nil) // a cable has no heads about it
	if a.Plan == nil || a.Plan.DelayMs > 0.02 || a.Plan.PolarityB != "same" || float64(a.Efficiency.Today) < -0.05 {
		t.Fatalf("%+v %+v %q", a.Plan, a.Efficiency, a.Reasons)
	}
	for i, id := range done.Takes {
		take := ask[show.Take](t, w.client, "GET", url+"/api/v1/show/takes/"+string('0'+rune(id)), nil)
		ref, mic := float64(take.Results.ReferenceLevels.RMSDBFS), float64(take.Results.Levels.RMSDBFS)
		// The mean of pink noise over so short a time has an error of its own: relative, its
		// variance is ∫G²df / T(∫G df)² (Bendat and Piersol, Random Data, 2010, 8.2.1), where G
		// is 1/f from 2 Hz to half the rate and level below.
		power := 1 + math.Log(take.SampleRateHz/2/2)
		sd := 10 / math.Ln10 / math.Sqrt(take.AveragedS*power*power)
		if math.Abs(ref+20) > 4.5*sd || math.Abs(mic-ref) > 0.05 || math.Abs(take.DelayMs) > 0.02 || take.Source == "" {
			t.Errorf("take %d: reference %.2f dBFS, microphone %.2f dBFS, %.3f ms; %.2f s have an s.d. of %.2f dB", i, ref, mic, take.DelayMs, take.AveragedS, sd)
		}
	}
	t.Logf("%.4f ms, efficiency %.3f dB", a.Plan.DelayMs, float64(a.Efficiency.Today))

	failed := survey("other")
	if failed.State != wire.SurveyFailed || !strings.Contains(failed.Text, "other alone") && !strings.Contains(failed.Text, "is silent") {
		t.Errorf("%+v", failed)
	}
}

// walker is a client of the live connection that stays until the end of the test.
type walker struct {
	client  string
	surveys chan wire.Survey
}

func walk(t *testing.T, url string) *walker {
	t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws"+strings.TrimPrefix(url, "http")+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	p := &walker{surveys: make(chan wire.Survey, 1<<14)}
	named, ended := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			_, data, err := conn.ReadMessage()
			if err != nil {
				return
			}
			var m struct {
				Type   string      `json:"type"`
				Client string      `json:"client"`
				Survey wire.Survey `json:"survey"`
			}
			if json.Unmarshal(data, &m) != nil {
				continue // a frame
			}
			switch m.Type {
			case wire.TypeHello:
				select {
				case named <- m.Client:
				default:
				}
			case wire.TypeAsk:
				conn.WriteJSON(wire.ClientMessage{Type: wire.TypeHere})
			case wire.TypeSurvey:
				p.surveys <- m.Survey
			}
		}
	}()
	t.Cleanup(func() { conn.Close(); <-ended })
	p.client = <-named
	return p
}

// ask makes a request that must be granted.
func ask[T any](t *testing.T, client, method, url string, body any) (v T) {
	t.Helper()
	data, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(t.Context(), method, url, bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	req.Close = true
	req.Header.Set("X-Plumbline-Client", client)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s %s: %d %s %v", method, url, res.StatusCode, text, err)
	}
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}
