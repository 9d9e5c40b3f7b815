package show

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strconv"
	"strings"

	"plumbline/analyze/response"
)

// Text is a response as people exchange it: columns of numbers. A column that
// was not there is nil.
type Text struct {
	FrequencyHz       []float64
	MagnitudeDB       []float64
	PhaseDeg          []float64
	Coherence         []float64
	EffectiveAverages []float64
	SampleRateHz      float64 // from a comment "sample_rate_hz: 48000"; 0 unknown
	DelayMs           float64 // from a comment "delay_ms: 12.3", taken out of the phase
}

const (
	maxPoints = 1 << 18 // twice what the longest window has
	maxLine   = 4096
)

// ReadText reads columns of text: frequency, magnitude, and if there are more,
// phase, coherence and effective averages, in that order or in the order that
// WriteText's heading gives. Columns are parted by tabs, semicolons, commas or spaces;
// numbers may have a decimal comma, and quotes around them (RFC 4180). A line that
// begins with # is a comment, and one that does not begin with a number is passed over.
// Lines end as on any system. Coherence may be in percent. Frequencies must ascend. The
// error is a *wire.Error that names the line.
func ReadText(r io.Reader) (*Text, error) {
	in := bufio.NewReader(r)
	if mark, _ := in.Peek(2); string(mark) == "\xff\xfe" || string(mark) == "\xfe\xff" {
		return nil, refuse(0, "text", "the text is in UTF-16: save it as UTF-8 or plain text")
	}
	scan := bufio.NewScanner(in)
	scan.Buffer(nil, maxLine)
	scan.Split(splitLines)
	t := new(Text)
	var lines []line
	for n := 1; scan.Scan(); n++ {
		text := strings.TrimSpace(strings.TrimPrefix(strings.ToValidUTF8(scan.Text(), ""), "\ufeff"))
		switch {
		case text == "":
		case text[0] == '#':
			t.comment(text)
		default:
			lines = append(lines, line{n, strings.ReplaceAll(text, `"`, "")})
			if len(lines) > maxPoints {
				return nil, refuse(0, "text", "more than %d lines: this is no response", maxPoints)
			}
		}
	}
	if err := scan.Err(); err == bufio.ErrTooLong {
		return nil, refuse(0, "text", "a line is longer than %d characters: this is no text of columns", maxLine)
	} else if err != nil {
		return nil, err
	}
	comma := decimalComma(lines)
	usual := []*[]float64{&t.FrequencyHz, &t.MagnitudeDB, &t.PhaseDeg, &t.Coherence, &t.EffectiveAverages}
	order := usual
	columns := 0
	for _, l := range lines {
		cells := l.split(comma)
		numbers, ok := parse(cells, comma)
		if !ok {
			if strings.ContainsAny(l.text[:1], "0123456789.-+") {
				return nil, refuse(0, "text", "line %d is no row of numbers: %q", l.n, cut(l.text))
			}
			if columns > 0 {
				continue
			}
			if heading := t.heading(cells); heading != nil {
				order = heading
			}
			continue
		}
		if columns == 0 {
			columns = len(numbers)
			if &order[0] != &usual[0] && len(order) != columns {
				order = usual // the heading is about something else
			}
			if columns < 2 {
				return nil, refuse(0, "text", "line %d has one number: frequency and magnitude are needed", l.n)
			}
		}
		if len(numbers) != columns {
			return nil, refuse(0, "text", "line %d has %d numbers, those before have %d", l.n, len(numbers), columns)
		}
		for i, to := range order {
			if to != nil && i < columns {
				*to = append(*to, numbers[i])
			}
		}
		if f := t.FrequencyHz; len(f) > 0 {
			switch last := f[len(f)-1]; {
			case last < 0:
				return nil, refuse(0, "text", "line %d has a frequency below 0: the first column must be Hz", l.n)
			case len(f) > 1 && last <= f[len(f)-2]:
				return nil, refuse(0, "text", "line %d: frequencies must ascend, %g Hz follows %g Hz: sort the rows by frequency", l.n, last, f[len(f)-2])
			}
		}
	}
	if len(t.FrequencyHz) == 0 || len(t.MagnitudeDB) == 0 {
		return nil, refuse(0, "text", "no rows of numbers: two columns at least are needed, frequency in Hz and magnitude in dB")
	}
	return t, t.settle()
}

