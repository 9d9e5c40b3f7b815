package stationarity

import (
	"math"
	"math/cmplx"

	"plumbline/analyze/fft"
)

const (
	// coarse bins are added up for the search, which leaves lags of ±42 ms apart.
	coarse = 8
	// reachS is how far a stretch may be off what came before it.
	reachS = 0.035
	// block of bins whose errors are taken to go together: a Hann window ties three,
	// late sound some more.
	block = 16
	// leak is what late sound and leakage leave of a bin, re the bin: no line is
	// known better, however loud.
	leak = 0.03
	// A search looks at some thousand lags: that many standard deviations are no chance.
	clearly = 6.0
	// A group of bins is in step when the sum of what is alike is so many times what
	// it would be by chance, root mean square: those of a room are well above it.
	inStep = 4.0
	// The others' peak must be so much higher for a stretch to have jumped.
	jumps = 1.15
)

// sums are those of the cross spectrum and of the reference's power, of stretches
// whose offsets were taken out.
type sums struct {
	xx []float64
	xy []complex128
	n  int
}

// aligner holds stretches against each other.
type aligner struct {
	s      *Stretches
	all    sums
	noise  []float64 // of each bin, power that is not explained: a mean over groups
	groups []int
	z      []complex128
	first  []complex128 // response of what comes first
	spread []float64    // mean square of what comes later, over groups
	plan   *fft.Complex
	lags   int
	turns  turns
}

func newAligner(s *Stretches) *aligner {
	n := s.high - s.low
	a := &aligner{s: s, noise: make([]float64, n), z: make([]complex128, n), first: make([]complex128, n), spread: make([]float64, n)}
	a.all = sums{xx: make([]float64, n), xy: make([]complex128, n)}
	for k := 0; k < n; {
		a.groups = append(a.groups, k)
		k += max(24, (s.low+k)/6)
	}
	a.groups = append(a.groups, n)
	a.lags = 1
	for a.lags < 2*n/coarse {
		a.lags *= 2
	}
	a.plan = fft.NewComplex(a.lags)
	return a
}

// add takes in a stretch at that offset.
func (a *aligner) add(e *spectra, offsetS float64) {
	turns, y, xx, xy := a.turns.of(a.s, offsetS)[:len(e.x)], e.y[:len(e.x)], a.all.xx[:len(e.x)], a.all.xy[:len(e.x)]
	for i, x := range e.x {
		xr, xi, yr, yi := wide(x, y[i])
		tr, ti := real(turns[i]), imag(turns[i])
		re, im := xr*yr+xi*yi, xr*yi-xi*yr
		xx[i] += xr*xr + xi*xi
		xy[i] += complex(re*tr-im*ti, re*ti+im*tr)
	}
	a.all.n++
}

func (a *aligner) clear() {
	clear(a.all.xx)
	clear(a.all.xy)
	a.all.n = 0
}

// measureNoise sets noise by what the sums leave of the stretches that are in them.
func (a *aligner) measureNoise(list []spectra, in []bool) {
	n := float64(max(a.all.n, 2))
	yy := make([]float64, len(a.noise))
	for j := range list {
		if in == nil || in[j] {
			for i, y := range list[j].y {
				yy[i] += float64(real(y)*real(y) + imag(y)*imag(y))
			}
		}
	}
	for g := 0; g+1 < len(a.groups); g++ {
		sum, from, to := 0.0, a.groups[g], a.groups[g+1]
		for i := from; i < to; i++ {
			left := yy[i]
			if xx := a.all.xx[i]; xx > 0 {
				re, im := real(a.all.xy[i]), imag(a.all.xy[i])
				left -= (re*re + im*im) / xx
			}
			sum += max(0, left)
		}
		sum /= float64(to-from) * (n - 1)
		for i := from; i < to; i++ {
			a.noise[i] = max(sum, 1e-30)
		}
	}
}

// compare sets z to what stretch e is against the sums, weighted by what is there:
// the product of the one's response and the other's conjugate, over the mean
// square of its error.
func (a *aligner) compare(e *spectra) {
	n := len(a.z)
	x, y, xx, xy, noise := e.x[:n], e.y[:n], a.all.xx[:n], a.all.xy[:n], a.noise[:n]
	for i := range a.z {
		xr, xi, yr, yi := wide(x[i], y[i])
		a.z[i] = against(xr*xr+xi*xi, xx[i], xr*yr+xi*yi, xr*yi-xi*yr, real(xy[i]), imag(xy[i]), noise[i])
	}
}

