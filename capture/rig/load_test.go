package rig

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// oneLine checks that an error is one line and says what is expected.
func oneLine(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil {
		t.Errorf("no error, want %q", want)
	} else if s := err.Error(); !strings.Contains(s, want) || strings.Contains(s, "\n") {
		t.Errorf("got %q, want one line with %q", s, want)
	}
}

const least = `[room]
size_m = [10, 8, 4]
[[loudspeaker]]
position_m = [1, 1, 1]
[[microphone]]
position_m = [5, 5, 1]
`

func TestParseFillsInWhatIsLeftOut(t *testing.T) {
	s, err := Parse(least)
	if err != nil {
		t.Fatal(err)
	}
	l := s.Loudspeakers[0]
	if s.RateHz != 48000 || s.TemperatureC != 20 || s.Programme.Kind != Pink || s.Programme.LevelDBFS != -20 ||
		s.Noise.LevelDBFS != -60 || s.Room.Reflections != 2 || s.Room.Absorption[3] != 0.3 ||
		l.Name != "loudspeaker 1" || l.Polarity != Same || s.Microphones[0].Name != "microphone 1" {
		t.Errorf("%+v", s)
	}
}

func TestDemoHasTheFaultItShows(t *testing.T) {
	s := Demo()
	main, fill := s.Loudspeakers[0], s.Loudspeakers[1]
	if main.Polarity != Same || fill.Polarity != Opposite {
		t.Error("the fill is not reversed")
	}
	// main √(7²+2.5²+2²) = 7.697 m, fill √(6²+1.5²) = 6.185 m from the seat, 12 ms
	late := (s.ArrivalS(1, 0) - s.ArrivalS(0, 0)) * 1000
	if want := 12 - 1512.2/s.SpeedOfSound(); late < want-0.01 || late > want+0.01 {
		t.Errorf("the fill is %.3f ms late, by geometry %.3f", late, want)
	}
}

