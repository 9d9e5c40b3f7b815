package watch

import "math"

// cause is what may have happened, with the response that it leaves behind.
type cause struct {
	Change
	mu       []complex128
	parts    [][]complex128 // what the components are then
	credit   []float64      // by band: power that it leaves open, of the band's; nil: none
	free     float64        // how many numbers were fitted
	harmless bool           // nothing is at fault
	kelvin   float64        // by which the air is warmer than the baseline's, of warmed and Restored
	back     *inForce       // what comes back in force
	left     []active       // what is still different when one is undone

	score     float64
	explained float64 // share of the change
}

// judge weighs causes against what was heard since a change.
//
// By third octaves b, each with equal weight, a cause that predicts the response
// μ leaves of the power that was expected there the share
//
//	m = Σ|X|²(|H−μ|² − noise) / Σ|X|²|H₀|²
//
// and its log-likelihood is that of a complex Gaussian with the variance v that
// it leaves open, −m/v − ln v, with v at least what noise and the faults of all
// models leave. One that leaves more than that is taken at its word: v = m. A
// cause that says exactly what happens and is right beats one that leaves all
// open; one that is wrong does not.
type judge struct {
	w      *Watch
	s      *snapshot
	bands  []judged
	weight []float64 // by bin: |X|² over the power of its band; 0 counts for nothing
	before []float64 // m of the response in force
}

type judged struct {
	from, to int
	power    float64 // expected, Σ|X|²|H₀|², in force or of the baseline
	floor    float64 // the least of m that means anything
}

const (
	// inexact is the share of a band's power by which every model is wrong.
	inexact = 0.01
	// tooNoisy is the share of noise from which a band says nothing.
	tooNoisy = 0.3
	// voices is for how many independent values a third of an octave stands: what
	// models leave out does not average out over its bins.
	voices = 2
	// most is what a band says at most about the share explained, of its power.
	most = 4
)

func newJudge(w *Watch, s *snapshot) *judge {
	j := &judge{w: w, s: s, weight: make([]float64, len(w.now))}
	for i, from := range w.recent.bounds[:len(w.recent.bounds)-1] {
		b := judged{from: from, to: w.recent.bounds[i+1]}
		noise, n := 0.0, 0.0
		for k := b.from; k < b.to; k++ {
			if w.b.usable[k] && s.xx[k] > 0 {
				// Where nothing is left, the baseline says how much there was.
				b.power += s.xx[k] * max(abs2(w.now[k]), abs2(w.base[k]))
				noise += s.noise[k]
				n++
			}
		}
		if n == 0 || noise > tooNoisy*b.power {
			continue
		}
		noise /= b.power
		b.floor = inexact + 2*noise/math.Sqrt(n)
		for k := b.from; k < b.to; k++ {
			if w.b.usable[k] && s.xx[k] > 0 {
				j.weight[k] = s.xx[k] / b.power
			}
		}
		j.bands = append(j.bands, b)
	}
	j.before = j.misfit(w.now)
	return j
}

// misfit is m of a response, by band.
func (j *judge) misfit(mu []complex128) []float64 {
	m := make([]float64, len(j.bands))
	for i, b := range j.bands {
		for k := b.from; k < b.to; k++ {
			if j.weight[k] > 0 {
				m[i] += j.weight[k]*abs2(j.s.h[k]-mu[k]) - j.s.noise[k]/b.power
			}
		}
	}
	return m
}

// share is the power of a response, or of its change, by band.
func (j *judge) share(of []complex128) []float64 {
	p := make([]float64, len(j.bands))
	for i, b := range j.bands {
		for k := b.from; k < b.to; k++ {
			p[i] += j.weight[k] * abs2(of[k])
		}
	}
	return p
}

// weigh gives a cause its score.
func (j *judge) weigh(c *cause) {
	m := j.misfit(c.mu)
	var left, all float64
	c.score = -c.free
	for i, b := range j.bands {
		v := b.floor
		if c.credit != nil {
			v += c.credit[i]
		}
		if m[i] > v {
			c.score -= voices * (1 + math.Log(m[i]))
		} else {
			c.score -= voices * (max(0, m[i])/v + math.Log(v))
		}
		left += min(max(0, m[i]-b.floor), most)
		all += min(max(0, j.before[i]-b.floor), most)
	}
	if c.explained = 0; all > 0 {
		c.explained = max(0, 1-left/all)
	}
}

// along is by which real number a change d would have to be multiplied to describe
// the difference best.
func (j *judge) along(d, difference []complex128) float64 {
	var by, length float64
	for k, g := range j.weight {
		if g > 0 {
			by += g * (real(d[k])*real(difference[k]) + imag(d[k])*imag(difference[k]))
			length += g * abs2(d[k])
		}
	}
	if length == 0 {
		return 0
	}
	return by / length
}

// shift finds by how many seconds, at most widest either way, a component p has to
// be delayed to be most like what is heard of it.
func (j *judge) shift(p, of []complex128, widest float64) float64 {
	b := j.w.b
	z := make([]complex128, len(p))
	for k, g := range j.weight {
		if g > 0 {
			z[k] = complex(g, 0) * conj(p[k]) * of[k]
		}
	}
	like := func(s float64) (sum float64) {
		sin, cos := math.Sincos(2 * math.Pi * b.hz(1) * s)
		step := complex(cos, sin)
		sin, cos = math.Sincos(2 * math.Pi * b.hz(b.low) * s)
		turn := complex(cos, sin)
		for k := b.low; k < b.high; k++ {
			sum += real(z[k])*real(turn) - imag(z[k])*imag(turn)
			turn *= step
		}
		return sum
	}
	best, at := math.Inf(-1), 0.0
	for reach, step := widest, 20e-6; step > 1e-6; reach, step = step, step/5 {
		middle := at
		for s := middle - reach; s <= middle+reach+step/2; s += step {
			if v := like(s); v > best && math.Abs(s) <= widest {
				best, at = v, s
			}
		}
	}
	return at
}
