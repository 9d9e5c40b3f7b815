package ui

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"os"
	"path"
	"regexp"
	"strings"
	"testing"
)

// sources are the names of our own modules.
func sources(t *testing.T) (names []string) {
	t.Helper()
	err := fs.WalkDir(Files(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && path.Ext(name) == ".js" && !strings.HasPrefix(name, "vendor/") {
			names = append(names, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(names) < 20 {
		t.Fatalf("only %d modules are embedded: %q", len(names), names)
	}
	return names
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := fs.ReadFile(Files(), name)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestVendoredFilesAreUnchanged compares with the sums of the README beside them.
func TestVendoredFilesAreUnchanged(t *testing.T) {
	const folder = "vendor/uplot-1.6.32/"
	readme, err := os.ReadFile(folder + "README.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`(?m)^\| (\S+) \| ([0-9a-f]{64}) \|$`).FindAllSubmatch(readme, -1)
	if len(rows) != 4 {
		t.Fatalf("%d sums in the README, want 4", len(rows))
	}
	for _, row := range rows {
		data, err := os.ReadFile(folder + string(row[1]))
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != string(row[2]) {
			t.Errorf("%s is not the file of the release", row[1])
		}
	}
}

// TestImportsResolve walks what the browser would load.
func TestImportsResolve(t *testing.T) {
	imports := regexp.MustCompile(`(?m)^(?:import|export)\s(?:[^'";]*\sfrom\s)?'([^']+)';`)
	reached := map[string]bool{"boot.js": true}
	var visit func(name string)
	visit = func(name string) {
		if reached[name] {
			return
		}
		reached[name] = true
		for _, m := range imports.FindAllStringSubmatch(read(t, name), -1) {
			if !strings.HasPrefix(m[1], ".") {
				t.Errorf("%s imports %s, which no browser can find", name, m[1])
				continue
			}
			visit(path.Join(path.Dir(name), m[1]))
		}
	}
	visit("app.js")
	for _, name := range sources(t) {
		if !reached[name] && name != "core/types.js" {
			t.Errorf("%s is embedded, but nothing imports it", name)
		}
	}
}

// TestOnlyOneModuleKnowsTheChart keeps the chart library replaceable.
func TestOnlyOneModuleKnowsTheChart(t *testing.T) {
	for _, name := range sources(t) {
		if strings.Contains(read(t, name), "vendor/") && name != "draw/plot.js" {
			t.Errorf("%s reaches into vendor", name)
		}
	}
}

// TestHouseRulesOfModules checks what makes the pages safe to serve under
// "default-src 'self'" and pleasant to read.
func TestHouseRulesOfModules(t *testing.T) {
	forbidden := regexp.MustCompile(`innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|setAttribute\('style'`)
	for _, name := range sources(t) {
		text := read(t, name)
		if !strings.HasPrefix(text, "// @ts-check\n") {
			t.Errorf("%s does not begin with // @ts-check", name)
		}
		if found := forbidden.FindString(text); found != "" {
			t.Errorf("%s uses %s", name, found)
		}
		if lines := strings.Count(text, "\n"); lines >= 500 {
			t.Errorf("%s has %d lines: one concern a module", name, lines)
		}
	}
}

// TestShellIsFreeOfInlineCode checks the HTML, and that all it names is there.
func TestShellIsFreeOfInlineCode(t *testing.T) {
	html := read(t, "index.html")
	if m := regexp.MustCompile(`(?i)<script(?:[^>]*)>[^<]|<style|\sstyle=|\son[a-z]+=|https?://`).FindString(html); m != "" {
		t.Errorf("inline code or a foreign address in index.html: %q", m)
	}
	links := regexp.MustCompile(`(?:href|src)="/([^"]+)"`).FindAllStringSubmatch(html, -1)
	if len(links) < 6 {
		t.Fatalf("only %d files named in index.html", len(links))
	}
	preloaded := map[string]bool{}
	for _, m := range links {
		if _, err := fs.Stat(Files(), m[1]); err != nil {
			t.Errorf("index.html names %s: %v", m[1], err)
		}
		preloaded[m[1]] = true
	}
	// Without the list the browser would find the modules one import after the other.
	for _, name := range sources(t) {
		if !preloaded[name] && name != "core/types.js" {
			t.Errorf("index.html does not preload %s", name)
		}
	}
	for _, name := range []string{"style/base.css", "style/listen.css", "style/rig.css", "style/align.css", "style/show.css", "style/watch.css"} {
		if css := read(t, name); bytes.Contains([]byte(css), []byte("@import")) || strings.Contains(css, "url(http") {
			t.Errorf("%s loads more", name)
		}
	}
}
