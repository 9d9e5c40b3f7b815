package planning

import (
	"fmt"
	"math"
	"math/cmplx"

	"plumbline/analyze/alignment"
	"plumbline/analyze/response"
	"plumbline/analyze/statistics"
	"plumbline/analyze/summation"
	"plumbline/stream/wire"
)

// apply is what spectra would have been, had their loudspeaker been set so.
func apply(x alignment.Setting, src *response.Spectra) *response.Spectra {
	dst := new(response.Spectra)
	x.Apply(dst, src)
	return dst
}

// account draws up the ledger of a seat (from 0) as it was taken, and what the
// plan makes of it.
func (s *solution) account(i int) (wire.AlignSeat, error) {
	seat, r := s.seats[i], s.result
	// Offsets are looked for around the one that the alignment has found, a
	// period of the lowest frequency to either side.
	reach := math.Abs(r.Seats[i].OffsetMs) + max(5, 1000/r.Band.LowHz)
	cfg := summation.Config{A: s.query.Main, B: s.query.Fill, Band: r.Band, MaxOffsetMs: reach}
	l, err := summation.Account(seat.specA, seat.specB, seat.specBoth, cfg)
	if err != nil {
		return wire.AlignSeat{}, refuse(0, "account", "%s: %v", seat.seat.Name, err)
	}
	planned, err := gain(seat.plannedA, apply(r.Plan, seat.plannedB), r.Band)
	if err != nil {
		return wire.AlignSeat{}, refuse(0, "account", "%s: %v", seat.seat.Name, err)
	}
	out := wire.AlignSeat{
		Seat: seat.seat.ID, Name: seat.seat.Name,
		TodayDB: wire.Value(r.Seats[i].TodayDB), PlanDB: wire.Value(r.Seats[i].PlanDB), RunnerUpDB: wire.Value(r.Seats[i].RunnerUpDB),
		OffsetMs: wire.Value(l.OffsetMs), OffsetSDMs: wire.Value(l.OffsetSDMs), Polarity: signWord(l.Sign),
		BandHz:   []float64{l.Band.LowHz, l.Band.HighHz},
		LevelADB: wire.Value(l.LevelADB), LevelBDB: wire.Value(l.LevelBDB), LevelBothDB: wire.Value(l.LevelBothDB), Predicted: l.Predicted,
		IdealGainDB: wire.Value(l.IdealGainDB), GainDB: wire.Value(l.GainOverLouderDB), GainLowDB: wire.Value(l.GainLowDB), GainHighDB: wire.Value(l.GainHighDB),
		PlanGainDB: wire.Value(planned), TakeA: seat.a.ID, TakeB: seat.b.ID, CompensatedMs: wire.Value(seat.specA.DelayS * 1000),
	}
	if seat.both != nil {
		out.TakeBoth = seat.both.ID
	}
	for _, row := range l.Rows {
		out.Ledger = append(out.Ledger, wire.LedgerRow{
			Cause: string(row.Cause), ChangeDB: wire.Value(row.ChangeDB), LowDB: wire.Value(row.LowDB), HighDB: wire.Value(row.HighDB), Sentence: row.Sentence,
		})
	}
	if out.Cells, err = cellsOf(seat, r.Band); err != nil {
		return wire.AlignSeat{}, refuse(0, "account", "%s: %v", seat.seat.Name, err)
	}
	comb := summation.NewComb(l.OffsetMs, l.LevelADB-l.LevelBDB, l.Sign, l.Band)
	out.Comb = wire.CombObject{
		NotchesHz: append([]float64{}, comb.NotchHz...), PeaksHz: append([]float64{}, comb.PeakHz...),
		DepthDB: wire.Value(comb.NotchDB), PeakDB: wire.Value(comb.PeakDB),
	}
	points := pointsOf(seat.specA)
	for _, k := range points {
		out.FrequencyHz = append(out.FrequencyHz, seat.specA.FrequencyHz[k])
	}
	out.A = drawn(seat.specA, points, 0)
	out.B = drawn(seat.specB, points, seat.specB.DelayS-seat.specA.DelayS)
	if seat.specBoth != nil {
		both := drawnSum(seat.specBoth, points, seat.specBoth.DelayS-seat.specA.DelayS)
		out.Both = &both
	}
	return out, nil
}

// gain is the level of the predicted sum over the louder of the two, as in the
// ledger but for the power of the noise.
func gain(a, b *response.Spectra, band summation.Band) (float64, error) {
	pair, err := summation.NewPair(a, b, band)
	if err != nil {
		return 0, err
	}
	var pa, pb, sum float64
	for k, w := range pair.Weight {
		pa += w * power(pair.A[k])
		pb += w * power(pair.B[k])
		sum += w * power(pair.A[k]+pair.B[k])
	}
	return 10 * math.Log10(sum/max(pa, pb)), nil
}

func signWord(sign int) string {
	switch {
	case sign > 0:
		return "same"
	case sign < 0:
		return "opposite"
	}
	return "undecided"
}

// perOctave is how many points an octave are drawn.
const perOctave = 48

