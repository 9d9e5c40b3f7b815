package survey

import (
	"plumbline/analyze/caution"
	"plumbline/analyze/stationarity"
	"plumbline/stream/wire"
)

// Stretches of a take that are compared: so many of one microphone, and of all
// together, each of which takes a millisecond or two.
const (
	mostStretches, fewestStretches = 60, 16
	allStretches                   = 240
)

// again is what to do about a take whose path did not stand still.
const again = " Take it again."

// moved is what speaks against the take of a microphone (from 0): what its path did
// in the newest of the audio, never nil.
func (m *measurement) moved(i int) []wire.Caution {
	out := []wire.Caution{}
	rate := float64(m.setup.SampleRateHz)
	s, err := stationarity.NewStretches(rate)
	if err != nil {
		return out
	}
	n, size := m.channels(), s.Frames()
	delay := int(m.delayS[i] * rate)
	room := len(m.audio)/n - size - max(delay, -delay)
	most := max(fewestStretches, min(mostStretches, allStretches/len(m.microphones)))
	count := min(room/(size/2)+1, most)
	if room < 0 {
		return out
	}
	ref, mic := make([]float64, size), make([]float64, size)
	begin := room - (count-1)*(size/2)
	for k := range count {
		at := begin + k*(size/2)
		x, y := at+max(0, -delay), at+max(0, delay)
		for j := range size {
			ref[j] = float64(m.audio[(x+j)*n])
			mic[j] = float64(m.audio[(y+j)*n+1+i])
		}
		s.Add(float64(at+size/2)/rate, ref, mic)
	}
	v := s.Judge()
	// The audio kept may begin later than what was heard.
	path, gain := caution.Moved(&v, m.setup.Reference, m.microphones[i], float64(m.frames-len(m.audio)/n)/rate)
	list := append(path, gain...)
	caution.Sort(list)
	for _, c := range list {
		c.After += again
		out = append(out, wire.Caution{Code: string(c.Code), Text: c.Text()})
	}
	return out
}
