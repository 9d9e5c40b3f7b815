package polarity

import (
	"math"
	"math/cmplx"
)

// Beside is the reason of a verdict that a second sound takes back.
const Beside = "two sounds arrive too close together, of two loudspeakers or off a wall: mute one and measure each alone, or move the microphone"

// A second loudspeaker that stands where the first does, to a fraction of a
// millisecond, combs the response and turns no phase for good: its wiring is not in the
// phase of the sum. But it is a second front. Above besideLowHz no crossover is left of
// a box, and without its magnitude's slope and the turn that the fit found, its sound is
// one pulse. So two pulses are fitted there, of any size, phase and distance. Which sign
// the second has there does not matter: crossovers turn the highs of one loudspeaker by
// design and not of the other, so two that agree in them may differ below.
const (
	besideLowHz  = 2500
	besideHighHz = 16000
	besideStepS  = 8e-6
	// Steps between the two: 0.08 ms is the width of a pulse, 0.64 ms as far as the
	// finder of arrivals may take two for one.
	besideLeast, besideMost = 10, 80
	besideOffS              = 1.5e-3
	besideMain              = 50 // steps that the first may lie off the delay fitted
	besidePoints            = 192
	besideFewest            = 16
)

// second is what a second pulse would be, and whether it is one.
type second struct {
	ratio float64 // its size re the first
	gain  float64 // the share of what the first leaves that it explains, 0…1
}

// stands says that it is more than an equaliser or a crossover leaves: of 160 random
// boxes in rooms four leave a second pulse so large that explains so much. What room and
// noise cover explains less and must be larger.
func (p second) stands() bool {
	return p.ratio > 0.12 && p.gain > 0.5 || p.ratio > 0.18 && p.gain > 0.35
}

// besides fits the second pulse to the highs of all, which arrive about delay seconds late
// and are turned as f found.
func besides(all []point, delay float64, f *fit) (out second) {
	var hz, weight [besidePoints]float64
	var h [besidePoints]complex128
	n := 0
	for i := range all {
		p := &all[i]
		if p.hz < besideLowHz || p.hz > besideHighHz || n == besidePoints {
			continue
		}
		turn := complex(between(&f.best.re, p.hz), -between(&f.best.im, p.hz))
		if a := cmplx.Abs(turn); a > 0 {
			turn /= complex(a, 0)
		}
		hz[n], weight[n] = p.hz, p.weight*p.hz
		h[n] = p.h * turn * cmplx.Rect(1, 2*math.Pi*p.hz*delay)
		n++
	}
	if n = ends(hz[:n], h[:n]); n < besideFewest {
		return out
	}
	flatten(hz[:n], weight[:n], h[:n])
	total, energy := 0.0, 0.0
	for i := range hz[:n] {
		across := (hz[i] - hz[0] + 300) / (hz[n-1] - hz[0] + 600) // no hard edges
		weight[i] *= math.Sin(math.Pi * across)
		total += weight[i]
		energy += weight[i] * square(h[i])
	}
	energy /= total
	// pulses[i] is how much of H is a pulse so many steps late, kernel[i] that of one such
	// pulse in another i steps away.
	const reach = besideMain + besideMost + besideLeast
	var pulses [2*reach + 1]complex128
	var kernel [besideMost + 1]complex128
	for i := 0; i < n; i += 2 { // two at a time: each multiplication waits for the one before
		j := min(i+1, n-1)
		wi, wj := weight[i]/total, weight[j]/total
		if j == i {
			wj = 0
		}
		angleI, angleJ := 2*math.Pi*hz[i]*besideStepS, 2*math.Pi*hz[j]*besideStepS
		stepI, stepJ := cmplx.Rect(1, angleI), cmplx.Rect(1, angleJ)
		zi, zj := cmplx.Rect(wi, -reach*angleI)*h[i], cmplx.Rect(wj, -reach*angleJ)*h[j]
		for k := range pulses {
			pulses[k] += zi + zj
			zi *= stepI
			zj *= stepJ
		}
		zi, zj = complex(wi, 0), complex(wj, 0)
		for k := range kernel {
			kernel[k] += zi + zj
			zi *= stepI
			zj *= stepJ
		}
	}
	first, one := reach, 0.0
	for i := reach - besideMain; i <= reach+besideMain; i++ {
		if v := square(pulses[i]); v > one {
			first, one = i, v
		}
	}
	if energy <= one {
		return out
	}
	// Least squares of two pulses; the second pulls the highest point of both by a little.
	const pulled = 5
	both, at, away := 0.0, first, 0
	for d := -besideMost; d <= besideMost; d++ {
		if d > -besideLeast && d < besideLeast {
			continue
		}
		k := overlap(&kernel, d)
		scale := 1 / (1 - square(k))
		for i := max(first-pulled, -d); i <= min(first+pulled, len(pulses)-1-d); i++ {
			p, q := pulses[i], k*pulses[i+d]
			e := scale * (square(p) + square(pulses[i+d]) - 2*(real(p)*real(q)+imag(p)*imag(q)))
			if e > both {
				both, at, away = e, i, d
			}
		}
	}
	k := overlap(&kernel, away)
	a, b := pulses[at]-k*pulses[at+away], pulses[at+away]-cmplx.Conj(k)*pulses[at]
	out.ratio = cmplx.Abs(b) / max(cmplx.Abs(a), 1e-12)
	out.gain = (both - one) / (energy - one)
	return out
}

// ends is how many of the points are below an end of the band: what is left above one
// that is steep is noise, and an edge has lobes that look like pulses.
func ends(hz []float64, h []complex128) (n int) {
	const third, down = 1.26, 0.02 // no comb of two is 17 dB down over a third of an octave
	loudest := 0.0
	for from, to := 0, 0; from < len(hz); from = to {
		sum := 0.0
		for to = from; to < len(hz) && hz[to] < third*hz[from]; to++ {
			sum += square(h[to])
		}
		mean := sum / float64(to-from)
		if mean < down*loudest { // and the edge comes before
			for from > 0 && hz[from-1]*third > hz[to-1] {
				from--
			}
			return from
		}
		loudest = max(loudest, mean)
	}
	return len(hz)
}

// overlap is how much of a pulse d steps later is in one.
func overlap(kernel *[besideMost + 1]complex128, d int) complex128 {
	if d > 0 {
		return cmplx.Conj(kernel[d])
	}
	return kernel[-d]
}

// flatten takes the slope and the bend of the level over the logarithm of frequency, by
// least squares, off h. A comb stays.
func flatten(hz, weight []float64, h []complex128) {
	var m [3][4]float64
	for i := range hz {
		x := math.Log(hz[i] / 6000)
		y := math.Log(square(h[i])+1e-300) / 2
		base := [3]float64{1, x, x * x}
		w := weight[i] / hz[i]
		for r := range base {
			for c := range base {
				m[r][c] += w * base[r] * base[c]
			}
			m[r][3] += w * base[r] * y
		}
	}
	for i := range m {
		for r := range m {
			if r == i || m[i][i] == 0 {
				continue
			}
			g := m[r][i] / m[i][i]
			for c := range m[r] {
				m[r][c] -= g * m[i][c]
			}
		}
	}
	for i := range hz {
		x := math.Log(hz[i] / 6000)
		level := m[0][3]/m[0][0] + x*m[1][3]/m[1][1] + x*x*m[2][3]/m[2][2]
		h[i] *= complex(math.Exp(-level), 0)
		// A peak is not to outvote the rest.
		if a := cmplx.Abs(h[i]); a > 4 {
			h[i] *= complex(4/a, 0)
		}
	}
}