// pointsOf picks points evenly in log frequency, as far as there are any,
// within 20 Hz…20 kHz.
func pointsOf(s *response.Spectra) []int {
	var out []int
	k, n := 0, len(s.FrequencyHz)
	for i := 0; ; i++ {
		f := 20 * math.Exp2(float64(i)/perOctave)
		if f > 20000*(1+1e-9) || k >= n {
			return out
		}
		for k+1 < n && s.FrequencyHz[k]*s.FrequencyHz[k+1] < f*f {
			k++
		}
		if s.FrequencyHz[k] >= 19.9 && s.FrequencyHz[k] <= 20010 && (len(out) == 0 || out[len(out)-1] != k) {
			out = append(out, k)
		}
	}
}

// drawn is a response over the points, each the mean of 1/48 octave, laterS
// later than its own compensation.
func drawn(s *response.Spectra, points []int, laterS float64) wire.Complex {
	var smooth response.Spectra
	response.Smooth(&smooth, s, perOctave)
	var c wire.Complex
	for _, k := range points {
		h := complex(math.NaN(), math.NaN())
		trusted := false
		if smooth.Gxx[k] > 0 && smooth.EffectiveAverages[k] > 0 {
			h = smooth.Gxy[k] / complex(smooth.Gxx[k], 0) * cmplx.Rect(1, -2*math.Pi*s.FrequencyHz[k]*laterS)
			trusted = power(smooth.Gxy[k]) > smooth.Gxx[k]*smooth.Gyy[k]*statistics.CoherenceThreshold(smooth.EffectiveAverages[k], response.FalseTrust)
		}
		c.Re, c.Im, c.Trusted = append(c.Re, float32(real(h))), append(c.Im, float32(imag(h))), append(c.Trusted, trusted)
	}
	return c
}

// drawnSum is drawn with the magnitude of the power mean: the sum of two that
// are apart turns its phase within 1/48 octave, and a complex mean would lose it.
func drawnSum(s *response.Spectra, points []int, laterS float64) wire.Complex {
	c := drawn(s, points, laterS)
	reach := math.Exp2(0.5 / perOctave)
	low, high := 0, 0
	for i, k := range points {
		f := s.FrequencyHz[k]
		for low < k && s.FrequencyHz[low] < f/reach {
			low++
		}
		for high = max(high, k+1); high < len(s.FrequencyHz) && s.FrequencyHz[high] < f*reach; high++ {
		}
		sum, n := 0.0, 0
		for q := low; q < high; q++ {
			if s.Gxx[q] > 0 {
				sum += power(s.Gxy[q] / complex(s.Gxx[q], 0))
				n++
			}
		}
		if h := complex(float64(c.Re[i]), float64(c.Im[i])); n > 0 && cmplx.Abs(h) > 0 {
			h *= complex(math.Sqrt(sum/float64(n))/cmplx.Abs(h), 0)
			c.Re[i], c.Im[i] = float32(real(h)), float32(imag(h))
		}
	}
	return c
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// say adds the reasons of a plan.
func (s *solution) say(how string) {
	r := s.result
	main, fill := s.query.Main, s.query.Fill
	found := "was set by hand"
	if s.query.LowHz == 0 {
		found = fmt.Sprintf("is where %s and %s are both trusted and within %d dB of each other", main, fill, int(summation.DefaultMaxDifferenceDB))
	}
	add := func(format string, args ...any) { s.reasons = append(s.reasons, fmt.Sprintf(format, args...)) }
	add("The band %s %s.", r.Band, found)
	if how != "" {
		add("%s", how)
	}
	add("The delay may move by %.2f ms either way before %.1f dB are lost.", r.FlatnessMs, alignment.FlatDB)
	worst, best := 0, 0
	for i, seat := range r.Seats {
		if seat.PlanDB-seat.TodayDB < r.Seats[worst].PlanDB-r.Seats[worst].TodayDB {
			worst = i
		}
		if seat.PlanDB-seat.TodayDB > r.Seats[best].PlanDB-r.Seats[best].TodayDB {
			best = i
		}
	}
	if gain := r.Seats[best].PlanDB - r.Seats[best].TodayDB; gain > 0.05 {
		add("%s gains most: %.1f dB.", s.seats[best].seat.Name, gain)
	} else {
		add("Nothing is to be gained: today's setting is as good.")
	}
	if loss := r.Seats[worst].TodayDB - r.Seats[worst].PlanDB; loss > 0.05 {
		add("%s loses %.1f dB by it.", s.seats[worst].seat.Name, loss)
	}
	if len(s.applied) > 0 {
		add("%s counts as earlier plans leave it.", upper(main))
	}
}

func sayChange(name string, known bool, from, to wire.Dial) string {
	text := ""
	if known {
		text = fmt.Sprintf("%s: delay %.2f ms (was %.2f)", name, to.DelayMs, from.DelayMs)
	} else {
		text = fmt.Sprintf("%s: %.2f ms more delay", name, to.DelayMs-from.DelayMs)
	}
	switch {
	case from.Polarity != to.Polarity && known:
		text += ", polarity " + to.Polarity
	case from.Polarity != to.Polarity:
		text += ", polarity turned"
	default:
		text += ", polarity as it is"
	}
	if d := to.GainDB - from.GainDB; math.Abs(d) >= 0.05 {
		text += fmt.Sprintf(", gain %+.1f dB", d)
	}
	return text
}

func upper(s string) string {
	if s == "" {
		return s
	}
	if c := s[0]; c >= 'a' && c <= 'z' {
		return string(c-'a'+'A') + s[1:]
	}
	return s
}
