package rig

import (
	"math"
	"math/bits"

	"plumbline/capture/internal/fourier"
)

const (
	// half is the half width of the interpolation kernel in samples, and how
	// much earlier than the reference an impulse response may begin.
	half = 32
	// kaiserBeta gives side lobes of −90 dB: the delay is right to 5e-6 ms and
	// the level to 0.001 dB up to 0.4 of the sample rate.
	kaiserBeta = 9
	// longestS is the longest impulse response; later images are left out.
	longestS = 2.5
	// wallS is how long a reflection rings that depends on frequency.
	wallS = 0.02
)

// ImpulseResponse is the whole way from programme to microphone through one
// loudspeaker, muted or not, both counted from 0: sample k is (k − zero)/RateHz
// seconds behind the reference. The scene must be valid.
func (s Scene) ImpulseResponse(loudspeaker, microphone int) (h []float64, zero int) {
	s = s.clone()
	s.Loudspeakers = s.Loudspeakers[loudspeaker : loudspeaker+1]
	s.Loudspeakers[0].Mute = false
	s.Microphones = s.Microphones[microphone : microphone+1]
	return s.impulses()[0], half
}

// impulses are the impulse responses of all microphones, each the sum over the
// loudspeakers that are not muted: they are all sent the same programme.
func (s Scene) impulses() [][]float64 {
	rate := float64(s.RateHz)
	type source struct {
		Loudspeaker
		images []image
		box    []complex128
	}
	var sources []source
	ringS, latestS := 0.0, 0.0
	for _, l := range s.Loudspeakers {
		if l.Mute {
			continue
		}
		src := source{Loudspeaker: l, images: images(s.Room, l.PositionM)}
		sources = append(sources, src)
		ringS = max(ringS, l.decayS())
		for _, m := range s.Microphones {
			for _, i := range src.images {
				latestS = max(latestS, s.imageS(l, i, m))
			}
		}
	}
	if s.Room.Reflections > 0 {
		ringS += wallS
	}
	length := int(math.Ceil(min(latestS+ringS, longestS)*rate)) + 2*half
	plan := fourier.New(1 << bits.Len(uint(length)))
	n := plan.Len()
	walls := [][]complex128{nil}
	if s.Room.Reflections > 0 {
		walls = append(walls, s.Room.Absorption.wall(plan, rate))
		for k := 2; k <= s.Room.Reflections; k++ {
			w := make([]complex128, n)
			for i, v := range walls[1] {
				w[i] = v * walls[k-1][i]
			}
			walls = append(walls, w)
		}
	}
	for i := range sources {
		sources[i].box = make([]complex128, n/2+1)
		for k := range sources[i].box {
			sources[i].box[k] = sources[i].Loudspeaker.box(float64(k)*rate/float64(n), rate)
		}
	}

	out := make([][]float64, len(s.Microphones))
	train := make([]complex128, n)
	path := make([]complex128, n/2+1)
	for m, mic := range s.Microphones {
		sum := make([]complex128, n)
		for _, src := range sources {
			clear(path)
			for hits := range walls {
				clear(train)
				empty := true
				for _, i := range src.images {
					if at := s.imageS(src.Loudspeaker, i, mic); i.hits == hits && at+ringS <= longestS {
						empty = false
						addPulse(train, half+at*rate, 1/max(distance(i.position, mic.PositionM), nearestM))
					}
				}
				if empty {
					continue
				}
				plan.Forward(train)
				if wall := walls[hits]; wall == nil {
					for k := range path {
						path[k] += train[k]
					}
				} else {
					for k := range path {
						path[k] += train[k] * wall[k]
					}
				}
			}
			for k, v := range path {
				sum[k] += v * src.box[k]
			}
		}
		for k := 1; k < n/2; k++ {
			sum[n-k] = complex(real(sum[k]), -imag(sum[k]))
		}
		plan.Inverse(sum)
		out[m] = make([]float64, length)
		for i := range out[m] {
			out[m][i] = real(sum[i])
		}
	}
	return out
}

// imageS is when the sound of an image arrives.
func (s Scene) imageS(l Loudspeaker, i image, m Microphone) float64 {
	return l.DelayMs/1000 + distance(i.position, m.PositionM)/s.SpeedOfSound()
}

// addPulse adds a band-limited pulse at a fractional position: a sinc under a
// Kaiser window (Laakso et al., "Splitting the unit delay", IEEE Signal
// Processing Magazine 13(1), 1996).
func addPulse(dst []complex128, at, amplitude float64) {
	first := int(math.Floor(at)) - half + 1
	for i := max(first, 0); i < min(first+2*half, len(dst)); i++ {
		t := float64(i) - at
		u := t / half
		v := amplitude
		if t != 0 {
			v *= math.Sin(math.Pi*t) / (math.Pi * t)
		}
		dst[i] += complex(v*bessel0(kaiserBeta*math.Sqrt(max(1-u*u, 0)))/bessel0(kaiserBeta), 0)
	}
}

// bessel0 is the modified Bessel function I0, by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-16*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}
