package show

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/bits"
	"slices"

	"plumbline/analyze/setting"
	"plumbline/stream/wire"
)

// What comes from elsewhere is bounded before it is believed.
const (
	minRateHz, maxRateHz = 8000, 768000
	maxHz                = 1e6
	maxDelayMs           = 1e5
	maxLevelDB           = 300 // of a magnitude in a text
	maxArrivals          = 64
	// maxValue is how long one value of a take in JSON may be, bytes: all but the
	// spectra, whose numbers are read one after the other.
	maxValue = 64 << 10
)

// checkGrid refuses a rate and a window that no analysis has; window 0 is
// multi-resolution.
func checkGrid(rateHz float64, window int) error {
	if !(rateHz >= minRateHz && rateHz <= maxRateHz) {
		return refuse(0, "sample_rate_hz", "a sample rate of %g Hz is outside %d to %d Hz", rateHz, minRateHz, maxRateHz)
	}
	if window != 0 && (window < setting.MinWindow || window > setting.MaxWindow || bits.OnesCount(uint(window)) != 1) {
		return refuse(0, "window", "a window of %d samples is none: it is \"multi\" or a power of two from %d to %d", window, setting.MinWindow, setting.MaxWindow)
	}
	return nil
}

// checkForeign checks what a take from another program says of itself. Name and
// note are checked where every take's are.
func (t *Take) checkForeign() error {
	if err := checkTime("take", t.At); err != nil {
		return err
	}
	if err := checkGrid(t.SampleRateHz, int(t.Window)); err != nil {
		return err
	}
	for _, x := range []struct {
		name            string
		is, least, most float64
	}{
		{"overlap", t.Overlap, 0, 1}, {"delay_ms", t.DelayMs, -maxDelayMs, maxDelayMs}, {"averaged_s", t.AveragedS, 0, 1e9},
		{"gaps", float64(t.Gaps), 0, 1e15}, {"temperature_c", t.TemperatureC, setting.MinTempC, setting.MaxTempC},
		{"reference", float64(t.Reference), 0, 1024}, {"microphone", float64(t.Microphone), 0, 1024},
	} {
		if !(x.is >= x.least && x.is <= x.most) {
			return refuse(0, x.name, "%s of a take lies between %g and %g, not %g", x.name, x.least, x.most, x.is)
		}
	}
	if err := wire.CheckLine("source", "the source of a take", t.Source, 200); err != nil {
		return err
	}
	return t.Results.checkForeign()
}

func (r *Results) checkForeign() error {
	if len(r.Arrivals) > maxArrivals || len(r.Polarity.Bands) > maxArrivals {
		return refuse(0, "results", "a take has at most %d arrivals, and as many bands of polarity", maxArrivals)
	}
	words := []string{r.Polarity.Verdict}
	for _, b := range r.Polarity.Bands {
		words = append(words, b.Verdict)
	}
	for _, a := range r.Arrivals {
		words = append(words, a.Polarity)
	}
	for _, w := range words {
		if !slices.Contains([]string{"", "same", "opposite", "undecided"}, w) {
			return refuse(0, "polarity", "a polarity is same, opposite or undecided")
		}
	}
	return wire.CheckText("reason", "the reason of a polarity", r.Polarity.Reason, 2000)
}

var errLongValue = refuse(0, "too_large", "a value in this JSON is longer than %d bytes: this is no take", maxValue)

// capped ends reading when one value has taken too much. A decoder reads ahead,
// so that what is left is counted from what it has read.
type capped struct {
	r    io.Reader
	left int
}

func (c *capped) Read(b []byte) (int, error) {
	if c.left <= 0 {
		return 0, errLongValue
	}
	n, err := c.r.Read(b[:min(len(b), c.left)])
	c.left -= n
	return n, err
}

// exchangeReader reads an Exchange value by value.
type exchangeReader struct {
	from *capped
	d    *json.Decoder
}

func readExchange(r io.Reader) (x Exchange, err error) {
	from := &capped{r: r}
	e := exchangeReader{from, json.NewDecoder(from)}
	values := map[string]func() error{
		"format":             func() error { return e.value(&x.Format) },
		"version":            func() error { return e.value(&x.Version) },
		"take":               func() error { return e.object(&x.Take) },
		"frequency_hz":       func() error { return numbers(e, &x.FrequencyHz) },
		"gxx":                func() error { return numbers(e, &x.Gxx) },
		"gyy":                func() error { return numbers(e, &x.Gyy) },
		"gxy_real":           func() error { return numbers(e, &x.GxyReal) },
		"gxy_imag":           func() error { return numbers(e, &x.GxyImag) },
		"effective_averages": func() error { return numbers(e, &x.EffectiveAverages) },
	}
	if err := e.delimiter('{'); err != nil {
		return x, err
	}
	for e.more() {
		var key string
		if token, err := e.token(); err != nil {
			return x, err
		} else if key, _ = token.(string); values[key] == nil {
			return x, refuse(400, "unknown_field", "unknown field %q, or one that stands twice", cut(key))
		}
		if err := values[key](); err != nil {
			return x, err
		}
		delete(values, key)
	}
	if err := e.delimiter('}'); err != nil {
		return x, err
	}
	if _, err := e.token(); err != io.EOF {
		return x, refuse(400, "json", "one JSON object is expected, and nothing after it")
	}
	return x, nil
}

func (e exchangeReader) token() (json.Token, error) {
	e.from.left = maxValue
	t, err := e.d.Token()
	return t, explainJSON(err)
}

func (e exchangeReader) more() bool {
	e.from.left = maxValue
	return e.d.More()
}

func (e exchangeReader) delimiter(want json.Delim) error {
	if t, err := e.token(); err == io.EOF {
		return refuse(400, "json", "a JSON object is expected, and it ends too early")
	} else if err != nil {
		return err
	} else if t != want {
		return refuse(400, "json", "where %v is expected stands something else: this is no take", want)
	}
	return nil
}

func (e exchangeReader) value(v any) error {
	e.from.left = maxValue
	return explainJSON(e.d.Decode(v))
}

// object also refuses fields that it does not know.
func (e exchangeReader) object(v any) error {
	var raw json.RawMessage
	if err := e.value(&raw); err != nil {
		return err
	}
	return wire.DecodeStrict(bytes.NewReader(raw), v)
}

// numbers reads an array of numbers and nulls, which are NaN, one by one.
func numbers[F ~float64](e exchangeReader, dst *[]F) error {
	if err := e.delimiter('['); err != nil {
		return err
	}
	for e.more() {
		if len(*dst) == maxPoints {
			return refuse(0, "spectra", "more than %d points: this is no take", maxPoints)
		}
		x := (*float64)(nil)
		if err := e.value(&x); err != nil {
			return err
		}
		if x == nil {
			*dst = append(*dst, F(math.NaN()))
		} else {
			*dst = append(*dst, F(*x))
		}
	}
	return e.delimiter(']')
}

// explainJSON leaves what is ours, and the end of the input, as it is.
func explainJSON(err error) error {
	var mine *wire.Error
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &mine):
		return mine
	case errors.As(err, &syntax):
		return refuse(400, "json", "not JSON at byte %d: %v", syntax.Offset, syntax)
	case errors.As(err, &kind):
		return refuse(400, "json", "a number is expected at byte %d, not %s", kind.Offset, kind.Value)
	case err == io.ErrUnexpectedEOF:
		return refuse(400, "json", "a JSON object is expected, and it ends too early")
	}
	return err
}
