package stream

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"net/http/httptest"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

// local serves a request without a socket.
func local(s *Server, method, path string) (int, string) {
	r := httptest.NewRequest(method, path, strings.NewReader("{}"))
	r.Host = "127.0.0.1:8737"
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func read(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The routes of the server, with the role that each needs, and the paths of openapi.yaml
// are the same.
func TestOpenAPIHasEveryRoute(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, r := range s.apiRoutes() {
		want = append(want, r.method+" "+r.path+" "+string(needs(r)))
	}
	var got []string
	path, method := "", ""
	for line := range strings.Lines(read(t, "openapi.yaml")) {
		if m := regexp.MustCompile(`^  (/\S+):$`).FindStringSubmatch(line[:len(line)-1]); m != nil {
			path = m[1]
		} else if m := regexp.MustCompile(`^    (get|post|put|patch|delete):$`).FindStringSubmatch(line[:len(line)-1]); m != nil {
			method = strings.ToUpper(m[1])
		} else if m := regexp.MustCompile(`^      x-role: (\w+)$`).FindStringSubmatch(line[:len(line)-1]); m != nil {
			got = append(got, method+" "+path+" "+m[1])
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("openapi.yaml has\n%s\nthe server has\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if status, body := local(s, "GET", "/api/v1/openapi.yaml"); status != 200 || body != read(t, "openapi.yaml") {
		t.Errorf("served: %d", status)
	}
}

// wire.md has every message type with its keys and every curve, and no others.
func TestWirePageIsComplete(t *testing.T) {
	page := read(t, "wire.md")
	section := func(title string) string {
		_, rest, ok := strings.Cut(page, "\n## "+title+"\n")
		if !ok {
			t.Fatalf("wire.md has no section %q", title)
		}
		rest, _, _ = strings.Cut(rest, "\n## ")
		return rest
	}
	rows := func(text string) map[string]string {
		m := map[string]string{}
		for line := range strings.Lines(text) {
			if cells := strings.Split(line, " | "); strings.HasPrefix(line, "| `") {
				m[strings.Trim(cells[0], "| `")] = line
			}
		}
		return m
	}
	all := openAPISchemas(t)
	named := func(name string) (*shape, error) {
		if all[name] == nil {
			return nil, fmt.Errorf("openapi.yaml has no schema %s", name)
		}
		return schemaShape(name, all[name], all)
	}
	// What a client says is one type in Go; only an ack has seq, only a want the rest.
	only := func(keys ...string) func(string) bool {
		return func(key string) bool { return slices.Contains(keys, key) }
	}
	most := func(key string) bool { return key != "type" }
	type message struct {
		v    any
		keys func(string) bool
	}
	for title, messages := range map[string]map[string]message{
		"Text messages from the daemon": {
			wire.TypeHello: {wire.Hello{}, most}, wire.TypeState: {wire.StateMessage{}, most}, wire.TypeRig: {wire.RigMessage{}, most},
			wire.TypeShow: {wire.ShowMessage{}, most}, wire.TypeSurvey: {wire.SurveyMessage{}, most}, wire.TypeLevels: {wire.LevelsMessage{}, most},
			wire.TypeWatch: {wire.WatchMessage{}, most}, wire.TypeEvent: {wire.EventMessage{}, most}, wire.TypeVerdict: {wire.Verdict{}, most},
			wire.TypeNotice: {wire.Notice{}, most}, wire.TypeAsk: {wire.Ask{}, most},
		},
		"Text messages to the daemon": {
			wire.TypeAck:  {wire.ClientMessage{}, only("seq")},
			wire.TypeWant: {wire.ClientMessage{}, only("frames_per_second", "hidden", "microphones")},
			wire.TypeHere: {wire.ClientMessage{}, only()},
		},
	} {
		got := rows(section(title))
		for name, m := range messages {
			row, ok := got[name]
			delete(got, name)
			text := regexp.MustCompile("`(\\{.*?\\})`").FindStringSubmatch(strings.ReplaceAll(row, `\|`, "|"))
			if !ok || text == nil {
				t.Errorf("%s: no row %s, or none that tells its type", title, name)
				continue
			}
			said, err := parseType(text[1], named)
			if err != nil {
				t.Errorf("%s: %s: %v", title, name, err)
				continue
			}
			is := goShape(t, reflect.TypeOf(m.v), map[reflect.Type]bool{})
			maps.DeleteFunc(is.fields, func(key string, _ field) bool { return !m.keys(key) })
			for _, d := range differ(name, is, said, true) {
				t.Error("wire.md: " + d)
			}
		}
		for name := range got {
			t.Errorf("%s: %s is no message", title, name)
		}
	}

	documented := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\| (\d+) \| ([A-Z]\w+) \|`).FindAllStringSubmatch(section("Frame"), -1) {
		documented[m[2]] = m[1]
	}
	inGo := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\t(\w+)\s+CurveID = (\d+)`).FindAllStringSubmatch(read(t, "wire/frame.go"), -1) {
		inGo[m[1]] = m[2]
	}
	if len(inGo) != 18 || !reflect.DeepEqual(documented, inGo) {
		t.Errorf("wire.md has %v, Go has %v", documented, inGo)
	}
	if !strings.Contains(page, "Version "+strconv.Itoa(wire.Version)+";") {
		t.Error("wire.md tells another version")
	}
	// The abouts that sentences use.
	source := read(t, "verdict/sentence.go")
	for _, m := range regexp.MustCompile(`(?:about\(|return )"([a-z]+)(:|")`).FindAllStringSubmatch(source, -1) {
		if !strings.Contains(page, "`"+m[1]+"`") && !strings.Contains(page, "`"+m[1]+":N`") {
			t.Errorf("wire.md lacks the part about %q", m[1])
		}
	}
}

// The head of a frame is where wire.md says, and of that type.
func TestWirePageHasTheHeader(t *testing.T) {
	f := frametest.New(1)
	f.Seq, f.Sample, f.Epoch, f.Gaps, f.Bursts, f.AveragedS = 1<<40+1, 1<<41+2, 3, 4, 5, 6.5
	const unixMs = 1.7e12 + 0.25
	data := new(wire.Frame).Set(f, unixMs).Append(nil, nil)
	var head wire.Frame
	if err := head.Decode(data); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"`PLMB`": "PLMB", "version": uint8(wire.Version), "type": uint8(1), "number of curves": binary.LittleEndian.Uint16(data[6:]),
		"seq": f.Seq, "sample": f.Sample, "wall clock": unixMs, "epoch": f.Epoch, "gaps": uint32(f.Gaps), "seconds of audio": float32(6.5), "bursts": uint32(f.Bursts),
	}
	for _, m := range regexp.MustCompile(`(?m)^\| (\d+) \| (4 bytes|u8|u16|u32|u64|f32|f64) \| ([^|]*) \|`).FindAllStringSubmatch(read(t, "wire.md"), -1) {
		at, err := strconv.Atoi(m[1])
		if err != nil {
			t.Fatal(err)
		}
		var got any
		switch b := data[at:]; m[2] {
		case "4 bytes":
			got = string(b[:4])
		case "u8":
			got = b[0]
		case "u16":
			got = binary.LittleEndian.Uint16(b)
		case "u32":
			got = binary.LittleEndian.Uint32(b)
		case "u64":
			got = binary.LittleEndian.Uint64(b)
		case "f32":
			got = math.Float32frombits(binary.LittleEndian.Uint32(b))
		case "f64":
			got = math.Float64frombits(binary.LittleEndian.Uint64(b))
		}
		for name, v := range want {
			if strings.HasPrefix(m[3], name) {
				if got != v {
					t.Errorf("%s at %d as %s is %v, want %v", name, at, m[2], got, v)
				}
				delete(want, name)
			}
		}
	}
	for name := range want {
		t.Errorf("wire.md does not say where %s is", name)
	}
}