// compareLess is compare with a stretch that is in the sums at that offset, which it
// is taken out of.
func (a *aligner) compareLess(e *spectra, offsetS float64) {
	n := len(a.z)
	turns := a.turns.of(a.s, offsetS)[:n]
	x, y, xx, xy, noise := e.x[:n], e.y[:n], a.all.xx[:n], a.all.xy[:n], a.noise[:n]
	for i := range a.z {
		xr, xi, yr, yi := wide(x[i], y[i])
		ps, re, im := xr*xr+xi*xi, xr*yr+xi*yi, xr*yi-xi*yr
		tr, ti := real(turns[i]), imag(turns[i])
		a.z[i] = against(ps, xx[i]-ps, re, im, real(xy[i])-(re*tr-im*ti), imag(xy[i])-(re*ti+im*tr), noise[i])
	}
}

func wide(x, y complex64) (xr, xi, yr, yi float64) {
	return float64(real(x)), float64(imag(x)), float64(real(y)), float64(imag(y))
}

// against is one bin of it: of a stretch of power ps and cross spectrum re + j im
// against the others' pr and hr + j hi.
func against(ps, pr, re, im, hr, hi, noise float64) complex128 {
	if !(ps > 0) || !(pr > 0) {
		return 0
	}
	own, all := 1/ps, 1/pr
	hr, hi = hr*all, hi*all
	weight := own / (noise*(own+all) + leak*(hr*hr+hi*hi))
	if !(weight < math.MaxFloat64) {
		return 0
	}
	hr, hi = hr*weight, hi*weight
	return complex(re*hr+im*hi, im*hr-re*hi)
}

// found is how a stretch differs from the others.
type found struct {
	offsetS, offsetSDS float64
	highHz             float64 // up to there the two are in step, clearly
	ok                 bool
}

// align finds the offset of what compare has set near guess.
func (a *aligner) align(guessS float64) (f found) {
	first, step := a.s.omega()
	// The stretch must not be out of reach of the coarse search.
	in := a.plan.Input()
	clear(in)
	turns := a.turns.of(a.s, guessS)[:len(a.z)]
	power := 0.0
	for i, z := range a.z {
		power += real(z)*real(z) + imag(z)*imag(z)
		z *= turns[i]
		in[i/coarse] += complex(real(z), -imag(z))
	}
	if !(power > 0) {
		return f
	}
	chance := math.Sqrt(power) // a Hann window makes neighbours alike
	c := a.plan.Transform()
	lag := 2 * math.Pi / (step * coarse * float64(a.lags))
	reach := int(reachS / lag)
	middle := first + step*float64(coarse-1)/2
	best, most := 0, math.Inf(-1)
	value := func(m int) float64 {
		v := c[(m+a.lags)%a.lags]
		return real(cmplx.Rect(1, middle*float64(m)*lag) * complex(real(v), -imag(v)))
	}
	here := math.Inf(-1)
	for m := -reach; m <= reach; m++ {
		v := value(m)
		if v > most {
			best, most = m, v
		}
		if m >= -2 && m <= 2 {
			here = max(here, v)
		}
	}
	f.offsetS = guessS
	if most > jumps*here && most-here > clearly*chance {
		f.offsetS += float64(best) * lag
	} else if here < clearly*chance {
		return f
	} else {
		for m := -2; m <= 2; m++ {
			if value(m) == here {
				f.offsetS += float64(m) * lag
			}
		}
	}
	for range 4 {
		slope, bend := a.slopes(f.offsetS)
		if !(bend > 0) {
			return f
		}
		d := slope / bend
		f.offsetS -= min(max(d, -lag), lag)
		if math.Abs(d) < 1e-8 {
			break
		}
	}
	a.errors(&f)
	return f
}

// slopes are Σ ω Im u and Σ ω² Re u of what is turned by an offset.
func (a *aligner) slopes(offsetS float64) (slope, bend float64) {
	first, step := a.s.omega()
	turns, w := a.turns.of(a.s, offsetS)[:len(a.z)], first
	for i, z := range a.z {
		u := z * turns[i]
		slope += w * imag(u)
		bend += w * w * real(u)
		w += step
	}
	return slope, bend
}

// errors sets the standard deviation by what the bins leave, whatever made them differ (White, Econometrica 48, 1980), blocks of bins together.
func (a *aligner) errors(f *found) {
	first, step := a.s.omega()
	turns, w := a.turns.of(a.s, f.offsetS)[:len(a.z)], first
	var bend, late, square float64
	var along, noise float64 // of a group
	g := 0
	for i, z := range a.z {
		u := z * turns[i]
		bend += w * w * real(u)
		late += w * imag(u)
		along += real(u)
		noise += real(u)*real(u) + imag(u)*imag(u)
		if i+1 == a.groups[g+1] {
			if along > inStep*math.Sqrt(noise) {
				f.highHz = w / (2 * math.Pi)
			}
			g++
			along, noise = 0, 0
		}
		if (i+1)%block == 0 || i == len(a.z)-1 {
			square += late * late
			late = 0
		}
		w += step
	}
	if bend > 0 {
		f.offsetSDS, f.ok = math.Sqrt(square)/bend, true
	}
}
