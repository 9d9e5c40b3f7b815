package wire

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// RigScene is the virtual rig: the same fields as a scene file.
type RigScene struct {
	Revision     uint64           `json:"revision"` // as in State
	Name         string           `json:"name"`
	TemperatureC float64          `json:"temperature_c"`
	RateHz       int              `json:"rate_hz"`
	Seed         uint64           `json:"seed"`
	Room         RigRoom          `json:"room"`
	Programme    RigProgramme     `json:"programme"`
	Noise        RigNoise         `json:"noise"`
	Loudspeakers []RigLoudspeaker `json:"loudspeakers"`
	Microphones  []RigMicrophone  `json:"microphones"`
	ChangedBy    string           `json:"changed_by"`
}

// RigRoom is a rectangular room, one corner at the origin.
type RigRoom struct {
	SizeM       [3]float64         `json:"size_m"`
	Reflections int                `json:"reflections"` // order of the image sources
	Absorption  map[string]float64 `json:"absorption"`  // coefficient by octave "63"…"8000", or "all"
}

// RigProgramme is what the loudspeakers are sent.
type RigProgramme struct {
	Kind      string  `json:"kind"` // "pink", "white" or "file"
	File      string  `json:"file,omitempty"`
	LevelDBFS float64 `json:"level_dbfs"`
}

// RigNoise is the pink background noise at each microphone.
type RigNoise struct {
	LevelDBFS float64 `json:"level_dbfs"`
}

// RigLoudspeaker is one box.
type RigLoudspeaker struct {
	Name           string     `json:"name"`
	Role           string     `json:"role"`
	PositionM      [3]float64 `json:"position_m"`
	DelayMs        float64    `json:"delay_ms"`
	GainDB         float64    `json:"gain_db"`
	Polarity       string     `json:"polarity"` // "same" or "opposite"
	Mute           bool       `json:"mute"`
	LowHz          float64    `json:"low_hz"`
	HighHz         float64    `json:"high_hz"`
	CrossoverHz    float64    `json:"crossover_hz"`
	CrossoverOrder int        `json:"crossover_order"`
	HighReversed   bool       `json:"high_reversed"`
}

// RigMicrophone is one place where the room is heard.
type RigMicrophone struct {
	Name      string     `json:"name"`
	PositionM [3]float64 `json:"position_m"`
}

// Position is a place in metres: x, y, z. From JSON it is all three or refused.
type Position [3]float64

// UnmarshalJSON implements json.Unmarshaler.
func (p *Position) UnmarshalJSON(text []byte) error {
	var given []*float64
	if err := json.Unmarshal(text, &given); err != nil || len(given) != len(p) || slices.Contains(given, nil) {
		return refuse("position_m", "a position is three numbers of metres, such as [3, 4.5, 1.2]")
	}
	for i, x := range given {
		p[i] = *x
	}
	return nil
}

// RigPatch is a partial RigScene; loudspeakers and microphones by name.
type RigPatch struct {
	TemperatureC *float64                    `json:"temperature_c,omitempty"`
	Programme    *RigProgrammePatch          `json:"programme,omitempty"`
	Noise        *RigNoisePatch              `json:"noise,omitempty"`
	Loudspeakers map[string]LoudspeakerPatch `json:"loudspeakers,omitempty"`
	Microphones  map[string]MicrophonePatch  `json:"microphones,omitempty"`
}

// RigProgrammePatch is a partial RigProgramme. The file cannot be changed over
// the wire: names are never paths.
type RigProgrammePatch struct {
	Kind      *string  `json:"kind,omitempty"`
	LevelDBFS *float64 `json:"level_dbfs,omitempty"`
}

// RigNoisePatch is a partial RigNoise.
type RigNoisePatch struct {
	LevelDBFS *float64 `json:"level_dbfs,omitempty"`
}

// LoudspeakerPatch is a partial RigLoudspeaker.
type LoudspeakerPatch struct {
	PositionM      *Position `json:"position_m,omitempty"`
	DelayMs        *float64  `json:"delay_ms,omitempty"`
	GainDB         *float64  `json:"gain_db,omitempty"`
	Polarity       *string   `json:"polarity,omitempty"`
	Mute           *bool     `json:"mute,omitempty"`
	LowHz          *float64  `json:"low_hz,omitempty"`
	HighHz         *float64  `json:"high_hz,omitempty"`
	CrossoverHz    *float64  `json:"crossover_hz,omitempty"`
	CrossoverOrder *int      `json:"crossover_order,omitempty"`
	HighReversed   *bool     `json:"high_reversed,omitempty"`
}

// MicrophonePatch is a partial RigMicrophone.
type MicrophonePatch struct {
	PositionM *Position `json:"position_m,omitempty"`
}

// Apply merges a patch. It returns a new scene and leaves s alone; what it names
// must be there, the error is an *Error with one sentence for the operator. Whether
// the values can be is the rig's to say.
func (s RigScene) Apply(p RigPatch) (RigScene, error) {
	out := s
	out.Loudspeakers = slices.Clone(s.Loudspeakers)
	out.Microphones = slices.Clone(s.Microphones)
	out.Room.Absorption = maps.Clone(s.Room.Absorption)
	set(&out.TemperatureC, p.TemperatureC)
	if q := p.Programme; q != nil {
		set(&out.Programme.Kind, q.Kind)
		set(&out.Programme.LevelDBFS, q.LevelDBFS)
	}
	if q := p.Noise; q != nil {
		set(&out.Noise.LevelDBFS, q.LevelDBFS)
	}
	for _, name := range slices.Sorted(maps.Keys(p.Loudspeakers)) {
		i := slices.IndexFunc(out.Loudspeakers, func(l RigLoudspeaker) bool { return l.Name == name })
		if i < 0 {
			return s, refuse("loudspeaker", "no loudspeaker is called %q: choose one of %s", name, out.loudspeakerNames())
		}
		out.Loudspeakers[i].apply(p.Loudspeakers[name])
	}
	for _, name := range slices.Sorted(maps.Keys(p.Microphones)) {
		i := slices.IndexFunc(out.Microphones, func(m RigMicrophone) bool { return m.Name == name })
		if i < 0 {
			return s, refuse("microphone", "no microphone is called %q: choose one of %s", name, out.microphoneNames())
		}
		set(&out.Microphones[i].PositionM, (*[3]float64)(p.Microphones[name].PositionM))
	}
	return out, nil
}

func (l *RigLoudspeaker) apply(p LoudspeakerPatch) {
	set(&l.PositionM, (*[3]float64)(p.PositionM))
	set(&l.DelayMs, p.DelayMs)
	set(&l.GainDB, p.GainDB)
	set(&l.Polarity, p.Polarity)
	set(&l.Mute, p.Mute)
	set(&l.LowHz, p.LowHz)
	set(&l.HighHz, p.HighHz)
	set(&l.CrossoverHz, p.CrossoverHz)
	set(&l.CrossoverOrder, p.CrossoverOrder)
	set(&l.HighReversed, p.HighReversed)
}

func (s RigScene) loudspeakerNames() string {
	names := make([]string, len(s.Loudspeakers))
	for i, l := range s.Loudspeakers {
		names[i] = l.Name
	}
	return strings.Join(names, ", ")
}

func (s RigScene) microphoneNames() string {
	names := make([]string, len(s.Microphones))
	for i, m := range s.Microphones {
		names[i] = m.Name
	}
	return strings.Join(names, ", ")
}
