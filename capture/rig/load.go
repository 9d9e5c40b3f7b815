package rig

import (
	_ "embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
)

//go:embed demo.toml
var demo string

// Demo is a scene with a fault in it: a fill that is reversed and arrives out
// of step with the main.
func Demo() Scene {
	s, err := Parse(demo)
	if err != nil {
		panic("rig: demo.toml: " + err.Error()) // a test reads it
	}
	return s
}

// maxFile is more than any scene needs.
const maxFile = 1 << 20

// Load reads a scene from a TOML file. A programme file is looked for beside
// it. The error is one line with the file's name and says what to do.
func Load(path string) (Scene, error) {
	info, err := os.Stat(path)
	if err != nil {
		return Scene{}, err
	}
	if !info.Mode().IsRegular() || info.Size() > maxFile {
		return Scene{}, fmt.Errorf("%s is not a scene: name a TOML file", path)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return Scene{}, err
	}
	s, err := Parse(string(text))
	if err != nil {
		return Scene{}, fmt.Errorf("%s: %w", path, err)
	}
	if f := s.Programme.File; f != "" && !filepath.IsAbs(f) {
		s.Programme.File = filepath.Join(filepath.Dir(path), f)
	}
	return s, nil
}

// Parse reads and validates the text of a scene. Left out are: 20 °C, 48000 Hz,
// seed 1, 2 reflections, 30 % absorption, pink noise at −20 dBFS, background
// noise at −60 dBFS.
func Parse(text string) (Scene, error) {
	s := Scene{
		TemperatureC: 20,
		RateHz:       48000,
		Seed:         1,
		Room:         Room{Reflections: 2},
		Programme:    Programme{Kind: Pink, LevelDBFS: -20},
		Noise:        Noise{LevelDBFS: -60},
	}
	for i := range s.Room.Absorption {
		s.Room.Absorption[i] = 0.3
	}
	meta, err := toml.Decode(text, &s)
	if err != nil {
		return Scene{}, oneLine(err)
	}
	for _, key := range meta.Undecoded() {
		if len(key) < 2 || key[0] != "room" || key[1] != "absorption" { // Absorption checks its own
			return Scene{}, unknown(key)
		}
	}
	s = s.withDefaults()
	if err := s.Validate(); err != nil {
		return Scene{}, err
	}
	return s, nil
}

// UnmarshalTOML takes a table of bands, or `all` for those not named, or one
// number for all.
func (a *Absorption) UnmarshalTOML(v any) error {
	if number, ok := toFloat(v); ok {
		v = map[string]any{"all": number}
	}
	table, ok := v.(map[string]any)
	if !ok {
		return &SceneError{"room.absorption", v, "write all = 0…1 or one coefficient for each octave band"}
	}
	var known []string
	for i, band := range BandsHz {
		key := strconv.Itoa(int(band))
		known = append(known, key)
		given, ok := table[key]
		if !ok {
			if given, ok = table["all"]; !ok {
				return &SceneError{"room.absorption." + key, "missing", "give every octave band from 63 to 8000, or all"}
			}
			key = "all"
		}
		if a[i], ok = toFloat(given); !ok {
			return &SceneError{"room.absorption." + key, given, "choose 0…1"}
		}
	}
	for key := range table {
		if key != "all" && !slices.Contains(known, key) {
			return &SceneError{"room.absorption." + key, table[key], "unknown key: known are all, " + strings.Join(known, ", ")}
		}
	}
	return nil
}

func toFloat(v any) (float64, bool) {
	switch v := v.(type) {
	case float64:
		return v, true
	case int64:
		return float64(v), true
	}
	return 0, false
}

// oneLine makes an error of the decoder one for people.
func oneLine(err error) error {
	var scene *SceneError
	if errors.As(err, &scene) {
		return scene
	}
	text := err.Error()
	var parse toml.ParseError
	if errors.As(err, &parse) {
		text = fmt.Sprintf("line %d: %s", parse.Position.Line, parse.Message)
		if parse.LastKey != "" {
			text = fmt.Sprintf("line %d, %s: %s", parse.Position.Line, parse.LastKey, parse.Message)
		}
	}
	text, _, _ = strings.Cut(text, "\n")
	return errors.New(strings.TrimPrefix(text, "toml: "))
}

// unknown lists what may stand beside an unknown key.
func unknown(key toml.Key) error {
	t := reflect.TypeFor[Scene]()
	where := "at the top"
	for _, part := range key[:len(key)-1] {
		for i := range t.NumField() {
			if f := t.Field(i); f.Tag.Get("toml") == part {
				t, where = f.Type, "in "+part
				if t.Kind() == reflect.Slice {
					t = t.Elem()
				}
				break
			}
		}
	}
	var known []string
	for i := range t.NumField() {
		known = append(known, t.Field(i).Tag.Get("toml"))
	}
	return fmt.Errorf("unknown key %s: %s there may be %s", key, where, strings.Join(known, ", "))
}
