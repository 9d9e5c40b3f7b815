package planning

import (
	"fmt"
	"math"
	"math/cmplx"

	"plumbline/analyze/alignment"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
	"plumbline/stream/verdict"
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
	planned := s.problem.Pair(i)
	pair := planned
	if seat.plannedA != seat.specA || seat.plannedB != seat.specB {
		var err error
		if pair, err = summation.NewPair(seat.specA, seat.specB, r.Band); err != nil {
			return wire.AlignSeat{}, refuse(0, "account", "%s: %v", seat.seat.Name, err)
		}
	}
	l, err := pair.Account(seat.specBoth, summation.Config{A: s.query.Main, B: s.query.Fill, MaxOffsetMs: reach, Offset: s.offset(i)})
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
		PlanGainDB: wire.Value(gain(planned, r.Plan)), TakeA: seat.a.ID, TakeB: seat.b.ID, CompensatedMs: wire.Value(seat.specA.DelayS * 1000),
	}
	if seat.both != nil {
		out.TakeBoth = seat.both.ID
	}
	for _, row := range l.Rows {
		out.Ledger = append(out.Ledger, wire.LedgerRow{
			Cause: string(row.Cause), ChangeDB: wire.Value(row.ChangeDB), LowDB: wire.Value(row.LowDB), HighDB: wire.Value(row.HighDB), Sentence: row.Sentence,
		})
	}
	out.Cells = cellsOf(planned)
	comb := summation.NewComb(l.OffsetMs, l.LevelADB-l.LevelBDB, l.Sign, l.Band)
	out.Comb = wire.CombObject{
		NotchesHz: append([]float64{}, comb.NotchHz...), PeaksHz: append([]float64{}, comb.PeakHz...),
		DepthDB: wire.Value(comb.NotchDB), PeakDB: wire.Value(comb.PeakDB),
	}
	out.Slopes = s.slopes(pair, l.OffsetMs)
	d := newDrawing(seat.specA)
	out.FrequencyHz, out.Correlation = d.frequencyHz, d.correlation
	out.A = d.response(seat.specA, 0)
	out.B = d.response(seat.specB, seat.specB.DelayS-seat.specA.DelayS)
	if seat.specBoth != nil {
		both := d.sum(seat.specBoth, seat.specBoth.DelayS-seat.specA.DelayS)
		out.Both = &both
	}
	return out, nil
}

// gain is the level of the predicted sum over the louder of the two, with that
// setting of B; as in the ledger but for the power of the noise.
func gain(pair *summation.Pair, x alignment.Setting) float64 {
	var pa, pb, sum float64
	level := float64(x.Sign) * math.Pow(10, x.GainDB/20)
	for k, w := range pair.Weight {
		b := pair.B[k] * cmplx.Rect(level, -2*math.Pi*pair.FrequencyHz[k]*x.DelayMs/1e3)
		pa += w * power(pair.A[k])
		pb += w * power(b)
		sum += w * power(pair.A[k]+b)
	}
	return 10 * math.Log10(sum/max(pa, pb))
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
		add("%s counts as earlier plans leave it.", verdict.Capital(main))
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
