package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/analyze/room"
	"plumbline/capture/rig"
)

// clap is an impulse in a room: noise that decays by 60 dB in a time, over noise.
func clap(seed uint64, timeS, beforeS, lengthS, noiseDB float64) []float32 {
	r := rand.New(rand.NewPCG(seed, 3))
	x := make([]float32, int(lengthS*48000))
	for i := range x {
		v := math.Pow(10, noiseDB/20) * r.NormFloat64()
		if t := float64(i)/48000 - beforeS; t >= 0 {
			v += math.Exp(-t*3*math.Ln10/timeS) * r.NormFloat64()
		}
		x[i] = float32(v / 8)
	}
	return x
}

const roomKeys = "edt_s t20_s t30_s c50_db c80_db d50 ts_ms decay_range_db reason"

func TestRoomOfAnImpulse(t *testing.T) {
	path := record(t, "clap.wav", 48000, clap(1, 1, 0.5, 2.5, -60), clap(2, 0.4, 0.5, 2.5, -38))
	for fraction, bands := range map[string]int{"1": 8, "3": 24} {
		o := decode(t, must(t, "room", path, "--fraction", fraction, "--json"))
		hasKeys(t, "the room", o, "bands broadband sti sti_reason reflections cautions mti method")
		if n := len(list(t, o, "bands")); n != bands {
			t.Errorf("%d bands, want %d", n, bands)
		}
		last := 0.0
		for _, b := range list(t, o, "bands") {
			hasKeys(t, "a band", b, "mid_hz "+roomKeys)
			if hz := b["mid_hz"].(float64); hz <= last {
				t.Errorf("%g Hz follows %g", hz, last)
			} else {
				last = hz
			}
			if b["mid_hz"].(float64) > 900 { // the chance in the noise itself: 0.9/√(BT) or less
				if v := b["t20_s"].(float64); math.Abs(v-1) > 0.15 {
					t.Errorf("T20 is %.3f s at %g Hz", v, b["mid_hz"])
				}
			}
		}
		all := o["broadband"].(object)
		hasKeys(t, "broadband", all, roomKeys)
		if v := all["t30_s"].(float64); math.Abs(v-1) > 0.02 || all["reason"] != nil {
			t.Errorf("T30 broadband is %.4f s, %v", v, all["reason"])
		}
		if v := o["sti"].(float64); math.Abs(v-0.5885) > 0.02 || o["sti_reason"] != nil { // sti_closed_form.csv
			t.Errorf("STI is %.4f, %v", v, o["sti_reason"])
		}
	}
	// What noise leaves too little of is null, and says why.
	o := decode(t, must(t, "room", path, "--channel", "2", "--json"))
	all := o["broadband"].(object)
	if all["t30_s"] != nil || all["reason"] != "the decay meets the noise after 37 dB: T30 needs 45" && all["reason"] != "the decay meets the noise after 38 dB: T30 needs 45" {
		t.Errorf("T30 is %v, %v", all["t30_s"], all["reason"])
	}
	// Speech in a room is worse in noise.
	alone := o["sti"].(float64)
	for _, args := range [][]string{{"--snr", "0"}, {"--speech", "60", "--noise", "60,60,60,60,60,50,40"}, {"--speech", "62,62,58,52,46,40,34", "--noise", "60,60,60,60,60,50,40"}} {
		noisy := decode(t, must(t, append([]string{"room", path, "--channel", "2", "--json"}, args...)...))
		if v := noisy["sti"].(float64); !(v < alone-0.2 && v > 0.1) {
			t.Errorf("%v: STI %.3f, alone %.3f", args, v, alone)
		}
	}
}

