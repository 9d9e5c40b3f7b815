package report

import (
	"cmp"
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/analyze/air"
	"plumbline/stream/show"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// Data is what a report tells. The caller gives times their zone by Made.
type Data struct {
	Show         wire.Show
	Made         time.Time
	Version      string // of the program
	Venue        string // where
	Operator     string // who measured
	Remark       string
	Loudspeakers []show.Loudspeaker
	Seats        []show.Seat
	Takes        []show.Take // the oldest first
	Damage       []string    // sentences about what is not what was stored
	Notes        []show.Note
	Pairs        []Pair
	Traces       []Trace      // those that are shown on Listen, by number
	Target       *show.Target // in use there; nil: none
	Places       *Places      // of the room and its loudspeakers; nil: they are not known
	Script       Script       // that draws the plots
}

// Places are where things stand, in metres from a corner: along, across, up.
type Places struct {
	RoomM        [3]float64            `json:"room_m"`
	Loudspeakers map[string][3]float64 `json:"loudspeakers"`
}

// Trace is a stored one with its curve.
type Trace struct {
	show.Trace
	Curve show.TraceCurve `json:"curve"`
}

// Pair is what is known of two loudspeakers together.
type Pair struct {
	Align wire.Align       `json:"align"`
	Plan  *wire.StoredPlan `json:"plan"` // the newest that was kept; nil: none
}

//go:embed page.html
var files embed.FS

var page = template.Must(template.New("page.html").Funcs(template.FuncMap{
	"db": db, "half": half, "note": note, "last": func(points [][2]float64) float64 { return points[len(points)-1][0] }, "signed": signed, "number": number,
	"count": func(n int, what string) string {
		if n == 1 {
			return "1 " + what
		}
		return fmt.Sprintf("%d %ss", n, what)
	},
	"less": func(a, b float64) float64 { return a - b }, "cm": func(m float64) float64 { return 100 * m }, "plain": func(v wire.Value) float64 { return float64(v) },
	"hz": hertz, "metres": func(ms float64, p *view) string { return number(ms/1000*p.SpeedMS, 2) },
}).ParseFS(files, "page.html"))

// Write writes the page.
func Write(w io.Writer, d Data) error {
	v, err := d.view()
	if err != nil {
		return err
	}
	if err := page.Execute(w, v); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}

// view is the data as the page wants them.
type view struct {
	Data
	names
	When, Air, Title string
	SpeedMS          float64
	Raw              template.JS // the numbers, from which the plots are drawn
	File             string
	Rows             []takeRow
	Source           string // of all takes; "": of several
	Parts            []part
	Long             []longNote
	Many             bool // notes of the show, for a sheet of their own
}

// HasDials says that there is something to set.
func (v *view) HasDials() bool {
	return slices.ContainsFunc(v.Parts, func(p part) bool { return len(p.Dials) > 0 })
}

// Stored is when a trace was.
func (v *view) Stored(t Trace) string { return v.local(t.At).Format("2 January, 15:04:05") }

type takeRow struct {
	show.Take
	Playing, SeatName, Time, Window string
	Level                           wire.Value
}

// part is a pair with its plots.
type part struct {
	Pair
	Name     string
	Sentence string
	Why      []string // reasons that the sentence does not give
	Dials    []dial
	Seats    []seatView
	Worst    int64 // the seat where least arrives with the plan
}

type seatView struct {
	wire.AlignSeat
	Proof *wire.Verification
}

type dial struct {
	wire.DialChange
	Ink string
}

func (d Data) view() (*view, error) {
	stem, _ := show.Stem(d.Show.File)
	v := &view{Data: d, File: stem, names: shorten(d.allNames()), Long: d.longNotes(), Many: d.manyNotes()}
	v.Title = cmp.Or(d.Show.Name, d.Show.File, "A show")
	v.When, v.Air = d.span()
	v.SpeedMS = air.SpeedOfSound(d.air())
	raw, err := json.MarshalIndent(d.attachment(v.Keys), "", " ")
	if err != nil {
		return nil, fmt.Errorf("attach the numbers: %w", err)
	}
	v.Raw = template.JS(raw) // encoding/json escapes what could end the element
	for _, t := range d.Takes {
		v.Rows = append(v.Rows, d.row(t))
	}
	if other := func(t show.Take) bool { return t.Source != d.Takes[0].Source }; len(d.Takes) > 0 && !slices.ContainsFunc(d.Takes, other) {
		v.Source = d.Takes[0].Source
	}
	for _, p := range d.Pairs {
		v.Parts = append(v.Parts, d.part(p))
	}
	return v, nil
}

// attachment is the raw numbers.
func (d Data) attachment(keys []nameKey) any {
	pairs := slices.Clone(d.Pairs)
	for i := range pairs {
		pairs[i].Align.Seats = slices.Clone(pairs[i].Align.Seats)
		for k := range pairs[i].Align.Seats {
			pairs[i].Align.Seats[k].Cells = wire.Cells{} // follow from a and b
		}
	}
	short := map[string]string{}
	for _, k := range keys {
		short[k.Full] = k.Short
	}
	return struct {
		Show         wire.Show          `json:"show"`
		Made         time.Time          `json:"made_at"`
		Version      string             `json:"version"`
		Venue        string             `json:"venue"`
		Operator     string             `json:"operator"`
		Remark       string             `json:"remark"`
		Loudspeakers []show.Loudspeaker `json:"loudspeakers"`
		Seats        []show.Seat        `json:"seats"`
		Takes        []show.Take        `json:"takes"`
		Notes        []show.Note        `json:"notes"`
		Pairs        []Pair             `json:"pairs"`
		Traces       []Trace            `json:"traces"`
		Target       *show.Target       `json:"target"`
		Places       *Places            `json:"places"`
		Short        map[string]string  `json:"short_names"` // as the plots have them
	}{d.Show, d.Made, d.Version, d.Venue, d.Operator, d.Remark, d.Loudspeakers, d.Seats, d.Takes, d.Notes, pairs, d.Traces, d.Target, d.Places, short}
}

// span is when it was measured, and in what air.
func (d Data) span() (when, air string) {
	if len(d.Takes) == 0 {
		return d.Made.Format("2 January 2006"), ""
	}
	first, last := d.local(d.Takes[0].At), d.local(d.Takes[len(d.Takes)-1].At)
	when = first.Format("2 January 2006, 15:04")
	switch {
	case first.Format(time.DateOnly) != last.Format(time.DateOnly):
		when += " to " + last.Format("2 January 2006, 15:04")
	case first.Format("15:04") != last.Format("15:04"):
		when += " to " + last.Format("15:04")
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, t := range d.Takes {
		if airKnown(t) {
			low, high = min(low, t.TemperatureC), max(high, t.TemperatureC)
		}
	}
	if low > high {
		return when, ""
	}
	air = number(low, 1) + " °C"
	if high-low >= 0.05 {
		air = number(low, 1) + " to " + number(high, 1) + " °C"
	}
	return when, air
}

// airKnown: what comes from elsewhere says nothing of its temperature, most often;
// shows of before have 0 there.
func airKnown(t show.Take) bool {
	return t.Origin != show.Imported || t.TemperatureC != 0 && !t.Results.AssumedTemperature
}

// air is the temperature of the newest take that knows it, °C.
func (d Data) air() float64 {
	for _, t := range slices.Backward(d.Takes) {
		if airKnown(t) {
			return t.TemperatureC
		}
	}
	return 20
}

func (d Data) local(at string) time.Time {
	t, err := time.Parse(time.RFC3339, at)
	if err != nil {
		return d.Made
	}
	return t.In(d.Made.Location())
}

func (d Data) row(t show.Take) takeRow {
	r := takeRow{Take: t, SeatName: "no seat", Time: d.local(t.At).Format("15:04:05"), Window: "multi", Level: wire.Unknown()}
	if t.Window > 0 {
		r.Window = fmt.Sprintf("%.0f ms", 1000*float64(t.Window)/t.SampleRateHz)
	}
	for _, s := range d.Seats {
		if s.ID == t.Seat {
			r.SeatName = s.Name
		}
	}
	var names []string
	for _, l := range d.Loudspeakers {
		if slices.Contains(t.Loudspeakers, l.ID) {
			names = append(names, l.Name)
		}
	}
	r.Playing = strings.Join(names, " + ")
	if t.Results.Levels != nil {
		r.Level = t.Results.Levels.RMSDBFS
	}
	return r
}

func (d Data) part(p Pair) part {
	a := p.Align
	out := part{Pair: p, Name: verdict.Capital(a.Main + " and " + a.Fill)}
	settings := a.Settings
	if p.Plan != nil {
		settings = p.Plan.Settings
	}
	for _, c := range settings {
		ink := "b"
		if c.Loudspeaker == a.Main {
			ink = "a"
		}
		out.Dials = append(out.Dials, dial{c, ink})
	}
	out.Sentence = sentence(p)
	for _, r := range a.Reasons {
		for _, said := range []string{r, a.Promise.ReachText} {
			if strings.Contains(out.Sentence, said) {
				r = strings.TrimSpace(strings.Replace(r, said, "", 1))
			}
		}
		if r != "" {
			out.Why = append(out.Why, r)
		}
	}
	if a.Plan == nil {
		return out
	}
	for _, s := range a.Seats {
		v := seatView{AlignSeat: s}
		if p.Plan != nil {
			for i := range p.Plan.Verified {
				if p.Plan.Verified[i].Seat == s.Seat {
					v.Proof = &p.Plan.Verified[i]
				}
			}
		}
		out.Seats = append(out.Seats, v)
	}
	if len(a.Seats) > 1 {
		out.Worst = slices.MinFunc(a.Seats, func(x, y wire.AlignSeat) int { return cmp.Compare(float64(x.PlanDB), float64(y.PlanDB)) }).Seat
	}
	return out
}

// sentence is what the pair's measurement means.
func sentence(p Pair) string {
	a := p.Align
	if a.Plan == nil {
		text := "Cannot tell how they add up."
		if len(a.Missing) > 0 {
			text += " Missing: " + strings.Join(a.Missing, "; ") + "."
		}
		return strings.Join(append([]string{text}, a.Reasons...), " ")
	}
	promise, efficiency := a.Promise, a.Efficiency
	if p.Plan != nil && p.Plan.Promise.Text != "" { // what was promised; when it is dialled in, that is today
		promise, efficiency = p.Plan.Promise, p.Plan.Efficiency
	}
	text := promise.Text
	if p.Plan != nil && p.Plan.Dialled && promise.Worth {
		text = "Against the settings before it: " + strings.Replace(text, "The plan", "the plan", 1)
	}
	before := "arrive today"
	if p.Plan != nil && p.Plan.Dialled {
		before = "arrived before"
	}
	text += fmt.Sprintf(" Of the ideal sum %s dB %s, and %s dB with the plan, best for the %s.", db(efficiency.Today), before, db(efficiency.Plan),
		map[string]string{wire.AimWorst: "worst seat", wire.AimMean: "mean of the seats"}[a.Aim])
	if low, high := a.Plan.LowDB, a.Plan.HighDB; promise.Text == a.Promise.Text && !math.IsNaN(float64(low+high)) {
		text += fmt.Sprintf(" It is %s to %s dB with 95 %% certainty.", db(low), db(high))
	}
	if a.Certainty != "sure" && a.Reason != "" {
		text += " " + a.Reason
	}
	if promise.ReachText != "" {
		text += " " + promise.ReachText
	}
	if p.Plan == nil {
		return text + " The plan was not kept yet."
	}
	var passed, failed []string
	for _, v := range p.Plan.Verified {
		if v.Pass {
			passed = append(passed, v.SeatName)
		} else {
			failed = append(failed, v.SeatName)
		}
	}
	switch {
	case len(failed) > 0:
		text += " Dialled in, it does not hold at " + strings.Join(failed, ", ") + "."
	case len(passed) > 0:
		text += " Dialled in, it was measured and holds at " + strings.Join(passed, ", ") + "."
	case p.Plan.Dialled:
		text += " It is dialled in, and not proven."
	default:
		text += " It is neither dialled in nor proven."
	}
	return text
}

const minus = "\u2212"

// number is a value with a proper minus; unknown is a dash.
func number(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	text := fmt.Sprintf("%.*f", digits, math.Abs(v))
	if v < 0 && strings.Trim(text, "0.") != "" {
		return minus + text
	}
	return text
}

func signed(v wire.Value, digits int) string {
	text := number(float64(v), digits)
	if float64(v) > 0 && strings.Trim(text, "0.") != "" {
		return "+" + text
	}
	return text
}

func db(v wire.Value) string { return signed(v, 1) }

// half is half the width of an interval.
func half(low, high wire.Value) string {
	h := float64(high-low) / 2
	if math.IsNaN(h) {
		return ""
	}
	return "±" + number(h, 1)
}

func hertz(v float64) string {
	if v >= 1000 {
		return fmt.Sprintf("%.3g kHz", v/1000)
	}
	return fmt.Sprintf("%.3g Hz", v)
}
