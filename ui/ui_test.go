package ui

import (
	"bytes"
	"io/fs"
	"path"
	"regexp"
	"strings"
	"testing"
)

// sources are the names of the modules.
func sources(t *testing.T) (names []string) {
	t.Helper()
	err := fs.WalkDir(Files(), ".", func(name string, d fs.DirEntry, err error) error {
		if err == nil && path.Ext(name) == ".js" {
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

// reach is what the browser would load for some modules, them included.
func reach(t *testing.T, roots ...string) map[string]bool {
	t.Helper()
	imports := regexp.MustCompile(`(?m)^(?:import|export)\s(?:[^'";]*\sfrom\s)?'([^']+)';`)
	reached := map[string]bool{}
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
	for _, name := range roots {
		visit(name)
	}
	return reached
}

// Every module is part of the pages, or of what draws a report.
func TestImportsResolve(t *testing.T) {
	reached := reach(t, "boot.js", "app.js", "report.js")
	for _, name := range sources(t) {
		if !reached[name] && name != "core/types.js" {
			t.Errorf("%s is embedded, but nothing imports it", name)
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
	for name := range reach(t, "boot.js", "app.js") {
		if !preloaded[name] {
			t.Errorf("index.html does not preload %s", name)
		}
	}
	for _, name := range []string{"style/base.css", "style/listen.css", "style/rig.css", "style/align.css", "style/show.css", "style/watch.css", "style/setup.css", "style/walk.css"} {
		if css := read(t, name); bytes.Contains([]byte(css), []byte("@import")) || strings.Contains(css, "url(http") {
			t.Errorf("%s loads more", name)
		}
	}
}
