package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const subScene = `
name         = "main and sub"
temperature_c = 20
rate_hz      = 48000
seed         = 3
[room]
size_m      = [24, 16, 7]
reflections = 2
[room.absorption]
63   = 0.3
125  = 0.35
250  = 0.4
500  = 0.5
1000 = 0.6
2000 = 0.6
4000 = 0.6
8000 = 0.6
[programme]
kind       = "pink"
level_dbfs = -20
[noise]
level_dbfs = -66
[[loudspeaker]]
name       = "main"
position_m = [2.0, 6.0, 3.0]
low_hz     = 90
high_hz    = 16000
[[loudspeaker]]
name       = "sub"
position_m = [2.0, 8.0, 0.5]
low_hz     = 30
high_hz    = SUBTOP
delay_ms   = 14
[[microphone]]
name       = "seat"
position_m = [13.0, 7.0, 1.2]
`

// From a scene to the sentence: what sum says of a sub and what align does to it
// are one number, over the band that both play, and neither is sure of the cycle.
func TestSubByRecordings(t *testing.T) {
	folder := t.TempDir()
	scene := filepath.Join(folder, "subs.toml")
	if err := os.WriteFile(scene, []byte(strings.Replace(subScene, "SUBTOP", "100", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	main, sub := filepath.Join(folder, "main.wav"), filepath.Join(folder, "sub.wav")
	for out, which := range map[string]string{main: "A", sub: "B"} {
		must(t, "rig", "render", scene, out, "--play", which, "--seconds", "12")
	}
	var sum, plan struct {
		BandHz    []float64 `json:"band_hz"`
		OffsetMs  float64   `json:"offset_ms"`
		Certainty string    `json:"certainty"`
		Reason    string    `json:"reason"`
		Plan      struct {
			Wait    string  `json:"wait"`
			DelayMs float64 `json:"delay_ms"`
		} `json:"plan"`
		Cycles []struct {
			LessDB float64 `json:"less_db"`
		} `json:"cycles"`
		Seats []struct {
			OffsetMs float64 `json:"offset_ms"`
		} `json:"seats"`
	}
	for to, args := range map[any][]string{&sum: {"sum", main, sub, "--json"}, &plan: {"align", "--pair", main + "," + sub, "--json"}} {
		if err := json.Unmarshal([]byte(must(t, args...)), to); err != nil {
			t.Fatal(err)
		}
	}
	moves := plan.Plan.DelayMs
	if plan.Plan.Wait == "A" {
		moves = -moves
	}
	t.Logf("%.0f Hz, the sub is %.3f ms late, the plan moves it by %.3f ms; %s", plan.BandHz, sum.OffsetMs, moves, plan.Reason)
	// To the two places that people are shown.
	if math.Abs(sum.OffsetMs+moves) > 0.005 || math.Abs(plan.Seats[0].OffsetMs+moves) > 0.005 {
		t.Errorf("sum says %.4f ms late, align %.4f, and the plan moves it by %.4f ms", sum.OffsetMs, plan.Seats[0].OffsetMs, moves)
	}
	if sum.Certainty != plan.Certainty || sum.Reason != plan.Reason || plan.Certainty == "sure" || len(plan.Cycles) == 0 {
		t.Errorf("sum is %s (%s), align %s (%s), %d cycles", sum.Certainty, sum.Reason, plan.Certainty, plan.Reason, len(plan.Cycles))
	}
	if plan.BandHz[0] < 40 || plan.BandHz[1] > 300 {
		t.Errorf("the overlap of a main from 90 Hz and a sub up to 100 Hz is said to be %.0f Hz", plan.BandHz)
	}
}
