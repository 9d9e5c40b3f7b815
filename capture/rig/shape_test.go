package rig

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
)

// Nothing that somebody writes into a scene takes more than a small multiple of
// its length in memory, and deep nesting is refused in a line that says where.
func TestSceneMemoryIsBounded(t *testing.T) {
	const n = 200 << 10
	fill := func(unit string) string { return strings.Repeat(unit, n/len(unit)) }
	for name, c := range map[string]struct{ text, want string }{
		"arrays in arrays":         {"a = " + fill("["), "line 1 nests more than 8 deep"},
		"tables in tables":         {"\n\na = " + fill("{a="), "line 3 nests more than 8 deep"},
		"arrays that end":          {"a = " + strings.Repeat("[", n/2) + strings.Repeat("]", n/2), "nests"},
		"a dotted key":             {fill("a.") + "a = 1", "line 1 nests"},
		"a dotted key, spaced":     {fill("a . ") + "a = 1", "nests"},
		"a dotted table":           {"[" + fill("a.") + "a]", "nests"},
		"a dotted array":           {"[[" + fill("a.") + "a]]", "nests"},
		"quoted parts":             {fill(`"a".`) + "a = 1", "nests"},
		"many keys":                {numbered("a%d = 1\n", n), "unknown key"},
		"many tables":              {numbered("[a%d]\n", n), "unknown key"},
		"many loudspeakers":        {fill("[[loudspeaker]]\n"), "room.size_m"},
		"tables as deep as may be": {numbered("[a%d.b.c.d.e.f.g.h]\n", n), "unknown key"},
		"one long string":          {`name = "` + fill("x") + `"`, "printable characters"},
		"a string without end":     {`name = "` + fill("["), ""},
		"an open long string":      {`name = """` + fill("["), ""},
		"too long":                 {fill("# nothing\n") + fill("# nothing\n"), "at most 262144 are read"},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Parse(c.text)
		runtime.ReadMemStats(&after)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %.100v, want %q", name, err, c.want)
		}
		if err != nil && len(err.Error()) > 300 {
			t.Errorf("%s: an error of %d bytes", name, len(err.Error()))
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > 500*n {
			t.Errorf("%s: %d MB for %d kB", name, took>>20, len(c.text)>>10)
		} else {
			t.Logf("%s: %d kB, %.80v", name, took>>10, err)
		}
	}
}

func numbered(format string, bytes int) string {
	var b strings.Builder
	for i := 0; b.Len() < bytes-100; i++ {
		fmt.Fprintf(&b, format, i)
	}
	return b.String()
}

// What stands in strings and comments does not nest.
func TestShapeKnowsStrings(t *testing.T) {
	deep := strings.Repeat("[{", 50)
	for _, text := range []string{
		`a = "` + deep + `"`, `a = '` + deep + `'`, "a = \"\"\"\n" + deep + "\n\"\"\"", "a = '''\n" + deep + `\'''`,
		`a = "\"` + deep + `"`, "# " + deep + "\na = 1", `a = [1, 2] # ` + deep, "a = 1." + strings.Repeat("\na = 1.5", 100),
		"microphone = [{name = \"a\", position_m = [1.5, 2.5, 3.5]}, {name = \"b\", position_m = [1.5, 2.5, 3.5]}]",
	} {
		if err := checkShape(text); err != nil {
			t.Errorf("%.60s: %v", text, err)
		}
	}
	for _, text := range []string{`a = "x"` + "\nb = " + deep, "a = '''x'''\nb = " + deep, `a = "x\\" #` + "\nb = " + deep} {
		if err := checkShape(text); err == nil || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%.60s: %v", text, err)
		}
	}
}
