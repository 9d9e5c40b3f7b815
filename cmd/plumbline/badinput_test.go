package main

import (
	"context"
	"encoding/binary"
	"net"
	"os"
	"strings"
	"testing"

	"plumbline/capture/rig"
)

// wav16 is a WAV file of 16-bit silence, byte by byte as its specification has it.
func wav16(channels, rateHz, frames int) []byte {
	le := binary.LittleEndian
	data := frames * channels * 2
	b := append([]byte("RIFF"), le.AppendUint32(nil, uint32(36+data))...)
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, 1) // PCM
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rateHz))
	b = le.AppendUint32(b, uint32(rateHz*channels*2))
	b = le.AppendUint16(b, uint16(channels*2))
	b = le.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(data))
	return append(b, make([]byte, data)...)
}

// with overwrites bytes.
func with(b []byte, at int, bytes ...byte) []byte {
	copy(b[at:], bytes)
	return b
}

// inFolder makes a folder with these files and enters it.
func inFolder(t *testing.T, files map[string][]byte) {
	t.Helper()
	t.Chdir(t.TempDir())
	for name, content := range files {
		if err := os.WriteFile(name, content, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// refused wants exit status 1, nothing on standard output and one line that
// has all the words.
func refused(t *testing.T, o outcome, words ...string) {
	t.Helper()
	if o.code != exitBadInput || o.stdout != "" {
		t.Errorf("exit status %d, stdout %q, want 1 and nothing", o.code, o.stdout)
	}
	for _, word := range words {
		if !oneLineWith(o.stderr, word) {
			t.Errorf("stderr %q, want one line with %q", o.stderr, word)
		}
	}
}

func TestMalformedRecordings(t *testing.T) {
	for name, bad := range map[string]struct {
		file []byte
		want string
	}{
		"empty":              {nil, "too short"},
		"text":               {[]byte(strings.Repeat("no sound at all ", 9)), "is not a WAV"},
		"cut in the format":  {wav16(2, 48000, 100)[:30], "format chunk"},
		"no sound":           {wav16(2, 48000, 0), "holds no sound"},
		"no channels":        {wav16(0, 48000, 100), "channels"},
		"no rate":            {wav16(2, 0, 100), "Hz"},
		"unknown encoding":   {with(wav16(2, 48000, 100), 20, 85, 0), "compressed"},
		"64-bit integers":    {with(wav16(2, 48000, 100), 34, 64, 0), "64"},
		"one channel":        {wav16(1, 48000, 48000), "channels must be 2 or more"},
		"rate of telephones": {wav16(2, 8000, 8000), "8000"},
	} {
		t.Run(name, func(t *testing.T) {
			inFolder(t, map[string][]byte{"bad.wav": bad.file})
			for _, args := range []string{"response bad.wav", "arrivals bad.wav", "serve --file bad.wav --listen 127.0.0.1:0"} {
				refused(t, plumbline(t, strings.Fields(args)...), "bad.wav", bad.want)
			}
		})
	}
}

func TestMalformedScenes(t *testing.T) {
	const speaker = "[[loudspeaker]]\nname=\"a\"\nposition_m=[1,1,1]\n"
	const microphone = "[[microphone]]\nname=\"m\"\nposition_m=[2,2,1]\n"
	const room = "[room]\nsize_m=[10,8,4]\n"
	for name, bad := range map[string]struct{ scene, want string }{
		"no TOML":             {"size_m = [1,", "line"},
		"empty":               {"", "room"},
		"unknown key":         {"colour = 1\n" + room + speaker + microphone, "colour"},
		"no loudspeaker":      {room + microphone, "loudspeaker"},
		"no microphone":       {room + speaker, "microphone"},
		"outside the room":    {room + speaker + "[[microphone]]\nname=\"m\"\nposition_m=[20,2,1]\n", "position"},
		"twins":               {room + speaker + speaker + microphone, "name"},
		"wrong polarity":      {room + speaker + "polarity=\"up\"\n" + microphone, "polarity"},
		"absurd rate":         {"rate_hz = 5\n" + room + speaker + microphone, "rate"},
		"text for a number":   {"temperature_c = \"warm\"\n" + room + speaker + microphone, "temperature_c"},
		"no such programme":   {"[programme]\nkind=\"file\"\nfile=\"none.wav\"\n" + room + speaker + microphone, "none.wav"},
		"absorption over one": {room + "absorption = { all = 3 }\n" + speaker + microphone, "absorption"},
	} {
		t.Run(name, func(t *testing.T) {
			inFolder(t, map[string][]byte{"bad.toml": []byte(bad.scene)})
			for _, args := range []string{"rig render bad.toml out.wav --seconds 1", "serve --rig bad.toml --listen 127.0.0.1:0"} {
				refused(t, plumbline(t, strings.Fields(args)...), bad.want)
			}
			nothingLeft(t, "bad.toml")
		})
	}
}

// nothingLeft wants only these files in the working folder.
func nothingLeft(t *testing.T, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, name := range names {
		known[name] = true
	}
	for _, e := range entries {
		if !known[e.Name()] {
			t.Errorf("%s was left behind", e.Name())
		}
	}
}

func TestBadInput(t *testing.T) {
	nan := with(wav16(4, 48000, 48000), 20, 3) // four channels of 16 bits become two of 32-bit float
	nan = with(nan, 22, 2)
	nan = with(nan, 34, 32)
	nan = with(nan, 44, 0xff, 0xff, 0xff, 0xff)
	scene := "[room]\nsize_m=[10,8,4]\n[programme]\nkind=\"file\"\nfile=\"ok.wav\"\n" +
		"[[loudspeaker]]\nname=\"a\"\nposition_m=[1,1,1]\n[[microphone]]\nname=\"m\"\nposition_m=[2,2,1]\n"
	inFolder(t, map[string][]byte{
		"ok.wav": wav16(3, 48000, 48000), "short.wav": wav16(2, 48000, 100), "nan.wav": nan, "many.wav": wav16(34, 48000, 100), "a.toml": []byte(scene),
	})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	busy := l.Addr().String()
	for args, want := range map[string]string{
		"response none.wav":                                     "none.wav is not there: check its name",
		"response .":                                            "folder",
		"response ok.wav --ref 4":                               "--ref wants one of the channels 1 to 3, not 4",
		"response ok.wav --mic 2,5":                             "--mic wants 1 to 32 of the channels 1 to 3, each once and not the reference 1, not 2, 5",
		"arrivals many.wav":                                     "--mic wants 1 to 32 of the channels 1 to 34, each once and not the reference 1, not 33 channels",
		"response ok.wav --mic 1":                               "not the reference 1, not 1",
		"response ok.wav --mic 2,2":                             "each once and not the reference 1, not 2, 2",
		"response ok.wav --from 3":                              "lies behind the end",
		"response short.wav --window 1024":                      "shorter than one window of 1024 samples",
		"arrivals none.wav":                                     "none.wav",
		"arrivals ok.wav --mic 0":                               "--mic wants 1 to 32 of the channels 1 to 3",
		"serve --file ok.wav --rate 44100 --listen 127.0.0.1:0": "runs at 48000 Hz and not at 44100 Hz",
		"serve --file ok.wav --ref 9 --listen 127.0.0.1:0":      "--ref wants one of the channels 1 to 3, not 9",
		"serve --rig none.toml --listen 127.0.0.1:0":            "none.toml",
		"serve --rig demo --mic 7 --listen 127.0.0.1:0":         "--mic wants 1 to 32 of the channels 1 to 2",
		"serve --device no/such --listen 127.0.0.1:0":           "", // no device of that name, or none at all
		"serve --rig demo --ui-dir . --listen 127.0.0.1:0":      "has no index.html",
		"demo --listen " + busy:                                 "is taken",
		"demo --listen 192.0.2.1:8737":                          "try --listen 127.0.0.1:0",
		"demo --listen nonsense":                                "HOST:PORT",
		"follow http://127.0.0.1:1":                             "nothing listens",
		"follow ftp://127.0.0.1":                                "no address",
		"follow http://127.0.0.1:99999":                         "no address",
		"rig render none.toml out.wav":                          "none.toml",
		"rig render demo nowhere/out.wav --seconds 1":           "there is no folder nowhere",
		"rig render demo ok.wav --seconds 1 --programme ok.wav": "choose another name to write",
		"rig render a.toml ./a.toml --seconds 1":                "choose another name to write",
		"rig render a.toml ok.wav --seconds 1":                  "choose another name to write",
		"arrivals nan.wav":                                      "is not a finite number; export it again\n",
		"levels nan.wav":                                        "is not a finite number; export it again\n",
		"rig render demo . --seconds 1":                         "choose another name",
		"rig render demo out.wav --programme none.wav":          "none.wav",
		"rig render demo out.wav --seconds 1 --programme .":     "folder",
	} {
		t.Run(args, func(t *testing.T) {
			refused(t, plumbline(t, strings.Fields(args)...), want)
		})
	}
	nothingLeft(t, "ok.wav", "short.wav", "nan.wav", "many.wav", "a.toml")
}

// Names are said once.
func TestDamageIsNamedOnce(t *testing.T) {
	inFolder(t, map[string][]byte{"ok.wav": wav16(2, 48000, 48000), "nan.wav": with(with(with(with(wav16(4, 48000, 48000), 20, 3), 22, 2), 34, 32), 44, 0xff, 0xff, 0xff, 0xff)})
	for _, args := range []string{"response nan.wav", "levels nan.wav", "sum nan.wav ok.wav", "levels ok.wav --calibration nan.wav=94"} {
		o := plumbline(t, strings.Fields(args)...)
		refused(t, o, "nan.wav is damaged")
		if strings.Count(o.stderr, "nan.wav") != 1 {
			t.Errorf("%s: %q", args, o.stderr)
		}
	}
}

// A recording that was cut short is used as far as it goes, which is said.
func TestCutShort(t *testing.T) {
	whole := wav16(2, 48000, 96000)
	inFolder(t, map[string][]byte{"cut.wav": whole[:len(whole)/2]})
	for _, args := range []string{"response cut.wav", "arrivals cut.wav", "levels cut.wav"} {
		o := plumbline(t, strings.Fields(args)...)
		if o.code != exitDone || !oneLineWith(o.stderr, "cut.wav was cut short: its header promises 1 s more than the 1 s that are there") {
			t.Errorf("%s: exit status %d, %q", args, o.code, o.stderr)
		}
	}
}

// A render that is interrupted leaves nothing, and what was there before.
func TestInterruptedRenderLeavesTheOldFile(t *testing.T) {
	inFolder(t, map[string][]byte{"out.wav": []byte("old")})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var stdout, stderr strings.Builder
	if code := run(ctx, []string{"rig", "render", "demo", "out.wav"}, &stdout, &stderr); code != exitInterrupted || !oneLineWith(stderr.String(), "interrupted") {
		t.Errorf("exit status %d, %q", code, stderr.String())
	}
	if b, err := os.ReadFile("out.wav"); err != nil || string(b) != "old" {
		t.Errorf("%q, %v", b, err)
	}
	nothingLeft(t, "out.wav")
}

func TestRender(t *testing.T) {
	inFolder(t, nil)
	for _, args := range []string{
		"rig render demo a.wav --seconds 2",
		"rig render demo b.wav --seconds 2 --seed 1",
		"rig render demo c.wav --seconds 2 --seed 1 --play A",
		"rig render demo d.wav --seconds 2 --seed 1",
		"rig render demo e.wav --seconds 1 --programme d.wav",
	} {
		must(t, strings.Fields(args)...)
	}
	a, b, c, d := read(t, "a.wav"), read(t, "b.wav"), read(t, "c.wav"), read(t, "d.wav")
	if string(b) != string(d) {
		t.Error("the same scene and seed gave other samples")
	}
	if string(a) == string(b) || string(b) == string(c) {
		t.Error("seed or loudspeakers make no difference")
	}
	// 32-bit float, the reference and one channel a microphone
	if want := 2 * rig.Demo().RateHz * (1 + len(rig.Demo().Microphones)) * 4; len(a) < want || len(a) > want+200 {
		t.Errorf("%d bytes, want %d and a header", len(a), want)
	}
	nothingLeft(t, "a.wav", "b.wav", "c.wav", "d.wav", "e.wav")
}

func read(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Nothing can be sure of a band without points.
func TestUntilWhereThereIsNothing(t *testing.T) {
	inFolder(t, map[string][]byte{"ok.wav": wav16(2, 48000, 48000)})
	for _, args := range []string{"--until 1:1:20000", "--until 1:100:90000", "--until 1:20:20000 --window 1024"} {
		o := plumbline(t, append([]string{"response", "ok.wav"}, strings.Fields(args)...)...)
		if o.code != exitUsage || !oneLineWith(o.stderr, "--until wants a band within") {
			t.Errorf("%s: exit status %d, %q", args, o.code, o.stderr)
		}
	}
}
