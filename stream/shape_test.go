package stream

import (
	"encoding"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"plumbline/stream/wire"
)

// shape is a JSON type as all descriptions of the wire can say it.
type shape struct {
	kind   string // a constant below
	null   bool   // may be null
	elem   *shape // of an array or a dictionary
	length int    // of an array that always has as many; 0: any
	fields map[string]field
	enum   []string // of a string; nil: any, or the description does not say
}

type field struct {
	*shape
	optional bool // may be absent
}

const (
	isString     = "string"
	isInteger    = "integer"
	isNumber     = "number"
	isBoolean    = "boolean"
	isArray      = "array"
	isObject     = "object"
	isDictionary = "dictionary" // keys are data
	isWindow     = "window"     // "multi" or an integer
	isAny        = "any"
)

// written are the types that write themselves, and as what. TestWrittenTypes
// has them do it.
var written = map[reflect.Type]shape{
	reflect.TypeFor[wire.Value]():      {kind: isNumber, null: true},
	reflect.TypeFor[wire.Values]():     {kind: isArray, elem: &shape{kind: isNumber, null: true}},
	reflect.TypeFor[wire.Window]():     {kind: isWindow},
	reflect.TypeFor[json.RawMessage](): {kind: isAny},
}

func TestWrittenTypes(t *testing.T) {
	for want, v := range map[string]any{
		"null": wire.Value(math.NaN()), "1.5": wire.Value(1.5), "[null,1]": wire.Values{float32(math.NaN()), 1}, "[]": wire.Values(nil),
		`"multi"`: wire.Window(0), "4096": wire.Window(4096), `{"a":[]}`: json.RawMessage(`{"a":[]}`),
	} {
		if data, err := json.Marshal(v); err != nil || string(data) != want {
			t.Errorf("%T: %s, %v; want %s", v, data, err, want)
		}
		if _, ok := written[reflect.TypeOf(v)]; !ok {
			t.Errorf("%T is not in the table", v)
		}
	}
}

// goShape is what encoding/json makes of a type, and says of each struct that it met.
func goShape(t *testing.T, typ reflect.Type, met map[reflect.Type]bool) *shape {
	t.Helper()
	if w, ok := written[typ]; ok {
		return &w
	}
	if typ.Kind() == reflect.Pointer {
		s := *goShape(t, typ.Elem(), met)
		s.null = true
		return &s
	}
	if typ.Implements(reflect.TypeFor[json.Marshaler]()) || typ.Implements(reflect.TypeFor[encoding.TextMarshaler]()) {
		t.Fatalf("%v writes itself: say as what", typ)
	}
	switch kind := typ.Kind(); {
	case kind == reflect.String:
		return &shape{kind: isString}
	case kind == reflect.Bool:
		return &shape{kind: isBoolean}
	case kind >= reflect.Int && kind <= reflect.Uint64:
		return &shape{kind: isInteger}
	case kind == reflect.Float64 || kind == reflect.Float32:
		return &shape{kind: isNumber}
	case kind == reflect.Slice:
		return &shape{kind: isArray, elem: goShape(t, typ.Elem(), met)}
	case kind == reflect.Array:
		return &shape{kind: isArray, elem: goShape(t, typ.Elem(), met), length: typ.Len()}
	case kind == reflect.Map && typ.Key().Kind() == reflect.String:
		return &shape{kind: isDictionary, elem: goShape(t, typ.Elem(), met)}
	case kind == reflect.Struct:
		met[typ] = true
		s := &shape{kind: isObject, fields: map[string]field{}}
		for i := range typ.NumField() {
			f := typ.Field(i)
			key, options, _ := strings.Cut(f.Tag.Get("json"), ",")
			switch {
			case key == "-" || !f.IsExported():
			case f.Anonymous && key == "":
				maps.Copy(s.fields, goShape(t, f.Type, met).fields)
			case key == "":
				t.Errorf("%v.%s has no name in JSON", typ, f.Name)
			default:
				x := field{goShape(t, f.Type, met), options == "omitempty"}
				if f.Type.Kind() == reflect.Pointer && x.optional { // absent instead of null
					inner := goShape(t, f.Type.Elem(), met)
					x.shape = inner
				}
				s.fields[key] = x
			}
		}
		return s
	}
	t.Fatalf("%v goes over no wire", typ)
	return nil
}

// differ lists where a description says something else than Go does. A language
// without integers says number for them.
func differ(at string, is, said *shape, integers bool) (found []string) {
	complain := func(format string, args ...any) {
		found = append(found, at+": "+fmt.Sprintf(format, args...))
	}
	if is.kind == isAny { // passed on as it came: who describes it may know more
		return nil
	}
	kind := is.kind
	if kind == isInteger && !integers {
		kind = isNumber
	}
	if said.kind != kind {
		complain("is %s, said to be %s", is.kind, said.kind)
		return found
	}
	if is.null != said.null {
		complain("can be null: %v, said: %v", is.null, said.null)
	}
	if is.length != said.length {
		complain("has %d elements, said: %d (0: any number)", is.length, said.length)
	}
	if is.elem != nil {
		found = append(found, differ(at+"[]", is.elem, said.elem, integers)...)
	}
	for _, key := range slices.Sorted(maps.Keys(is.fields)) {
		f, ok := said.fields[key]
		if !ok {
			complain("%s is not described", key)
			continue
		}
		if f.optional != is.fields[key].optional {
			complain("%s can be absent: %v, said: %v", key, is.fields[key].optional, f.optional)
		}
		found = append(found, differ(at+"."+key, is.fields[key].shape, f.shape, integers)...)
	}
	for _, key := range slices.Sorted(maps.Keys(said.fields)) {
		if _, ok := is.fields[key]; !ok {
			complain("%s is described and not there", key)
		}
	}
	return found
}
