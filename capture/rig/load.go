package rig

import (
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
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

// Load reads a scene from a TOML file. A programme file is looked for beside
// it. The error is one line with the file's name and says what to do.
func Load(path string) (Scene, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Scene{}, fmt.Errorf("%s is not there: name a scene, or demo for the built-in one", path)
	}
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
// seed 1, 2 reflections, 30 % absorption, pink noise at −20 dBFS for all loudspeakers
// alike, background noise at −60 dBFS.
func Parse(text string) (Scene, error) {
	s := Scene{
		TemperatureC: 20,
		RateHz:       48000,
		Seed:         1,
		Room:         Room{Reflections: 2},
		Programme:    Programme{Kind: Pink, LevelDBFS: -20, Alike: DefaultAlike},
		Noise:        Noise{LevelDBFS: -60},
	}
	for i := range s.Room.Absorption {
		s.Room.Absorption[i] = 0.3
	}
	if err := checkShape(text); err != nil {
		return Scene{}, err
	}
	meta, err := toml.Decode(text, &s)
	if err != nil {
		return Scene{}, plain(err)
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
	return s, placed(meta.Keys())
}

// placed wants a position in each [[loudspeaker]] and [[microphone]]: a corner of
// the room, where all numbers are 0, is nobody's wish.
func placed(keys []toml.Key) error {
	begun, has := "", true
	for _, key := range append(keys, toml.Key{""}) {
		switch {
		case len(key) == 1 && !has:
			return &SceneError{begun + ".position_m", "missing", "write position_m = [x, y, z], in metres, in each [[" + begun + "]]"}
		case len(key) == 1:
			begun = key[0]
			has = begun != "loudspeaker" && begun != "microphone"
		case key[0] == begun && key[1] == "position_m":
			has = true
		}
	}
	return nil
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

// plain makes an error of the decoder one for people.
func plain(err error) error {
	var scene *SceneError
	if errors.As(err, &scene) {
		return scene
	}
	text, _, _ := strings.Cut(strings.TrimPrefix(err.Error(), "toml: "), "\n")
	if at := wrongType.FindStringSubmatch(text); at != nil {
		return fmt.Errorf("line %s, %s: write %s", at[1], at[2], form(strings.Split(at[2], ".")))
	}
	return errors.New(text)
}

// wrongType is how the decoder says that a value is of the wrong kind or length.
var wrongType = regexp.MustCompile(`^line (\d+) \(last key "([^"]+)"\): (?:incompatible|type mismatch|expected array|cannot|.* out of range)`)

// form is what may be written for a key.
func form(key []string) string {
	t := field(key)
	switch t {
	case nil:
		return "what the documentation of the scene shows"
	case reflect.TypeFor[Position](), reflect.TypeFor[[3]float64]():
		return "three numbers in metres, [x, y, z]"
	}
	switch t.Kind() {
	case reflect.String:
		return `a text in quotes, "…"`
	case reflect.Bool:
		return "true or false"
	case reflect.Float64:
		return "a number"
	case reflect.Int, reflect.Uint64:
		return "a whole number"
	case reflect.Slice:
		return fmt.Sprintf("a table [[%s]] for each", key[len(key)-1])
	}
	return fmt.Sprintf("a table [%s]", strings.Join(key, "."))
}

// field is the type a key is read into, nil if there is none.
func field(key []string) reflect.Type {
	t := reflect.TypeFor[Scene]()
	for _, part := range key {
		if t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return nil
		}
		i := slices.IndexFunc(reflect.VisibleFields(t), func(f reflect.StructField) bool { return f.Tag.Get("toml") == part })
		if i < 0 {
			return nil
		}
		t = t.Field(i).Type
	}
	return t
}

// unknown lists what may stand beside an unknown key.
func unknown(key toml.Key) error {
	for len(key) > 1 && field(key[:len(key)-1]) == nil { // the table is what is unknown
		key = key[:len(key)-1]
	}
	where := "at the top"
	if len(key) > 1 {
		where = "in " + key[:len(key)-1].String()
	}
	t := field(key[:len(key)-1])
	if t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	var known []string
	for _, f := range reflect.VisibleFields(t) {
		known = append(known, f.Tag.Get("toml"))
	}
	return fmt.Errorf("unknown key %s: %s there may be %s", key, where, strings.Join(known, ", "))
}
