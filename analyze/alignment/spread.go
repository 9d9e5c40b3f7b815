package alignment

import (
	"math"
	"math/cmplx"
)

// A microphone stands at one point, heads do not. Where a head is δ metres beside
// it, B comes δ·(u_A − u_B)/c later against A, u being the directions that the two
// come from: places spread about the microphone by σ metres along each axis spread
// the difference by
//
//	σ_τ = σ·|u_A − u_B|/c seconds, |u_A − u_B| = 2 sin(θ/2) for θ between the two.
//
// With a normal distribution the efficiency that such places have on average is
// that over delay at the microphone, averaged with that distribution:
//
//	E(τ) = ∫ E₀(τ + t)·exp(−t²/2σ_τ²)/(σ_τ√2π) dt
//
// A cell is E₀ = 10 lg( |1 + ρe^{jψ}|²/(1 + ρ)² ) dB, ψ = φ + ωτ (+π where B is
// turned), ρ = r or 1/r, whichever is smaller. As ln|1 + ρe^{jψ}|² =
// 2 Σ (−1)^{k+1} ρ^k/k·cos kψ (Gradshteyn and Ryzhik, Table of Integrals, 1.514)
// and a normal phase of variance v leaves exp(−k²v/2) of cos kψ,
//
//	E = 10/ln 10·( 2 Σ (−1)^{k+1} ρ^k/k·exp(−(kωσ_τ)²/2)·cos kψ − 2 ln(1 + ρ) ) dB
//
// Low frequencies keep their sum; high ones end at −20 lg(1 + ρ), what unlike
// signals give whatever the delay. What reflections change from place to place is
// taken to be as it is from frequency to frequency.

// DefaultSpreadM is the spread of position that plans are made for, metres along
// each axis: about that of the heads in the seats that a microphone stands for.
const DefaultSpreadM = 0.10

// UnknownAngleDeg is how far apart two loudspeakers are taken to be, seen from a
// seat, when nothing says where they stand: common practice has no figure, and
// those of main and fill lie about it.
const UnknownAngleDeg = 45

// Apart is |u_A − u_B| for that angle between two loudspeakers, seen from the seat.
func Apart(angleDeg float64) float64 { return 2 * math.Sin(angleDeg*math.Pi/360) }

// turnedByRoom is what reflections add to |u_A − u_B|, as squares: each comes from a
// direction of its own and turns beside the microphone as well. Own simulation: with
// it what is promised in rectangular rooms is found on average.
const turnedByRoom = 0.4

// ApartAt is Apart for places known in metres, and what a room adds to it.
func ApartAt(seat, a, b [3]float64) float64 {
	var u, v [3]float64
	var lu, lv float64
	for i := range seat {
		u[i], v[i] = a[i]-seat[i], b[i]-seat[i]
		lu, lv = lu+u[i]*u[i], lv+v[i]*v[i]
	}
	if lu == 0 || lv == 0 {
		return Apart(UnknownAngleDeg)
	}
	sum := turnedByRoom * turnedByRoom
	for i := range u {
		d := u[i]/math.Sqrt(lu) - v[i]/math.Sqrt(lv)
		sum += d * d
	}
	return math.Sqrt(sum)
}

// SpreadMs is σ_τ in ms of places spread by so many metres.
func SpreadMs(spreadM, apart, speedMS float64) float64 { return 1e3 * spreadM * apart / speedMS }

// Of what two equally loud signals gain by being in phase over being unlike
// (6 dB), a spread leaves half at that ωσ_τ, and a tenth at that one:
// Σ (−1)^{k+1}/k·exp(−(kωσ_τ)²/2) = ln 2·(1/2, 1/10).
const (
	halfTurn  = 1.4403
	tenthTurn = 2.3104
)

// Reach says up to which frequency two loudspeakers add up where heads are, half
// of what there is to gain being left, and from which on nothing can be aligned,
// with a tenth left: at the seat where that is lowest. Both are +Inf without a spread.
func (p *Problem) Reach() (addsUpToHz, nothingFromHz float64) {
	widest := 0.0
	for i := range p.seats {
		widest = max(widest, p.seats[i].spreadS)
	}
	return halfTurn / (2 * math.Pi * widest), tenthTurn / (2 * math.Pi * widest)
}

