package alignment

import (
	"math"

	"plumbline/analyze/summation"
)

// batch is how many factors between 1e-6 and 2 are multiplied before the
// logarithm or the exponent of the product is taken: 1e-6^48 is still far above
// the smallest normal float64.
const batch = 48

// sweep evaluates one polarity pair over equally spaced delays. It carries
// scratch: one per goroutine.
type sweep struct{ plus, minus, other, seat, odd, even []float64 }

// add adds to plus[n] and minus[n] the sum over the cells lo ≤ k < hi of the
// efficiency in nepers (ln) at the delay t0 + n·step, for p = +1 and −1.
//
// cos(φ+ωτ) advances by cos(x+δ) = 2·cos δ·cos x − cos(x−δ), four cells at a
// time so that the processor has independent work, and one logarithm serves all
// cells.
func (w *sweep) add(plus, minus []float64, s *seat, lo, hi int, gain, t0, step float64) {
	w.plus, w.minus = grow(w.plus, len(plus)), grow(w.minus, len(plus))
	productPlus, productMinus := w.plus, w.minus
	for n := range productPlus {
		productPlus[n], productMinus[n] = 1, 1
	}
	ideal, idealProduct := 0.0, 1.0
	for ; lo < hi; lo += batch {
		end := min(lo+batch, hi)
		for k := lo; k < end; k += 4 {
			var now, before, turn [4]float64 // zero: a factor of 1
			for i := range min(4, end-k) {
				c := s.c(k+i, gain)
				idealProduct *= s.ideal(k+i, c)
				omega := s.omega[k+i]
				re, im := c*real(s.cross[k+i]), c*imag(s.cross[k+i])
				sin, cos := math.Sincos(omega * t0)
				sinStep, cosStep := math.Sincos(omega * step)
				x, y := re*cos-im*sin, re*sin+im*cos
				now[i], before[i], turn[i] = x, x*cosStep+y*sinStep, 2*cosStep
			}
			multiply(productPlus, productMinus, now, before, turn)
		}
		takeExponents(plus, productPlus)
		takeExponents(minus, productMinus)
		ideal += math.Log(idealProduct)
		idealProduct = 1
	}
	for n := range plus {
		plus[n] += math.Log(productPlus[n]) - ideal
		minus[n] += math.Log(productMinus[n]) - ideal
	}
}

// takeExponents moves the binary exponents of the products, times ln 2, to the
// sums. It does for many logarithms: only that of the mantissa is left.
func takeExponents(sum, product []float64) {
	const bias, bits = 1023, 52
	product = product[:len(sum)]
	for n, p := range product {
		b := math.Float64bits(p)
		sum[n] += math.Ln2 * float64(int(b>>bits)-bias)
		product[n] = math.Float64frombits(b&(1<<bits-1) | bias<<bits)
	}
}

func multiply(plus, minus []float64, now, before, turn [4]float64) {
	a, b, c, d := now[0], now[1], now[2], now[3]
	a1, b1, c1, d1 := before[0], before[1], before[2], before[3]
	ta, tb, tc, td := turn[0], turn[1], turn[2], turn[3]
	minus = minus[:len(plus)]
	for n := range plus {
		plus[n] *= (1 + a) * (1 + b) * ((1 + c) * (1 + d))
		minus[n] *= (1 - a) * (1 - b) * ((1 - c) * (1 - d))
		a, a1 = ta*a-a1, a
		b, b1 = tb*b-b1, b
		c, c1 = tc*c-c1, c
		d, d1 = td*d-d1, d
	}
}

// stepsPerPeriod of the highest frequency: the delays are closer than 1/(8 f_max).
const stepsPerPeriod = 10

// grid is the delays that all seats are searched on: (n − half)·step seconds, 0 ≤ n ≤ 2·half.
type grid struct {
	half, octaves int
	step          float64
}

func (p *Problem) grid(rangeMs float64) grid {
	top, low := p.top(), math.Inf(1)
	for _, s := range p.seats {
		low = min(low, s.omega[0])
		rangeMs = max(rangeMs, p.cfg.MaxDelayMs+5e3*s.spreadS) // the average reaches beyond
	}
	g := grid{step: 2 * math.Pi / (stepsPerPeriod * top)}
	g.octaves = int(math.Log2(top / low))
	g.half = int(math.Ceil(rangeMs / 1e3 / g.step))
	for g.octaves > 0 && g.half>>g.octaves < 4 {
		g.octaves--
	}
	unit := 1 << g.octaves
	g.half = (g.half + unit - 1) / unit * unit
	return g
}

