package arrival

import "math"

// agreement is the Student's t that steady asks for. Unrelated music and speech
// reached 4.0 in 360 cases of 0.25…2 s; the tests hold the false alarms.
const agreement = 4.5

const (
	// lookBackS is how far back a change is looked for.
	lookBackS = 0.5
	// mostlyNew is what a window must hold of a new arrival, re the most that any
	// does, for three quarters of it, which begins and ends softly, to be new.
	mostlyNew = 0.9
)

// steady says whether the windows of the newest count samples agree about an
// arrival. In a second or two of speech or music two single sounds, one in each
// channel, can resemble each other and make a peak as sharp as a true arrival's;
// they do so in one window, a true arrival in most. The test is Student's t of
// the windows' coherent share at that delay.
func (f *Finder) steady(p peak, count int) bool {
	w := f.Workspace
	s := &f.window
	s.align(w, &f.history, int(math.Round(f.delayOf(p))), f.history.end-int64(count))
	s.next += int64(w.m / 2) // whole windows only
	loudest := 0.0
	var n, sum, sum2 float64
	for s.next+int64(w.m/2) < min(f.history.end, f.history.end+int64(s.delay)) {
		if s.transform(w, &f.history) < 0.5 {
			continue
		}
		share, power := f.shareOf(p, s.delay)
		if loudest = max(loudest, power); power < 1e-4*loudest || power == 0 {
			continue
		}
		n++
		sum += share
		sum2 += share * share
	}
	if n < 4 {
		return false
	}
	mean := sum / n
	deviation := math.Sqrt(max(sum2/n-mean*mean, 1e-6) / (n - 1))
	return mean > agreement*deviation
}

// shareOf is the part of the sound in the window that was transformed last, with
// the reference delayed by laid samples, that arrives as p says: 1 is all of it,
// about 0 nothing. power is the reference's; 0 when nothing can be told.
func (f *Finder) shareOf(p peak, laid int) (share, power float64) {
	w := f.Workspace
	angle := 2 * math.Pi / float64(w.m) * (f.delayOf(p) - float64(laid))
	for k := range w.magnitude {
		x := w.spectrumX[k]
		w.magnitude[k] = real(x)*real(x) + imag(x)*imag(x)
	}
	w.measureLeak(w.magnitude)
	turnSin, turnCos := math.Sincos(angle)
	var total float64
	for b, e := range w.shorts {
		if !w.heard(b) {
			continue
		}
		var yy, xy float64
		xx := w.power[b]
		sin, cos := math.Sincos(angle * float64(e.lo))
		for k := e.lo; k < e.hi; k++ {
			x, y := w.spectrumX[k], w.spectrumY[k]
			re := real(x)*real(y) + imag(x)*imag(y)
			im := real(x)*imag(y) - imag(x)*real(y)
			xy += re*cos - im*sin
			yy += real(y)*real(y) + imag(y)*imag(y)
			cos, sin = cos*turnCos-sin*turnSin, sin*turnCos+cos*turnSin
		}
		if xx > 0 && yy > 0 {
			weight := float64(e.hi-e.lo) * f.weights[min(b+len(f.weights)-len(w.shorts), len(f.weights)-1)]
			share += weight * xy / math.Sqrt(xx*yy)
			total += weight
			power += xx
		}
	}
	if total == 0 {
		return 0, 0
	}
	return share * math.Copysign(1, p.amplitude) / total, power
}

// since is for how many of the newest samples, most at most, the sound has been
// arriving as p says: back to the window that holds much less of it.
func (f *Finder) since(p peak, most int64) int64 {
	w := f.Workspace
	s := &f.window
	hop := int64(w.m / 2)
	s.align(w, &f.history, int(math.Round(f.delayOf(p))), f.history.end-most)
	end := min(f.history.end, f.history.end+int64(s.delay))
	age, usual := int64(0), 0.0
	for s.next = end - int64(w.m); s.next >= max(f.history.end-most, 0); s.next -= 2 * hop {
		from := s.next
		if s.transform(w, &f.history) < 1 { // moves on by a hop
			break
		}
		share, power := f.shareOf(p, s.delay)
		if power == 0 || share < mostlyNew*usual {
			break
		}
		usual = max(usual, share)
		age = f.history.end - from - int64(w.m/4)
	}
	return age
}
