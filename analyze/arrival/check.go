package arrival

import (
	"math"
	"math/cmplx"
)

const (
	// sameMs is within what the same arrival is found again, alikeDB how far its level may be off.
	sameMs  = 0.1
	alikeDB = 2.5
	// Weaker than that, re the strongest, an arrival is not always found.
	surelyFound = 0.25 // −12 dB

	// By how many times the floor a difference must rise: at the delay of an
	// arrival, and anywhere in the range.
	differsThere    = 4.5
	differsAnywhere = 8
	// Less of the arrival, or of the strongest, is no change that anybody would act
	// on, or one that creeps: air, a draught.
	differsShare = 0.2
	differsLeast = 0.08
	// Of music and speech a block holds more at one delay than at another.
	unevenShare    = 0.7
	unevenAnywhere = 0.35
)

// uneven says whether the level of the reference's high frequencies went up and
// down by more than 3 dB in the newest count samples.
func (f *Follower) uneven(count int) bool {
	const parts = 8
	h := &f.finder.history
	mask := int64(len(h.ref) - 1)
	least, most := math.Inf(1), 0.0
	n := int64(count / parts)
	for p := range int64(parts) {
		sum := 0.0
		for i := h.end - (p+1)*n; i < h.end-p*n; i++ {
			d := float64(h.ref[i&mask] - h.ref[(i-1)&mask])
			sum += d * d
		}
		least, most = min(least, sum), max(most, sum)
	}
	return most > 2*least
}

// check holds the newest sound against the long averages that the list rests on.
// Is it the same, the averages take it in; is it not, a list is made of it.
func (f *Follower) check() {
	w := f.finder
	f.jobs[checkJob].due = f.clock + f.samples(checkS)
	if f.paused() {
		f.gathered = f.clock
		return
	}
	count := int(min(f.clock-f.gathered, int64(w.block), f.samples(checkS), w.history.end))
	if count < int(f.samples(0.25)) {
		f.jobs[checkJob].due = f.clock + f.samples(0.1)
		return
	}
	w.newest(count)
	changed, told := f.differs(f.uneven(count))
	if !told {
		f.gathered = f.clock
		return
	}
	if changed {
		f.stale()
		f.jobs[renewJob].due = f.clock
		f.changed = max(f.changed, f.clock-f.samples(soonS))
		f.changes++
		return
	}
	w.sum.merge(&w.total, w.keep(count))
	f.gathered = f.clock
}

// differs says whether what w.total holds came another way than what w.sum
// holds: the difference of their correlations, both weighted alike and both re the
// followed arrival, rises out of its floor where an arrival is or anywhere else.
// That the programme was another, as of music, is accounted for.
//
// The weights are of third octaves: the fine structure of either would not do for
// the other, since both hold much of the same reference.
func (f *Follower) differs(uneven bool) (changed, told bool) {
	w, b := f.finder, &f.basis
	share, anywhere := differsShare, weakest
	if uneven {
		share, anywhere = unevenShare, unevenAnywhere
	}
	if x, y := w.total.silent(w.layout); x || y {
		return false, false
	}
	var played, was float64
	for i, e := range w.bands {
		for k := e.lo; k < e.hi; k++ {
			played += b.gain[i] * w.total.xx[k]
			was += b.gain[i] * w.sum.xx[k]
		}
	}
	if played/w.total.samples < 1e-2*was/w.sum.samples {
		return false, false // a pause
	}
	now, before := w.heardAt(&w.total, &b.gain, b.delay), w.heardAt(&w.sum, &b.gain, b.delay)
	if now == 0 || before == 0 || (now < 0) != (before < 0) {
		return true, true
	}
	half := float64(len(w.r)) / 2 // the inverse transform divides by it
	clear(w.spectrumX[:w.bins])
	clear(w.spectrumY[:w.bins])
	for i, e := range w.bands {
		g := half * b.gain[i]
		for k := e.lo; k < e.hi; k++ {
			w.spectrumX[k] = w.total.xy[k]*complex(g/now, 0) - w.sum.xy[k]*complex(g/before, 0)
			w.spectrumY[k] = complex(g/played*w.total.xx[k]-g/was*w.sum.xx[k], 0)
		}
	}
	w.back.Inverse(w.r, w.spectrumX[:w.bins])
	w.back.Inverse(w.p, w.spectrumY[:w.bins])
	w.layOut()
	for _, p := range b.peaks {
		w.subtract(p.at, p.amplitude/b.followed)
	}
	w.measureFloor(0, len(w.residual))
	for _, p := range b.peaks {
		size := math.Abs(p.amplitude / b.followed)
		limit := max(differsThere*w.floor(int(p.at)), share*size, differsLeast*b.top/math.Abs(b.followed))
		if math.Abs(w.at(w.residual, p.at)) > limit {
			return true, true
		}
	}
	guard := int(blurMs / 1000 * w.grid)
	for _, p := range b.peaks { // what creeps differs beside its peak
		w.erase(int(p.at), guard)
	}
	at, most := 0, 0.0
	for i, v := range w.residual {
		if v = math.Abs(v); v > most {
			most, at = v, i
		}
	}
	return most > max(differsAnywhere*w.floor(at), anywhere*b.top/math.Abs(b.followed)), true
}

// heardAt is how much of s arrives after delay samples, weighted by gain in the
// third octaves.
func (w *Workspace) heardAt(s *long, gain *[32]float64, delay float64) (sum float64) {
	angle := 2 * math.Pi / float64(w.n) * (delay - float64(w.latest+w.ramp))
	move := cmplx.Rect(1, angle)
	for i, e := range w.bands {
		phasor := cmplx.Rect(gain[i], angle*float64(e.lo))
		for _, z := range s.xy[e.lo:e.hi] {
			sum += real(z)*real(phasor) - imag(z)*imag(phasor)
			phasor *= move
		}
	}
	return sum
}

// agrees says whether peaks just found are those of the list.
func (f *Follower) agrees(list []peak) bool {
	top := math.Abs(list[strongest(list)].amplitude)
	for _, p := range list {
		size := math.Abs(p.amplitude) / top
		if size < surelyFound {
			continue
		}
		found := false
		for _, a := range f.list {
			if math.Abs(a.DelayMs-f.ms(p)) < sameMs {
				found = math.Abs(20*math.Log10(size)-a.LevelDB) < alikeDB && float64(a.front)*p.amplitude >= 0
			}
		}
		if !found {
			return false
		}
	}
	for _, a := range f.list {
		if a.LevelDB < 20*math.Log10(surelyFound) {
			continue
		}
		found := false
		for _, p := range list {
			found = found || math.Abs(a.DelayMs-f.ms(p)) < sameMs
		}
		if !found {
			return false
		}
	}
	return true
}
