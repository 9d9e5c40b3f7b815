package room

import (
	"math"
	"slices"
)

// Reflection is sound that comes again soon.
type Reflection struct {
	DelayMs float64 // behind the direct sound
	LevelDB float64 // re the direct sound, both over 0.5 ms
	PathM   float64 // how much longer its way is
}

const (
	earlyS       = 0.1    // what comes later is reverberation
	apartS       = 0.0005 // reflections nearer to each other than this are one
	faintDB      = -20    // re the direct sound: what is fainter is not listed
	standsOutDB  = 6      // over the median of what is around it
	aroundS      = 0.005
	mostListed   = 12
	aboveFloorDB = 10
)

// Reflections are the early ones: what stands out of the energy over 0.5 ms within
// 100 ms of the direct sound and is not more than 20 dB below it, the strongest
// twelve, earliest first. speed is that of sound, m/s.
func Reflections(h []float64, rateHz, speed float64) []Reflection {
	onset, ok := Onset(h)
	half := max(1, int(apartS*rateHz/2))
	around := int(aroundS * rateHz)
	if !ok {
		return nil
	}
	// energy over 0.5 ms about each sample, by running sums
	sums := make([]float64, len(h)+1)
	for i, v := range h {
		sums[i+1] = sums[i] + v*v
	}
	over := func(from, to int) float64 {
		return sums[min(max(to, 0), len(h))] - sums[min(max(from, 0), len(h))]
	}
	at := func(i int) float64 { return over(i-half, i+half+1) }
	direct := onset
	for i := onset; i < min(onset+4*half, len(h)); i++ {
		if at(i) > at(direct) {
			direct = i
		}
	}
	centre := func(i int) float64 { // of the energy, in samples
		sum, weight := 0.0, 0.0
		for k := max(i-half, 0); k <= min(i+half, len(h)-1); k++ {
			sum += h[k] * h[k] * float64(k)
			weight += h[k] * h[k]
		}
		return sum / weight
	}
	strength, begins := at(direct), centre(direct)
	floor := over(0, onset-around) / float64(max(onset-around, 1)) * float64(2*half+1)
	var found []Reflection
	var beside []float64
	for i := direct + 2*half + 1; i < min(onset+int(earlyS*rateHz), len(h)-around); i++ {
		e := at(i)
		if e < strength*math.Pow(10, faintDB/10.0) || e < floor*math.Pow(10, aboveFloorDB/10.0) {
			continue
		}
		highest := true
		for k := i - 2*half; k <= i+2*half && highest; k++ {
			highest = at(k) < e || at(k) == e && k >= i
		}
		if !highest {
			continue
		}
		beside = beside[:0]
		for k := max(i-around, direct+half); k <= i+around; k += half {
			beside = append(beside, at(k))
		}
		slices.Sort(beside)
		if e > beside[len(beside)/2]*math.Pow(10, standsOutDB/10.0) {
			delay := (centre(i) - begins) / rateHz
			found = append(found, Reflection{1000 * delay, 10 * math.Log10(e/strength), delay * speed})
		}
	}
	slices.SortFunc(found, func(a, b Reflection) int { return -int(math.Copysign(1, a.LevelDB-b.LevelDB)) })
	found = found[:min(len(found), mostListed)]
	slices.SortFunc(found, func(a, b Reflection) int { return int(math.Copysign(1, a.DelayMs-b.DelayMs)) })
	return found
}
