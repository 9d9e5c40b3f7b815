package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strings"

	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// Colours on paper: Okabe & Ito (2008), darkened to 4.5:1 on white as the pages do.
const (
	inkA     = "#0072b2"
	inkB     = "#b34e00"
	inkSeat  = "#00775a"
	ink      = "#14181c"
	inkQuiet = "#5a636b"
	inkFaint = "#dcdad2"
	inkBrass = "#7a5a00"
)

// drawing is an SVG under way. Only numbers and escaped text go in.
type drawing struct {
	strings.Builder
	left, top, width, height float64 // of the plotting area
	x, y                     func(float64) float64
}

func newDrawing(width, height, left, top, right, bottom float64, title string) *drawing {
	d := &drawing{left: left, top: top, width: width - left - right, height: height - top - bottom}
	fmt.Fprintf(d, `<svg viewBox="0 0 %g %g" role="img" aria-label="%s" font-family="system-ui, sans-serif" font-size="11">`, width, height, html.EscapeString(title))
	return d
}

func (d *drawing) line(x1, y1, x2, y2 float64, stroke string, width float64, more string) {
	fmt.Fprintf(d, `<path d="M%.1f %.1fL%.1f %.1f" stroke="%s" stroke-width="%g" fill="none"%s/>`, x1, y1, x2, y2, stroke, width, more)
}

func (d *drawing) text(x, y float64, anchor, fill, more, text string) {
	fmt.Fprintf(d, `<text x="%.1f" y="%.1f" text-anchor="%s" fill="%s"%s>%s</text>`, x, y, anchor, fill, more, html.EscapeString(text))
}

