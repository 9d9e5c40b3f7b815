package planning

import (
	"fmt"
	"math"
	"math/cmplx"

	"plumbline/analyze/alignment"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
	"plumbline/stream/wire"
)

// apply is what spectra would have been, had their loudspeaker been set so.
func apply(x alignment.Setting, src *response.Spectra) *response.Spectra {
	dst := new(response.Spectra)
	x.Apply(dst, src)
	return dst
}

const overlapDB = int(summation.DefaultMaxDifferenceDB)

// account draws up the ledger of a seat (from 0) as it is now, and what the plan
// makes of it.
func (s *solution) account(i int) (wire.AlignSeat, error) {
	seat, r := s.seats[i], s.result
	// Offsets are looked for around the one that the alignment has found, a
	// period of the lowest frequency to either side.
	reach := math.Abs(r.Seats[i].OffsetMs) + max(5, 1000/r.Band.LowHz)
	pair := s.problem.Pair(i)
	l, err := pair.Account(seat.specBoth, summation.Config{A: s.query.Main, B: s.query.Fill, MaxOffsetMs: reach,
		Offset: &summation.Offset{Ms: r.Seats[i].OffsetMs, Sign: r.Seats[i].OffsetSign}})
	if err != nil {
		return wire.AlignSeat{}, refuse(0, "account", "%s: %v", seat.seat.Name, err)
	}
	out := wire.AlignSeat{
		Seat: seat.seat.ID, Name: seat.seat.Name,
		LowDB: wire.Value(r.Seats[i].Plan.LowDB), HighDB: wire.Value(r.Seats[i].Plan.HighDB),
		TodayDB: wire.Value(r.Seats[i].TodayDB), PlanDB: wire.Value(r.Seats[i].PlanDB), RunnerUpDB: wire.Value(r.Seats[i].RunnerUpDB),
		OffsetMs: wire.Value(l.OffsetMs), OffsetSDMs: wire.Value(l.OffsetSDMs), Polarity: signWord(l.Sign),
		BandHz:   []float64{l.Band.LowHz, l.Band.HighHz},
		LevelADB: wire.Value(l.LevelADB), LevelBDB: wire.Value(l.LevelBDB), LevelBothDB: wire.Value(l.LevelBothDB), Predicted: l.Predicted,
		IdealGainDB: wire.Value(l.IdealGainDB), GainDB: wire.Value(l.GainOverLouderDB), GainLowDB: wire.Value(l.GainLowDB), GainHighDB: wire.Value(l.GainHighDB),
		PlanGainDB: wire.Value(gain(pair, r.Plan)), TakeA: seat.a.ID, TakeB: seat.b.ID, CompensatedMs: wire.Value(seat.nowA.DelayS * 1000),
		SpreadMs: wire.Value(seat.spreadMs), HeadsDB: wire.Value(s.heads[i]), HeadsPlanDB: wire.Value(s.headsPlan[i]), ChangeDB: wire.Value(s.headsPlan[i] - s.heads[i]),
	}
	if seat.both != nil {
		out.TakeBoth = seat.both.ID
	}
	for _, row := range l.Rows {
		out.Ledger = append(out.Ledger, wire.LedgerRow{
			Cause: string(row.Cause), ChangeDB: wire.Value(row.ChangeDB), LowDB: wire.Value(row.LowDB), HighDB: wire.Value(row.HighDB), Sentence: row.Sentence,
		})
	}
	out.Cells = cellsOf(s.problem.Cells(i))
	comb := summation.NewComb(l.OffsetMs, l.LevelADB-l.LevelBDB, l.Sign, l.Band)
	out.Comb = wire.CombObject{
		NotchesHz: append([]float64{}, comb.NotchHz...), PeaksHz: append([]float64{}, comb.PeakHz...),
		DepthDB: wire.Value(comb.NotchDB), PeakDB: wire.Value(comb.PeakDB),
	}
	out.Slopes = s.slopes(pair, l.OffsetMs)
	d := newDrawing(seat.nowA)
	out.FrequencyHz, out.Correlation = d.frequencyHz, d.correlation
	out.A = d.response(seat.nowA, 0)
	out.B = d.response(seat.nowB, seat.nowB.DelayS-seat.nowA.DelayS)
	if seat.specBoth != nil {
		both := d.sum(seat.specBoth, seat.specBoth.DelayS-seat.nowA.DelayS)
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
