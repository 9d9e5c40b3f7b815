package planning

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/response"
	"plumbline/analyze/statistics"
	"plumbline/stream/wire"
)

// perOctave is how many points an octave are drawn.
const perOctave = 48

// drawing is where the responses of a seat are drawn: at points evenly in log
// frequency, as far as the takes have any within 20 Hz…20 kHz, each the mean of
// 1/48 octave about it. Takes on the grid that it was made of can be drawn.
type drawing struct {
	frequencyHz []float64
	points      []int // on the grid
	low, high   []int // low ≤ k < high is the 1/48 octave about each
	// correlation of the random error of each point with those of all, itself
	// included; what a mean over several points is worth follows from it.
	correlation wire.Values
	smooth      response.Spectra // scratch
}

func newDrawing(s *response.Spectra) *drawing {
	d := new(drawing)
	k, n := 0, len(s.FrequencyHz)
	reach := math.Exp2(0.5 / perOctave)
	low, high := 0, 0
	for i := 0; ; i++ {
		wanted := 20 * math.Exp2(float64(i)/perOctave)
		if wanted > 20000*(1+1e-9) || k >= n {
			break
		}
		for k+1 < n && s.FrequencyHz[k]*s.FrequencyHz[k+1] < wanted*wanted {
			k++
		}
		f := s.FrequencyHz[k]
		if f < 19.9 || f > 20010 || len(d.points) > 0 && d.points[len(d.points)-1] == k {
			continue
		}
		for low < k && s.FrequencyHz[low] < f/reach {
			low++
		}
		for high = max(high, k+1); high < n && s.FrequencyHz[high] < f*reach; high++ {
		}
		d.frequencyHz, d.points = append(d.frequencyHz, f), append(d.points, k)
		d.low, d.high = append(d.low, low), append(d.high, high)
	}
	d.correlate(s)
	return d
}

// correlate sets the correlations.
func (d *drawing) correlate(s *response.Spectra) {
	const least = 1e-3 // less does not count
	for i := range d.points {
		own, all := d.covariance(s, i, i), 0.0
		for j := i; j < len(d.points); j++ {
			c := d.covariance(s, i, j)
			if c < least*own {
				break
			}
			all += c
		}
		for j := i - 1; j >= 0; j-- {
			c := d.covariance(s, i, j)
			if c < least*own {
				break
			}
			all += c
		}
		d.correlation = append(d.correlation, rounded(all/own))
	}
}

// covariance of two points whose lines have a variance of 1.
func (d *drawing) covariance(s *response.Spectra, i, j int) float64 {
	if s.Window == 0 { // the points are the grid's own
		return response.ErrorCorrelation(d.frequencyHz[i], math.Abs(d.frequencyHz[j]-d.frequencyHz[i]), 0, s.SampleRateHz)
	}
	pairs := func(apart int) float64 { // of a line of i and one of j so far above
		return float64(max(0, min(d.high[i], d.high[j]-apart)-max(d.low[i], d.low[j]-apart)))
	}
	sum, line := pairs(0), s.SampleRateHz/float64(s.Window)
	for apart := 1; apart <= 2; apart++ {
		sum += response.ErrorCorrelation(d.frequencyHz[i], float64(apart)*line, s.Window, s.SampleRateHz) * (pairs(apart) + pairs(-apart))
	}
	return sum / float64(d.high[i]-d.low[i]) / float64(d.high[j]-d.low[j])
}

// rounded keeps three digits: enough for the width of a ribbon.
func rounded(x float64) float32 {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return float32(x)
	}
	unit := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-2)
	return float32(math.Round(x/unit) * unit)
}

// response is H over the points, laterS later than its own compensation.
func (d *drawing) response(s *response.Spectra, laterS float64) wire.Complex {
	response.SmoothAt(&d.smooth, s, perOctave, d.points)
	n := len(d.points)
	c := wire.Complex{Re: make(wire.Values, n), Im: make(wire.Values, n), Error: make(wire.Values, n), Trusted: make([]bool, n)}
	for i, f := range d.frequencyHz {
		h, deviation := complex(math.NaN(), math.NaN()), math.NaN()
		if d.smooth.Known(i) {
			h = d.smooth.H(i) * cmplx.Rect(1, -2*math.Pi*f*laterS)
			deviation = d.smooth.Deviation(i)
			c.Trusted[i] = d.smooth.Trusted(i, response.FalseTrust)
		}
		c.Re[i], c.Im[i], c.Error[i] = float32(real(h)), float32(imag(h)), rounded(deviation)
	}
	return c
}

// sum is response with the magnitude of the power mean: the sum of two that are
// apart turns its phase within 1/48 octave, and a complex mean would lose it. Nor
// is that turning an error: only what no line explains is.
func (d *drawing) sum(s *response.Spectra, laterS float64) wire.Complex {
	c := d.response(s, laterS)
	for i := range d.points {
		level, n := 0.0, 0
		for q := d.low[i]; q < d.high[i]; q++ {
			if s.Gxx[q] > 0 && s.EffectiveAverages[q] > 1 {
				level += power(s.H(q))
				n++
			}
		}
		h := complex(float64(c.Re[i]), float64(c.Im[i]))
		if n == 0 || !(cmplx.Abs(h) > 0) {
			continue
		}
		h *= complex(math.Sqrt(level/float64(n))/cmplx.Abs(h), 0)
		c.Re[i], c.Im[i] = float32(real(h)), float32(imag(h))
		level /= float64(n)
		unexplained := d.smooth.Unexplained(i) // the turn in it is in the averages too
		c.Error[i] = rounded(statistics.Deviation(level/(level+unexplained), d.smooth.EffectiveAverages[i]))
	}
	return c
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
