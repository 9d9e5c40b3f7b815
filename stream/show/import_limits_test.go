package show

import (
	"bytes"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"plumbline/analyze/response"
)

// exported is a take as JSON, and its text.
func exported(t testing.TB) string {
	t.Helper()
	var b bytes.Buffer
	take := Take{At: "2026-08-12T12:00:00.000Z", Name: "A", Origin: Measured, Source: "hall", SampleRateHz: 48000, Settings: []byte(`{}`)}
	take.Results.settle()
	if err := WriteJSON(&b, take, coherent(spectraOf(1))); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// endless repeats a text until so many bytes have been read.
type endless struct {
	unit string
	left int
	at   int
}

func (e *endless) Read(b []byte) (n int, err error) {
	if e.left <= 0 {
		return 0, io.EOF
	}
	for n < len(b) {
		k := copy(b[n:], e.unit[e.at:])
		n, e.at = n+k, (e.at+k)%len(e.unit)
	}
	n = min(n, e.left)
	e.left -= n
	return n, nil
}

// Whatever is sent as a take of 60 MB, memory stays small: everything that was
// allocated meanwhile is a fraction of what was sent, and the refusal is one line.
func TestImportMemoryIsBounded(t *testing.T) {
	const sent = 60 << 20
	head := `{"format":"plumbline take","version":1,`
	for name, c := range map[string]struct{ head, unit, tail string }{
		"a million arrivals":     {head + `"take":{"results":{"arrivals":[`, `{},`, `{}]}}}`},
		"one long name":          {head + `"take":{"name":"`, `x`, `"}}`},
		"settings without end":   {head + `"take":{"settings":[`, `0,`, `0]}}`},
		"points without end":     {head + `"gxx":[`, `0,`, `0]}`},
		"frequencies":            {head + `"frequency_hz":[`, `0,`, `0]}`},
		"lists in lists":         {head + `"gxx":[`, `[`, ``},
		"a format without end":   {`{"format":"`, `x`, `"}`},
		"a key without end":      {`{"`, `x`, `":0}`},
		"spaces without end":     {head, ` `, `}`},
		"objects in objects":     {``, `{"a":`, ``},
		"an unknown key":         {head + `"colour":[`, `0,`, `0]}`},
		"a number without end":   {head + `"gxx":[1`, `0`, `]}`},
		"numbers of many digits": {head + `"gxx":[`, `0.` + strings.Repeat("1", 100) + `,`, `0]}`},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, _, err := ReadJSON(io.MultiReader(strings.NewReader(c.head), &endless{unit: c.unit, left: sent / len(c.unit) * len(c.unit)}, strings.NewReader(c.tail)))
		runtime.ReadMemStats(&after)
		if err == nil || len(err.Error()) > 200 || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %.300v, want a refusal on one line", name, err)
		}
		took := after.TotalAlloc - before.TotalAlloc
		t.Logf("%s: %.1f MB, %v", name, float64(took)/(1<<20), err)
		if took > 2*sent {
			t.Errorf("%s: %d MB were allocated", name, took>>20)
		}
		if held := int64(after.HeapInuse) - int64(before.HeapInuse); held > 2*sent {
			t.Errorf("%s: %d MB are held", name, held>>20)
		}
	}
}

// What no analysis has is refused at the door, and says which.
func TestForeignTakesAreChecked(t *testing.T) {
	whole := exported(t)
	if _, _, err := ReadJSON(strings.NewReader(whole)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ from, to, say string }{
		{`"window":"multi"`, `"window":1099511627776`, "window of 1099511627776 samples"},
		{`"window":"multi"`, `"window":-4096`, "power of two"},
		{`"window":"multi"`, `"window":4095`, "power of two"},
		{`"window":"multi"`, `"window":1048576`, "power of two"},
		{`"sample_rate_hz":48000`, `"sample_rate_hz":1e300`, "sample rate"},
		{`"sample_rate_hz":48000`, `"sample_rate_hz":0`, "sample rate"},
		{`"overlap":0`, `"overlap":-3`, "overlap"},
		{`"delay_ms":0`, `"delay_ms":1e300`, "delay_ms"},
		{`"averaged_s":0`, `"averaged_s":-1`, "averaged_s"},
		{`"temperature_c":0`, `"temperature_c":5000`, "temperature_c"},
		{`"reference":0`, `"reference":-1`, "reference"},
		{`"gaps":0`, `"gaps":-1`, "gaps"},
		{`"verdict":"undecided"`, `"verdict":"<b>sure</b>"`, "polarity"},
		{`"source":"hall"`, `"source":"a\u001b[31mb"`, "control characters"},
		{`"frequency_hz":[20,`, `"frequency_hz":[null,`, "ascend"},
		{`"frequency_hz":[`, `"frequency_hz":["x",`, "number"},
		{`"format"`, `"format":"plumbline take","format"`, "twice"},
		{`"gxx":[`, `"gxx":{`, "stands something else"},
		{`"version":1`, `"version":1,"colour":2`, `unknown field "colour"`},
		{`"by":""`, `"by":"","colour":2`, "colour"},
	} {
		text := strings.Replace(whole, c.from, c.to, 1)
		if text == whole {
			t.Fatalf("nothing to change: %s in %.900s", c.from, whole)
		}
		if _, _, err := ReadJSON(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v, want %q", c.to, err, c.say)
		}
	}
	// No power at a frequency is a measurement; less than none is not.
	first := regexp.MustCompile(`"gxx":\[[^,\]]+`)
	if _, _, err := ReadJSON(strings.NewReader(first.ReplaceAllString(whole, `"gxx":[0`))); err != nil {
		t.Errorf("no power at the first frequency: %v", err)
	}
	if _, _, err := ReadJSON(strings.NewReader(first.ReplaceAllString(whole, `"gxx":[-1`))); err == nil {
		t.Error("less than no power is taken")
	}
	for _, text := range []string{"", "{", "[]", "null", whole + "{}", whole[:len(whole)/2], `{"format":1}`} {
		if _, _, err := ReadJSON(strings.NewReader(text)); err == nil {
			t.Errorf("%.40q is taken", text)
		}
	}
	for text, say := range map[string]string{
		"# sample_rate_hz: 1e300\n100 1\n": "sample rate", "# delay_ms: 1e300\n100 1\n": "delay", "1e9 1\n": "Hz", "100 5000\n": "dB", "f m p c n\n100 1 0 1 -5\n": "averages",
	} {
		if _, err := ReadText(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%q: %v, want %q", text, err, say)
		}
	}
	if _, err := OfImpulse(1, []float64{1, 0}, 16); err == nil {
		t.Error("an impulse response at 1 Hz is taken")
	}
	if _, _, err := ImpulseOf(&response.Spectra{SampleRateHz: 48000, Window: 1 << 40}); err == nil { // in a show from elsewhere
		t.Error("a window of 2^40 is exported")
	}
}

