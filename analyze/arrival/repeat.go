package arrival

import "math"

// What is played decides what can be told. Programme that repeats itself fits as
// many delays as it has periods in range; a few tones, and a narrow band, fit
// nearly as well a cycle later. All of it shows in the reference alone:
//
//	its third octaves ─► which hold sound of their own, and not what leaks into them
//	their lines       ─► how many there are: tones have few
//	its own correlation, levelled ─► does it repeat itself, and after how long?
const (
	// floorDBFS: white noise of that level, re a full-scale sine wave, is ten times
	// what a converter makes of nothing (caution.SilentReferenceDBFS), and what lies
	// under it and under floorShare of the loudest octave is not the programme.
	floorDBFS  = -70.0
	floorShare = 1e-6
	// leakMargin is by how much a third octave must exceed what may leak into it.
	leakMargin = 10
	// fewLines, weighed as their levels, are tones, where they are but lineShare of the
	// bins of the third octaves they lie in: noise has tens of thousands, held chords of a
	// choir some hundreds, and noise of a short and narrow band a half of its bins.
	fewLines, lineShare = 100, 0.2
	// likeItself: noise stays under 0.04, made-up music and speech of a second or
	// more under 0.14; a loop tends to 1 as it is heard longer.
	likeItself = 0.35
	// pitchS: shorter is the pitch of a voice or a string, and no repetition.
	pitchS = 0.025
	// sidesS and sides: the correlation of what repeats itself and is otherwise
	// broadband is small between sidesS and the period.
	sidesS, sides = 0.003, 0.5
	// leastPeriodS of a programme leave a delay within one of them to be told: no
	// room is so late, and the reflections that are go round.
	leastPeriodS = 0.1
	// shortestPeriodS is looked for as a part of a longer one.
	shortestPeriodS = 0.02
	// exactly is how like itself the reference must be a period later, 1 being the
	// same; over so many samples of the grid.
	exactly, exactSamples = 0.9, 8192
	// narrowBands is of how many third octaves' worth a band must be to tell one of its
	// cycles from the next.
	narrowBands = 2.5
)

// measureOwn finds which third octaves of s hold sound of the reference's own.
//
// Blocks end in ramps: d bins beside a tone of power P lies P/(πd)², and beyond the
// inverse of a ramp's length the fourth power less.
func (w *Workspace) measureOwn(s *long) {
	var power, loudest, leak float64
	reach := float64(w.n) / float64(w.ramp)
	beside := func(d float64) float64 {
		if d > reach {
			return reach * reach * reach * reach / (d * d * d * d)
		}
		return 1
	}
	for b, e := range w.bands {
		power = 0
		for _, v := range s.xx[e.lo:e.hi] {
			power += v
		}
		w.ownPower[b] = power
		loudest = max(loudest, power/float64(e.hi-e.lo)*float64(e.hi+e.lo))
	}
	floor := math.Pow(10, floorDBFS/10) / 2 * s.samples
	for b, e := range w.bands {
		width := float64(e.hi - e.lo)
		level := w.ownPower[b] / width
		leak = 0
		for o, p := range w.ownPower[:len(w.bands)] {
			of := w.bands[o]
			switch {
			case o == b-1:
				for k := of.lo; k < of.hi; k++ {
					d := float64(e.lo - k)
					leak += s.xx[k] * (1/d - 1/(d+width)) * beside(d)
				}
			case o == b+1:
				for k := of.lo; k < of.hi; k++ {
					d := float64(k - e.hi + 1)
					leak += s.xx[k] * (1/d - 1/(d+width)) * beside(d)
				}
			case o != b:
				d := float64(max(e.lo-of.hi, of.lo-e.hi))
				leak += p * (1/d - 1/(d+width)) * beside(d)
			}
		}
		leak /= math.Pi * math.Pi * width
		w.own[b] = level > leakMargin*leak && (level > floor || level*float64(e.hi+e.lo) > floorShare*loudest)
	}
}