func (d *drawing) rect(x, y, w, h float64, fill, more string) {
	fmt.Fprintf(d, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="%s"%s/>`, x, y, math.Max(0, w), math.Max(0, h), fill, more)
}

// curve draws values that are known and inside the axes' reach.
func (d *drawing) curve(xs []float64, ys []float64, stroke string, width float64, dash string) {
	var path strings.Builder
	pen := false
	for i, v := range ys {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			pen = false
			continue
		}
		y := min(d.top+d.height, max(d.top, d.y(v)))
		command := byte('L')
		if !pen {
			command = 'M'
		}
		pen = true
		fmt.Fprintf(&path, "%c%.1f %.1f", command, d.x(xs[i]), y)
	}
	if path.Len() == 0 {
		return
	}
	if dash != "" {
		dash = ` stroke-dasharray="` + dash + `"`
	}
	fmt.Fprintf(d, `<path d="%s" stroke="%s" stroke-width="%g" fill="none" stroke-linejoin="round"%s/>`, path.String(), stroke, width, dash)
}

func (d *drawing) horizontal(values []float64, tick func(float64) string) {
	for _, v := range values {
		d.line(d.left, d.y(v), d.left+d.width, d.y(v), inkFaint, 1, "")
		d.text(d.left-6, d.y(v)+4, "end", inkQuiet, "", tick(v))
	}
}

// named is a curve's name, for the end of it.
type named struct {
	y          float64
	name, fill string
}

// names writes names at the right edge, none over another.
func (d *drawing) names(list []named) {
	slices.SortStableFunc(list, func(a, b named) int { return int(math.Copysign(1, a.y-b.y)) })
	at := math.Inf(-1)
	const step = 12
	for i := range list {
		at = max(list[i].y+4, at+step)
		list[i].y = at
	}
	over := max(0, at-(d.top+d.height+4))
	for _, n := range list {
		d.text(d.left+d.width+5, n.y-over, "start", n.fill, ` font-weight="600"`, n.name)
	}
}

func (d *drawing) done() template.HTML {
	d.WriteString("</svg>")
	return template.HTML(d.String())
}

// magnitudePlot is A, B, both and what the plan makes of them at a seat.
func magnitudePlot(a wire.Align, s wire.AlignSeat) template.HTML {
	d := newDrawing(700, 190, 40, 8, 92, 22, fmt.Sprintf("Magnitude at %s, dB over Hz", s.Name))
	level := func(c wire.Complex) []float64 { return smooth(s.FrequencyHz, levels(c)) }
	main, fill, then := level(s.A), level(s.B), smooth(s.FrequencyHz, predicted(s, &a.Plan.PlanObject))
	curves := [][]float64{main, fill, then}
	var both []float64
	if s.Both != nil {
		both = level(*s.Both)
		curves = append(curves, both)
	}
	top := math.Inf(-1)
	for _, c := range curves {
		for _, v := range c {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				top = max(top, v)
			}
		}
	}
	if math.IsInf(top, -1) { // nothing is trusted
		top = 0
	}
	const span = 42
	top = math.Ceil(top/6) * 6
	d.x = func(hz float64) float64 { return d.left + d.width*math.Log(hz/20)/math.Log(1000) }
	d.y = func(v float64) float64 { return d.top + d.height*(top-v)/span }
	if len(a.BandHz) == 2 { // outside nothing counts
		d.rect(d.left, d.top, d.x(max(20, a.BandHz[0]))-d.left, d.height, "#f1efe8", "")
		high := d.x(min(20000, a.BandHz[1]))
		d.rect(high, d.top, d.left+d.width-high, d.height, "#f1efe8", "")
	}
	var grid []float64
	for v := top; v >= top-span; v -= 6 {
		grid = append(grid, v)
	}
	d.horizontal(grid, func(v float64) string { return signed(wire.Value(v), 0) })
	for _, hz := range []float64{20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000} {
		d.line(d.x(hz), d.top, d.x(hz), d.top+d.height, inkFaint, 1, "")
		label := fmt.Sprintf("%g", hz)
		if hz >= 1000 {
			label = fmt.Sprintf("%gk", hz/1000)
		}
		if hz == 20 {
			label += " Hz"
		}
		d.text(d.x(hz), d.top+d.height+15, "middle", inkQuiet, "", label)
	}
	d.curve(s.FrequencyHz, main, inkA, 1.3, "")
	d.curve(s.FrequencyHz, fill, inkB, 1.3, "2 2")
	d.curve(s.FrequencyHz, both, ink, 2.2, "")
	d.curve(s.FrequencyHz, then, ink, 1.6, "7 4")
	list := []named{{end(d, main), a.Main, inkA}, {end(d, fill), a.Fill, inkB}, {end(d, then), "with the plan", ink}}
	if both != nil {
		list = append(list, named{end(d, both), "both today", ink})
	}
	d.names(list)
	return d.done()
}

// end is how high a curve ends.
func end(d *drawing, ys []float64) float64 {
	for i := len(ys) - 1; i >= 0; i-- {
		if !math.IsNaN(ys[i]) {
			return min(d.top+d.height, max(d.top, d.y(ys[i])))
		}
	}
	return d.top + d.height
}

func levels(c wire.Complex) []float64 {
	out := make([]float64, len(c.Re))
	for i := range out {
		out[i] = math.NaN()
		if c.Trusted[i] {
			out[i] = 20 * math.Log10(math.Hypot(float64(c.Re[i]), float64(c.Im[i])))
		}
	}
	return out
}

// predicted is |A + g·p·B·e^{−jωτ}|, dB, where both are trusted.
func predicted(s wire.AlignSeat, plan *wire.PlanObject) []float64 {
	out := make([]float64, len(s.FrequencyHz))
	gain := math.Pow(10, plan.GainBDB/20)
	if plan.PolarityB == "opposite" {
		gain = -gain
	}
	ms := plan.DelayMs
	if plan.Wait == "A" {
		ms = -ms
	}
	for i, f := range s.FrequencyHz {
		out[i] = math.NaN()
		if !s.A.Trusted[i] || !s.B.Trusted[i] {
			continue
		}
		sin, cos := math.Sincos(-2 * math.Pi * f * ms / 1000)
		re, im := float64(s.B.Re[i]), float64(s.B.Im[i])
		out[i] = 20 * math.Log10(math.Hypot(float64(s.A.Re[i])+gain*(re*cos-im*sin), float64(s.A.Im[i])+gain*(re*sin+im*cos)))
	}
	return out
}

// smooth is the power mean over a sixth of an octave about each point.
func smooth(hz, levelsDB []float64) []float64 {
	reach := math.Exp2(1. / 12)
	out := make([]float64, len(levelsDB))
	from, to := 0, 0
	for i, f := range hz {
		for hz[from] < f/reach {
			from++
		}
		for to < len(hz) && hz[to] < f*reach {
			to++
		}
		sum, n := 0.0, 0
		for _, v := range levelsDB[from:to] {
			if !math.IsNaN(v) {
				sum += math.Pow(10, v/10)
				n++
			}
		}
		out[i] = math.NaN()
		if n > 0 && !math.IsNaN(levelsDB[i]) {
			out[i] = 10 * math.Log10(sum/float64(n))
		}
	}
	return out
}

// sweepPlot is the efficiency over delay, a line a seat, with today and the plan.
func sweepPlot(a wire.Align, worst int64) template.HTML {
	d := newDrawing(700, 210, 40, 8, 92, 34, "Efficiency of the sum over delay, dB of the ideal over ms")
	delay := a.Curve.DelayMs
	if len(delay) < 2 {
		return ""
	}
	at := a.Plan.DelayMs
	if a.Plan.Wait == "A" {
		at = -at
	}
	room := max(1, 0.35*math.Abs(at))
	from, to := max(delay[0], min(0, at)-room), min(delay[len(delay)-1], max(0, at)+room)
	d.x = func(ms float64) float64 { return d.left + d.width*(ms-from)/(to-from) }
	first := slices.IndexFunc(delay, func(ms float64) bool { return ms >= from })
	last := len(delay)
	for last > first && delay[last-1] > to {
		last--
	}
	turned := a.Plan.PolarityB == "opposite"
	pick := func(c wire.DelayCurve, opposite bool) []float64 {
		values := c.SameDB
		if opposite {
			values = c.OppositeDB
		}
		out := make([]float64, last-first)
		for i := range out {
			out[i] = float64(values[first+i])
		}
		return out
	}
	low := -6.
	for _, s := range a.Seats {
		low = min(low, slices.Min(pick(s.Curve, turned)))
	}
	low = max(-18, math.Floor(low/3)*3)
	d.y = func(v float64) float64 { return d.top + d.height*v/low }
	var grid []float64
	for v := 0.; v >= low; v -= 3 {
		grid = append(grid, v)
	}
	d.horizontal(grid, func(v float64) string { return signed(wire.Value(v), 0) })
	step := niceStep((to - from) / 8)
	for ms := math.Ceil(from/step) * step; ms <= to; ms += step {
		d.line(d.x(ms), d.top, d.x(ms), d.top+d.height, inkFaint, 1, "")
		d.text(d.x(ms), d.top+d.height+14, "middle", inkQuiet, "", signed(wire.Value(math.Round(ms/step)*step), digitsOf(step)))
	}
	xs := delay[first:last]
	var list []named
	for _, s := range a.Seats {
		line := pick(s.Curve, turned)
		d.curve(xs, line, inkSeat, 0.9, "")
		if len(a.Seats) <= 10 {
			name := s.Name
			if s.Seat == worst {
				name += " ▼"
			}
			list = append(list, named{d.y(max(low, line[len(line)-1])), name, inkSeat})
		}
	}
	other, total := pick(a.Curve, !turned), pick(a.Curve, turned)
	d.curve(xs, other, inkQuiet, 1.2, "6 4")
	d.curve(xs, total, ink, 2.2, "")
	name := map[string]string{wire.AimMean: "mean", wire.AimWorst: "worst seat"}[a.Aim]
	if len(a.Seats) > 1 {
		list = append(list, named{d.y(total[len(total)-1]), name, ink})
	}
	list = append(list, named{d.y(max(low, other[len(other)-1])), "other polarity", inkQuiet})
	d.names(list)
	for _, mark := range []struct {
		ms   float64
		name string
		ink  string
	}{{0, "today", inkQuiet}, {at, "plan", inkBrass}} {
		d.line(d.x(mark.ms), d.top, d.x(mark.ms), d.top+d.height, mark.ink, 1.5, "")
		d.text(d.x(mark.ms), d.top+d.height+28, "middle", mark.ink, ` font-weight="600"`, mark.name)
	}
	d.text(d.left, d.top+d.height+28, "start", inkQuiet, "", a.Main+" waits, ms")
	d.text(d.left+d.width, d.top+d.height+28, "end", inkQuiet, "", a.Fill+" waits, ms")
	return d.done()
}

// niceStep is the 1-2-5 step at or above v.
func niceStep(v float64) float64 {
	decade := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*decade >= v {
			return m * decade
		}
	}
	return 10 * decade
}

func digitsOf(step float64) int { return max(0, int(math.Ceil(-math.Log10(step)-1e-9))) }

// ledgerPlot is the waterfall from the ideal to what arrives.
func ledgerPlot(s wire.AlignSeat) template.HTML {
	const row, bar = 18, 10
	d := newDrawing(420, row*float64(len(s.Ledger)+2)+4, 66, 0, 78, 0, fmt.Sprintf("Ledger at %s, from %.2f dB to %.1f dB", s.Name, float64(s.IdealGainDB), float64(s.GainDB)))
	ideal, sum := float64(s.IdealGainDB), float64(s.GainDB)
	low, high := min(0, sum), max(ideal, sum)
	level := ideal
	for _, r := range s.Ledger {
		level += float64(r.ChangeDB)
		low, high = min(low, level), max(high, level)
	}
	d.x = func(v float64) float64 { return d.left + 4 + (d.width-8)*(v-low)/(high-low) }
	d.line(d.x(0), 0, d.x(0), row*float64(len(s.Ledger)+2), inkFaint, 1, "")
	y := func(i int) float64 { return float64(row*i) + (row-bar)/2 }
	label := func(i int, name, value, weight string) {
		d.text(0, y(i)+bar-1, "start", ink, weight, name)
		d.text(d.left+d.width+78, y(i)+bar-1, "end", ink, weight, value)
	}
	block := func(i int, from, to float64, fill, more string) {
		d.rect(d.x(min(from, to)), y(i), max(1.5, math.Abs(d.x(to)-d.x(from))), bar, fill, more)
	}
	const bold = ` font-weight="600"`
	label(0, "Ideal", signed(s.IdealGainDB, 2), bold)
	block(0, 0, ideal, ink, "")
	level = ideal
	for i, r := range s.Ledger {
		next := level + float64(r.ChangeDB)
		d.line(d.x(level), y(i)+bar, d.x(level), y(i+1), inkBrass, 1, "")
		fill, more := inkQuiet, ""
		if next > level {
			fill, more = "none", ` stroke="`+inkSeat+`" stroke-width="1.5"`
		}
		block(i+1, level, next, fill, more)
		value := signed(r.ChangeDB, 1)
		if h := half(r.LowDB, r.HighDB); h != "" {
			value += " " + h
		}
		label(i+1, verdict.Capital(r.Cause), value, "")
		level = next
	}
	n := len(s.Ledger)
	d.line(d.x(level), y(n)+bar, d.x(level), y(n+1), inkBrass, 1, "")
	block(n+1, 0, sum, ink, "")
	name := "Measured"
	if s.Predicted {
		name = "Predicted"
	}
	label(n+1, name, strings.TrimSpace(signed(s.GainDB, 1)+" "+half(s.GainLowDB, s.GainHighDB)), bold)
	return d.done()
}
