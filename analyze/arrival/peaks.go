package arrival

import (
	"math"
	"slices"
)

const (
	segment = 256 // lags whose mean magnitude is one reading of the floor
	around  = 8   // segments before and after that make the local floor: ±43 ms

	// standsOut is by how many times the local floor (as the standard deviation
	// of Gaussian noise) the strongest arrival must rise. Noise alone reaches 4.9
	// at the highest of 70,000 lags; measured false alarms are in the tests.
	standsOut = 7
	// weakest arrival that is told beside the strongest.
	weakest = 0.14 // −17 dB
	// blurMs is how near a weaker arrival may be to a stronger one: loudspeakers'
	// own filters smear the peak that far.
	blurMs = 1.0
	blur   = 0.32 // −10 dB: within blurMs only what is stronger than that counts
	// One that plays less than 5 kHz rings: less than −12 dB is nothing to tell, and
	// within blurPeriods of its bandwidth, less than −8 dB neither.
	weakestNarrow = 0.25
	blurNarrow    = 0.4
	blurPeriods   = 4
	// apartMs is the least distance of two arrivals: a crossover or the upper edge of
	// a box make lobes of both signs within that, as large as the first at times. Those
	// of a box that plays a few hundred hertz only reach further. That there may be two in
	// one package polarity sees in the highs.
	apartMs = 0.3
	// firstLobe is what share of the largest lobe an earlier one must reach to be
	// the arrival: of a crossover of 48 dB an octave at 2.5 kHz it is 0.42 to 0.54.
	firstLobe = 0.4
	// ofItsOwn is what share of the largest must be left of it without the side lobe
	// of that, and aboveFloor by how many times it must rise above the floor.
	ofItsOwn   = 0.3
	aboveFloor = 4.2
	// tornLobe is what share an earlier one of the other sign must reach to leave it
	// open which is the first.
	tornLobe = 0.3
)

// peak is an arrival on the correlation grid.
type peak struct {
	at        float64 // index into residual
	amplitude float64
	floor     float64 // noise, standard deviation
	box       float64 // what its box makes of where it is, samples, standard deviation
	torn      bool    // a lobe of the other sign comes before it: which is its first cannot be told
}

// measureFloor fills w.scale for the segments that touch lo ≤ i < hi.
func (w *Workspace) measureFloor(lo, hi int) {
	lo, hi = max(lo, 0), min(hi, len(w.residual))
	for s := lo / segment; s*segment < hi; s++ {
		part := w.residual[s*segment : min((s+1)*segment, len(w.residual))]
		sum := 0.0
		for _, v := range part {
			sum += math.Abs(v)
		}
		w.scale[s] = sum / float64(len(part)) * math.Sqrt(math.Pi/2)
	}
}

// floor is the larger of the median floors before and after index i.
func (w *Workspace) floor(i int) float64 {
	median := func(lo, hi int) float64 {
		lo, hi = max(lo, 0), min(hi, len(w.scale))
		if hi <= lo {
			return 0
		}
		part := w.sortScratch[:copy(w.sortScratch, w.scale[lo:hi])]
		slices.Sort(part)
		return part[len(part)/2]
	}
	s := i / segment
	return max(median(s-around-1, s-1), median(s+2, s+2+around))
}

// locate refines the position of the extremum of the residual near i and reads it.
func (w *Workspace) locate(i float64, sign float64) (at, value float64) {
	at = i
	for _, h := range []float64{0.5, 0.25, 0.1, 0.02} {
		for range 2 {
			a, b, c := sign*w.at(w.residual, at-h), sign*w.at(w.residual, at), sign*w.at(w.residual, at+h)
			// The parabola through three points (reference/values.md's bias table shows
			// why h must be well under a sample).
			d := a - 2*b + c
			if d >= 0 {
				break
			}
			at += h * max(-1, min(1, (a-c)/(2*d)))
		}
	}
	if math.Abs(at-i) > 2 {
		at = i
	}
	return at, w.at(w.residual, at)
}

// pulse says what the pulse of one arrival looks like.
type pulse struct {
	opposite  float64 // largest magnitude of the other sign near the peak, re the peak
	guard     int     // grid samples within which only strong arrivals are told apart
	curvature float64 // −p″(0)/p(0), per grid sample squared
}

func (w *Workspace) describePulse() pulse {
	var sum, sum2, second float64
	n := len(w.p)
	for k := range w.q {
		// spectrumY still holds the pulse's spectrum.
		v := real(w.spectrumY[k])
		sum += v
		sum2 += v * v
		omega := 2 * math.Pi * float64(k) / float64(n)
		second += v * omega * omega
	}
	width := float64(n)
	if sum2 > 0 {
		width = float64(n) * sum2 / (sum * sum) // 1/bandwidth, grid samples
	}
	u := pulse{curvature: second / max(sum, 1e-300)}
	u.guard = min(max(int(blurMs/1000*w.grid), int(math.Ceil(max(width, w.smear)))), span/2)
	for _, v := range w.p[:u.guard+1] {
		u.opposite = max(u.opposite, -v)
	}
	return u
}

