package programme

import "math"

// Clip cuts x hard where it is within belowDB of its own peak and more.
func Clip(x []float64, belowDB float64) []float64 {
	limit := Top(x) * math.Pow(10, -belowDB/20)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = max(-limit, min(limit, v))
	}
	return out
}

// SoftClip bends x as an output stage or tape does: tanh, whose limit lies belowDB
// under the peak of x and whose gain for what is soft is 1.
func SoftClip(x []float64, belowDB float64) []float64 {
	limit := Top(x) * math.Pow(10, -belowDB/20)
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = limit * math.Tanh(v/limit)
	}
	return out
}

// Compress turns x down by 1−1/ratio decibels for each decibel that its level is
// over a threshold, belowDB under its peak. The level is the magnitude, which rises
// within attackS and falls within releaseS (feed-forward; time constants). A ratio
// of infinity is a limiter. What is soft keeps its gain.
func Compress(x []float64, rate, belowDB, ratio, attackS, releaseS float64) []float64 {
	threshold := Top(x) * math.Pow(10, -belowDB/20)
	up, down := 1-math.Exp(-1/(attackS*rate)), 1-math.Exp(-1/(releaseS*rate))
	out := make([]float64, len(x))
	level := 0.0
	for i, v := range x {
		if a := math.Abs(v); a > level {
			level += up * (a - level)
		} else {
			level += down * (a - level)
		}
		out[i] = v
		if level > threshold {
			out[i] *= math.Pow(level/threshold, 1/ratio-1)
		}
	}
	return out
}

// Top is the largest magnitude of x.
func Top(x []float64) float64 {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	return peak
}