const (
	// Below leastTurn a cell's spread is left out: it would only fill nulls of less
	// than a degree. Above mostTurn nothing of the ripple is left.
	leastTurn, mostTurn = 0.015, 5
	// leastTerm of the series that counts, in nepers: what is left out is felt in
	// cells that cancel, and there by less than 0.01 dB.
	leastTerm = 2e-4
	mostTerms = 300 // at leastTurn there are fewer
)

// inverse of 1, 2, … : divisions are slow.
var inverse = func() (x [mostTerms + 1]float64) {
	for k := 1; k <= mostTerms; k++ {
		x[k] = 1 / float64(k)
	}
	return x
}()

// spreadOut divides the seat's cells into those that a spread does not reach, those
// that it smooths and those that it levels.
func (s *seat) spreadOut(ms float64) {
	s.spreadS = ms / 1e3
	s.smooth, s.level = len(s.omega), len(s.omega)
	for k := len(s.omega) - 1; k >= 0; k-- {
		turn := s.omega[k] * s.spreadS
		if turn > mostTurn {
			s.level = k
		}
		if turn > leastTurn {
			s.smooth = k
		}
	}
	s.smoothed = nil
	for k := s.smooth; k < s.level; k++ {
		if n := len(s.smoothed); n > 0 && s.omega[k] == s.omega[k-1] { // one point of the grid
			s.smoothed[n-1].count++
			continue
		}
		turn := s.omega[k] * s.spreadS
		s.smoothed = append(s.smoothed, smoothed{k, 1, math.Exp(-turn * turn / 2)})
	}
	s.unlike1 = s.unlike(1)
}

// smoothed is a cell that a spread smooths, or as many that share a point.
type smoothed struct {
	cell  int
	count float64
	keeps float64 // exp(−(ωσ_τ)²/2)
}

// maxRho goes with maxC: (1−ρ)²/(1+ρ)² = 1e-6.
const maxRho = (1 - 1e-3) / (1 + 1e-3)

// unlike is Σ −2 ln(1 + ρ), or what noise makes of it, over the cells that a spread
// reaches, nepers.
func (s *seat) unlike(gain float64) float64 {
	log, product := 0.0, 1.0
	for k := s.smooth; k < len(s.omega); k++ {
		_, levelled := s.rho(k, gain)
		product *= levelled
		if k%batch == batch-1 {
			log += math.Log(product)
			product = 1
		}
	}
	return log + math.Log(product)
}

func (s *seat) unlikeAt(gain float64) float64 {
	if gain == 1 {
		return s.unlike1
	}
	return s.unlike(gain)
}

// ripples is the sum over the smoothed cells of 2 Σ (−1)^{k+1} ρ^k/k·keeps^{k²}·cos kψ,
// nepers, with ψ a half turn more for a negative sign; four cells at a time.
func (s *seat) ripples(gain, tau, sign float64) float64 {
	total := 0.0
	for from := 0; from < len(s.smoothed); from += 4 {
		// A term is term/k·cos kψ; for the next it is multiplied by fall = −ρ·keeps^{2k+1}.
		var term, fall, square, now, before, turn [4]float64
		least := math.Inf(1)
		for i, c := range s.smoothed[from:min(from+4, len(s.smoothed))] {
			sin, cos := math.Sincos(s.omega[c.cell] * tau)
			z := unit(s.cross[c.cell])
			rho, _ := s.rho(c.cell, gain)
			now[i], before[i] = sign*(real(z)*cos-imag(z)*sin), 1
			turn[i] = 2 * now[i]
			square[i] = c.keeps * c.keeps
			term[i], fall[i] = 2*c.count*rho*c.keeps, -rho*c.keeps*square[i]
			least = min(least, leastTerm*c.count)
		}
		total += series(&term, &fall, &square, &now, &before, &turn, least)
	}
	return total
}

func unit(z complex128) complex128 {
	size := cmplx.Abs(z)
	if size == 0 {
		return 1
	}
	return z / complex(size, 0)
}