// tones says whether the reference is few lines, those of each third octave of its
// own taken by themselves. It leaves the spectrum, with one level in all of them, in
// w.spectrumX.
func (w *Workspace) tones(s *long) bool {
	clear(w.spectrumX[:w.bins])
	var lines, bins float64
	for b, e := range w.bands {
		if !w.own[b] {
			continue
		}
		bins += float64(e.hi - e.lo)
		squares := 0.0
		g := float64(e.hi-e.lo) / w.ownPower[b]
		for k := e.lo; k < e.hi; k++ {
			v := s.xx[k] * g
			w.spectrumX[k] = complex(v, 0)
			squares += v * v
		}
		lines += float64(e.hi-e.lo) * float64(e.hi-e.lo) / squares // their sum is their number
	}
	return lines < fewLines && lines < lineShare*bins
}

// repeats takes the spectrum that tones left and finds how much the reference
// resembles itself at any one delay in range beyond the pitch of a voice, 0…1; the
// first delay at which it does, grid samples, 0 for none; and how much it does at
// shorter ones.
func (w *Workspace) repeats() (top float64, first int, near float64) {
	w.back.Inverse(w.r, w.spectrumX[:w.bins])
	scale := 1 / w.r[0]
	from := int(pitchS * w.grid)
	for _, v := range w.r[int(sidesS*w.grid):from] {
		near = max(near, v*scale, -v*scale)
	}
	for i, v := range w.r[from:len(w.residual)] {
		v = math.Abs(v) * scale
		top = max(top, v)
		if first == 0 && v > likeItself {
			first = from + i
		}
	}
	if first == 0 {
		return top, 0, near
	}
	for first+1 < len(w.residual) && math.Abs(w.r[first+1]) > math.Abs(w.r[first]) {
		first++
	}
	return top, first, near
}

// period is that of the reference, samples, when it resembles itself after first
// grid samples; 0 when it does so but roughly.
func (f *Finder) period(first int) int {
	// What is longer than half a transform shows at what is left of it as well.
	for _, lag := range []int{first * f.decimate, f.n - first*f.decimate} {
		for off := -f.decimate + 1; off < f.decimate; off++ {
			if lag := lag + off; f.exact(lag) {
				for parts := 5; parts > 1; parts-- {
					if p := lag / parts; lag%parts == 0 && float64(p) >= shortestPeriodS*f.rate && f.exact(p) {
						return p
					}
				}
				return lag
			}
		}
	}
	return 0
}

// exact says whether the newest of the reference is what it was lag samples before.
// It looks at slopes, in which low notes do not count for all.
func (f *Finder) exact(lag int) bool {
	h, count := &f.history, int64(exactSamples*f.decimate)
	if lag <= 0 || h.end-h.oldest() < int64(lag)+count+1 {
		return false
	}
	mask := int64(len(h.ref) - 1)
	var xx, yy, xy float64
	for i := h.end - count; i < h.end; i++ {
		j := i - int64(lag)
		x := float64(h.ref[i&mask] - h.ref[(i-1)&mask])
		y := float64(h.ref[j&mask] - h.ref[(j-1)&mask])
		xx += x * x
		yy += y * y
		xy += x * y
	}
	return xy > 0 && xy*xy > exactly*exactly*xx*yy
}

// withinPeriod leaves the lags of one period in w.residual, from what converters may
// differ by before the reference on.
func (w *Workspace) withinPeriod(samples int) {
	from := max(0, int(math.Ceil((float64(w.early)-beforeMs/1000*w.rate)/float64(w.decimate))))
	to := min(len(w.residual), from+samples/w.decimate)
	clear(w.residual[:from])
	clear(w.residual[to:])
}

// width is of how many third octaves' worth what correlate weighed is, each by its
// amplitude: what is far softer, as the skirts of a filter are, is the first to go
// under in the noise of shorter looks.
func (w *Workspace) width(weight []float64) float64 {
	var sum, squares float64
	for b := range w.bands {
		if w.own[b] {
			v := weight[b] * math.Sqrt(w.ownPower[b])
			sum += v
			squares += v * v
		}
	}
	if squares == 0 {
		return 0
	}
	return sum * sum / squares
}
