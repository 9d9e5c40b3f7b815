package level

import (
	"math"
	"testing"

	"plumbline/analyze/internal/golden"
)

// Every level of a meter, fed in uneven blocks, with a gap and a second that is taken on
// the way, is as before.
func TestUnchanged(t *testing.T) {
	type read struct {
		Now, Second    Reading
		Sliding, Heard float64
		Reason, Bands  string
	}
	var all []read
	for _, cfg := range []Config{{SampleRateHz: 48000, Bands: 3}, {SampleRateHz: 44100, OffsetDB: 120, Bands: 1}, {SampleRateHz: 96000}} {
		m := newMeter(t, cfg)
		x := coloured(3, 1<<19, cfg.SampleRateHz, 30, 12000, -3)[:int(3.7*cfg.SampleRateHz)]
		for i := range x {
			at := float64(i) / cfg.SampleRateHz
			x[i] *= 0.2 * (1.2 + math.Sin(5*at))
			if i%70001 < 3 {
				x[i] = 1
			}
		}
		block := 0
		for at := 0; at < len(x); {
			to := min(len(x), at+1+block*37%1999)
			m.Feed(x[at:to])
			at = to
			block++
			if block == 40 || block == 120 {
				var r read
				m.Read(&r.Now)
				r.Reason, r.Bands = r.Now.HideUnsettled(m.Bands())
				m.Take(&r.Second)
				r.Sliding, r.Heard = m.Sliding(1)
				all = append(all, r)
				m.Skip(uint64(1.5 * cfg.SampleRateHz))
			}
		}
		var r read
		m.Read(&r.Now)
		m.Take(&r.Second)
		r.Sliding, r.Heard = m.Sliding(2)
		all = append(all, r)
	}
	golden.Check(t, "meters", all)
}

// What recordings of calibrators say is as before, and so is why they say nothing.
func TestCalibrateUnchanged(t *testing.T) {
	type said struct {
		Calibration Calibration
		Err         string
	}
	var all []said
	for _, hz := range []float64{250, 1000, 1012, 700} {
		for _, noise := range []float64{1e-5, 3e-3, 0.05} {
			x := sine(48000, hz, 0.1, 6)
			n := coloured(11, 1<<19, 48000, 20, 20000, 0)
			for i := range x {
				x[i] += noise * n[i]
				if at := float64(i) / 48000; at < 0.8 || at > 5.5 {
					x[i] *= 1e-3 // it is put on and taken off
				}
			}
			c, err := Calibrate(x, 48000, 94)
			s := said{Calibration: c}
			if err != nil {
				s.Err = err.Error()
			}
			all = append(all, s)
		}
	}
	golden.Check(t, "calibrators", all)
}