func TestBadScenesEndInOneClearLine(t *testing.T) {
	with := func(old, new string) string {
		if !strings.Contains(least, old) {
			t.Fatalf("%q is not in the scene", old)
		}
		return strings.Replace(least, old, new, 1)
	}
	box := func(line string) string { return with("position_m = [1, 1, 1]", "position_m = [1, 1, 1]\n"+line) }
	for text, want := range map[string]string{
		"":                "room.size_m (length) = 0: choose 1…200",
		"this is no toml": "line 1",
		"[room]\nsize_m = [10, 8]\n" + least[27:]:       "line 2, room.size_m: write three numbers",
		with("[10, 8, 4]", `"large"`):                   "line 2, room.size_m: write three numbers",
		with("[10, 8, 4]", "[10, 8, 400]"):              "room.size_m (height) = 400: choose 1…200",
		"colour = 3\n" + least:                          "unknown key colour: at the top there may be name, temperature_c",
		with("size_m", "reflexions = 2\nsize_m"):        "unknown key room.reflexions: in room there may be size_m, reflections",
		box("gain = 3"):                                 "unknown key loudspeaker.gain: in loudspeaker there may be name, role, position_m",
		"temperature_c = 200\n" + least:                 "temperature_c = 200: choose -20…50",
		"temperature_c = nan\n" + least:                 "temperature_c = NaN",
		"rate_hz = 8000\n" + least:                      "rate_hz = 8000: choose 44100…192000",
		"rate_hz = 48000.5\n" + least:                   "line 1, rate_hz: write a whole number",
		"name = 3\n" + least:                            `line 1, name: write a text in quotes`,
		"room = 3\n":                                    "line 1, room: write a table [room]",
		"[rooom]\nx = 1\n" + least:                      "unknown key rooom: at the top",
		"loudspeaker = 3\n":                             "line 1, loudspeaker: write a table [[loudspeaker]] for each",
		box("mute = 1"):                                 "loudspeaker.mute: write true or false",
		with("size_m", "reflections = 9\nsize_m"):       "room.reflections = 9: choose 0…8",
		with("size_m", "absorption = 2\nsize_m"):        "room.absorption.63 = 2: choose 0…1",
		with("size_m", "absorption = []\nsize_m"):       "write all = 0…1",
		least + "[room.absorption]\n63 = 0.2\n":         "room.absorption.125",
		least + "[room.absorption]\nall = \"soft\"\n":   "room.absorption.all = \"soft\": choose 0…1",
		least + "[room.absorption]\nall=0.1\n90=0.2\n":  "room.absorption.90 = 0.2: unknown key: known are all, 63, 125",
		least + "[programme]\nkind = \"brown\"\n":       `programme.kind = "brown": choose "pink", "white" or "file"`,
		least + "[programme]\nkind = \"file\"\n":        "programme.file",
		least + "[programme]\nlevel_dbfs = 3\n":         "programme.level_dbfs = 3: choose -120…0",
		least + "[noise]\nlevel_dbfs = inf\n":           "noise.level_dbfs = +Inf",
		box("polarity = \"reverse\""):                   `loudspeaker "loudspeaker 1": polarity = "reverse": choose "same" or "opposite"`,
		box("delay_ms = -1"):                            "delay_ms = -1: choose 0…1000",
		box("gain_db = 60"):                             "gain_db = 60: choose -80…40",
		box("low_hz = 5"):                               "low_hz = 5: choose 10…2000, or 0 for none",
		box("high_hz = 30000"):                          "high_hz = 30000: choose 50…21600",
		box("low_hz = 500\nhigh_hz = 200"):              "low_hz = 500: choose less than high_hz",
		box("crossover_hz = 1000\ncrossover_order = 3"): "crossover_order = 3: choose 2, 4 or 8",
		box("high_reversed = true"):                     "high_reversed = true: give the crossover_hz",
		box("name = \"a\\nb\""):                         "printable",
		with("position_m = [1, 1, 1]", ""):              "loudspeaker.position_m = \"missing\": write position_m = [x, y, z]",
		with("position_m = [5, 5, 1]", ""):              "microphone.position_m = \"missing\": write position_m = [x, y, z]",
		with("[1, 1, 1]", "[1, 9, 1]"):                  `loudspeaker "loudspeaker 1": position_m = [1 9 1]: outside the room of 10 × 8 × 4 m`,
		with("[5, 5, 1]", "[5, 5, 4.1]"):                `microphone "microphone 1": position_m = [5 5 4.1]: outside the room`,
		least[:27]:                                      "write at least one [[loudspeaker]]",
		least[:strings.Index(least, "[[mic")]:           "write at least one [[microphone]]",
		least + "name = \"x\"\n[[microphone]]\nname=\"x\"\nposition_m=[1,1,1]\n": "two have this name",
		least + strings.Repeat("[[microphone]]\nposition_m=[1,1,1]\n", 40):       "microphone = 41: at most 32",
	} {
		_, err := Parse(text)
		oneLine(t, err, want)
	}
	bad := Demo()
	bad.Loudspeakers[1].GainDB = 99
	var scene *SceneError
	if err := bad.Validate(); !errors.As(err, &scene) || scene.Value != 99.0 {
		t.Errorf("not a SceneError: %v", err)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "scene.toml")
	if err := os.WriteFile(path, []byte(least+"[programme]\nkind=\"file\"\nfile=\"music.wav\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if s.Programme.File != filepath.Join(dir, "music.wav") {
		t.Errorf("the programme is looked for at %s", s.Programme.File)
	}
	_, err = Load(filepath.Join(dir, "none.toml"))
	oneLine(t, err, "is not there")
	_, err = Load(dir)
	oneLine(t, err, "is not a scene")
	if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Load(path)
	oneLine(t, err, path+": line 1")
}

// Whatever the text is: an error of one line, or a scene that is valid.
func FuzzParse(f *testing.F) {
	f.Add(demo)
	f.Add(least)
	f.Add(least + "[room.absorption]\nall = 0.5\n8000 = 1\n")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Parse(text)
		if err != nil {
			oneLine(t, err, "")
			return
		}
		if err := s.Validate(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestScenesOfTheHouseLoad(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/scenes/*.toml")
	if err != nil || len(paths) < 3 {
		t.Fatal(paths, err)
	}
	for _, path := range paths {
		if _, err := Load(path); err != nil {
			t.Error(err)
		}
	}
}
