package room

import (
	"fmt"
	"math"
	"strings"

	"plumbline/analyze/level"
)

// Config says what is analysed. The zero value but for the rate is octaves.
type Config struct {
	SampleRateHz float64 // 8000…192000
	Fraction     int     // 1 or 3; 0: 1
	LowHz        float64 // what the response holds begins here; bands that do not lie within are not told
	HighHz       float64 // and ends here; 0: half the sample rate
}

// Band is what the room does in one band, or in all of them. What is not known is NaN.
type Band struct {
	MidHz, NominalHz float64 // exact and as it is called; 0 broadband
	EDTS             float64 // early decay time, from 0 to −10 dB
	T20S             float64 // reverberation time, from −5 to −25 dB
	T30S             float64 // reverberation time, from −5 to −35 dB
	// One recording of sound as irregular as noise is one of many: by how much its times
	// stray from the room's, as standard deviations. Other seats and other rooms are not
	// in it.
	EDTSDS, T20SDS, T30SDS float64
	C50DB, C80DB           float64 // clarity
	D50                    float64 // definition, 0…1
	TsMs                   float64 // centre time
	DecayRangeDB           float64 // how far the decay goes down before it meets the noise
	CurvaturePercent       float64 // 100·(T30/T20 − 1), ISO 3382-2:2008 Annex B
	Reason                 string  // why something is not known
	Remark                 string  // what to know of what is
}

// Room is what Analyze tells.
type Room struct {
	OnsetS     float64 // of the direct sound, from the beginning of the response
	SecondS    float64 // of another impulse, with which the analysis ends; NaN: none
	Bands      []Band
	Broadband  Band
	modulation [octaves][frequencies]float64 // m(F); NaN: not known
}

// The decay that a quantity needs above the noise (ISO 3382-1:2009, 5.3.3: its
// evaluation range and 15 dB). Energy ratios are good with less: a fifth of a just
// noticeable difference with 20 dB, found by TestEnergiesInNoise.
const (
	needsEDT    = 25
	needsT20    = 35
	needsT30    = 45
	needsEnergy = 20
)

// curved is where a decay has no one time (ISO 3382-2:2008, Annex B: over 10 % is
// suspicious).
const curved = 10

// leastBT is the least product of bandwidth and decay time at which the filter's own
// ringing changes a time by less than 5 %, found by TestShortDecays.
const leastBT = 12

// What times of Gaussian decays stray by, over T/√(BT), B the bandwidth: ISO 3382-2:2008,
// 7.1, has 0.88 and 0.55 for T20 and T30 of many decays (from memory); these were found by
// TestChanceOfOneRecording.
const (
	chanceEDT = 1.7
	chanceT20 = 0.85
	chanceT30 = 0.53
)

// longestS is what is analysed behind the direct sound.
const longestS = 30

// Analyze takes an impulse response with whatever lies before and behind it, at least
// 0.1 s. An error says what is wrong with it in one line.
func Analyze(h []float64, cfg Config) (*Room, error) {
	if cfg.Fraction == 0 {
		cfg.Fraction = 1
	}
	if cfg.HighHz == 0 {
		cfg.HighHz = cfg.SampleRateHz / 2
	}
	rate := cfg.SampleRateHz
	switch {
	case !(rate >= 8000 && rate <= 192000):
		return nil, fmt.Errorf("sample rate %v Hz is not within 8000…192000 Hz", rate)
	case cfg.Fraction != 1 && cfg.Fraction != 3:
		return nil, fmt.Errorf("bands of 1/%d octave: choose 1 or 3", cfg.Fraction)
	case float64(len(h)) < 0.1*rate:
		return nil, fmt.Errorf("%.3g s are too short for the decay of a room", float64(len(h))/rate)
	}
	onset, ok := Onset(h)
	if !ok {
		return nil, fmt.Errorf("there is no sound in it")
	}
	r := &Room{OnsetS: float64(onset) / rate, SecondS: math.NaN()}
	h = h[:min(len(h), onset+int(longestS*rate))]
	if end := second(h, onset, rate); end > 0 {
		r.SecondS = float64(end) / rate
		h = h[:end-int(0.01*rate)]
	}
	start := max(0, onset-int(ringS(10)*rate))
	h, onset = h[start:], onset-start
	work := newFilters(h, rate)
	p2 := make([]float64, len(h))
	r.Broadband = describe(squares(p2, h), onset, rate, cfg.HighHz-cfg.LowHz, nil)
	covered := func(b level.Band) bool { return b.LowHz >= cfg.LowHz*0.999 && b.HighHz <= cfg.HighHz*1.001 }
	tell := func(b level.Band, m *[frequencies]float64) Band {
		told := unknown(Band{}, "the response does not cover the whole band")
		if covered(b) {
			told = describe(squares(p2, work.through(b)), onset, rate, b.HighHz-b.LowHz, m)
		}
		told.MidHz, told.NominalHz = b.MidHz, b.NominalHz
		return told
	}
	for _, b := range level.Bands(1) { // speech is told by octaves whatever is asked for
		var m *[frequencies]float64
		if k := int(math.Round(math.Log2(b.NominalHz / 125))); k >= 0 && k < octaves {
			m = &r.modulation[k]
			for i := range m {
				m[i] = math.NaN()
			}
		}
		if b.NominalHz >= 50 && b.NominalHz <= 10000 && (m != nil || cfg.Fraction == 1) {
			if told := tell(b, m); cfg.Fraction == 1 {
				r.Bands = append(r.Bands, told)
			}
		}
	}
	for _, b := range level.Bands(3) {
		if cfg.Fraction == 3 && b.NominalHz >= 50 && b.NominalHz <= 10000 {
			r.Bands = append(r.Bands, tell(b, nil))
		}
	}
	return r, nil
}

