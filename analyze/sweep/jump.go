package sweep

import "math"

const (
	jumpFromHz = 250   // below it an octave's arrival is not sharp enough
	jumpLeastS = 0.002 // less is a matter of the room
	jumpAlikeS = 0.001
)

// jumps says whether samples were lost or put in while the sweep went on: what it
// played later, which is higher, then comes as much earlier or later. So it is where the
// arrivals of all octaves above a frequency agree, those of all below it do, and the two
// do not. A band's arrival is the first time its response is within 6 dB of its
// strongest.
func (s *sweeps) jumps(h []float64, lead int) (seconds, hz float64, ok bool) {
	var mids, arrivals []float64
	spectrum := s.plan.Forward(nil, h)
	band := make([]complex128, len(spectrum))
	spacing := s.rate / float64(s.plan.Len())
	for mid := math.Max(jumpFromHz, s.cfg.LowHz*math.Sqrt2); mid*math.Sqrt2 <= s.cfg.HighHz; mid *= 2 {
		for k, v := range spectrum {
			w := 0.0
			if f := float64(k) * spacing; f > mid/2 && f < mid*2 { // a Hann window over log frequency
				w = (1 + math.Cos(math.Pi*octaves(mid, f))) / 2
			}
			band[k] = v * complex(w, 0)
		}
		x := s.plan.Inverse(nil, band)
		n := len(x)
		reach := int(0.5 * s.rate)
		at := func(i int) float64 { return math.Abs(x[(i+n)%n]) }
		top := 0.0
		for i := lead - reach; i < lead+reach; i++ {
			top = max(top, at(i))
		}
		i := lead - reach
		for at(i) < top/2 {
			i++
		}
		mids, arrivals = append(mids, mid), append(arrivals, float64(i-lead)/s.rate)
	}
	within := func(a []float64) bool {
		low, high := a[0], a[0]
		for _, v := range a {
			low, high = min(low, v), max(high, v)
		}
		return high-low <= jumpAlikeS
	}
	for i := 2; i+2 <= len(arrivals); i++ {
		below, above := arrivals[:i], arrivals[i:]
		jump := above[0] - below[i-1]
		if math.Abs(jump) >= jumpLeastS && within(above) && within(below) {
			return jump, mids[i] / math.Sqrt2, true
		}
	}
	return 0, 0, false
}
