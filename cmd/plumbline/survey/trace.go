package survey

import (
	"math"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

const (
	traceEvery     = 5  // looks
	tracePerOctave = 24 // points
	traceFraction  = 6  // of an octave that it is smoothed over
)

// Trace implements stream.SurveyOperator.
func (s *Surveyor) Trace() wire.SurveyTrace {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.trace == nil {
		return wire.SurveyTrace{Playing: []string{}, Microphones: []wire.MicrophoneTrace{}}
	}
	return *s.trace
}

// keepTrace shows what is known by now. What was shown before is not changed.
func (s *Surveyor) keepTrace(j *job, step int, m *measurement) {
	v := &wire.SurveyTrace{Step: step + 1, Playing: namesOf(j.steps[step]), HeardS: m.heardS(), Microphones: []wire.MicrophoneTrace{}}
	for i, channel := range m.microphones {
		if !m.goals[i].known() {
			return
		}
		points := spaced(m.heard[i].FrequencyHz)
		response.SmoothAt(&m.smoothed, &m.heard[i], traceFraction, points)
		var c response.Curve
		m.smoothed.Curve(&c)
		v.Microphones = append(v.Microphones, wire.MicrophoneTrace{
			Microphone: channel, Seat: j.seats[channel], FrequencyHz: c.FrequencyHz, MagnitudeDB: narrow(c.MagnitudeDB),
			LowDB: narrow(c.MagnitudeLowDB), HighDB: narrow(c.MagnitudeHighDB), Coherence: narrow(c.Coherence), Threshold: narrow(c.Threshold),
		})
	}
	s.mu.Lock()
	s.trace = v
	s.mu.Unlock()
}

func (s *Surveyor) forgetTrace() {
	s.mu.Lock()
	s.trace = nil
	s.mu.Unlock()
}

// spaced picks lines of a grid, tracePerOctave of them an octave where it has so many, from
// 20 Hz to 20 kHz.
func spaced(grid []float64) (points []int) {
	next := 20.0
	for i, f := range grid {
		if f >= next && f <= 20000 {
			points = append(points, i)
			next = f * math.Exp2(1./tracePerOctave)
		}
	}
	return points
}

func narrow(x []float64) wire.Values {
	v := make(wire.Values, len(x))
	for i := range x {
		v[i] = float32(x[i])
	}
	return v
}
