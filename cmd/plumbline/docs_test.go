package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plumbline/capture/rig"
)

// The scene that the document shows is one.
func TestDocumentedSceneIsAScene(t *testing.T) {
	doc, err := os.ReadFile("docs/scene.md")
	if err != nil {
		t.Fatal(err)
	}
	block := regexp.MustCompile("(?s)```toml\n(.*?)```").FindSubmatch(doc)
	if block == nil {
		t.Fatal("no example")
	}
	path := filepath.Join(t.TempDir(), "scene.toml")
	if err := os.WriteFile(path, block[1], 0o600); err != nil {
		t.Fatal(err)
	}
	scene, err := loadScene(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rig.New(scene, rig.Config{}); err != nil {
		t.Error(err)
	}
}

// Every link of the README and its documents leads to something here.
func TestLinksOfDocuments(t *testing.T) {
	files, err := filepath.Glob("docs/*.md")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	link := regexp.MustCompile(`\]\(([^)#]+)\)`)
	for _, file := range append(files, "../../README.md", "../../DEVELOPERS.md") {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(string(text), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(filepath.Dir(file), m[1])); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}

// The configuration that the document shows is one, and is read as it says.
func TestDocumentedConfigurationIsOne(t *testing.T) {
	doc, err := os.ReadFile("docs/running.md")
	if err != nil {
		t.Fatal(err)
	}
	block := regexp.MustCompile("(?s)```toml\n(.*?)```").FindSubmatch(doc)
	if block == nil {
		t.Fatal("no example")
	}
	keys := regexp.MustCompile(`(?m)^(\S+) = `).FindAllSubmatch(block[1], -1)
	configured(t, string(block[1]))
	all := values(t)
	for _, key := range keys {
		if got := all[string(key[1])].From; got != fromFile {
			t.Errorf("%s is from %q", key[1], got)
		}
	}
	if len(keys) < 5 {
		t.Errorf("%d keys", len(keys))
	}
}

// The unit is one that systemd takes without a word, and what it starts is a command of
// this program with flags that it has.
func TestUnitOfSystemd(t *testing.T) {
	const unit = "docs/plumbline.service"
	text, err := os.ReadFile(unit)
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^ExecStart=%h/\.local/bin/plumbline (.*)$`).FindSubmatch(text)
	if line == nil {
		t.Fatal("no ExecStart")
	}
	cmd, rest, err := newRoot().Find(strings.Fields(string(line[1])))
	if err != nil || cmd.Name() != "serve" || cmd.ParseFlags(rest) != nil || cmd.Flags().NArg() != 0 {
		t.Errorf("%s: %v", line[1], err)
	}
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		t.Skip("systemd is not on this computer")
	}
	home := t.TempDir()
	program := filepath.Join(home, ".local/bin/plumbline")
	if err := os.MkdirAll(filepath.Dir(program), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	verify := exec.CommandContext(t.Context(), "systemd-analyze", "verify", "--user", unit)
	verify.Env = append(os.Environ(), "HOME="+home, "XDG_RUNTIME_DIR="+home, "XDG_CONFIG_HOME="+home)
	if out, err := verify.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v: %s", err, out)
	}
}

// Every test that the table of faults names is there, and every fault has one.
func TestTableOfFaults(t *testing.T) {
	table, err := os.ReadFile("../../testdata/FAULTS.md")
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(t \*testing\.T\)`)
	for _, top := range []string{"../../capture", "../../stream", "."} {
		err := filepath.WalkDir(top, func(path string, _ os.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			for _, m := range declared.FindAllSubmatch(text, -1) {
				there[string(m[1])] = true
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	faults := 0
	for line := range strings.Lines(string(table)) {
		names := regexp.MustCompile("`(Test\\w+)`").FindAllStringSubmatch(line, -1)
		if strings.HasPrefix(line, "| ") && !strings.HasPrefix(line, "| fault") && !strings.HasPrefix(line, "| ---") {
			if faults++; len(names) == 0 {
				t.Errorf("no test: %.60s", line)
			}
		}
		for _, m := range names {
			if !there[m[1]] {
				t.Errorf("there is no %s", m[1])
			}
		}
	}
	if faults < 13 {
		t.Errorf("%d faults", faults)
	}
}