func series(term, fall, square, now, before, turn *[4]float64, least float64) (sum float64) {
	a, b, c, d := term[0], term[1], term[2], term[3]
	fa, fb, fc, fd := fall[0], fall[1], fall[2], fall[3]
	sa, sb, sc, sd := square[0], square[1], square[2], square[3]
	xa, xb, xc, xd := now[0], now[1], now[2], now[3]
	ya, yb, yc, yd := before[0], before[1], before[2], before[3]
	ta, tb, tc, td := turn[0], turn[1], turn[2], turn[3]
	for k := 1; k <= mostTerms; k++ {
		if enough := least * float64(k); math.Abs(a) < enough && math.Abs(b) < enough && math.Abs(c) < enough && math.Abs(d) < enough {
			break
		}
		sum += inverse[k] * ((a*xa + b*xb) + (c*xc + d*xd))
		a, b, c, d = a*fa, b*fb, c*fc, d*fd
		fa, fb, fc, fd = fa*sa, fb*sb, fc*sc, fd*sd
		xa, ya = ta*xa-ya, xa
		xb, yb = tb*xb-yb, xb
		xc, yc = tc*xc-yc, xc
		xd, yd = td*xd-yd, xd
	}
	return sum
}

// addRipples adds the ripples of all cells at the delays t0 + n·step to plus, and
// those with B turned to minus.
func (w *sweep) addRipples(plus, minus []float64, s *seat, gain, t0, step float64) {
	w.odd, w.even = grow(w.odd, len(plus)), grow(w.even, len(plus))
	clear(w.odd)
	clear(w.even)
	var odd, even lanes
	for _, c := range s.smoothed {
		rho, _ := s.rho(c.cell, gain)
		sin, cos := math.Sincos(s.omega[c.cell] * t0)
		sinStep, cosStep := math.Sincos(s.omega[c.cell] * step)
		z, turn := unit(s.cross[c.cell])*complex(cos, sin), complex(cosStep, sinStep)
		at, by := z, turn
		square := c.keeps * c.keeps
		term, fall := 2*c.count*rho*c.keeps, -rho*c.keeps*square
		for h := 1; h <= mostTerms && math.Abs(term) >= leastTerm*c.count*float64(h); h++ {
			to, sum := &odd, w.odd
			if h%2 == 0 {
				to, sum = &even, w.even
			}
			to.add(sum, term*inverse[h], at, by)
			term *= fall
			fall *= square
			at *= z
			by *= turn
		}
	}
	odd.flush(w.odd)
	even.flush(w.even)
	for n := range plus {
		plus[n] += w.odd[n] + w.even[n]
		minus[n] += w.even[n] - w.odd[n]
	}
}

// lanes are four turning phasors that are added to a sum together, so that the
// processor has independent work.
type lanes struct {
	n                 int
	now, before, turn [4]float64
}

func (l *lanes) add(sum []float64, amplitude float64, at, turn complex128) {
	l.now[l.n] = amplitude * real(at)
	l.before[l.n] = amplitude * (real(at)*real(turn) + imag(at)*imag(turn))
	l.turn[l.n] = 2 * real(turn)
	if l.n++; l.n == len(l.now) {
		l.flush(sum)
	}
}

func (l *lanes) flush(sum []float64) {
	a, b, c, d := l.now[0], l.now[1], l.now[2], l.now[3]
	a1, b1, c1, d1 := l.before[0], l.before[1], l.before[2], l.before[3]
	ta, tb, tc, td := l.turn[0], l.turn[1], l.turn[2], l.turn[3]
	for n := range sum {
		sum[n] += (a + b) + (c + d)
		a, a1 = ta*a-a1, a
		b, b1 = tb*b-b1, b
		c, c1 = tc*c-c1, c
		d, d1 = td*d-d1, d
	}
	*l = lanes{}
}

// blur averages x, at delays so many seconds apart, with the seat's spread: it
// finds where to look, and no result rests on it.
func (w *sweep) blur(x []float64, s *seat, step float64) {
	reach := int(math.Ceil(4 * s.spreadS / step))
	if reach == 0 {
		return
	}
	kernel := make([]float64, reach+1)
	sum := 0.0
	for i := range kernel {
		t := float64(i) * step / s.spreadS
		kernel[i] = math.Exp(-t * t / 2)
		sum += 2 * kernel[i]
	}
	sum -= kernel[0]
	w.other = append(w.other[:0], x...)
	last := len(x) - 1
	for n := range x {
		v := kernel[0] * w.other[n]
		for i := 1; i <= reach; i++ {
			v += kernel[i] * (w.other[max(n-i, 0)] + w.other[min(n+i, last)])
		}
		x[n] = v / sum
	}
}
