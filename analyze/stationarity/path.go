package stationarity

import "math"

// Path is by how much the sound comes later than usual, over time: what is
// followed when a path did not stand still.
type Path struct{ knots []knot }

type knot struct{ atS, offsetS, slope float64 }

// Drift is a path that gets later by ppm millionths, and is as usual at atS seconds.
func Drift(ppm, atS float64) *Path {
	return &Path{knots: []knot{{atS: atS, slope: 1e-6 * ppm}}}
}

// Later is a path that is later by offsetS seconds all the time.
func Later(offsetS float64) *Path { return &Path{knots: []knot{{offsetS: offsetS}}} }

// Follow is the path through the offsets of points, their mean taken for usual;
// nil without any.
func Follow(points []Point) *Path {
	var list []sample
	for _, p := range points {
		if !math.IsNaN(p.OffsetS) {
			list = append(list, sample{at: p.AtS, value: p.OffsetS, tolerance: p.tolerance()})
		}
	}
	list = smooth(list)
	if len(list) == 0 {
		return nil
	}
	mean := 0.0
	for _, p := range list {
		mean += p.value / float64(len(list))
	}
	p := &Path{}
	for _, s := range list {
		if n := len(p.knots); n > 0 && s.at-p.knots[n-1].atS < 0.05 {
			continue // of one sound
		}
		p.knots = append(p.knots, knot{atS: s.at, offsetS: s.value - mean})
	}
	// Through the knots, with the slope of the line between their neighbours
	// (Catmull and Rom, Computer Aided Geometric Design, 1974).
	k := p.knots
	for i := 1; i+1 < len(k); i++ {
		k[i].slope = (k[i+1].offsetS - k[i-1].offsetS) / (k[i+1].atS - k[i-1].atS)
	}
	return p
}

// leapS is what a path that wanders may do beside its neighbours' course: wind turns
// round within a second.
const leapS = 50e-6

// smooth takes out points that leap.
func smooth(list []sample) (out []sample) {
	for i, p := range list {
		if i > 0 && i+1 < len(list) {
			a, b := list[i-1].value, list[i+1].value
			if math.Abs(p.value-(a+b)/2) > leapS+math.Abs(a-b)+p.tolerance {
				continue
			}
		}
		out = append(out, p)
	}
	return out
}

// Then adds what is left of a path once p was followed.
func (p *Path) Then(next *Path) *Path {
	if next == nil {
		return p
	}
	out := &Path{}
	for _, k := range next.knots {
		k.offsetS += p.OffsetS(k.atS)
		k.slope += p.slope(k.atS)
		out.knots = append(out.knots, k)
	}
	return out
}

func (p *Path) slope(atS float64) float64 {
	const h = 1e-3
	return (p.OffsetS(atS+h) - p.OffsetS(atS-h)) / (2 * h)
}

// OffsetS is how much later it is at atS seconds.
func (p *Path) OffsetS(atS float64) float64 {
	k := p.knots
	if len(k) == 1 || atS <= k[0].atS {
		return k[0].offsetS + k[0].slope*(atS-k[0].atS)
	}
	low, high := 0, len(k)-1
	if atS >= k[high].atS {
		return k[high].offsetS + k[high].slope*(atS-k[high].atS)
	}
	for high-low > 1 {
		if m := (low + high) / 2; k[m].atS <= atS {
			low = m
		} else {
			high = m
		}
	}
	a, b := k[low], k[high]
	d := b.atS - a.atS
	u := (atS - a.atS) / d
	// Cubic Hermite.
	u2, u3 := u*u, u*u*u
	return a.offsetS*(2*u3-3*u2+1) + a.slope*d*(u3-2*u2+u) + b.offsetS*(3*u2-2*u3) + b.slope*d*(u3-u2)
}

// Move moves all times of the path: what was at 0 is then at byS.
func (p *Path) Move(byS float64) *Path {
	out := &Path{knots: append([]knot(nil), p.knots...)}
	for i := range out.knots {
		out.knots[i].atS += byS
	}
	return out
}

const (
	taps   = 64 // flat to 0.46 of the sample rate within 0.01 dB
	phases = 1024
)

// Retimer makes a signal what it would be with its path at rest.
type Retimer struct{ kernel [phases + 1][taps]float64 }

// NewRetimer plans the interpolation: sines over their arguments under a Hann
// window.
func NewRetimer() *Retimer {
	r := &Retimer{}
	for i := range r.kernel {
		part := float64(i) / phases
		for j := range r.kernel[i] {
			d := part - float64(j-taps/2+1)
			c := math.Cos(math.Pi * d / (taps + 1))
			v := c * c
			if math.Abs(d) > 1e-12 {
				v *= math.Sin(math.Pi*d) / (math.Pi * d)
			}
			r.kernel[i][j] = v
		}
	}
	return r
}

// Margin is how many samples Retime wants before and after those it makes, beyond
// the offset itself.
const Margin = taps / 2

// Retime fills dst, whose first sample is number at of the signal, from src, whose
// first is number from: dst is earlier by what p says. Where src does not reach, it
// is taken for silence.
func (r *Retimer) Retime(dst []float64, at int64, src []float64, from int64, p *Path, rateHz float64) {
	const step = 64
	for i := 0; i < len(dst); i += step {
		n := min(step, len(dst)-i)
		t := float64(at+int64(i)) / rateHz
		first := p.OffsetS(t) * rateHz
		by := (p.OffsetS(t+step/rateHz)*rateHz - first) / step
		for j := range n {
			x := float64(at+int64(i+j)-from) + first + by*float64(j)
			whole := math.Floor(x)
			k := &r.kernel[int((x-whole)*phases+0.5)]
			begin := int(whole) - taps/2 + 1
			sum := 0.0
			if begin >= 0 && begin+taps <= len(src) {
				for m, v := range src[begin : begin+taps] {
					sum += v * k[m]
				}
			} else {
				for m := range k {
					if q := begin + m; q >= 0 && q < len(src) {
						sum += src[q] * k[m]
					}
				}
			}
			dst[i+j] = sum
		}
	}
}