// A sweep is made, played in a hall whose loudspeaker distorts, and measured: the same
// room comes out of it as out of noise.
func TestRoomOfASweepAndOfProgramme(t *testing.T) {
	inFolder(t, map[string][]byte{"hall.toml": []byte(`
seed = 3
room = {size_m = [14, 11, 7], reflections = 5, absorption = 0.5}
programme = {level_dbfs = -20}
noise = {level_dbfs = -75}
loudspeaker = [{name = "main", position_m = [2, 4, 2], third_order_db = -12, second_order_db = -30}]
microphone = [{position_m = [9, 6, 1.5]}]
`)})
	if o := plumbline(t, "signal", "sweep", "sweep.wav", "--band", "20:20000", "--seconds", "3", "--pause", "1"); o.code != exitDone {
		t.Fatal(o.stderr)
	}
	must(t, "rig", "render", "hall.toml", "swept.wav", "--programme", "sweep.wav", "--seconds", "8")
	must(t, "rig", "render", "hall.toml", "pink.wav", "--seconds", "20")
	swept := decode(t, must(t, "room", "swept.wav", "--channel", "2", "--sweep", "20:20000:3", "--json"))
	heard := decode(t, must(t, "room", "pink.wav", "--ref", "1", "--mic", "2", "--json"))
	if swept["method"] != "sweep" || heard["method"] != "programme" {
		t.Errorf("methods %v and %v", swept["method"], heard["method"])
	}
	a, b := list(t, swept, "bands"), list(t, heard, "bands")
	for i := range a {
		hz := a[i]["nominal_hz"].(float64)
		for key, within := range map[string]float64{"c80_db": 0.3, "d50": 0.02, "ts_ms": 2} {
			if x, y := a[i][key].(float64), b[i][key].(float64); hz >= 125 && math.Abs(x-y) > within {
				t.Errorf("%s at %g Hz is %.3f by the sweep, %.3f by noise", key, hz, x, y)
			}
		}
	}
	if x, y := swept["sti"].(float64), heard["sti"].(float64); math.Abs(x-y) > 0.01 {
		t.Errorf("STI %.3f by the sweep, %.3f by noise", x, y)
	}
	if early := list(t, swept, "reflections"); len(early) < 3 {
		t.Errorf("%d reflections", len(early))
	} else {
		// off the floor: √(7² + 2² + 3.5²) m instead of √(7² + 2² + 0.5²), at 343.2 m/s and 20 °C
		want := 1000 * (math.Sqrt(49+4+12.25) - math.Sqrt(49+4+0.25)) / 343.2
		if got := early[0]["delay_ms"].(float64); math.Abs(got-want) > 0.05 {
			t.Errorf("the floor is %.3f ms late, want %.3f", got, want)
		}
	}
	golden(t, "room.txt", must(t, "room", "swept.wav", "--channel", "2", "--sweep", "20:20000:3"))
}

// Without a room the third harmonic is exactly that of the scene.
func TestDistortionByASweep(t *testing.T) {
	inFolder(t, map[string][]byte{"field.toml": []byte(`
room = {size_m = [14, 11, 7], reflections = 0}
noise = {level_dbfs = -100}
loudspeaker = [{position_m = [2, 4, 2], third_order_db = -12, second_order_db = -30}]
microphone = [{position_m = [4, 4, 2]}]
`)})
	if o := plumbline(t, "signal", "sweep", "sweep.wav", "--seconds", "3", "--pause", "1"); o.code != exitDone {
		t.Fatal(o.stderr)
	}
	must(t, "rig", "render", "field.toml", "swept.wav", "--programme", "sweep.wav", "--seconds", "5")
	o := decode(t, must(t, "room", "swept.wav", "--channel", "2", "--sweep", "20:20000:3", "--json"))
	// The pause is a quarter of the file: the sweep is 10 lg(4/3) above the RMS of it all.
	at := -20 + 10*math.Log10(4/3.)
	most := 0.0
	for _, d := range list(t, o["sweep"].(object), "distortion") {
		want, ok := map[float64]float64{2: -30 + at, 3: -12 + 2*at}[d["order"].(float64)]
		levels, known := curve(t, d, "level_db"), 0
		for k, f := range curve(t, d, "frequency_hz") {
			if ok && f > 50 && f < 5000 {
				known++
				most = max(most, math.Abs(levels[k]-want))
			}
		}
		if ok && known < 50 {
			t.Errorf("order %v is known at %d points", d["order"], known)
		}
	}
	t.Attr("truth", fmt.Sprintf("second and third harmonic of a loudspeaker of the rig within 0.5 dB, from file to table | %.3f dB | the scene", most))
	if !(most <= 0.5) {
		t.Errorf("harmonics off by %.3f dB", most)
	}
}

