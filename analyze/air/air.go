// Package air is what the air does to sound.
package air

import "math"

// SpeedOfSound in air in m/s at a temperature in °C: 343.2·√(T/293.15 K) (ISO
// 9613-1:1993). Humid air is up to 0.4 % faster (Cramer, JASA 93 (1993) 2510). The page
// has a copy in ui/core/air.js, which a test compares.
func SpeedOfSound(celsius float64) float64 {
	return 343.2 * math.Sqrt((celsius+273.15)/293.15)
}
