package response

import "math"

// decibels turns a level into a ratio of powers.
func decibels(db float64) float64 { return math.Pow(10, db/10) }
