package planning

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"net/http"
	"slices"
	"time"

	"plumbline/analyze/air"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
	"plumbline/stream/show"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// What counts as passed, and as a fault that is worth naming.
const (
	passDB      = 0.5  // between prediction and proof
	sureDB      = 1.0  // half width of the interval that a proof must have
	deafDB      = -12. // the fill in the sum, re the plan: it does not play
	levelDB     = 1.0
	alike       = 0.7 // correlation
	delayMs     = 0.05
	sigmas      = 3
	partOfCycle = 0.05 // of the band's middle: a delay error that is worth naming
)

// VerifyPlan implements stream.AlignOperator.
func (p *Planner) VerifyPlan(ctx context.Context, r wire.VerifyRequest, by string) (wire.Survey, error) {
	x, err := p.cfg.Shelf.Current()
	if err != nil {
		return wire.Survey{}, err
	}
	plan, err := plan(x, r.Plan)
	if err != nil {
		return wire.Survey{}, err
	}
	seats := []int64{r.Seat}
	for _, id := range r.Seats.Seats {
		seats = append(seats, id)
	}
	for _, id := range seats {
		if id == 0 {
			continue
		}
		if _, err := basis(x, &plan, id); err != nil { // before anything sounds
			return wire.Survey{}, err
		}
	}
	if r.ByHand {
		return p.cfg.ByHand(ctx, r, plan.Main, plan.Fill, by)
	}
	return p.cfg.Measure(ctx, r, plan.Main, plan.Fill, by)
}

// basis are the takes of A and B that a plan rests on at a seat, or the newest.
func basis(x *show.Show, plan *wire.StoredPlan, seat int64) (*seatTakes, error) {
	c, err := collect(x, plan.Main, plan.Fill, nil)
	if err != nil {
		return nil, err
	}
	s := &seatTakes{seat: show.Seat{ID: seat}}
	if i := slices.IndexFunc(plan.Seats, func(p wire.PlanSeat) bool { return p.Seat == seat }); i >= 0 {
		a, errA := x.Take(plan.Seats[i].TakeA)
		b, errB := x.Take(plan.Seats[i].TakeB)
		if errA == nil && errB == nil {
			s.seat.Name, s.a, s.b = plan.Seats[i].Name, &a, &b
		}
	}
	if s.a == nil {
		i := slices.IndexFunc(c.seats, func(s *seatTakes) bool { return s.seat.ID == seat })
		if i < 0 {
			return nil, refuse(http.StatusConflict, "no_takes", "nothing can be predicted at this seat: it has no takes of %s alone and %s alone: survey it first", plan.Main, plan.Fill)
		}
		s = c.seats[i]
	}
	s.readDials(plan.Main, plan.Fill)
	s.both = nil
	return s, c.read(s)
}

// planned is a loudspeaker's take as the plan leaves it.
func planned(plan *wire.StoredPlan, name string, was wire.Dial, take *response.Spectra) *response.Spectra {
	for _, c := range plan.Settings {
		if c.Loudspeaker == name {
			return apply(difference(was, c.To), take)
		}
	}
	return take
}

// Prove compares a take of both, made with the plan dialled in, with what the
// takes of each alone predict, and keeps the outcome with the plan.
func (p *Planner) Prove(r wire.VerifyRequest, seat, take int64, by string) (wire.Verification, error) {
	x, err := p.cfg.Shelf.Current()
	if err != nil {
		return wire.Verification{}, err
	}
	plan, err := plan(x, r.Plan)
	if err != nil {
		return wire.Verification{}, err
	}
	s, err := basis(x, &plan, seat)
	if err != nil {
		return wire.Verification{}, err
	}
	both := new(response.Spectra)
	if err := x.Spectra(take, both); err != nil {
		return wire.Verification{}, err
	}
	v, err := prove(&plan, s, both)
	if err != nil {
		return v, refuse(http.StatusConflict, "verify", "%s: %v", s.seat.Name, err)
	}
	v.Plan, v.Seat, v.SeatName, v.Take = plan.ID, seat, s.seat.Name, take
	v.Time = time.Now().UTC().Format(time.RFC3339)
	kept := v
	kept.FrequencyHz, kept.Correlation = []float64{}, wire.Values{}
	kept.PredictedCurve, kept.MeasuredCurve, kept.PredictedError, kept.MeasuredError = wire.Values{}, wire.Values{}, wire.Values{}, wire.Values{}
	proven := func(p *wire.StoredPlan) {
		p.Verified = append(slices.DeleteFunc(p.Verified, func(old wire.Verification) bool { return old.Seat == seat }), kept)
	}
	if v.Pass && !plan.Dialled {
		_, err = inForce(x, plan, proven, by)
	} else {
		_, err = change(x, plan.ID, proven, by)
	}
	return v, err
}

