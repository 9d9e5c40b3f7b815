package rig

import (
	"math"
	"math/bits"
	"slices"

	"github.com/mjibson/go-dsp/fft"
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
	only := s.Loudspeakers[loudspeaker]
	only.Mute = false
	s.Loudspeakers = []Loudspeaker{only}
	return newAcoustics(s).impulse(s.Microphones[microphone].PositionM), half
}

// acoustics is what the impulse responses of a scene have in common wherever
// the microphones are. All loudspeakers are sent the same programme, so that a
// microphone has one response for all of them.
type acoustics struct {
	rateHz  float64
	speed   float64
	latestS float64 // images later than this are left out
	length  int
	points  int            // of the transforms, a power of two that holds the length
	walls   [][]complex128 // response of so many hits on bins 0…n/2; nil at 0
	sources []source
}

// source is a loudspeaker that is not muted.
type source struct {
	delayS float64
	images []image
	box    []complex128 // on bins 0…n/2
}

func newAcoustics(s Scene) *acoustics {
	a := &acoustics{rateHz: float64(s.RateHz), speed: s.SpeedOfSound()}
	ringS := 0.0
	for _, l := range s.Loudspeakers {
		if l.Mute {
			continue
		}
		src := source{delayS: l.DelayMs / 1000, images: images(s.Room, l.PositionM)}
		a.sources = append(a.sources, src)
		ringS = max(ringS, l.decayS())
		for _, i := range src.images { // to the farthest corner, so that no microphone changes the length
			var far Position
			for axis, size := range s.Room.SizeM {
				if i.position[axis] < size/2 {
					far[axis] = size
				}
			}
			a.latestS = max(a.latestS, src.delayS+distance(i.position, far)/a.speed)
		}
	}
	if s.Room.Reflections > 0 {
		ringS += wallS
	}
	a.latestS = min(a.latestS, longestS-ringS)
	a.length = int(math.Ceil((a.latestS+ringS)*a.rateHz)) + 2*half
	a.points = 1 << bits.Len(uint(a.length))

	bins := a.points/2 + 1
	a.walls = make([][]complex128, s.Room.Reflections+1)
	for hits := 1; hits < len(a.walls); hits++ {
		if hits == 1 {
			a.walls[1] = s.Room.Absorption.wall(a.points, a.rateHz)[:bins]
			continue
		}
		a.walls[hits] = make([]complex128, bins)
		for k, v := range a.walls[1] {
			a.walls[hits][k] = v * a.walls[hits-1][k]
		}
	}
	at := 0
	for _, l := range s.Loudspeakers {
		if l.Mute {
			continue
		}
		box := make([]complex128, bins)
		for k := range box {
			box[k] = l.box(float64(k)*a.rateHz/float64(a.points), a.rateHz)
		}
		a.sources[at].box = box
		at++
	}
	return a
}

// impulse is the impulse response to a place, summed over the loudspeakers.
func (a *acoustics) impulse(place Position) []float64 {
	n := a.points
	train := make([]complex128, n)
	sum := make([]complex128, n)
	for _, src := range a.sources {
		// Images of two numbers of hits share a transform, as real and imaginary part.
		for hits := 0; hits < len(a.walls); hits += 2 {
			clear(train)
			for _, i := range src.images {
				d := distance(i.position, place)
				at := src.delayS + d/a.speed
				if i.hits&^1 != hits || at > a.latestS {
					continue
				}
				pulse := complex(1/max(d, nearestM), 0)
				if i.hits != hits {
					pulse *= 1i
				}
				addPulse(train, half+at*a.rateHz, pulse)
			}
			spectrum := fft.FFT(train)
			for k, box := range src.box {
				z, mirror := spectrum[k], spectrum[(n-k)%n]
				even := complex(real(z)+real(mirror), imag(z)-imag(mirror)) / 2
				if hits > 0 {
					even *= a.walls[hits][k]
				}
				if hits+1 < len(a.walls) {
					odd := complex(imag(z)+imag(mirror), real(mirror)-real(z)) / 2
					even += odd * a.walls[hits+1][k]
				}
				sum[k] += even * box
			}
		}
	}
	for k := 1; k < n/2; k++ {
		sum[n-k] = complex(real(sum[k]), -imag(sum[k]))
	}
	h := make([]float64, a.length)
	for i, v := range fft.IFFT(sum)[:a.length] {
		h[i] = real(v)
	}
	return h
}

// sameAcoustics says that two scenes differ at most in their names,
// microphones, programme and noise.
func sameAcoustics(a, b Scene) bool {
	return a.RateHz == b.RateHz && a.TemperatureC == b.TemperatureC && a.Room == b.Room &&
		slices.EqualFunc(a.Loudspeakers, b.Loudspeakers, func(a, b Loudspeaker) bool {
			b.Name, b.Role = a.Name, a.Role
			return a == b
		})
}

// soundsLike says that two scenes differ at most in the names of loudspeakers.
func (s Scene) soundsLike(o Scene) bool {
	return sameAcoustics(s, o) && slices.Equal(s.Microphones, o.Microphones) &&
		s.Programme == o.Programme && s.Noise == o.Noise && s.Seed == o.Seed
}

// kernel is the interpolation: a sinc under a Kaiser window (Laakso et al.,
// "Splitting the unit delay", IEEE Signal Processing Magazine 13(1), 1996).
func kernel(t, half float64) float64 {
	u := t / half
	v := bessel0(kaiserBeta*math.Sqrt(max(1-u*u, 0))) / bessel0(kaiserBeta)
	if t != 0 {
		v *= math.Sin(math.Pi*t) / (math.Pi * t)
	}
	return v
}

// addPulse adds a band-limited pulse at a fractional position.
func addPulse(dst []complex128, at float64, amplitude complex128) {
	first := int(math.Floor(at)) - half + 1
	for i := max(first, 0); i < min(first+2*half, len(dst)); i++ {
		dst[i] += amplitude * complex(kernel(float64(i)-at, half), 0)
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
