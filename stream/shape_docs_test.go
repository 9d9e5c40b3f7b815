package stream

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// schemas are those of openapi.yaml.
func openAPISchemas(t *testing.T) map[string]any {
	t.Helper()
	var doc struct {
		Components struct {
			Schemas map[string]any `yaml:"schemas"`
		} `yaml:"components"`
	}
	if err := yaml.Unmarshal([]byte(read(t, "openapi.yaml")), &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Components.Schemas
}

// schemaShape reads a JSON Schema, as far as openapi.yaml uses it.
func schemaShape(at string, v any, all map[string]any) (*shape, error) {
	s, ok := v.(map[string]any)
	if !ok {
		return nil, fmt.Errorf("%s: %v is no schema", at, v)
	}
	if ref, ok := s["$ref"].(string); ok {
		name := strings.TrimPrefix(ref, "#/components/schemas/")
		return schemaShape(name, all[name], all)
	}
	if list, ok := s["oneOf"].([]any); ok && len(list) == 2 {
		first, second := list[0].(map[string]any), list[1].(map[string]any)
		switch {
		case second["type"] == "null":
			out, err := schemaShape(at, first, all)
			if err == nil {
				nullable := *out
				nullable.null, out = true, &nullable
			}
			return out, err
		case first["const"] == "multi" && second["type"] == "integer":
			return &shape{kind: isWindow}, nil
		}
	}
	if c, ok := s["const"].(string); ok {
		return &shape{kind: isString, enum: []string{c}}, nil
	}
	out := &shape{}
	switch kind := s["type"].(type) {
	case nil:
		out.kind = isAny
	case string:
		out.kind = kind
	case []any:
		out.kind, _ = kind[0].(string)
		out.null = len(kind) == 2 && kind[1] == "null"
	}
	if list, ok := s["enum"].([]any); ok && out.kind == isString {
		for _, x := range list {
			out.enum = append(out.enum, fmt.Sprint(x))
		}
	}
	var err error
	switch out.kind {
	case isArray:
		if out.elem, err = schemaShape(at+"[]", s["items"], all); err != nil {
			return nil, err
		}
		if n, ok := s["minItems"].(int); ok && n == s["maxItems"] {
			out.length = n
		}
	case isObject:
		properties, known := s["properties"].(map[string]any)
		if more, ok := s["additionalProperties"].(map[string]any); ok && !known {
			out.kind = isDictionary
			out.elem, err = schemaShape(at+"{}", more, all)
			return out, err
		}
		if !known {
			out.kind = isAny
			return out, nil
		}
		out.fields = map[string]field{}
		required, _ := s["required"].([]any)
		for key, p := range properties {
			x, err := schemaShape(at+"."+key, p, all)
			if err != nil {
				return nil, err
			}
			out.fields[key] = field{x, !slices.Contains(required, any(key))}
		}
		for _, key := range required {
			if _, ok := properties[key.(string)]; !ok {
				return nil, fmt.Errorf("%s: %v is required and not described", at, key)
			}
		}
	}
	return out, nil
}

// typedefs are the types of a JavaScript file, as text.
func typedefs(text string) map[string]string {
	out := map[string]string{}
	text = regexp.MustCompile(`(?m)^ \*`).ReplaceAllString(text, "")
	for _, def := range strings.Split(text, "@typedef ")[1:] {
		depth := 0
		for i, c := range def {
			if c == '{' {
				depth++
			} else if c == '}' {
				depth--
			}
			if depth == 0 {
				if name := regexp.MustCompile(`^\s+(\w+)`).FindStringSubmatch(def[i+1:]); name != nil {
					out[name[1]] = def[1:i]
				}
				break
			}
		}
	}
	return out
}

// typeParser reads what JSDoc and wire.md say of a type: names, T[], [T, T], {key: T, key?: T},
// Record<string, T>, 'literal', A|B, A & B.
type typeParser struct {
	words []string
	named func(name string) (*shape, error)
}

func parseType(text string, named func(string) (*shape, error)) (*shape, error) {
	p := &typeParser{regexp.MustCompile(`'[^']*'|\w+|[^\s\w]`).FindAllString(text, -1), named}
	s, err := p.union()
	if err == nil && len(p.words) > 0 {
		err = fmt.Errorf("unexpected %q in %s", p.words[0], text)
	}
	return s, err
}

func (p *typeParser) take(word string) bool {
	if len(p.words) > 0 && p.words[0] == word {
		p.words = p.words[1:]
		return true
	}
	return false
}

func (p *typeParser) must(word string) error {
	if !p.take(word) {
		return fmt.Errorf("no %q before %v", word, p.words)
	}
	return nil
}

func (p *typeParser) next() (word string) {
	if len(p.words) > 0 {
		word, p.words = p.words[0], p.words[1:]
	}
	return word
}

func (p *typeParser) union() (*shape, error) {
	var parts []*shape
	null := false
	for {
		if p.take("null") {
			null = true
		} else {
			s, err := p.both()
			if err != nil {
				return nil, err
			}
			parts = append(parts, s)
		}
		if !p.take("|") {
			break
		}
	}
	if len(parts) == 0 {
		return nil, fmt.Errorf("nothing but null before %v", p.words)
	}
	out := *parts[0]
	for _, s := range parts[1:] {
		switch {
		case out.kind == isString && s.kind == isString && out.enum != nil && s.enum != nil:
			out.enum = append(slices.Clone(out.enum), s.enum...)
		case slices.Equal(out.enum, []string{"multi"}) && s.kind == isNumber:
			out = shape{kind: isWindow}
		default:
			return nil, fmt.Errorf("no JSON of ours is %s or %s", out.kind, s.kind)
		}
	}
	out.null = out.null || null
	return &out, nil
}

func (p *typeParser) both() (*shape, error) {
	out, err := p.array()
	for err == nil && p.take("&") {
		var more *shape
		if more, err = p.array(); err == nil {
			fields := maps.Clone(out.fields)
			maps.Copy(fields, more.fields)
			out = &shape{kind: isObject, fields: fields}
		}
	}
	return out, err
}

func (p *typeParser) array() (*shape, error) {
	out, err := p.one()
	for err == nil && p.take("[") {
		out, err = &shape{kind: isArray, elem: out}, p.must("]")
	}
	return out, err
}

func (p *typeParser) one() (*shape, error) {
	switch word := p.next(); {
	case word == "(":
		out, err := p.union()
		if err != nil {
			return nil, err
		}
		return out, p.must(")")
	case word == "[":
		out := &shape{kind: isArray}
		for {
			elem, err := p.union()
			if err != nil {
				return nil, err
			}
			out.elem, out.length = elem, out.length+1
			if !p.take(",") {
				return out, p.must("]")
			}
		}
	case word == "{":
		out := &shape{kind: isObject, fields: map[string]field{}}
		for !p.take("}") {
			key := p.next()
			optional := p.take("?")
			if err := p.must(":"); err != nil {
				return nil, err
			}
			s, err := p.union()
			if err != nil {
				return nil, fmt.Errorf("%s: %w", key, err)
			}
			out.fields[key] = field{s, optional}
			if !p.take(",") && (len(p.words) == 0 || p.words[0] != "}") {
				return nil, fmt.Errorf("no comma behind %s", key)
			}
		}
		return out, nil
	case word == "Record":
		for _, w := range []string{"<", "string", ","} {
			if err := p.must(w); err != nil {
				return nil, err
			}
		}
		elem, err := p.union()
		if err != nil {
			return nil, err
		}
		return &shape{kind: isDictionary, elem: elem}, p.must(">")
	case strings.HasPrefix(word, "'"):
		return &shape{kind: isString, enum: []string{strings.Trim(word, "'")}}, nil
	case slices.Contains([]string{isString, isNumber, isInteger, isBoolean, isAny}, word):
		return &shape{kind: word}, nil
	default:
		return p.named(word)
	}
}
