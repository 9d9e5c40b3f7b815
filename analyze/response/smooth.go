package response

import "math"

// Smooth sets dst to src averaged over 1/fraction octave about each point,
// evenly in the logarithm of frequency: Gxx as a power, and H1, a complex number,
// and Gyy/Gxx as they are at each point, however strong the programme is there, so
// that coherence and intervals follow. A point whose H1 is not known to within its
// own size counts for less, as a sample of unequal accuracy does: by 1/(1+V/|H|²),
// V being what H1 is off by, |Ĥ−H|², and |H|² that of the average by power.
// fraction is 1…48; where the grid is coarser than that it stays as it is. dst and
// src must not share memory.
//
// V falls by the ratio of the bandwidths: an estimate of statistical
// bandwidth B, smoothed over a width W, has W/(erf(a) − (1−e^(−a²))/(a√π)) with
// a = W√π/B. That is exact for a Gaussian spectral window; that of a Hann
// window is close.
func Smooth(dst, src *Spectra, fraction int) { smooth(dst, src, fraction, nil) }

// SmoothAt is Smooth at these points of src alone, ascending: dst has as many.
func SmoothAt(dst, src *Spectra, fraction int, points []int) {
	if len(points) > 0 {
		smooth(dst, src, fraction, points)
		return
	}
	dst.resize(0)
}

// smooth does it at the points, nil for all.
func smooth(dst, src *Spectra, fraction int, points []int) {
	n := len(src.FrequencyHz)
	size := n
	if points != nil {
		size = len(points)
	}
	dst.resize(size)
	dst.SampleRateHz, dst.Window, dst.Overlap = src.SampleRateHz, src.Window, src.Overlap
	dst.DelayS, dst.AveragedS = src.DelayS, src.AveragedS
	if n == 0 {
		return
	}
	reach := math.Exp2(0.5 / float64(min(max(fraction, 1), pointsPerOctave)))
	// Running sums from the top down: spectra fall, so the sums do not drown what
	// is taken from them. Points without averages are left out.
	const columns = 9
	dst.sums = resize(dst.sums, columns*(n+1)+n)
	sums, usual := dst.sums[:columns*(n+1)], dst.sums[columns*(n+1):]
	clear(sums[columns*n:])
	// band is from where to where i is averaged over.
	low, high := 0, 0
	band := func(i int) {
		f := src.FrequencyHz[i]
		// A hair's breadth, for grid points that lie on the edge.
		for low < i && src.FrequencyHz[low] < f/reach*(1+1e-9) {
			low++
		}
		for high = max(high, i+1); high < n && src.FrequencyHz[high] < f*reach*(1-1e-9); high++ {
		}
	}
	for i := n - 1; i >= 0; i-- {
		to, from := sums[columns*i:][:columns], sums[columns*(i+1):][:columns]
		copy(to, from)
		if w := src.weight(i); src.EffectiveAverages[i] > 0 {
			to[0] += w * src.Gxx[i]
			to[1] += w * real(src.Gxy[i])
			to[2] += w * imag(src.Gxy[i])
		}
	}
	for i := range n {
		band(i)
		from, to := sums[columns*low:][:columns], sums[columns*high:][:columns]
		x, re, im := from[0]-to[0], from[1]-to[1], from[2]-to[2]
		if usual[i] = 0; x > 0 {
			usual[i] = (re*re + im*im) / (x * x)
		}
	}
	for i := n - 1; i >= 0; i-- {
		to, from := sums[columns*i:][:columns], sums[columns*(i+1):][:columns]
		copy(to, from)
		w := src.weight(i)
		if !(src.EffectiveAverages[i] > 1 && w > 0 && src.Gxx[i] > 0) {
			continue
		}
		to[0] += w
		to[1] += w * src.Gxx[i]
		h := src.H(i)
		y := src.Gyy[i] / src.Gxx[i]
		variance := src.Variance(i)
		if variance > 0 {
			w *= usual[i] / (usual[i] + variance)
		}
		to[2] += w
		to[3] += w * real(h)
		to[4] += w * imag(h)
		to[5] += w * y
		to[6] += w * w
		to[7] += w * w * variance
		to[8] += w * w / src.EffectiveAverages[i]
	}
	low, high = 0, 0
	for at := range size {
		i := at
		if points != nil {
			i = points[at]
		}
		dst.FrequencyHz[at] = src.FrequencyHz[i]
		band(i)
		from, to := sums[columns*low:][:columns], sums[columns*high:][:columns]
		w, even := from[0]-to[0], from[2]-to[2]
		if high-low == 1 || !(w > 0 && even > 0) {
			dst.Gxx[at], dst.Gyy[at], dst.Gxy[at], dst.EffectiveAverages[at] = src.Gxx[i], src.Gyy[i], src.Gxy[i], src.EffectiveAverages[i]
			continue
		}
		xx := max(0, from[1]-to[1]) / w
		hr, hi := (from[3]-to[3])/even, (from[4]-to[4])/even
		unexplained := max(0, (from[5]-to[5])/even-hr*hr-hi*hi)
		squares := from[6] - to[6]
		widening := src.widening(i, low, high, even*even/squares)
		variance := max(0, from[7]-to[7]) / squares / widening
		dst.Gxx[at], dst.Gxy[at] = xx, complex(xx*hr, xx*hi)
		dst.Gyy[at] = xx * (hr*hr + hi*hi + unexplained)
		dst.EffectiveAverages[at] = 1 + unexplained/variance
		if !(variance > 1e-12*(hr*hr+hi*hi)) { // rounding
			dst.EffectiveAverages[at] = squares / (from[8] - to[8]) * widening
		}
	}
}

// weight is how much of the logarithmic axis a point stands for.
func (s *Spectra) weight(i int) float64 {
	if s.Window == 0 {
		return 1
	}
	if i == 0 {
		return 0
	}
	return 1 / float64(i)
}

// widening is what the mean of the points low ≤ i < high, which weigh as much as
// m equal ones, is worth, per point.
func (s *Spectra) widening(i, low, high int, m float64) float64 {
	if m < 1.001 {
		return 1
	}
	// m points a step apart spread like an even band of sqrt(m²−1) steps.
	step := (s.FrequencyHz[high-1] - s.FrequencyHz[low]) / float64(high-low-1)
	a := step * math.Sqrt(m*m-1) * math.SqrtPi / s.bandwidth(s.FrequencyHz[i])
	return a / math.SqrtPi / (math.Erf(a) + math.Expm1(-a*a)/(a*math.SqrtPi))
}

// hannBandwidth is the statistical bandwidth of a Hann window under dense
// overlap, in bins (Welch 1967: averages a window length).
const hannBandwidth = 2.0786

// bandwidth is the statistical bandwidth of the estimate at f.
func (s *Spectra) bandwidth(f float64) float64 {
	if s.Window != 0 {
		return hannBandwidth * s.SampleRateHz / float64(s.Window)
	}
	shortest := float64(shortestWindow(s.SampleRateHz)) / s.SampleRateHz
	seconds := min(max(periodsWanted/f, shortest), shortest*float64(int(1)<<(windowLengths-1)))
	// The kernel over the bins spreads like a triangle, which at least interpolates.
	triangle := 1.5 * max(1/seconds, resolution(f))
	return math.Hypot(hannBandwidth/seconds, triangle)
}
