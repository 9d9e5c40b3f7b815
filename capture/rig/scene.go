package rig

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
	Loudspeakers []Loudspeaker `toml:"loudspeaker"`
	Microphones  []Microphone  `toml:"microphone"`
}

// Position is a point in the room in metres from one lower corner: along the
// length, along the width, up.
type Position [3]float64

// Room is a rectangular room with all its surfaces alike.
type Room struct {
	SizeM       [3]float64 `toml:"size_m"`      // length, width, height; 1…200 m each
	Reflections int        `toml:"reflections"` // wall hits followed: 0 (free field)…8
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

// Programme is what every loudspeaker is sent.
type Programme struct {
	Kind      string  `toml:"kind"`       // Pink, White or File
	File      string  `toml:"file"`       // a WAV, its first channel is used and looped
	LevelDBFS float64 `toml:"level_dbfs"` // RMS; a full-scale sine wave is 0 (AES17)
}

// Noise is the background noise at each microphone: pink, and independent of
// all other noise.
type Noise struct {
	LevelDBFS float64 `toml:"level_dbfs"` // RMS; −200 or less is none
}

// The polarities of a loudspeaker.
const (
	Same     = "same"
	Opposite = "opposite"
)

// Loudspeaker is a point source that radiates alike in all directions.
type Loudspeaker struct {
	Name           string   `toml:"name"`
	Role           string   `toml:"role"` // for people: main, fill, sub, delay …
	PositionM      Position `toml:"position_m"`
	DelayMs        float64  `toml:"delay_ms"`        // 0…1000
	GainDB         float64  `toml:"gain_db"`         // at 1 m; −80…40
	Polarity       string   `toml:"polarity"`        // Same or Opposite
	Mute           bool     `toml:"mute"`            //
	LowHz          float64  `toml:"low_hz"`          // second-order high-pass of the box; 0 none
	HighHz         float64  `toml:"high_hz"`         // second-order low-pass of the box; 0 none
	CrossoverHz    float64  `toml:"crossover_hz"`    // Linkwitz-Riley, between the drivers; 0 none
	CrossoverOrder int      `toml:"crossover_order"` // 2, 4 or 8
	HighReversed   bool     `toml:"high_reversed"`   // the high-frequency driver is wired the wrong way round
}

// Microphone hears all directions alike.
type Microphone struct {
	Name      string   `toml:"name"`
	PositionM Position `toml:"position_m"`
}
