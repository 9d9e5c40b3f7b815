package main

import (
	"strings"
	"testing"
)

func TestHelp(t *testing.T) {
	for name, args := range map[string]string{
		"help.txt":            "--help",
		"help_demo.txt":       "demo --help",
		"help_serve.txt":      "serve --help",
		"help_devices.txt":    "devices --help",
		"help_config.txt":     "config --help",
		"help_follow.txt":     "follow --help",
		"help_token.txt":      "token --help",
		"help_token_add.txt":  "token add --help",
		"help_response.txt":   "response --help",
		"help_arrivals.txt":   "arrivals --help",
		"help_sum.txt":        "sum --help",
		"help_align.txt":      "align --help",
		"help_levels.txt":     "levels --help",
		"help_room.txt":       "room --help",
		"help_signal.txt":     "signal --help",
		"help_rig.txt":        "rig --help",
		"help_rig_render.txt": "rig render --help",
	} {
		t.Run(name, func(t *testing.T) { golden(t, name, must(t, strings.Fields(args)...)) })
	}
}

// Wrong usage: exit status 2, one line with a hint, nothing on standard output.
func TestWrongUsage(t *testing.T) {
	for args, want := range map[string]string{
		"respnse":                                `unknown command "respnse", did you mean response?`,
		"foo":                                    `unknown command "foo"`,
		"completion tcsh":                        `unknown command "tcsh"`,
		"signal brown x.wav":                     "choose pink, white",
		"signal pink x.wav --level 0":            "--level wants −120 to below 0, not 0",
		"signal sine x.wav --band 20:200":        "--band is nothing that sine has",
		"signal sweep x.wav --band 200:20":       "--band wants LO:HI",
		"signal sweep x.wav --seconds 600":       "--seconds of a sweep wants",
		"signal sweep x.wav --band 20:30000":     "at most 24000",
		"signal octave x.wav --frequency 23000":  "choose a lower one",
		"signal pink x.wav --ramp 0":             "--ramp wants 0.01 to 60, not 0",
		"help paint":                             `there is no help on "paint"`,
		"help rig paint":                         `there is no help on "rig paint"`,
		"rig paint":                              `unknown command "paint"`,
		"--foo":                                  "unknown flag: --foo",
		"response --foo x.wav":                   "unknown flag: --foo",
		"response":                               "wants one WAV file, got 0",
		"response a.wav b.wav":                   "wants one WAV file, got 2",
		"response a.wav --window 1000":           "power of two",
		"response a.wav --window much":           "power of two",
		"response a.wav --overlap 1":             "--overlap wants 0 to 0.999, not 1",
		"response a.wav --overlap 0.99999":       "--overlap wants 0 to 0.999, not 0.99999",
		"response a.wav --overlap NaN":           "--overlap wants 0 to 0.999",
		"response a.wav --delay soon":            "--delay wants auto or milliseconds",
		"response a.wav --delay 9000":            "--delay wants auto or milliseconds",
		"response a.wav --until 1":               "--until wants DB:LOW:HIGH",
		"response a.wav --until 1:900:90":        "ascend",
		"response a.wav --until 0:90:900":        "--until wants 0.05 to 20 dB, not 0",
		"response a.wav --temperature 200":       "--temperature wants -30 to 50 °C, not 200",
		"response a.wav --ref one":               `--ref wants channel numbers such as 1 or 1,2, not "one"`,
		"response a.wav --overlap half":          `--overlap wants a number, not "half"`,
		"arrivals a.wav --max 0":                 "--max wants 1 to 5",
		"devices here":                           "wants no arguments",
		"serve":                                  "wants one of --device",
		"serve --rig demo --file a.wav":          "wants one of --device",
		"serve --rig demo --loop":                "--loop goes with --file",
		"serve --rig demo --output x":            "--output goes with --device",
		"serve --rig demo --loopback 3":          "--loopback goes with --output",
		"serve --rig demo --rate 8000":           "--rate wants 44100 to 192000",
		"demo --log xml":                         `--log wants text or json, not "xml"`,
		"config now":                             "wants no arguments",
		"demo now":                               "wants no arguments",
		"demo --link king":                       "--link wants operator, viewer or none",
		"token add":                              "wants a name",
		"token add a --role king":                "--role: a role is viewer, who sees, or operator",
		"token show":                             `unknown command "show"`,
		"follow":                                 "wants the address",
		"follow http://127.0.0.1:1 --frames -1":  `--frames wants a whole number from 0 up, not "-1"`,
		"rig render demo":                        "wants a scene and the WAV file to write",
		"rig render demo out.wav --seconds -3":   "--seconds wants more than 0",
		"rig render demo out.wav --seconds 1e99": "--seconds wants more than 0",
		"rig render demo out.wav --play C":       "--play wants A, B or both",
	} {
		t.Run(args, func(t *testing.T) {
			o := plumbline(t, strings.Fields(args)...)
			if o.code != exitUsage || o.stdout != "" || !oneLineWith(o.stderr, want) || !strings.Contains(o.stderr, "--help") {
				t.Errorf("exit status %d, stdout %q, stderr %q; want 2 and one line with %q and a hint", o.code, o.stdout, o.stderr, want)
			}
		})
	}
}

func oneLineWith(s, want string) bool {
	return strings.Contains(s, want) && strings.Count(s, "\n") == 1 && strings.HasSuffix(s, "\n")
}

func TestFlagsFromEnvironment(t *testing.T) {
	t.Setenv("PLUMBLINE_WINDOW", "1000")
	if o := plumbline(t, "response", "a.wav"); o.code != exitUsage || !strings.Contains(o.stderr, "power of two") {
		t.Errorf("the environment does not set --window: %q", o.stderr)
	}
	if o := plumbline(t, "response", "a.wav", "--window", "multi"); o.code != exitBadInput {
		t.Errorf("a flag does not go before the environment: %q", o.stderr)
	}
	t.Setenv("PLUMBLINE_REF", "one")
	if o := plumbline(t, "response", "a.wav", "--window", "multi"); o.code != exitUsage || !oneLineWith(o.stderr, "PLUMBLINE_REF") {
		t.Errorf("a bad variable is not named: %q", o.stderr)
	}
}

func TestCompletion(t *testing.T) {
	for _, shell := range []string{"bash", "zsh", "fish", "powershell"} {
		if out := must(t, "completion", shell); !strings.Contains(out, "plumbline") {
			t.Errorf("no script for %s", shell)
		}
	}
	for args, want := range map[string]string{
		"re":                    "response\t",
		"serve --rig d":         "demo\t",
		"rig render d":          "demo\t",
		"rig render demo x":     "wav\n:8", // files that end in .wav
		"response ":             "wav\n:8",
		"response --window 8":   "8192\n",
		"serve --rate 9":        "96000\n",
		"serve --ui-dir ":       ":16", // directories
		"rig render --play A":   "A\n",
		"serve --file x":        "wav\n:8",
		"serve --device nosuch": ":4", // a word for each device, no files
	} {
		t.Run(args, func(t *testing.T) {
			o := plumbline(t, append([]string{"__complete"}, strings.Split(args, " ")...)...)
			if o.code != exitDone || !strings.Contains(o.stdout, want) {
				t.Errorf("exit status %d, %q; want %q", o.code, o.stdout, want)
			}
		})
	}
}
