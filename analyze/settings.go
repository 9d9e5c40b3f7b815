package analyze

import (
	"fmt"
	"math"

	"plumbline/analyze/response"
)

// GridSmoothing is the finest smoothing, the grid of the multi-resolution
// response itself: 1/48 octave.
const GridSmoothing = 48

// Settings are what an operator may change while Live runs. The zero value is
// the default: multi-resolution, 2 s, unsmoothed, delays found by themselves.
type Settings struct {
	Window    int                // samples, a power of two; 0 is multi-resolution
	Overlap   float64            // as response.Config
	Averaging response.Averaging // ignored while Until is set: then everything counts alike
	Until     Until              // measure until sure, then hold
	Smoothing int                // 1/1…1/48 octave; 0 is 48
	Hold      bool               // keep the averages as they are
	Delay     []Delay            // one a microphone; missing ones are automatic
}

// Delay is the compensation of one microphone.
type Delay struct {
	Fixed bool    // by the operator; false: found and followed
	Ms    float64 // when fixed
}

// Until is the goal of a measurement that ends by itself: a 95 % interval of
// ±WithinDB or less at 95 % of the points of LowHz…HighHz (a notch that no
// averaging fills must not hold up the rest). The zero value is no goal.
type Until struct {
	WithinDB      float64
	LowHz, HighHz float64
}

// check reports the first setting that cannot be, in the operator's words.
func (s *Settings) check(microphones int) error {
	if s.Smoothing < 0 || s.Smoothing > GridSmoothing {
		return fmt.Errorf("smoothing 1/%d octave: choose 1/1 to 1/%d", s.Smoothing, GridSmoothing)
	}
	if len(s.Delay) > microphones {
		return fmt.Errorf("delays for %d microphones, but %d are measured", len(s.Delay), microphones)
	}
	for i, d := range s.Delay {
		if d.Fixed && !(d.Ms >= response.MinDelayS*1000 && d.Ms <= response.MaxDelayS*1000) {
			return fmt.Errorf("delay %g ms of microphone %d: choose %g to %g ms", d.Ms, i+1, response.MinDelayS*1000, response.MaxDelayS*1000)
		}
	}
	if u := s.Until; u != (Until{}) {
		if !(u.WithinDB > 0) || math.IsInf(u.WithinDB, 0) || !(u.LowHz > 0) || !(u.HighHz > u.LowHz) {
			return fmt.Errorf("until ±%g dB over %g…%g Hz: give a width above 0 dB and two ascending frequencies", u.WithinDB, u.LowHz, u.HighHz)
		}
	}
	return nil
}

// delay is the setting of one microphone.
func (s *Settings) delay(mic int) Delay {
	if mic < len(s.Delay) {
		return s.Delay[mic]
	}
	return Delay{}
}

// averaging is what the estimator is asked to do.
func (s *Settings) averaging() response.Averaging {
	if s.Until != (Until{}) {
		return response.Averaging{Mode: response.Infinite}
	}
	return s.Averaging
}
