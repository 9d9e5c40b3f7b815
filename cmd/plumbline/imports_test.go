package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"
)

// TestImportsRunOneWay fails on any import that the map in DEVELOPERS.md does
// not have. Imports of tests count too, except that they may use more libraries.
func TestImportsRunOneWay(t *testing.T) {
	const (
		portaudio = "github.com/gordonklaus/portaudio"
		toml      = "github.com/BurntSushi/toml"
		godsp     = "github.com/mjibson/go-dsp"
		gonum     = "gonum.org/v1/gonum"
		websocket = "github.com/gorilla/websocket"
		sqlite    = "modernc.org/sqlite"
		metrics   = "github.com/prometheus/client_golang"
		qr        = "rsc.io/qr"
		mdns      = "github.com/pion/"
	)
	// What only tests may use.
	testsOnly := []string{
		"plumbline/analyze/internal/reference", "plumbline/analyze/internal/truth",
		"plumbline/analyze/internal/golden", "plumbline/analyze/internal/programme", "plumbline/analyze/taketest", "plumbline/capture/device/pulsetest", "plumbline/capture/leak",
		"plumbline/cmd/plumbline/raced", "plumbline/cmd/plumbline/announce/found",
	}
	// The first prefix that matches a package rules it.
	rules := []struct {
		pkg  string
		may  []string // packages of this module and of others, by prefix
		cgo  bool
		none []string // standard packages it must do without
	}{
		{pkg: "plumbline/capture/leak"}, // for all tests
		{pkg: "plumbline/capture/device", may: []string{"plumbline/capture", portaudio}, cgo: true},
		{pkg: "plumbline/capture/rig", may: []string{"plumbline/capture", "plumbline/analyze/air", "plumbline/analyze/fft", godsp, toml}},
		{pkg: "plumbline/capture/signal", may: []string{"plumbline/capture", godsp}},
		{pkg: "plumbline/capture", may: []string{"plumbline/capture"}},
		{pkg: "plumbline/analyze/internal/golden"},    // for tests: reads and writes files
		{pkg: "plumbline/analyze/internal/reference"}, // for tests: reads files
		{pkg: "plumbline/analyze/internal/truth"},     // for tests: reads the environment
		{pkg: "plumbline/analyze", may: []string{"plumbline/analyze", godsp, gonum},
			none: []string{"net", "os", "io", "log", "encoding/json", "context", "time"}},
		{pkg: "plumbline/stream", may: []string{"plumbline/analyze", "plumbline/stream", websocket, sqlite, metrics}},
		{pkg: "plumbline/ui"},
		{pkg: "plumbline/cmd", may: []string{"plumbline/", "github.com/spf13/", "golang.org/x/", godsp, gonum, toml, websocket, qr, mdns}},
	}

	for _, pkg := range listPackages(t) {
		rule := -1
		for i, r := range rules {
			if under(pkg.ImportPath, r.pkg) {
				rule = i
				break
			}
		}
		if rule < 0 {
			t.Errorf("%s is in no rule: put it on the map", pkg.ImportPath)
			continue
		}
		r := rules[rule]
		for _, path := range pkg.Imports {
			if path == "C" || path == "unsafe" {
				if !r.cgo {
					t.Errorf("%s imports %q: only capture/device may", pkg.ImportPath, path)
				}
				continue
			}
			if standard(path) {
				for _, no := range r.none {
					if under(path, no) && path != "io/fs" {
						t.Errorf("%s imports %s: %s is pure computation", pkg.ImportPath, path, r.pkg)
					}
				}
				continue
			}
			if anyPrefix(path, testsOnly) && !anyPrefix(pkg.ImportPath, testsOnly) {
				t.Errorf("%s imports %s, which is for tests", pkg.ImportPath, path)
			}
			if !anyPrefix(path, r.may) {
				t.Errorf("%s imports %s: no such arrow on the map", pkg.ImportPath, path)
			}
		}
		for _, path := range append(pkg.TestImports, pkg.XTestImports...) {
			if strings.HasPrefix(path, "plumbline/") && !anyPrefix(path, append([]string{pkg.ImportPath, "plumbline/capture/leak"}, r.may...)) {
				t.Errorf("a test of %s imports %s: no such arrow on the map", pkg.ImportPath, path)
			}
		}
	}
}

type goPackage struct {
	ImportPath                         string
	Imports, TestImports, XTestImports []string
}

func listPackages(t *testing.T) []goPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-e", "-json=ImportPath,Imports,TestImports,XTestImports", "plumbline/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p goPackage
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func standard(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	return first != "plumbline" && !strings.Contains(first, ".")
}

// under says whether path is root or lies below it.
func under(path, root string) bool {
	return path == root || strings.HasPrefix(path, strings.TrimSuffix(root, "/")+"/")
}

func anyPrefix(path string, roots []string) bool {
	for _, root := range roots {
		if under(path, root) {
			return true
		}
	}
	return false
}