// What is taken in goes out in every format without falling over, and comes in
// again.
func FuzzExchange(f *testing.F) {
	f.Add(exported(f))
	f.Add(`{"format":"plumbline take","version":1,"take":{"at":"2026-08-12T12:00:00Z","sample_rate_hz":48000,"window":256},"frequency_hz":[0],"gxx":[0],"gyy":[1],"gxy_real":[null],"gxy_imag":[1e300],"effective_averages":[null]}`)
	f.Add(`{"format":"plumbline take","version":1,"take":{"at":"2026-08-12T12:00:00Z","sample_rate_hz":8000,"window":262144,"delay_ms":-1e5},"frequency_hz":[1,1e6],"gxx":[1e-300,1],"gyy":[1,1e300],"gxy_real":[1,2],"gxy_imag":[1,2],"effective_averages":[0,-1]}`)
	f.Fuzz(func(t *testing.T, text string) {
		take, s, err := ReadJSON(strings.NewReader(text))
		if err != nil {
			return
		}
		var c response.Curve
		s.Curve(&c)
		take.HideAssumed(&c)
		var b bytes.Buffer
		if err := WriteText(&b, take, &c); err != nil {
			t.Fatal(err)
		}
		if x, _, err := ImpulseOf(s); err == nil {
			for _, v := range x {
				if math.IsNaN(float64(v)) {
					return // of spectra that overflow
				}
			}
		}
		b.Reset()
		if err := WriteJSON(&b, take, s); err != nil {
			t.Fatal(err)
		}
		if _, _, err := ReadJSON(&b); err != nil {
			t.Fatalf("what was read is refused when it is written: %v", err)
		}
	})
}

// A pipe that is called like a show is passed over and refused; opening it would
// wait for somebody who writes to it.
func TestPipeIsNoShow(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "pipe.plumbline")
	if err := makePipe(path); err != nil {
		t.Skip("no named pipes here: ", err)
	}
	shelf, err := NewShelf(dir)
	if err != nil {
		t.Fatal(err)
	}
	if list, err := shelf.List(); err != nil || len(list) != 0 {
		t.Errorf("listed as %v, %v", list, err)
	}
	for _, open := range []func(string) (*Show, error){shelf.Open, shelf.OpenOrNew, func(string) (*Show, error) { return Open(path) }} {
		if _, err := open("pipe.plumbline"); err == nil || !strings.Contains(err.Error(), "is no file") {
			t.Errorf("%v, want that it is no file", err)
		}
	}
	if info, err := os.Lstat(path); err != nil || info.Mode().IsRegular() {
		t.Errorf("the pipe was replaced: %v %v", info, err)
	}
}

// Text of 60 MB takes no more memory than a few times its size.
func TestTextMemoryIsBounded(t *testing.T) {
	const sent = 60 << 20
	for name, unit := range map[string]string{"rows": "100 1\n", "wide rows": strings.Repeat("1 ", 1000) + "\n", "one line": "1 ", "comments": "# nothing\n", "no newline": "x"} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := ReadText(&endless{unit: unit, left: sent})
		runtime.ReadMemStats(&after)
		took := after.TotalAlloc - before.TotalAlloc
		t.Logf("%s: %.1f MB, %v", name, float64(took)/(1<<20), err)
		if err == nil || took > 8*sent {
			t.Errorf("%s: %d MB, %v", name, took>>20, err)
		}
	}
}
