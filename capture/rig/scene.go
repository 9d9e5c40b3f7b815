package rig

import (
	"fmt"
	"slices"
	"strings"
)

// Scene is all that is known of a virtual rig. The fields have the names of
// the keys in the TOML file.
type Scene struct {
	Name         string        `toml:"name"`
	TemperatureC float64       `toml:"temperature_c"` // −20…50
	RateHz       int           `toml:"rate_hz"`       // 44100…192000
	Seed         uint64        `toml:"seed"`
	Room         Room          `toml:"room"`
	Programme    Programme     `toml:"programme"`
	Noise        Noise         `toml:"noise"`
	Loudspeakers []Loudspeaker `toml:"loudspeaker"` // 1…16
	Microphones  []Microphone  `toml:"microphone"`  // 1…32
}

// Position is a point in the room in metres from one lower corner: along the
// length, along the width, up.
type Position [3]float64

// Room is a rectangular room with all its surfaces alike.
type Room struct {
	SizeM       [3]float64 `toml:"size_m"`      // length, width, height; 1…200 each
	Reflections int        `toml:"reflections"` // walls hit on a way: 0 (free field)…8
	Absorption  Absorption `toml:"absorption"`
}

// BandsHz are the octave bands in which absorption is given.
var BandsHz = [8]float64{63, 125, 250, 500, 1000, 2000, 4000, 8000}

// Absorption is the energy absorption coefficient of the surfaces in each band
// of BandsHz, 0…1.
type Absorption [8]float64

// The kinds of programme.
const (
	Pink  = "pink"
	White = "white"
	File  = "file"
)

// Programme is what the loudspeakers are sent: all the same, unless Each says otherwise.
type Programme struct {
	Kind      string  `toml:"kind"`       // Pink, White or File
	File      string  `toml:"file"`       // a WAV at the scene's rate; its first channel, in a circle
	LevelDBFS float64 `toml:"level_dbfs"` // RMS, a full-scale sine wave is 0 (AES17); −120…0. A file is scaled to it
	Each      string  `toml:"each"`       // "" for one reference, else OwnProgramme, StereoProgramme or SameProgramme, with a reference for each loudspeaker
	Alike     float64 `toml:"alike"`      // mutual coherence of StereoProgramme noise, 0…1
}

// NoNoise is the level at which there is no background noise at all.
const NoNoise = -200

// Noise is the background noise of each microphone: pink, and independent of
// all other noise.
type Noise struct {
	LevelDBFS float64 `toml:"level_dbfs"` // RMS, as for Programme; NoNoise…0
}

// The polarities of a loudspeaker.
const (
	Same     = "same"
	Opposite = "opposite"
)

// Loudspeaker is a point source that radiates alike in all directions. At 1 m
// and 0 dB its sound has the programme's level.
type Loudspeaker struct {
	Name           string   `toml:"name"`
	Role           string   `toml:"role"` // for people: main, fill, sub, delay, …
	PositionM      Position `toml:"position_m"`
	DelayMs        float64  `toml:"delay_ms"`        // 0…1000
	GainDB         float64  `toml:"gain_db"`         // −80…40
	Polarity       string   `toml:"polarity"`        // Same or Opposite
	Mute           bool     `toml:"mute"`            //
	LowHz          float64  `toml:"low_hz"`          // second-order high-pass of the box, 10…2000; 0 none
	HighHz         float64  `toml:"high_hz"`         // second-order low-pass of the box, 50…0.45 of the rate; 0 none
	CrossoverHz    float64  `toml:"crossover_hz"`    // Linkwitz-Riley between the drivers, 50…10000; 0 none
	CrossoverOrder int      `toml:"crossover_order"` // 2, 4 or 8; 0: 4
	HighReversed   bool     `toml:"high_reversed"`   // the high driver is wired the wrong way round
	// What a full-scale sine wave of programme comes out with, −150…−6; 0 none. The
	// loudspeaker is sent x + a₂x² + a₃x³, so that less by 1 dB has 1 dB and 2 dB less.
	SecondOrderDB float64 `toml:"second_order_db"` // second harmonic re the fundamental
	ThirdOrderDB  float64 `toml:"third_order_db"`  // third
}

// Microphone hears all directions alike.
type Microphone struct {
	Name      string   `toml:"name"`
	PositionM Position `toml:"position_m"`
}

// SceneError names what is wrong in a scene.
type SceneError struct {
	Key   string // as in the file, such as `loudspeaker "fill": polarity`
	Value any
	Want  string // what is allowed, or what to do
}

func (e *SceneError) Error() string {
	value := fmt.Sprint(e.Value)
	if s, ok := e.Value.(string); ok {
		const most = 60 // what is too long is not repeated
		if r := []rune(s); len(r) > most {
			s = string(r[:most]) + "…"
		}
		value = fmt.Sprintf("%q", s)
	}
	return fmt.Sprintf("%s = %s: %s", e.Key, value, e.Want)
}

// Solo is the scene with only the named loudspeakers playing, muted before or
// not.
func (s Scene) Solo(names ...string) (Scene, error) {
	s = s.clone()
	for i := range s.Loudspeakers {
		s.Loudspeakers[i].Mute = true
	}
	for _, name := range names {
		i := slices.IndexFunc(s.Loudspeakers, func(l Loudspeaker) bool { return l.Name == name })
		if i < 0 {
			var have []string
			for _, l := range s.Loudspeakers {
				have = append(have, l.Name)
			}
			return Scene{}, fmt.Errorf("there is no loudspeaker %q in the scene: choose from %s", name, strings.Join(have, ", "))
		}
		s.Loudspeakers[i].Mute = false
	}
	return s, nil
}

func (s Scene) clone() Scene {
	s.Loudspeakers = slices.Clone(s.Loudspeakers)
	s.Microphones = slices.Clone(s.Microphones)
	return s
}

// withDefaults fills in what may be left out: names, polarity, order.
func (s Scene) withDefaults() Scene {
	if s.Name == "" {
		s.Name = "virtual rig"
	}
	for i := range s.Loudspeakers {
		l := &s.Loudspeakers[i]
		if l.Name == "" {
			l.Name = fmt.Sprintf("loudspeaker %d", i+1)
		}
		if l.Polarity == "" {
			l.Polarity = Same
		}
		if l.CrossoverOrder == 0 {
			l.CrossoverOrder = 4
		}
	}
	for i := range s.Microphones {
		if s.Microphones[i].Name == "" {
			s.Microphones[i].Name = fmt.Sprintf("microphone %d", i+1)
		}
	}
	return s
}
