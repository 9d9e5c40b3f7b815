// Package frametest makes frames for tests.
package frametest

import (
	"math"

	"plumbline/analyze"
	"plumbline/analyze/arrival"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// New returns a full frame of that many microphones on channels 2…, every
// number from a formula: a sound path of 23.42 ms with same polarity, trusted
// from 63 Hz to 14 kHz; unknown under 25 Hz.
func New(microphones int) *analyze.Frame {
	f := &analyze.Frame{
		Seq: 7, Sample: 96000, SampleRateHz: 48000, Epoch: 1, Gaps: 2, Bursts: 1, AveragedS: 2,
		Reference: analyze.Input{Channel: 1, PeakDBFS: -8, RMSDBFS: -20},
	}
	for i := range microphones {
		f.Microphones = append(f.Microphones, microphone(2+i))
	}
	return f
}

func microphone(channel int) analyze.Microphone {
	m := analyze.Microphone{
		Input:   analyze.Input{Channel: channel, PeakDBFS: -14.5, RMSDBFS: -26.25, Clipped: 3},
		DelayMs: 23.42, DelaySDMs: 0.002,
		Polarity: polarity.Verdict{Sign: 1, Confidence: 0.9995, Reason: "same over 7.8 octaves",
			Bands: []polarity.Band{{LowHz: 63, HighHz: 500, Sign: 1, Confidence: 0.999}, {LowHz: 500, HighHz: 14000, Sign: 1, Confidence: 0.998}}},
		Curve:          Curve(63, 14000),
		Arrivals:       []arrival.Arrival{{DelayMs: 23.42, DelaySDMs: 0.002, LevelDB: 0, Sign: 1}},
		ImpulseStartMs: 20, ImpulseStepMs: 1.0 / 48,
	}
	m.Impulse = make([]float64, 960)
	for k := range m.Impulse {
		t := float64(k)/48 - 3.42
		m.Impulse[k] = math.Exp(-t * t * 4)
	}
	return m
}

// Curve is a response of 48 points an octave from 20 Hz to 20 kHz: coherence
// 0.9 from low to high, 0.02 outside of it, threshold 0.1.
func Curve(low, high float64) response.Curve {
	var c response.Curve
	for k := 0; ; k++ {
		f := 20 * math.Exp2(float64(k)/48)
		if f > 20000 {
			return c
		}
		g, db, width := 0.9, 3*math.Sin(float64(k)/20), 0.5
		if f < low || f > high {
			g, width = 0.02, math.Inf(1)
		}
		if f < 25 {
			g, db = math.NaN(), math.NaN()
		}
		c.FrequencyHz = append(c.FrequencyHz, f)
		c.MagnitudeDB = append(c.MagnitudeDB, db)
		c.MagnitudeLowDB = append(c.MagnitudeLowDB, db-width)
		c.MagnitudeHighDB = append(c.MagnitudeHighDB, db+min(width, 6))
		c.PhaseDeg = append(c.PhaseDeg, 90*math.Cos(float64(k)/30))
		c.PhaseErrorDeg = append(c.PhaseErrorDeg, min(180, 4*width))
		c.Coherence = append(c.Coherence, g)
		c.Threshold = append(c.Threshold, 0.1)
		c.EffectiveAverages = append(c.EffectiveAverages, 44.5)
	}
}
