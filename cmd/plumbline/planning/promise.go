package planning

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/analyze/alignment"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

const (
	worthDB = 0.3  // of the efficiency: what a plan wins and is worth the walk
	losesDB = 0.1  // what a seat loses and is named
	sameDB  = 0.05 // what is printed as 0.0
)

// promise is what a setting does against what is in force, by seat (efficiencies by
// the aim): the one place where its sentences are made, from the numbers beside them.
func (s *solution) promise(x alignment.Setting, todayDB, planDB float64) wire.Promise {
	today, then := s.problem.Gains(nil, unchanged), s.problem.Gains(nil, x)
	p := wire.Promise{Seats: len(today), Losing: []string{}, Worth: planDB-todayDB > worthDB}
	if s.query.Aim == wire.AimWorst {
		p.ChangeDB = wire.Value(slices.Min(then) - slices.Min(today))
	} else {
		for i := range then {
			p.ChangeDB += wire.Value((then[i] - today[i]) / float64(len(then)))
		}
	}
	order := make([]int, len(then))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(then[i]-today[i], then[k]-today[k]) })
	for _, i := range order {
		if change := then[i] - today[i]; change <= -losesDB {
			p.Losing = append(p.Losing, s.seats[i].seat.Name)
			p.LosingDB = min(p.LosingDB, wire.Value(change))
		}
	}
	p.AddsUpToHz, p.NothingFromHz = wire.Unknown(), wire.Unknown()
	if adds, nothing := s.problem.Reach(); !math.IsInf(adds, 1) {
		p.AddsUpToHz, p.NothingFromHz = wire.Value(adds), wire.Value(nothing)
	}
	p.Text = promiseText(&p, s.query.Aim, s.seats[0].seat.Name)
	band := s.problem.Band()
	p.ReachText = Reach(float64(p.AddsUpToHz), float64(p.NothingFromHz), s.query.Main, s.query.Fill, band.LowHz, band.HighHz)
	return p
}

// promiseText says what a plan gives, and who loses by it.
func promiseText(p *wire.Promise, aim, only string) string {
	if !p.Worth {
		return "No delay or polarity does better."
	}
	where := fmt.Sprintf("over %d seats", p.Seats)
	switch {
	case p.Seats == 1:
		where = "at " + only
	case aim == wire.AimWorst:
		where = "at the quietest seat"
	}
	change := float64(p.ChangeDB)
	var text string
	switch {
	case change >= worthDB:
		text = fmt.Sprintf("The plan gives %.1f dB more %s", change, where)
	case change >= sameDB:
		text = fmt.Sprintf("The plan evens the sum out and gives %.1f dB more %s", change, where)
	case change > -sameDB:
		text = fmt.Sprintf("The plan evens the sum out, as loud as today %s", where)
	default:
		text = fmt.Sprintf("The plan evens the sum out, %.1f dB quieter %s", -change, where)
	}
	if p.Seats > 1 {
		text += losers(p)
	}
	return text + "."
}

// losers names the seats that lose.
func losers(p *wire.Promise) string {
	switch n := len(p.Losing); {
	case n == 0:
		return ""
	case n == 1:
		return fmt.Sprintf("; %s loses %.1f dB by it", p.Losing[0], -float64(p.LosingDB))
	case n <= 3:
		return fmt.Sprintf("; %s and %s lose up to %.1f dB by it", strings.Join(p.Losing[:n-1], ", "), p.Losing[n-1], -float64(p.LosingDB))
	default:
		return fmt.Sprintf("; %d seats lose up to %.1f dB by it, %s most", n, -float64(p.LosingDB), p.Losing[0])
	}
}

// Reach says up to where main and fill add up where heads are, from where on nothing
// is to be aligned, and what to do there; "" for unknown.
func Reach(adds, nothing float64, main, fill string, lowHz, highHz float64) string {
	if math.IsNaN(adds) {
		return ""
	}
	heads := fmt.Sprintf("Where heads are, %s and %s", main, fill)
	switch {
	case adds >= highHz:
		return heads + " add up over the whole band."
	case nothing <= lowHz:
		return fmt.Sprintf("%s do not add up in this band: from %s on no delay aligns them.", heads, hertz(nothing))
	case nothing >= highHz:
		return fmt.Sprintf("%s add up to %s.", heads, hertz(adds))
	}
	return fmt.Sprintf("%s add up to %s; from %s on no delay aligns them: keep %s short and quiet there.", heads, hertz(adds), hertz(nothing), fill)
}

// hertz is a frequency to two digits: these are no edges.
func hertz(f float64) string {
	unit := math.Pow(10, math.Floor(math.Log10(f))-1)
	f = math.Round(f/unit) * unit
	if f >= 1000 {
		return fmt.Sprintf("%.1f kHz", f/1000)
	}
	return fmt.Sprintf("%.0f Hz", f)
}

// say adds the reasons of a plan.
func (s *solution) say(how string, p wire.Promise) {
	r := s.result
	main, fill := s.query.Main, s.query.Fill
	found := "was set by hand"
	if s.query.LowHz == 0 {
		found = fmt.Sprintf("is where %s and %s are both trusted and within %d dB of each other", main, fill, overlapDB)
	}
	add := func(format string, args ...any) { s.reasons = append(s.reasons, fmt.Sprintf(format, args...)) }
	add("The band %s %s.", r.Band, found)
	if p.ReachText != "" {
		add("Everything is the mean over heads %.0f cm about each microphone. %s", 100*s.spreadM(), p.ReachText)
		if s.unplaced > 0 {
			add("They are taken to come from %d° apart, since their places are not known.", alignment.UnknownAngleDeg)
		}
	}
	if how != "" {
		add("%s", how)
	}
	add("The delay may move by %.2f ms either way before %.1f dB are lost.", r.FlatnessMs, alignment.FlatDB)
	add("%s", p.Text)
	if r.RunnerUpDB > r.PlanDB {
		add("The runner-up is as good where heads are; the plan is better at the microphones themselves.")
	}
	if len(s.applied) > 0 {
		add("%s counts as earlier plans leave it.", verdict.Capital(main))
	}
}
