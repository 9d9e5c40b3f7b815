package main

import "math"

// speedOfSound is that of air in m/s: 343.2·√(T/293.15 K), ISO 9613-1:1993.
func speedOfSound(temperatureC float64) float64 {
	return 343.2 * math.Sqrt((temperatureC+273.15)/293.15)
}

func checkTemperature(c float64) error {
	if !(c >= -30 && c <= 50) {
		return usagef("--temperature wants degrees Celsius from -30 to 50, not %g", c)
	}
	return nil
}