// Onset is the index of the direct sound: the first sample within 20 dB of the highest
// (ISO 3382-1:2009, A.3.4), and clear of the noise at the end of h.
func Onset(h []float64) (index int, ok bool) {
	peak := 0.0
	for _, v := range h {
		peak = max(peak, math.Abs(v))
	}
	if !(peak > 0) || math.IsInf(peak, 1) {
		return 0, false
	}
	noise := 0.0
	for _, v := range h[len(h)-len(h)/10:] {
		noise += v * v
	}
	clear := max(peak/10, min(peak, 5*math.Sqrt(noise/float64(max(len(h)/10, 1)))))
	for math.Abs(h[index]) < clear {
		index++
	}
	return index, true
}

// second is the index at which another impulse begins, 0 if none does: the level over
// 10 ms, a fifth of a second or more behind the first, rises 20 dB above what it had
// sunk to, to within 20 dB of the highest.
func second(h []float64, onset int, rate float64) int {
	size := int(0.01 * rate)
	p2 := make([]float64, len(h)-onset)
	levels := blocks(squares(p2, h[onset:]), size)
	top, low := 0.0, math.Inf(1)
	for i, v := range levels {
		top, low = max(top, v), min(low, v)
		if i >= 20 && v > 100*low && v > top/100 {
			return onset + i*size
		}
	}
	return 0
}

func squares(dst, x []float64) []float64 {
	dst = dst[:len(x)]
	for i, v := range x {
		dst[i] = v * v
	}
	return dst
}

func unknown(b Band, reason string) Band {
	for _, v := range []*float64{&b.EDTS, &b.T20S, &b.T30S, &b.EDTSDS, &b.T20SDS, &b.T30SDS, &b.C50DB, &b.C80DB, &b.D50, &b.TsMs, &b.DecayRangeDB, &b.CurvaturePercent} {
		*v = math.NaN()
	}
	b.Reason = reason
	return b
}

// describe tells of a squared response what its decay range allows, and of m, if it is
// not nil, the modulation that is left.
func describe(p2 []float64, onset int, rateHz, widthHz float64, m *[frequencies]float64) Band {
	before := min(onset, int(ringS(widthHz)/2*rateHz)) // what rings in front of the direct sound is part of it
	p2 = p2[onset-before:]
	b := unknown(Band{}, "")
	d := newDecay(p2, before, rateHz, widthHz)
	reach := d.rangeDB()
	if math.IsNaN(reach) {
		b.Reason = "no decay stands out of the noise"
		return b
	}
	b.DecayRangeDB = reach
	if reach < needsEnergy {
		b.Reason = fmt.Sprintf("the decay meets the noise after %.0f dB: nothing is told of fewer than %d", math.Floor(reach), needsEnergy)
		return b
	}
	total := d.energy[0]
	ratio := func(t float64) float64 { return 10 * math.Log10((total-d.at(t))/d.at(t)) }
	b.C50DB, b.C80DB = ratio(0.05), ratio(0.08)
	b.D50 = 1 - d.at(0.05)/total
	b.TsMs = d.centreMs()
	if m != nil {
		d.modulations(m)
	}
	var missing []string
	told := func(name string, needs, from, to float64) float64 {
		if reach < needs {
			missing = append(missing, fmt.Sprintf("%s needs %.0f", name, needs))
			return math.NaN()
		}
		return d.time(from, to)
	}
	b.EDTS = told("EDT", needsEDT, 0, -10)
	b.T20S = told("T20", needsT20, -5, -25)
	b.T30S = told("T30", needsT30, -5, -35)
	if missing != nil {
		b.Reason = fmt.Sprintf("the decay meets the noise after %.0f dB: %s", math.Floor(reach), strings.Join(missing, ", "))
	}
	for _, t := range []float64{b.EDTS, b.T20S, b.T30S} {
		if t*widthHz < leastBT {
			b.EDTS, b.T20S, b.T30S = math.NaN(), math.NaN(), math.NaN()
			b.Reason = "the band's own filter rings as long as the room: no time is told"
			return b
		}
	}
	b.EDTSDS, b.T20SDS, b.T30SDS = chanceEDT*math.Sqrt(b.EDTS/widthHz), chanceT20*math.Sqrt(b.T20S/widthHz), chanceT30*math.Sqrt(b.T30S/widthHz)
	b.CurvaturePercent = 100 * (b.T30S/b.T20S - 1)
	switch {
	case b.EDTS-2*b.T20S > 3*(b.EDTSDS+2*b.T20SDS):
		b.Remark = "the sound goes on after it has begun, as no impulse does: name the sweep, or the reference of programme"
	case b.CurvaturePercent > curved:
		b.Remark = fmt.Sprintf("two slopes: T30 is %.0f %% longer than T20, so the late sound fades more slowly than the early", b.CurvaturePercent)
	case b.CurvaturePercent < -curved:
		b.Remark = fmt.Sprintf("the decay bends down: T30 is %.0f %% shorter than T20, which no room does by itself", -b.CurvaturePercent)
	}
	return b
}
