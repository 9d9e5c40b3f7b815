package programme

import "math"

// Warp is what a microphone hears at time t (s) of y when it hears what was
// there lateS(t) earlier: band-limited interpolation over 128 samples (Hann).
func Warp(y []float64, rateHz float64, lateS func(t float64) float64) []float64 {
	const half = 64
	out := make([]float64, len(y))
	for i := range out {
		at := float64(i) - rateHz*lateS(float64(i)/rateHz)
		whole := math.Floor(at)
		part := at - whole
		// sin(π(part+j)) alternates: one sine does for all taps.
		sine := math.Sin(math.Pi * part)
		sum := 0.0
		for j := -half + 1; j <= half; j++ {
			k := int(whole) + j
			if k < 0 || k >= len(y) {
				continue
			}
			d := part - float64(j)
			w := math.Cos(math.Pi * d / (2*half + 1))
			tap := w * w
			if math.Abs(d) > 1e-9 {
				s := sine
				if j%2 != 0 {
					s = -s
				}
				tap *= s / (math.Pi * d)
			}
			sum += y[k] * tap
		}
		out[i] = sum
	}
	return out
}

// Drift is what is heard when the microphone's clock is slow by ppm parts in a
// million: ever later on the reference's clock.
func Drift(y []float64, rateHz, ppm float64) []float64 {
	return Warp(y, rateHz, func(t float64) float64 { return 1e-6 * ppm * t })
}

// Lose takes count samples out at each of the moments (s, ascending); silence
// comes at the end instead.
func Lose(y []float64, rateHz float64, count int, atS ...float64) []float64 {
	out := make([]float64, 0, len(y))
	from := 0
	for _, s := range atS {
		to := int(s * rateHz)
		out = append(out, y[from:to]...)
		from = to + count
	}
	out = append(out, y[from:]...)
	return append(out, make([]float64, len(y)-len(out))...)
}

// Ride multiplies by a gain in dB that varies with time (s).
func Ride(y []float64, rateHz float64, gainDB func(t float64) float64) []float64 {
	out := make([]float64, len(y))
	for i, v := range y {
		out[i] = v * math.Pow(10, gainDB(float64(i)/rateHz)/20)
	}
	return out
}