// peaks finds up to len(list) arrivals in w.residual, strongest first: the
// largest is taken out with its pulse, and so on (the CLEAN of Högbom, Astron.
// Astrophys. Suppl. 15, 1974), and after each all are fitted again. The number
// found and, when that is 0, the reason.
func (w *Workspace) peaks(list []peak) (int, pulse, string) {
	u := w.describePulse()
	w.measureFloor(0, len(w.residual))
	apart := max(apartMs/1000*w.grid, w.smear)
	least, limit := weakest, blur
	if w.smear > apartMs/1000*w.grid {
		least, limit = weakestNarrow, blurNarrow
		u.guard = min(max(u.guard, int(blurPeriods*w.smear/1.5)), span/2)
	}
	n := 0
	for rejected := 0; n < len(list) && rejected < 24; {
		at, best := 0, 0.0
		for i, v := range w.residual {
			if v < 0 {
				v = -v
			}
			if v > best {
				best, at = v, i
			}
		}
		if best == 0 || n > 0 && best < least*math.Abs(list[0].amplitude) {
			break
		}
		at = w.beginning(at)
		if n > 0 && (w.explained(list[:n], at, best, u) || w.ringing(list[:n], at, best)) {
			w.erase(at, 8)
			rejected++
			continue
		}
		if near := nearest(list[:n], at, u.guard); near != nil {
			if best < limit*math.Abs(near.amplitude) {
				w.erase(int(near.at), u.guard)
				rejected++
				continue
			}
		}
		if near := nearest(list[:n], at, int(apart)); near != nil {
			w.erase(int(near.at), int(apart)+1)
			rejected++
			continue
		}
		before, torn := w.floor(at), w.torn(at)
		sign := math.Copysign(1, w.residual[at])
		where, value := w.locate(float64(at), sign)
		w.subtract(where, value)
		w.measureFloor(at-span-segment, at+span+segment)
		floor := max(w.floor(at), before/3)
		list[n] = peak{at: where, amplitude: value, floor: floor, torn: torn}
		if math.Abs(value) < standsOut*floor {
			if n == 0 {
				return 0, u, nothingStandsOut
			}
			w.erase(at, 8)
			rejected++
			continue
		}
		n++
		w.refit(list[:n])
	}
	if n == 0 { // nothing that is a number, such as of samples too large to be squared
		return 0, u, nothingStandsOut
	}
	return n, u, ""
}

const nothingStandsOut = "nothing in the microphone stands out as the reference's sound"

// beginning is the first of the lobes that belong to the largest one at index at:
// what a box does to a pulse comes after its beginning. Side lobes of the pulse
// itself are none.
func (w *Workspace) beginning(at int) int {
	best := math.Abs(w.residual[at])
	first, least := at, max(firstLobe*best, aboveFloor*w.floor(at))
	for i := at - 1; i > 0 && i >= first-int(apartMs/1000*w.grid); i-- {
		// A lobe between samples may stand beside a larger value of the next.
		v, sign := math.Abs(w.residual[i]), math.Copysign(1, w.residual[i])
		if v < sign*w.residual[i-1] || v < sign*w.residual[i+1] {
			continue
		}
		if v >= least && math.Abs(w.residual[i]-w.residual[at]*w.p[at-i]) >= ofItsOwn*best {
			first = i
		}
	}
	return first
}

// torn says whether a lobe of the other sign, and not of the pulse itself, comes
// before the one at index at. A wall that swallows the highest frequencies leaves
// little of the first lobe of a box, which a crossover lets a larger one follow of
// the other sign.
func (w *Workspace) torn(at int) bool {
	best := w.residual[at]
	for i := at - 1; i > 0 && i >= at-int(apartMs/1000*w.grid); i-- {
		v := -w.residual[i] / best
		if v >= tornLobe && v+w.p[at-i] >= tornLobe {
			return true
		}
	}
	return false
}

// explained says whether a candidate may be but a side peak of a found arrival's pulse.
func (w *Workspace) explained(list []peak, at int, value float64, u pulse) bool {
	for _, f := range list {
		d := int(math.Abs(float64(at) - f.at))
		if d <= u.guard {
			continue
		}
		side := 0.0
		for i := d - 2; i <= d+2 && i < len(w.p); i++ {
			side = max(side, math.Abs(w.p[i]))
		}
		// Near by, the pulse has been taken out already, as well as it is known.
		share := 0.5
		if d <= span-2 {
			share = 1.5
		}
		if side*math.Abs(f.amplitude) > value*share {
			return true
		}
	}
	return false
}

func nearest(list []peak, at, within int) *peak {
	var found *peak
	for i := range list {
		if math.Abs(list[i].at-float64(at)) <= float64(within) && (found == nil || math.Abs(list[i].amplitude) > math.Abs(found.amplitude)) {
			found = &list[i]
		}
	}
	return found
}

func (w *Workspace) erase(at, half int) {
	clear(w.residual[max(0, at-half):min(len(w.residual), at+half+1)])
}

// refit puts each arrival back in turn and fits it to what the others leave.
func (w *Workspace) refit(list []peak) {
	if len(list) < 2 {
		return
	}
	last := list[len(list)-1]
	for range 3 {
		for i := range list {
			f := &list[i]
			if math.Abs(f.at-last.at) > 2*span {
				continue
			}
			w.subtract(f.at, -f.amplitude)
			f.at, f.amplitude = w.locate(f.at, math.Copysign(1, f.amplitude))
			w.subtract(f.at, f.amplitude)
		}
	}
}
