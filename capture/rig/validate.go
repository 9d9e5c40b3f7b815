package rig

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	maxLoudspeakers = 16
	maxMicrophones  = 32
	maxName         = 60 // characters
)

// Validate checks all of a scene but the programme's file. The error is a
// *SceneError of one line.
func (s Scene) Validate() error {
	check := checker{}
	if s.Name != "" {
		check.name("name", s.Name)
	}
	check.between("temperature_c", s.TemperatureC, -20, 50)
	check.between("rate_hz", float64(s.RateHz), 44100, 192000)
	for i, size := range s.Room.SizeM {
		check.between("room.size_m ("+[]string{"length", "width", "height"}[i]+")", size, 1, 200)
	}
	check.between("room.reflections", float64(s.Room.Reflections), 0, 8)
	for i, a := range s.Room.Absorption {
		check.between(fmt.Sprintf("room.absorption.%g", BandsHz[i]), a, 0, 1)
	}
	check.that(s.Programme.Kind == Pink || s.Programme.Kind == White || s.Programme.Kind == File,
		"programme.kind", s.Programme.Kind, `choose "pink", "white" or "file"`)
	check.that(s.Programme.Kind != File || s.Programme.File != "", "programme.file", s.Programme.File, "name the WAV file to play")
	check.between("programme.level_dbfs", s.Programme.LevelDBFS, -120, 0)
	switch s.Programme.Each {
	case "", OwnProgramme, StereoProgramme, SameProgramme:
	default:
		check.that(false, "programme.each", s.Programme.Each, `choose "own", "stereo" or "same", or leave it out for one reference`)
	}
	check.between("programme.alike", s.Programme.Alike, 0, 1)
	check.between("noise.level_dbfs", s.Noise.LevelDBFS, NoNoise, 0)

	check.that(len(s.Loudspeakers) > 0, "loudspeaker", "none", "write at least one [[loudspeaker]] with its position_m")
	check.that(len(s.Loudspeakers) <= maxLoudspeakers, "loudspeaker", len(s.Loudspeakers), fmt.Sprintf("at most %d", maxLoudspeakers))
	check.that(len(s.Microphones) > 0, "microphone", "none", "write at least one [[microphone]] with its position_m")
	check.that(len(s.Microphones) <= maxMicrophones, "microphone", len(s.Microphones), fmt.Sprintf("at most %d", maxMicrophones))
	names := map[string]bool{}
	for _, l := range s.Loudspeakers {
		check.unique(names, "loudspeaker", l.Name)
		of := fmt.Sprintf("loudspeaker %q: ", l.Name)
		if l.Role != "" {
			check.name(of+"role", l.Role)
		}
		check.inside(of+"position_m", l.PositionM, s.Room)
		check.between(of+"delay_ms", l.DelayMs, 0, 1000)
		check.between(of+"gain_db", l.GainDB, -80, 40)
		check.that(l.Polarity == Same || l.Polarity == Opposite, of+"polarity", l.Polarity, `choose "same" or "opposite"`)
		check.corner(of+"low_hz", l.LowHz, 10, 2000)
		check.corner(of+"high_hz", l.HighHz, 50, 0.45*float64(s.RateHz))
		check.that(l.HighHz == 0 || l.LowHz < l.HighHz, of+"low_hz", l.LowHz, fmt.Sprintf("choose less than high_hz, which is %g", l.HighHz))
		check.corner(of+"crossover_hz", l.CrossoverHz, 50, 10000)
		check.that(l.CrossoverOrder == 2 || l.CrossoverOrder == 4 || l.CrossoverOrder == 8,
			of+"crossover_order", l.CrossoverOrder, "choose 2, 4 or 8")
		check.corner(of+"second_order_db", l.SecondOrderDB, -150, -6)
		check.corner(of+"third_order_db", l.ThirdOrderDB, -150, -6)
		for _, m := range s.Microphones {
			check.that(l.SecondOrderDB == 0 && l.ThirdOrderDB == 0 || distance(l.PositionM, m.PositionM) >= nearestDistortingM,
				of+"position_m", l.PositionM, fmt.Sprintf("a loudspeaker with distortion is heard from %g m on: move it or the microphone", nearestDistortingM))
		}
		check.that(!l.HighReversed || l.CrossoverHz > 0, of+"high_reversed", l.HighReversed, "give the crossover_hz above which it is")
	}
	clear(names)
	for _, m := range s.Microphones {
		check.unique(names, "microphone", m.Name)
		check.inside(fmt.Sprintf("microphone %q: position_m", m.Name), m.PositionM, s.Room)
	}
	if check.err == nil { // a nil *SceneError is no nil error
		return nil
	}
	return check.err
}

// checker keeps the first thing that is wrong.
type checker struct{ err *SceneError }

func (c *checker) that(ok bool, key string, value any, want string) {
	if !ok && c.err == nil {
		c.err = &SceneError{key, value, want}
	}
}

// between also refuses what is not a number.
func (c *checker) between(key string, v, low, high float64) {
	c.that(v >= low && v <= high, key, v, fmt.Sprintf("choose %g…%g", low, high))
}

func (c *checker) corner(key string, v, low, high float64) {
	c.that(v == 0 || v >= low && v <= high, key, v, fmt.Sprintf("choose %g…%g, or 0 for none", low, high))
}

func (c *checker) inside(key string, p Position, room Room) {
	ok := true
	for a := range p {
		ok = ok && p[a] >= 0 && p[a] <= room.SizeM[a]
	}
	c.that(ok, key, p, fmt.Sprintf("outside the room of %g × %g × %g m: choose a point in it",
		room.SizeM[0], room.SizeM[1], room.SizeM[2]))
}

func (c *checker) name(key, name string) {
	c.that(utf8.ValidString(name) && utf8.RuneCountInString(name) <= maxName && !strings.ContainsFunc(name, unicode.IsControl),
		key, name, fmt.Sprintf("choose at most %d printable characters", maxName))
}

func (c *checker) unique(names map[string]bool, key, name string) {
	c.name(key+".name", name)
	c.that(name != "", key+".name", name, "give it a name")
	c.that(!names[name], key+".name", name, "two have this name: give each its own")
	names[name] = true
}
