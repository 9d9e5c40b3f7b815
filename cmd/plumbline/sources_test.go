package main

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Whatever others computed or published is in testdata/SOURCES.md with where it comes from
// and the script that made it, and is read by a test; nothing else is there.
func TestSourcesAreSaid(t *testing.T) {
	root := filepath.Join("..", "..", "testdata")
	text, err := os.ReadFile(filepath.Join(root, "SOURCES.md"))
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\| ((?:reference|wav)/\S+|\S+\.csv) \| ([^|]+) \| ([^|]+) \|$`).FindAllStringSubmatch(string(text), -1) {
		said[m[1]] = m[3]
		for _, script := range regexp.MustCompile(`scripts/\S+\.py`).FindAllString(m[3], -1) {
			if _, err := os.Stat(filepath.Join(root, script)); err != nil {
				t.Errorf("%s: %v", m[1], err)
			}
		}
		if !regexp.MustCompile(`scripts/|public (copies|sources)`).MatchString(m[3]) {
			t.Errorf("%s: made by %q is neither a script nor a copy", m[1], m[3])
		}
	}
	// Tests name a table by its file.
	var tests strings.Builder
	err = filepath.WalkDir(filepath.Join("..", ".."), func(name string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(name, "_test.go") && d.Name() != "sources_test.go" {
			data, err := os.ReadFile(name)
			tests.Write(data)
			return err
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	err = filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		short, _ := filepath.Rel(root, name)
		short = filepath.ToSlash(short)
		if err != nil || d.IsDir() || !strings.HasPrefix(short, "reference/") && !strings.HasSuffix(short, ".csv") {
			return err
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		if !strings.HasPrefix(string(data), "# Source: ") {
			t.Errorf("%s does not begin with its source", short)
		}
		if said[short] == "" {
			t.Errorf("%s is not in SOURCES.md", short)
		}
		delete(said, short)
		if !strings.Contains(tests.String(), filepath.Base(short)) {
			t.Errorf("%s is read by no test", short)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	delete(said, "wav/*.wav")
	for name := range said {
		t.Errorf("%s is in SOURCES.md and not there", name)
	}
}

// The computed columns of the tables are what the formulas of their headings give.
func TestTablesAreWhatTheirFormulasGive(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("no python3 here: ", err)
	}
	out, err := exec.Command(python, filepath.Join("..", "..", "testdata", "scripts", "reference.py")).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
