package apart

import (
	"math"

	"plumbline/analyze/response"
)

const (
	// leastOwn of its power a reference must have for itself: less is what converters
	// and the ends of windows make of references that are the same (common practice, no
	// source; windows of 1.4 s leave so much of two that are 40 ms apart).
	leastOwn = 0.01
	// mostByDelay of what a reference has of its own in a window of fixed length may come
	// of the delays alone that it was aligned by: two copies of one signal, moved apart,
	// differ where windows end, and that tells nothing of their paths.
	mostByDelay = 0.5
	// leastWorth is how many averages of a loudspeaker by itself a path must be worth.
	// What is measured of it rests on its reference's own part, so that n averages are
	// worth n times that part.
	leastWorth = 2.0
)

// Alike is a stretch of frequencies in which a reference cannot be told from the others.
type Alike struct {
	LowHz, HighHz float64
	Part          float64 // of its power, 0…1, that the others have too
	ToBottom      bool    // it begins where the measurement does, within an octave,
	ToTop         bool    // and ends with it
}

// Blank makes the points of the path s unknown at which its reference cannot be told from
// the others, given what it has of its own, 0…1 at each point, with the references together
// and aligned to their arrivals at the microphone (response.Joint.Own), and says where that is. Stretches
// less than a third of an octave apart are one, and shorter ones are not told.
func Blank(s *response.Spectra, together, aligned []float64) []Alike {
	const third = 1.26
	var list []Alike
	var parts, points float64
	first, last := -1, -1 // points with anything in them
	begin, end := -1, -1  // of the stretch
	finish := func() {
		if begin < 0 {
			return
		}
		a := Alike{LowHz: s.FrequencyHz[begin], HighHz: s.FrequencyHz[end], Part: parts / points}
		if a.HighHz >= third*a.LowHz {
			a.ToBottom = a.LowHz <= 2*s.FrequencyHz[first]
			list = append(list, a)
		}
		begin, parts, points = -1, 0, 0
	}
	for k, f := range s.FrequencyHz {
		if math.IsNaN(together[k]) || math.IsNaN(aligned[k]) || f == 0 {
			continue
		}
		if first < 0 {
			first = k
		}
		last = k
		part := min(together[k], aligned[k])
		if part >= leastOwn && (s.Window == 0 || together[k] >= mostByDelay*aligned[k]) && part*s.EffectiveAverages[k] >= leastWorth {
			continue
		}
		if begin >= 0 && f > third*s.FrequencyHz[end] {
			finish()
		}
		if begin < 0 {
			begin = k
		}
		end = k
		parts += 1 - max(0, part)
		points++
		s.Gxx[k], s.Gyy[k], s.Gxy[k], s.EffectiveAverages[k] = 0, 0, 0, 0
	}
	finish()
	if n := len(list); n > 0 && last >= 0 {
		list[n-1].ToTop = list[n-1].HighHz == s.FrequencyHz[last]
	}
	return list
}
