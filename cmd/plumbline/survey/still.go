package survey

import (
	"plumbline/analyze/caution"
	"plumbline/analyze/stationarity"
)

// Stretches of a take that are compared: so many of one microphone, and of all
// together, each of which takes a millisecond or two.
const (
	mostStretches, fewestStretches = 60, 16
	allStretches                   = 240
)

// moved is what speaks against the take of a microphone (from 0) by what its path did,
// and by what its gain did, in the newest of the audio.
func (m *measurement) moved(i int, ref, mic []float64) (path, gain []caution.Caution) {
	rate := float64(m.setup.SampleRateHz)
	s, err := stationarity.NewStretches(rate)
	if err != nil {
		return nil, nil
	}
	size := s.Frames()
	delay := int(m.delayS[i] * rate)
	room := len(ref) - size - max(delay, -delay)
	if room < 0 {
		return nil, nil
	}
	most := max(fewestStretches, min(mostStretches, allStretches/len(m.microphones)))
	count := min(room/(size/2)+1, most)
	begin := room - (count-1)*(size/2)
	for k := range count {
		at := begin + k*(size/2)
		x, y := at+max(0, -delay), at+max(0, delay)
		s.Add(float64(at+size/2)/rate, ref[x:x+size], mic[y:y+size])
	}
	v := s.Judge()
	return caution.Moved(&v, caution.At(m.setup.Reference), m.input(i), m.heardS()-float64(len(ref))/rate)
}
