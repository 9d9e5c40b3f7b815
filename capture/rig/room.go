package rig

import (
	"math"
	"math/cmplx"

	"github.com/mjibson/go-dsp/fft"

	"plumbline/analyze/air"
)

// nearestM is the distance from which a loudspeaker no longer gets louder: a
// point has no size, a cabinet has.
const nearestM = 0.1

// SpeedOfSound in the room, m/s.
func (s Scene) SpeedOfSound() float64 { return air.SpeedOfSound(s.TemperatureC) }

// ArrivalS is when the direct sound of a loudspeaker reaches a microphone, both
// counted from 0: the loudspeaker's delay and the way, in seconds. The box adds
// its own, frequency by frequency.
func (s Scene) ArrivalS(loudspeaker, microphone int) float64 {
	l := s.Loudspeakers[loudspeaker]
	return l.DelayMs/1000 + distance(l.PositionM, s.Microphones[microphone].PositionM)/s.SpeedOfSound()
}

func distance(a, b Position) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

// image is a mirror image of a source.
type image struct {
	position Position
	hits     int // walls on the way
}

// images are those of a source in a rectangular room up to an order (Allen and
// Berkley, JASA 65(4), 1979): along each axis at (1−2q)s + 2nL with |n−q| hits
// of the wall at 0 and |n| of the wall at L; hits on all axes add up.
func images(room Room, source Position) []image {
	type mirrored struct {
		at   float64
		hits int
	}
	var axes [3][]mirrored
	for a := range axes {
		for n := -room.Reflections; n <= room.Reflections; n++ {
			for q := range 2 {
				hits := abs(n-q) + abs(n)
				if hits <= room.Reflections {
					axes[a] = append(axes[a], mirrored{float64(1-2*q)*source[a] + 2*float64(n)*room.SizeM[a], hits})
				}
			}
		}
	}
	var all []image
	for _, x := range axes[0] {
		for _, y := range axes[1] {
			for _, z := range axes[2] {
				if hits := x.hits + y.hits + z.hits; hits <= room.Reflections {
					all = append(all, image{Position{x.at, y.at, z.at}, hits})
				}
			}
		}
	}
	return all
}

func abs(n int) int { return max(n, -n) }

// leastReflection keeps the logarithm of a wall that swallows all finite.
const leastReflection = 1e-5

// reflection is the amplitude left after a hit, β = √(1−α), between the bands
// blended smoothly over log frequency and level outside them.
func (a Absorption) reflection(frequencyHz float64) float64 {
	at := math.Log2(max(frequencyHz, 1)/1000) + 4 // octaves above the lowest band, 62.5 Hz
	k := min(max(int(math.Floor(at)), 0), len(a)-2)
	part := min(max(at-float64(k), 0), 1)
	part *= part * (3 - 2*part) // without a corner the reflection dies away faster
	alpha := a[k] + part*(a[k+1]-a[k])
	return max(math.Sqrt(max(1-alpha, 0)), leastReflection)
}

// wall is the response of one hit on all bins of n points, a power of two: the
// minimum-phase one of the magnitude β, by its folded cepstrum (Oppenheim and
// Schafer, Discrete-Time Signal Processing, ch. 13).
func (a Absorption) wall(n int, rateHz float64) []complex128 {
	x := make([]complex128, n)
	for k := range x {
		x[k] = complex(math.Log(a.reflection(float64(min(k, n-k))*rateHz/float64(n))), 0)
	}
	x = fft.IFFT(x)
	for i := 1; i < n/2; i++ {
		x[i] *= 2
		x[n-i] = 0
	}
	x = fft.FFT(x)
	for k, v := range x {
		x[k] = cmplx.Exp(v)
	}
	return x
}