// Sabine and Eyring in a room of the virtual rig whose surfaces are all alike. Both take
// sound from everywhere at once; between mirrors it is not, and what grazes few of them
// fades more slowly than Eyring has it. Sabine counts what is absorbed too low.
func TestRoomAgainstSabineAndEyring(t *testing.T) {
	s := rig.Scene{
		TemperatureC: 20, RateHz: 48000, Room: rig.Room{SizeM: [3]float64{30, 25, 20}, Reflections: 8},
		Programme: rig.Programme{Kind: rig.Pink}, Noise: rig.Noise{LevelDBFS: rig.NoNoise},
		Loudspeakers: []rig.Loudspeaker{{PositionM: rig.Position{6, 7, 3}}},
		Microphones:  []rig.Microphone{{PositionM: rig.Position{21, 16, 8}}},
	}
	const alpha = 0.7
	for i := range s.Room.Absorption {
		s.Room.Absorption[i] = alpha
	}
	h, _ := s.ImpulseResponse(0, 0)
	found, err := room.Analyze(h, room.Config{SampleRateHz: 48000})
	if err != nil {
		t.Fatal(err)
	}
	volume, surface := 30*25*20., 2*(30*25+30*20+25*20.)
	per := 24 * math.Ln10 / s.SpeedOfSound() * volume / surface
	sabine, eyring := per/alpha, per/-math.Log(1-alpha)
	low, high := math.Inf(1), 0.0
	for _, b := range found.Bands {
		if b.NominalHz >= 250 {
			low, high = min(low, b.T20S), max(high, b.T20S)
		}
	}
	t.Attr("truth", fmt.Sprintf("T20 of the rig's room of 30 × 25 × 20 m, α = 0.7, between Eyring, %.3f s, and Sabine, %.3f s | %.3f…%.3f s, %.0f to %.0f %% above Eyring, octaves from 250 Hz | Eyring, J. Acoust. Soc. Am. 1, 1930; mirrors up to 8 hits", eyring, sabine, low, high, 100*(low/eyring-1), 100*(high/eyring-1)))
	if !(low > eyring && high < sabine) {
		t.Errorf("T20 %.3f…%.3f s, Eyring %.3f, Sabine %.3f", low, high, eyring, sabine)
	}
}

func TestRoomsThatCannotBeTold(t *testing.T) {
	silent := make([]float32, 48000)
	loud := clap(1, 0.3, 0.2, 1, -60)
	for i := range loud {
		loud[i] = min(1, max(-1, 40*loud[i]))
	}
	inFolder(t, nil)
	recordTo(t, "silent.wav", 48000, silent)
	recordTo(t, "loud.wav", 48000, loud)
	recordTo(t, "clap.wav", 48000, clap(1, 0.3, 0.2, 1, -60))
	recordTo(t, "two.wav", 48000, make([]float32, 8*48000), clap(1, 0.3, 0.2, 8, -60))
	for args, want := range map[string]string{
		"silent.wav":                             "there is no sound in it",
		"loud.wav":                               "clipped at 0.2",
		"clap.wav --channel 2":                   "choose --channel from 1 to 1",
		"clap.wav --sweep 20:20000:5":            "record all of it",
		"two.wav --channel 2 --sweep 20:20000:2": "no sweep from 20 to 20000 Hz",
		"two.wav --ref 1 --mic 2":                "too little of the recording is alive",
		"clap.wav --sweep 20:30000:0.5":          "up to 24000 Hz",
		"nothing.wav":                            "nothing.wav",
	} {
		o := plumbline(t, append([]string{"room"}, strings.Fields(args)...)...)
		refused(t, o, want)
	}
	// A second clap ends the decay of the first, and is said.
	both := append(clap(1, 0.3, 0.2, 1.5, -60), clap(2, 0.3, 0.1, 1.5, -60)...)
	recordTo(t, "both.wav", 48000, both)
	text := must(t, "room", "both.wav")
	if !strings.Contains(text, "Another impulse begins at 1.6") {
		t.Errorf("nothing is said of the second impulse in\n%s", text)
	}
}
