package show

import (
	"io"
	"math"
	"sort"

	"plumbline/analyze/response"
)

// Correction is the deviation of a microphone, as its maker or a calibration
// laboratory gives it.
type Correction struct {
	ID     int64        `json:"id"`
	Name   string       `json:"name"`
	Points [][2]float64 `json:"points"` // frequency in Hz, ascending, and deviation in dB
	Note   string       `json:"note"`
}

var corrections = table[Correction]{
	KindCorrection, "corrections", "name, points, note",
	func(c *Correction) (*int64, []any) { return &c.ID, []any{&c.Name, asJSON{&c.Points}, &c.Note} },
	func(c *Correction) string { return c.Name },
	func(c *Correction) error {
		if len(c.Points) == 0 || len(c.Points) > maxPoints {
			return refuse(0, "points", "a correction has 1 to %d points, not %d", maxPoints, len(c.Points))
		}
		for i, p := range c.Points {
			if !(p[0] > 0 && p[0] < 1e6) || !(math.Abs(p[1]) <= 60) {
				return refuse(0, "points", "point %d of the correction, %g Hz and %g dB, cannot be: frequencies are above 0 and deviations at most 60 dB", i+1, p[0], p[1])
			}
			if i > 0 && p[0] <= c.Points[i-1][0] {
				return refuse(0, "points", "the frequencies of a correction must ascend: %g Hz follows %g Hz", p[0], c.Points[i-1][0])
			}
		}
		return checkNamed("correction", c.Name, c.Note)
	},
}

// Corrections lists the microphone corrections.
func (s *Show) Corrections() ([]Correction, error) { return corrections.list(s) }

// PutCorrection adds one (ID 0) or changes the one of that ID, and with it
// every take that names it.
func (s *Show) PutCorrection(c Correction, by string) (Correction, error) {
	return corrections.put(s, c, by)
}

// ChangeCorrection edits the one of that ID, with what others have changed of it; one that
// is deleted stays so.
func (s *Show) ChangeCorrection(id int64, edit func(*Correction) error, by string) (Correction, error) {
	return corrections.change(s, id, edit, by)
}

// ReadCorrection reads frequency/dB pairs from text, as tolerant as ReadText.
func ReadCorrection(r io.Reader) ([][2]float64, error) {
	t, err := ReadText(r)
	if err != nil {
		return nil, err
	}
	points := make([][2]float64, len(t.FrequencyHz))
	for i := range points {
		points[i] = [2]float64{t.FrequencyHz[i], t.MagnitudeDB[i]}
	}
	return points, nil
}

// At is the deviation in dB at a frequency: linear in dB over the logarithm of
// frequency between the points, and that of the last point beyond them (common
// practice, no source).
func (c *Correction) At(frequencyHz float64) float64 {
	n := len(c.Points)
	i := sort.Search(n, func(i int) bool { return c.Points[i][0] >= frequencyHz })
	switch {
	case i == 0:
		return c.Points[0][1]
	case i == n:
		return c.Points[n-1][1]
	}
	a, b := c.Points[i-1], c.Points[i]
	return a[1] + (b[1]-a[1])*math.Log(frequencyHz/a[0])/math.Log(b[0]/a[0])
}

// Apply takes the deviation out of the microphone's spectra. Coherence and
// averages stay.
func (c *Correction) Apply(s *response.Spectra) {
	for i, f := range s.FrequencyHz {
		gain := math.Pow(10, -c.At(f)/20)
		s.Gyy[i] *= gain * gain
		s.Gxy[i] *= complex(gain, 0)
	}
}