func prove(plan *wire.StoredPlan, s *seatTakes, both *response.Spectra) (wire.Verification, error) {
	a := planned(plan, plan.Main, s.dialA, s.specA)
	b := planned(plan, plan.Fill, s.dialB, s.specB)
	band := summation.Band{LowHz: plan.BandHz[0], HighHz: plan.BandHz[1]}
	l, err := summation.Account(a, b, both, summation.Config{A: plan.Main, B: plan.Fill, Band: band})
	if err != nil {
		return wire.Verification{}, err
	}
	rest := l.Rows[len(l.Rows)-1]
	v := wire.Verification{
		BandHz: plan.BandHz, MeasuredDB: wire.Value(l.LevelBothDB), PredictedDB: wire.Value(l.LevelBothDB - rest.ChangeDB),
		DifferenceDB: wire.Value(rest.ChangeDB), LowDB: wire.Value(rest.LowDB), HighDB: wire.Value(rest.HighDB), GainDB: wire.Value(l.GainOverLouderDB),
	}
	found := faults(a, b, both, band)
	v.Polarity, v.DelayErrorMs, v.LevelErrorDB = signWord(found.sign), wire.Value(found.delayMs), wire.Value(found.levelDB)
	half := (rest.HighDB - rest.LowDB) / 2
	switch {
	case !(half <= sureDB):
		v.Text = fmt.Sprintf("%s: the proof is no better than ±%.1f dB: measure longer or play louder.", verdict.Capital(s.seat.Name), half)
	case math.Abs(rest.ChangeDB) <= max(passDB, half) && found.sign >= 0:
		v.Pass = true
		v.Text = fmt.Sprintf("%s passes: together they are %.1f dB above the louder one, predicted %.1f dB.", verdict.Capital(s.seat.Name), l.GainOverLouderDB, l.GainOverLouderDB-rest.ChangeDB)
	default:
		v.Text = fmt.Sprintf("%s does not pass: together they are %.1f dB above the louder one, predicted %.1f dB. %s",
			verdict.Capital(s.seat.Name), l.GainOverLouderDB, l.GainOverLouderDB-rest.ChangeDB, found.say(plan, band, air.SpeedOfSound(float64(plan.TemperatureC))))
	}
	d := newDrawing(both)
	v.FrequencyHz, v.Correlation = d.frequencyHz, d.correlation
	var sum response.Spectra
	if err := response.Add(&sum, a, b, 1); err != nil {
		return v, err
	}
	v.PredictedCurve, v.PredictedError = levels(d.sum(&sum, 0))
	v.MeasuredCurve, v.MeasuredError = levels(d.sum(both, 0))
	return v, nil
}

// levels are the magnitudes of a response, dB, and their relative errors.
func levels(c wire.Complex) (db, relative wire.Values) {
	for i := range c.Re {
		db = append(db, hundredth(20*math.Log10(cmplx.Abs(complex(float64(c.Re[i]), float64(c.Im[i]))))))
	}
	return db, c.Error
}

// fault is how the fill in a measured sum differs from the plan.
type fault struct {
	heard              bool
	like               bool // what is left is the fill, but for sign, delay and level
	sign               int  // 0 undecided
	delayMs, delaySDMs float64
	levelDB            float64
}

// faults takes the main, as planned, off the measured sum and compares what is
// left with the fill, as planned.
func faults(a, b, both *response.Spectra, band summation.Band) fault {
	unknown := fault{delayMs: math.NaN(), levelDB: math.NaN()}
	var left response.Spectra
	if response.Add(&left, both, a, -1) != nil {
		return unknown
	}
	l, err := summation.Account(b, &left, nil, summation.Config{Band: band})
	if err != nil {
		return unknown
	}
	return fault{
		heard: l.LevelBDB-l.LevelADB > deafDB, like: likeness(l) > alike, sign: l.Sign,
		delayMs: l.OffsetMs, delaySDMs: l.OffsetSDMs, levelDB: l.LevelBDB - l.LevelADB,
	}
}

// likeness is the correlation, 0…1, of the two responses of a ledger at the best
// delay and sign: (S3 − a² − b²)/2ab in the terms of summation.Account.
func likeness(l *summation.Ledger) float64 {
	linear := func(db float64) float64 { return math.Pow(10, db/10) }
	a2, b2 := linear(l.LevelADB), linear(l.LevelBDB)
	inPhase := 4 * max(a2, b2) * linear(l.Rows[0].ChangeDB+l.Rows[1].ChangeDB+l.Rows[2].ChangeDB)
	return (inPhase - a2 - b2) / (2 * math.Sqrt(a2*b2))
}

func (f fault) say(plan *wire.StoredPlan, band summation.Band, speedMS float64) string {
	middle := 1000 / math.Sqrt(band.LowHz*band.HighHz) // ms
	late := math.Abs(f.delayMs) > max(delayMs, sigmas*f.delaySDMs, partOfCycle*middle)
	var text string
	switch {
	case !f.heard:
		return fmt.Sprintf("%s is hardly heard in the sum: is it muted, or its level down?", verdict.Capital(plan.Fill))
	case !f.like:
		return "What is heard beside " + plan.Main + " is not " + plan.Fill + " as it was: has the microphone been moved, or does something else play? Survey the seat again."
	case f.sign < 0 && !late:
		text = fmt.Sprintf("The polarity of %s is not as planned: turn it.", plan.Fill)
	case f.sign < 0:
		text = fmt.Sprintf("Neither the polarity of %s nor its delay are as planned: turn it, and it comes %s.", plan.Fill, lateness(f.delayMs, speedMS))
	case late:
		text = fmt.Sprintf("The delay of %s is not as planned: it comes %s.", plan.Fill, lateness(f.delayMs, speedMS))
	}
	if math.Abs(f.levelDB) > levelDB {
		word := "louder"
		if f.levelDB < 0 {
			word = "quieter"
		}
		if text != "" {
			text += " "
		}
		text += fmt.Sprintf("%s is %.1f dB %s than planned.", verdict.Capital(plan.Fill), math.Abs(f.levelDB), word)
	}
	if text == "" {
		text = fmt.Sprintf("Polarity, delay and level of %s look as planned: has something about %s changed? Survey the seat again.", plan.Fill, plan.Main)
	}
	return text
}

func lateness(ms, speedMS float64) string {
	word := "late"
	if ms < 0 {
		word = "early"
	}
	return fmt.Sprintf("%.2f ms (%.2f m) too %s", math.Abs(ms), math.Abs(ms)/1000*speedMS, word)
}