func (g grid) size() int { return 2*g.half + 1 }

func (g grid) delayMs(n int) float64 { return float64(n-g.half) * g.step * 1e3 }

// efficiencies sets plus and minus, of g.size(), to the seat's efficiency in dB
// at every delay of the grid, over its spread. A low octave changes slowly with the delay, so
// each octave is evaluated on its own grid, twice as coarse as the next higher
// one's, and interpolated: the cost is that of the two top octaves.
func (w *sweep) efficiencies(plus, minus []float64, s *seat, g grid, gainDB float64) {
	gain := math.Pow(10, gainDB/20)
	edge := 2 * math.Pi / (stepsPerPeriod * g.step) // top frequency of the finest grid
	edge /= float64(int(1) << g.octaves)
	k := 0
	for o := g.octaves; o >= 0; o-- {
		stride := 1 << o
		n := 2*(g.half>>o) + 1
		if o < g.octaves {
			summation.Double(plus[:n])
			summation.Double(minus[:n])
		} else {
			clear(plus[:n])
			clear(minus[:n])
		}
		hi := k
		for hi < s.level && (o == 0 || s.omega[hi] <= edge) {
			hi++
		}
		w.add(plus[:n], minus[:n], s, k, hi, gain, -float64(g.half)*g.step, float64(stride)*g.step)
		k = hi
		edge *= 2
	}
	w.blur(plus, s, g.step)
	w.blur(minus, s, g.step)
	levelled := 0.0
	for ; k < len(s.omega); k++ {
		_, one := s.rho(k, gain)
		levelled += math.Log(one)
	}
	scale := 10 / math.Ln10 / float64(len(s.omega))
	for n := range plus {
		plus[n] = (plus[n] + levelled) * scale
		minus[n] = (minus[n] + levelled) * scale
	}
}

func grow(x []float64, n int) []float64 {
	if cap(x) < n {
		return make([]float64, n)
	}
	return x[:n]
}

// line sets dst[n] to the seat's efficiency in dB at the delay fromMs + n·stepMs,
// polarity and gain as in x.
func (w *sweep) line(dst []float64, s *seat, x Setting, fromMs, stepMs float64) {
	w.other = grow(w.other, len(dst))
	plus, minus := dst, w.other
	if x.Sign < 0 {
		plus, minus = minus, plus
	}
	w.lines(plus, minus, s, x.GainDB, fromMs, stepMs)
}

// lines is line for both polarities.
func (w *sweep) lines(plus, minus []float64, s *seat, gainDB, fromMs, stepMs float64) {
	clear(plus)
	clear(minus)
	gain := math.Pow(10, gainDB/20)
	w.add(plus, minus, s, 0, s.smooth, gain, fromMs/1e3, stepMs/1e3)
	unlike := s.unlikeAt(gain)
	if s.smooth < s.level {
		w.addRipples(plus, minus, s, gain, fromMs/1e3, stepMs/1e3)
	}
	scale := 10 / math.Ln10 / float64(len(s.omega))
	for n := range plus {
		plus[n] = (plus[n] + unlike) * scale
		minus[n] = (minus[n] + unlike) * scale
	}
}

// Curves sets same[n] and opposite[n] to the efficiency in dB of one seat (from
// 0) at the delay fromMs + n·stepMs, with B as it is and turned, with that gain;
// their equal length says how many. It allocates scratch of as much.
func (p *Problem) Curves(same, opposite []float64, seat int, gainDB, fromMs, stepMs float64) {
	var w sweep
	w.lines(same, opposite, &p.seats[seat], gainDB, fromMs, stepMs)
}

// line is what is maximised, as value, at the delays fromMs + n·stepMs.
func (p *Problem) line(w *sweep, dst []float64, x Setting, fromMs, stepMs float64) {
	w.seat = grow(w.seat, len(dst))
	for i := range p.seats {
		w.line(w.seat, &p.seats[i], x, fromMs, stepMs)
		if p.cfg.Gain {
			cost := p.seats[i].levelCost(x.GainDB)
			for n := range w.seat {
				w.seat[n] += cost
			}
		}
		p.gather(dst, w.seat, i)
	}
}

// gather makes dst what the aim makes of the seats up to i.
func (p *Problem) gather(dst, seat []float64, i int) {
	for n, v := range seat {
		switch {
		case p.cfg.Aim == Worst && i > 0:
			dst[n] = min(dst[n], v)
		case p.cfg.Aim == Worst:
			dst[n] = v
		case i > 0:
			dst[n] += v / float64(len(p.seats))
		default:
			dst[n] = v / float64(len(p.seats))
		}
	}
}