// splitLines is a bufio.SplitFunc for lines that end in LF, CR LF or CR.
func splitLines(data []byte, atEOF bool) (advance int, token []byte, err error) {
	i := bytes.IndexAny(data, "\r\n")
	switch {
	case i < 0 && atEOF && len(data) > 0:
		return len(data), data, nil
	case i < 0 || data[i] == '\r' && i+1 == len(data) && !atEOF:
		return 0, nil, nil // the rest may follow
	case bytes.HasPrefix(data[i:], []byte("\r\n")):
		return i + 2, data[:i], nil
	}
	return i + 1, data[:i], nil
}

type line struct {
	n    int
	text string
}

// decimalComma: are commas decimal marks? They are when other characters part
// the columns and no point is in any number.
func decimalComma(lines []line) bool {
	comma := false
	for _, l := range lines {
		if !strings.ContainsAny(l.text[:1], "0123456789.,-+") {
			continue // a heading
		}
		if strings.Contains(l.text, ".") {
			return false
		}
		rest := strings.ReplaceAll(l.text, ", ", "") // parts columns
		if strings.Contains(rest, ",") && strings.ContainsAny(rest, "\t; ") {
			comma = true
		}
	}
	return comma
}

func (l line) split(decimalComma bool) []string {
	separators := "\t; ,"
	if decimalComma {
		separators = "\t; "
	}
	return strings.FieldsFunc(l.text, func(r rune) bool { return strings.ContainsRune(separators, r) })
}

func parse(cells []string, decimalComma bool) ([]float64, bool) {
	numbers := make([]float64, len(cells))
	for i, c := range cells {
		if decimalComma {
			c = strings.Replace(c, ",", ".", 1)
		}
		x, err := strconv.ParseFloat(c, 64)
		if err != nil || math.IsInf(x, 0) || math.IsNaN(x) || strings.ContainsAny(c, "xXpP_") {
			return nil, false
		}
		numbers[i] = x
	}
	return numbers, len(numbers) > 0
}

// heading gives the columns' order by the names that WriteText writes, or nil if the
// first two are not among them.
func (t *Text) heading(cells []string) []*[]float64 {
	names := map[string]*[]float64{
		"frequency_hz": &t.FrequencyHz, "magnitude_db": &t.MagnitudeDB, "phase_deg": &t.PhaseDeg,
		"coherence": &t.Coherence, "effective_averages": &t.EffectiveAverages,
	}
	order := make([]*[]float64, len(cells))
	for i, c := range cells {
		order[i] = names[c]
		delete(names, c) // each once
	}
	if names["frequency_hz"] != nil || names["magnitude_db"] != nil {
		return nil
	}
	return order
}

func (t *Text) comment(text string) {
	key, value, ok := strings.Cut(strings.Trim(text, "# "), ":")
	x, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
	if !ok || err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	switch key {
	case "sample_rate_hz":
		t.SampleRateHz = x
	case "delay_ms":
		t.DelayMs = x
	}
}

