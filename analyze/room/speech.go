package room

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
)

const (
	octaves     = 7  // 125 Hz to 8 kHz
	frequencies = 14 // of the modulation
)

// The full method of IEC 60268-16:2020, Annex A: modulation frequencies, weights and
// redundancy factors of male speech (Table A.1), absolute reception thresholds in dB
// re 20 µPa (Table A.3).
var (
	octaveNames = [octaves]string{"125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz"}
	modulation  = [frequencies]float64{0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5}
	alpha       = [octaves]float64{0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173}
	beta        = [octaves - 1]float64{0.085, 0.078, 0.065, 0.011, 0.047, 0.095}
	threshold   = [octaves]float64{46, 27, 12, 6.5, 7.5, 8, 12}
)

// Speech is how much of speech is understood.
type Speech struct {
	STI    float64          // 0…1; NaN: not known
	MTI    [octaves]float64 // modulation transfer index of each octave
	Reason string           // why STI is not known
}

// Condition is what is heard beside the room: levels of speech and of noise in the
// octaves from 125 Hz to 8 kHz.
type Condition struct {
	SpeechDB, NoiseDB [octaves]float64 // NoiseDB −Inf: none
	// Absolute: the levels are re 20 µPa, so that masking by the octave below and the
	// threshold of hearing count. Else only their difference does.
	Absolute bool
}

// MaleSpeech is the spectrum of male speech of an A-weighted level, both in dB re 20
// µPa (IEC 60268-16:2020, A.6.1; A weights of IEC 61672-1 at the octaves' middles).
func MaleSpeech(levelDBA float64) (octaveDB [octaves]float64) {
	spectrum := [octaves]float64{-2.5, 0.5, 0, -6, -12, -18, -24}
	weights := [octaves]float64{-16.1, -8.6, -3.2, 0, 1.2, 1, -1.1}
	sum := 0.0
	for k, v := range spectrum {
		sum += math.Pow(10, (v+weights[k])/10)
	}
	for k, v := range spectrum {
		octaveDB[k] = v + levelDBA - 10*math.Log10(sum)
	}
	return octaveDB
}

// factor is what masking, threshold and noise leave of the modulation in an octave:
// Is/(Is + In + Iam + Irt). The masking octave is the next lower one with its noise:
// public copies of the standard differ there, and its worked example does not tell.
func (c Condition) factor(k int) float64 {
	intensity := func(db float64) float64 { return math.Pow(10, db/10) }
	speech := intensity(c.SpeechDB[k])
	all := speech + intensity(c.NoiseDB[k])
	if c.Absolute {
		all += intensity(threshold[k])
		if k > 0 {
			below := intensity(c.SpeechDB[k-1]) + intensity(c.NoiseDB[k-1])
			all += below * intensity(maskingDB(10*math.Log10(below)))
		}
	}
	return speech / all
}

// maskingDB is the level of the masking re that of the octave below (IEC 60268-16:2020,
// Table A.2).
func maskingDB(levelDB float64) float64 {
	switch {
	case levelDB < 63:
		return 0.5*levelDB - 65
	case levelDB < 67:
		return 1.8*levelDB - 146.9
	case levelDB < 100:
		return 0.5*levelDB - 59.8
	}
	return -10
}

// Speech is the speech transmission index of the room, under a condition if it is not
// nil; without one nothing but the room disturbs.
func (r *Room) Speech(c *Condition) Speech {
	m := r.modulation
	var missing []string
	for k := range m {
		factor := 1.0
		if c != nil {
			factor = c.factor(k)
		}
		for i := range m[k] {
			m[k][i] *= factor
		}
		if math.IsNaN(m[k][0]) {
			missing = append(missing, octaveNames[k])
		}
	}
	if missing != nil {
		s := Speech{STI: math.NaN(), Reason: fmt.Sprintf("it needs all octaves from 125 Hz to 8 kHz, %d dB of decay in each: not so at %s", needsEnergy, strings.Join(missing, ", "))}
		for k := range s.MTI {
			s.MTI[k] = math.NaN()
		}
		return s
	}
	return transmission(m)
}

// transmission is the index of modulation transfer functions (IEC 60268-16:2020, A.5.4
// to A.5.6).
func transmission(m [octaves][frequencies]float64) (s Speech) {
	for k := range m {
		for _, v := range m[k] {
			v = min(v, 1)
			snr := min(max(10*math.Log10(v/(1-v)), -15), 15)
			s.MTI[k] += (snr + 15) / 30 / frequencies
		}
		s.STI += alpha[k] * s.MTI[k]
	}
	for k, b := range beta {
		s.STI -= b * math.Sqrt(s.MTI[k]*s.MTI[k+1])
	}
	s.STI = min(s.STI, 1)
	return s
}

// modulations sets m(F) = |∫ p² e^(−j2πFt) dt| / ∫ p² dt (Schroeder, Acustica 49, 1981),
// behind end as the late decay goes on.
func (d *decay) modulations(m *[frequencies]float64) {
	size := max(1, int(d.rateHz*0.0005)) // a rectangle so short costs 0.00007 at 12.5 Hz
	for i, f := range modulation {
		w := 2 * math.Pi * f
		var sum complex128
		for at := 0; at < d.end; at += size {
			part := d.p2[at:min(at+size, d.end)]
			e := 0.0
			for _, v := range part {
				e += v - d.noise
			}
			sum += cmplx.Rect(e/d.rateHz, -w*(float64(at)+float64(len(part)-1)/2)/d.rateHz)
		}
		sum += complex(d.tail, 0) * cmplx.Rect(1, -w*float64(d.end)/d.rateHz) * complex(d.rate, 0) / complex(d.rate, w)
		m[i] = cmplx.Abs(sum) / d.energy[0]
	}
}
