package exposure

import "math"

// Quantity is what a limit is about.
type Quantity string

// The quantities.
const (
	LAeq Quantity = "LAeq"
	LCeq Quantity = "LCeq"
)

// Profile is a limit as its source puts it.
type Profile struct {
	ID       string // short, for flags and addresses
	Name     string
	Source   string
	Note     string // of the source, for people
	Quantity Quantity
	LimitDB  float64
	OverS    float64 // time base
	// Sliding limits the level over any OverS. Otherwise it is a dose: LimitDB for OverS
	// uses all of it, and ExchangeDB more halves the time.
	Sliding    bool
	ExchangeDB float64
	PeakDB     float64 // limit of the C-weighted peak; 0: none
}

const (
	minute = 60.
	hour   = 3600.
)

// equalEnergy is the exchange rate of an equivalent level: 10 lg 2.
var equalEnergy = 10 * math.Log10(2)

// Profiles are the limits known here, each with its source.
var Profiles = []Profile{
	{ID: "niosh", Name: "NIOSH REL", Source: "NIOSH 98-126 (1998)", Quantity: LAeq, LimitDB: 85, OverS: 8 * hour, ExchangeDB: 3,
		Note: "recommended exposure limit for a working day"},
	{ID: "osha-pel", Name: "OSHA PEL", Source: "29 CFR 1910.95 Table G-16", Quantity: LAeq, LimitDB: 90, OverS: 8 * hour, ExchangeDB: 5, PeakDB: 140,
		Note: "ceiling 115 dB(A) for a quarter of an hour or less; quieter sound is counted here as well, which errs on the safe side"},
	{ID: "osha-action", Name: "OSHA action level", Source: "29 CFR 1910.95(c), App. A", Quantity: LAeq, LimitDB: 85, OverS: 8 * hour, ExchangeDB: 5,
		Note: "half of the permissible dose; quieter sound is counted here as well, which errs on the safe side"},
	{ID: "eu-lower", Name: "EU lower action", Source: "Directive 2003/10/EC Art. 3", Quantity: LAeq, LimitDB: 80, OverS: 8 * hour, ExchangeDB: equalEnergy, PeakDB: 135,
		Note: "LEX,8h"},
	{ID: "eu-upper", Name: "EU upper action", Source: "Directive 2003/10/EC Art. 3", Quantity: LAeq, LimitDB: 85, OverS: 8 * hour, ExchangeDB: equalEnergy, PeakDB: 137,
		Note: "LEX,8h"},
	{ID: "eu-limit", Name: "EU exposure limit", Source: "Directive 2003/10/EC Art. 3", Quantity: LAeq, LimitDB: 87, OverS: 8 * hour, ExchangeDB: equalEnergy, PeakDB: 140,
		Note: "LEX,8h at the ear, with the attenuation of protectors"},
	{ID: "who", Name: "WHO safe listening venues", Source: "WHO Global standard for safe listening venues and events, 2022", Quantity: LAeq, LimitDB: 100, OverS: 15 * minute, Sliding: true,
		Note: "anywhere in the audience area"},
	{ID: "din15905-5", Name: "DIN 15905-5:2007", Source: "DIN 15905-5:2007-11", Quantity: LAeq, LimitDB: 99, OverS: 30 * minute, Sliding: true, PeakDB: 135,
		Note: "at the loudest place of the audience; inform from 85 dB, protectors from 95 dB; there is a newer edition whose limits were not checked"},
	{ID: "france-a", Name: "France dB(A)", Source: "Decret 2017-1244", Quantity: LAeq, LimitDB: 102, OverS: 15 * minute, Sliding: true,
		Note: "94 dB for children up to 6 years"},
	{ID: "france-c", Name: "France dB(C)", Source: "Decret 2017-1244", Quantity: LCeq, LimitDB: 118, OverS: 15 * minute, Sliding: true,
		Note: "104 dB for children up to 6 years"},
}

// Lookup finds a profile by its ID.
func Lookup(id string) (Profile, bool) {
	for _, p := range Profiles {
		if p.ID == id {
			return p, true
		}
	}
	return Profile{}, false
}

// AllowedS is how long a steady level may last: OverS / 2^((level − limit)/exchange)
// for a dose (NIOSH 98-126; 29 CFR 1910.95 App. A), for a sliding level OverS at
// equal energy, and for ever up to the limit.
func (p Profile) AllowedS(levelDB float64) float64 {
	exchange := p.ExchangeDB
	if p.Sliding {
		if levelDB <= p.LimitDB {
			return math.Inf(1)
		}
		exchange = equalEnergy
	}
	return p.OverS * math.Exp2((p.LimitDB-levelDB)/exchange)
}