// settle brings coherence to 0…1 and checks what the columns hold.
func (t *Text) settle() error {
	if t.SampleRateHz != 0 {
		if err := checkGrid(t.SampleRateHz, 0); err != nil {
			return err
		}
	}
	if !(math.Abs(t.DelayMs) <= maxDelayMs) {
		return refuse(0, "text", "a delay of %g ms: choose one within ±%g", t.DelayMs, maxDelayMs)
	}
	for i, f := range t.FrequencyHz {
		if f > maxHz || math.Abs(t.MagnitudeDB[i]) > maxLevelDB {
			return refuse(0, "text", "%g dB at %g Hz: the columns must be Hz, up to %g, and dB, within ±%d", t.MagnitudeDB[i], f, maxHz, maxLevelDB)
		}
	}
	for _, n := range t.EffectiveAverages {
		if !(n >= 0 && n <= 1e9) {
			return refuse(0, "text", "%g averages: choose 0 to 1e9", n)
		}
	}
	most := 0.0
	for _, g := range t.Coherence {
		if most = max(most, g); g < 0 || g > 100 {
			return refuse(0, "text", "a coherence of %g: it must lie between 0 and 1, or 0 and 100 percent", g)
		}
	}
	if most > 1 {
		for i := range t.Coherence {
			t.Coherence[i] /= 100
		}
	}
	return nil
}

// Spectra are spectra of unit reference that have this response. averages says
// what the response is worth where the text does not; assumed that it had to.
func (t *Text) Spectra(sampleRateHz, averages float64) (s *response.Spectra, assumed bool) {
	if t.SampleRateHz > 0 {
		sampleRateHz = t.SampleRateHz
	}
	s = &response.Spectra{SampleRateHz: sampleRateHz, DelayS: t.DelayMs / 1000}
	for i, f := range t.FrequencyHz {
		phase, coherence, n := 0.0, 1.0, averages
		if t.PhaseDeg != nil {
			phase = t.PhaseDeg[i] * math.Pi / 180
		}
		if t.Coherence != nil {
			coherence = t.Coherence[i]
		}
		if t.EffectiveAverages != nil {
			n = t.EffectiveAverages[i]
		}
		h := cmplx.Rect(math.Pow(10, t.MagnitudeDB[i]/20), phase)
		power := real(h)*real(h) + imag(h)*imag(h)
		if coherence > 0 {
			power /= coherence
		} else {
			h = 0
		}
		s.FrequencyHz = append(s.FrequencyHz, f)
		s.Gxx = append(s.Gxx, 1)
		s.Gyy = append(s.Gyy, power)
		s.Gxy = append(s.Gxy, h)
		s.EffectiveAverages = append(s.EffectiveAverages, n)
	}
	return s, t.EffectiveAverages == nil
}

// WriteText writes a take's response as ReadText reads it. Points without a
// value are left out, and so are columns that were only assumed.
func WriteText(w io.Writer, t Take, c *response.Curve) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "# %s\n# time: %s\n# source: %s\n# sample_rate_hz: %s\n# delay_ms: %s\n# averaged_s: %s\n",
		oneLine(t.Name), t.At, oneLine(t.Source), shortest(t.SampleRateHz), shortest(t.DelayMs), shortest(t.AveragedS))
	names, columns := []string{"frequency_hz", "magnitude_db"}, [][]float64{c.FrequencyHz, c.MagnitudeDB}
	for _, k := range []struct {
		name    string
		assumed bool
		column  []float64
	}{
		{"phase_deg", t.Results.AssumedPhase, c.PhaseDeg},
		{"coherence", t.Results.AssumedCoherence, c.Coherence},
		{"effective_averages", t.Results.AssumedAverages, c.EffectiveAverages},
	} {
		if !k.assumed {
			names, columns = append(names, k.name), append(columns, k.column)
		}
	}
	fmt.Fprintln(b, strings.Join(names, ","))
	cells := make([]string, len(columns))
	for i := range c.FrequencyHz {
		known := true
		for k, x := range columns {
			known = known && !math.IsNaN(x[i]) && !math.IsInf(x[i], 0)
			cells[k] = shortest(x[i])
		}
		if known {
			fmt.Fprintln(b, strings.Join(cells, ","))
		}
	}
	return b.Flush()
}

func shortest(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func cut(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
