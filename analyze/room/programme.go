package room

import (
	"math"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
)

// knownPart of a window is how late a response is told of programme: further behind,
// two segments have too little in common.
const knownPart = 0.25

// FromSpectra is the impulse response of a path that was measured on running programme
// with one window, from the reference on, and the band in which the reference plays.
// Sound that comes later by τ shares but a part of a window with what it came from: H1
// holds it by the autocorrelation of the window at τ too weak (Trethewey and Evensen, J.
// Sound Vib., 1984), which is made good up to a quarter of the window. ok is false where
// the reference does not play.
func FromSpectra(s *response.Spectra) (h []float64, lowHz, highHz float64, ok bool) {
	lowHz, highHz, ok = s.Plays()
	if !ok {
		return nil, 0, 0, false
	}
	x := make([]complex128, s.Window/2+1)
	for k, f := range s.FrequencyHz {
		if f >= lowHz && f <= highHz && s.Known(k) {
			x[k] = s.H(k)
		}
	}
	h = fft.NewReal(s.Window).Inverse(nil, x)[:int(knownPart*float64(s.Window))]
	for i := range h {
		t := float64(i) / float64(s.Window)
		h[i] /= (1-t)*(2+math.Cos(2*math.Pi*t))/3 + math.Sin(2*math.Pi*t)/(2*math.Pi)
	}
	return h, lowHz, highHz, true
}
