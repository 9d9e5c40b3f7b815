package verdict

import "math"

// SpeedOfSound in dry air in m/s at a temperature in °C: 331.3·sqrt(1+t/273.15),
// the textbook form (343.2 m/s at 20 °C). Humid air is up to 0.4 % faster
// (Cramer, JASA 93 (1993) 2510).
func SpeedOfSound(temperatureC float64) float64 {
	return 331.3 * math.Sqrt(1+temperatureC/273.15)
}

// Comb is what two copies of one sound make of each other.
type Comb struct {
	OffsetMs float64 // between the copies, above 0
	LevelDB  float64 // the weaker re the stronger, ≤ 0
	Opposite bool    // they are of opposite polarity
}

// NotchHz is the k-th notch above 0 Hz, k from 0: (2k+1)/(2τ); for copies of
// opposite polarity notches and peaks change places (elementary superposition,
// e.g. Kinsler et al., Fundamentals of Acoustics).
func (c Comb) NotchHz(k int) float64 {
	if c.Opposite {
		return float64(k+1) * 1000 / c.OffsetMs
	}
	return (float64(k) + 0.5) * 1000 / c.OffsetMs
}

// PeakHz is the k-th peak above 0 Hz.
func (c Comb) PeakHz(k int) float64 {
	c.Opposite = !c.Opposite
	return c.NotchHz(k)
}

// PeakDB and DipDB are the level of the peaks and notches re the stronger copy
// alone: 20 lg(1 ± a). DipDB is −Inf for equal copies.
func (c Comb) PeakDB() float64 { return 20 * math.Log10(1+c.ratio()) }

// DipDB: see PeakDB.
func (c Comb) DipDB() float64 { return 20 * math.Log10(1-c.ratio()) }

func (c Comb) ratio() float64 { return math.Pow(10, c.LevelDB/20) }
