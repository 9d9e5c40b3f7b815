// Package golden holds, for tests, what an analysis gives against what it gave before:
// any number of a result that changes is noticed. It says unchanged, and not right; for
// that there are the references.
package golden

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Within is how far a number may be off, relative to it or to the largest of its slice:
// other processors round products in other places.
const Within = 1e-7

// Check compares all that is exported in v, numbers within Within, with the file
// testdata/<name>.golden of the package. Of a slice of more than 40 numbers it takes
// sums, plain and weighted, and a few of the numbers; one of more than 12 structs goes
// field by field.
func Check(t testing.TB, name string, v any) {
	t.Helper()
	var got lines
	got.add("", reflect.ValueOf(v))
	file := filepath.Join("testdata", name+".golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(strings.Join(got, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v: run the test with -update, and read what it wrote", err)
	}
	want := strings.Split(strings.TrimSuffix(string(data), "\n"), "\n")
	if len(got) != len(want) {
		t.Errorf("%s: %d lines, %d before", file, len(got), len(want))
	}
	wrong := 0
	for i := range min(len(got), len(want)) {
		if same(got[i], want[i]) {
			continue
		}
		if wrong++; wrong <= 8 {
			t.Errorf("%s: now  %s\n before %s", file, got[i], want[i])
		}
	}
	if wrong > 8 {
		t.Errorf("%s: %d more have changed", file, wrong-8)
	}
}

// same compares two lines `name number scale`, or any others exactly.
func same(a, b string) bool {
	if a == b {
		return true
	}
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) != 3 || len(y) != 3 || x[0] != y[0] {
		return false
	}
	v, err1 := strconv.ParseFloat(x[1], 64)
	w, err2 := strconv.ParseFloat(y[1], 64)
	scale, err3 := strconv.ParseFloat(y[2], 64)
	return err1 == nil && err2 == nil && err3 == nil && math.Abs(v-w) <= Within*scale
}

type lines []string

func (l *lines) number(name string, x, scale float64) {
	*l = append(*l, fmt.Sprintf("%s %.12g %.3g", name, x, max(scale, math.Abs(x))))
}

func (l *lines) add(name string, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			*l = append(*l, name+" nil")
			return
		}
		l.add(name, v.Elem())
	case reflect.Float64, reflect.Float32:
		l.number(name, v.Float(), 0)
	case reflect.Complex128:
		z := v.Complex()
		scale := math.Hypot(real(z), imag(z))
		l.number(name+".re", real(z), scale)
		l.number(name+".im", imag(z), scale)
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				l.add(name+"."+v.Type().Field(i).Name, v.Field(i))
			}
		}
	case reflect.Slice, reflect.Array:
		switch v.Type().Elem().Kind() {
		case reflect.Float64, reflect.Complex128:
			l.numbers(name, v)
			return
		case reflect.Int, reflect.Bool, reflect.String, reflect.Uint64:
			*l = append(*l, fmt.Sprintf("%s %q", name, fmt.Sprint(v.Interface())))
			return
		}
		*l = append(*l, fmt.Sprintf("%s has %d", name, v.Len()))
		if v.Type().Elem().Kind() == reflect.Struct && v.Len() > 12 {
			l.columns(name, v)
			return
		}
		for i := range v.Len() {
			l.add(fmt.Sprintf("%s[%d]", name, i), v.Index(i))
		}
	default:
		*l = append(*l, fmt.Sprintf("%s %q", name, fmt.Sprint(v)))
	}
}

// columns is a long slice of structs, field by field.
func (l *lines) columns(name string, v reflect.Value) {
	for f := range v.Type().Elem().NumField() {
		field := v.Type().Elem().Field(f)
		if !field.IsExported() {
			continue
		}
		column := reflect.MakeSlice(reflect.SliceOf(field.Type), 0, v.Len())
		for i := range v.Len() {
			column = reflect.Append(column, v.Index(i).Field(f))
		}
		switch field.Type.Kind() {
		case reflect.Float64, reflect.Complex128:
			l.numbers(name+"[]."+field.Name, column)
		case reflect.Struct:
			l.columns(name+"[]."+field.Name, column)
		default:
			*l = append(*l, fmt.Sprintf("%s[].%s %q", name, field.Name, fmt.Sprint(column.Interface())))
		}
	}
}

// numbers is a slice of them; of a long one its sums and some.
func (l *lines) numbers(name string, v reflect.Value) {
	n := v.Len()
	*l = append(*l, fmt.Sprintf("%s has %d", name, n))
	at := func(i int) (re, im float64) {
		if x := v.Index(i); x.CanFloat() {
			return x.Float(), 0
		}
		z := v.Index(i).Complex()
		return real(z), imag(z)
	}
	finite := func(x float64) float64 {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return 0
		}
		return x
	}
	var sum, weighted, largest, all float64
	unknown := 0
	for i := range n {
		re, im := at(i)
		if math.IsNaN(re) || math.IsInf(re, 0) {
			unknown++
		}
		re, im = finite(re), finite(im)
		largest = max(largest, math.Hypot(re, im))
		all += math.Hypot(re, im)
		sum += re
		weighted += re*math.Sin(float64(i)) + im*math.Cos(float64(i))
	}
	step := 1
	if n > 40 {
		step = n / 23
		*l = append(*l, fmt.Sprintf("%s unknown %d", name, unknown))
		l.number(name+".sum", sum, all)
		l.number(name+".weighted", weighted, all)
	}
	for i := 0; i < n; i += step {
		re, im := at(i)
		l.number(fmt.Sprintf("%s[%d].re", name, i), re, largest)
		if v.Type().Elem().Kind() == reflect.Complex128 {
			l.number(fmt.Sprintf("%s[%d].im", name, i), im, largest)
		}
	}
}
