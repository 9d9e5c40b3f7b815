//go:build !amd64

package caution

func steps(x []float64, s *surveyed) { stepsGo(x, s) }
