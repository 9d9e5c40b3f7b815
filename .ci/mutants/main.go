// Command mutants changes the code in many places, one at a time (a sign, a comparison, a
// step), and runs the tests of the package that holds it: what no test notices is said,
// and the table of testdata/MUTANTS.md is written anew.
//
//	go run ./.ci/mutants [k/n [packages]]
//
// k/n takes one line in n, by a hash of its place and text: a sample of the whole. What
// was found of a package is kept under build/mutants until the package changes, so that a
// run may be broken off and gone on with. It looks at what is committed.
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

const (
	tool    = "github.com/go-gremlins/gremlins/cmd/gremlins@v0.6.0"
	table   = "testdata/MUTANTS.md"
	reasons = "testdata/mutants.txt"
	kept    = "build/mutants"
)

// Packages whose tests are the program's own, minutes each: what they hold is driven by
// hand and by pages, and no change of theirs could be tried in a day.
var without = []string{"cmd/plumbline", "cmd/plumbline/daemon"}

type mutation struct {
	Line   int    `json:"line"`
	Column int    `json:"column"`
	Type   string `json:"type"`
	Status string `json:"status"`
}

type outcome struct {
	Files []struct {
		Name      string     `json:"file_name"`
		Mutations []mutation `json:"mutations"`
	} `json:"files"`
}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	k, n := uint32(1), uint32(1)
	if len(args) > 0 {
		if _, err := fmt.Sscanf(args[0], "%d/%d", &k, &n); err != nil || k < 1 || k > n {
			return fmt.Errorf("%q is no part: say 1/10 for the first of ten", args[0])
		}
	}
	bin, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return err
	}
	defer os.RemoveAll(bin)
	install := exec.Command("go", "install", tool)
	install.Env = append(os.Environ(), "GOBIN="+bin)
	if out, err := install.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w\n%s", tool, err, out)
	}
	git, err := exec.LookPath("git")
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(bin, "git"), []byte("#!/bin/sh\nexec "+git+" -C \"$MUTANTS_PACKAGE\" -c diff.relative=true \"$@\"\n"), 0o755); err != nil {
		return err
	}
	if err := os.MkdirAll(kept, 0o755); err != nil {
		return err
	}
	patterns := []string{"./analyze/...", "./capture/...", "./stream/...", "./cmd/..."}
	if len(args) > 1 {
		patterns = args[1:]
	}
	packages, err := lines("go", append([]string{"list", "-f", `{{if .TestGoFiles}}{{.Dir}}{{else if .XTestGoFiles}}{{.Dir}}{{end}}`}, patterns...)...)
	if err != nil {
		return err
	}
	root, err := os.Getwd()
	if err != nil {
		return err
	}
	copied := filepath.Join(bin, "copy")
	if out, err := exec.Command("git", "worktree", "add", "-q", "--detach", copied, "HEAD").CombinedOutput(); err != nil {
		return fmt.Errorf("git worktree: %w\n%s", err, out)
	}
	defer exec.Command("git", "worktree", "remove", "--force", copied).Run()
	base, err := sample(copied, k, n)
	if err != nil {
		return err
	}
	known, err := readReasons()
	if err != nil {
		return err
	}
	var r report
	for _, dir := range packages {
		pkg, err := filepath.Rel(root, dir)
		if err != nil || dir == "" || slices.Contains(without, pkg) {
			continue
		}
		o, err := mutate(filepath.Join(bin, "gremlins"), copied, base, pkg, k, n)
		if err != nil {
			return err
		}
		if o != nil {
			r.add(pkg, o, known)
		}
	}
	return r.write(k, n)
}

// mutate runs the tool over the sample in a package of the copy; nil: there is none.
func mutate(gremlins, dir, base, pkg string, k, n uint32) (*outcome, error) {
	files, err := filepath.Glob(filepath.Join(dir, pkg, "*.go"))
	if err != nil {
		return nil, err
	}
	var content []byte
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		content = append(content, data...)
	}
	root, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	result := filepath.Join(root, kept, fmt.Sprintf("%s-%d-%d-%08x.json", strings.ReplaceAll(pkg, "/", "_"), k, n, crc32.ChecksumIEEE(content)))
	if _, err := os.Stat(result); err != nil {
		begun := time.Now()
		cmd := exec.Command(gremlins, "unleash", "--silent", "--workers", "2", "--timeout-coefficient", "6",
			"--diff", base, "-o", result+".part", "./"+pkg)
		// The tool knows files by their names within the package, and asks git: which is to
		// answer likewise. Without any difference it would change them all.
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "MUTANTS_PACKAGE="+filepath.Join(dir, pkg),
			"PATH="+filepath.Dir(gremlins)+string(os.PathListSeparator)+os.Getenv("PATH"))
		differs := exec.Command("git", "diff", "--name-only", base, "--", pkg)
		differs.Dir = dir
		if names, err := differs.Output(); err != nil {
			return nil, fmt.Errorf("git diff: %w", err)
		} else if len(names) > 0 {
			if out, err := cmd.CombinedOutput(); err != nil {
				return nil, fmt.Errorf("%s: %w\n%s", pkg, err, out)
			}
		}
		if _, err := os.Stat(result + ".part"); err != nil { // nothing to change
			if err := os.WriteFile(result+".part", []byte("{}"), 0o644); err != nil {
				return nil, err
			}
		}
		if err := os.Rename(result+".part", result); err != nil {
			return nil, err
		}
		fmt.Printf("mutants: %s, %.0f s\n", pkg, time.Since(begun).Seconds())
	}
	data, err := os.ReadFile(result)
	if err != nil {
		return nil, err
	}
	var o outcome
	if err := json.Unmarshal(data, &o); err != nil {
		return nil, fmt.Errorf("%s: %w", result, err)
	}
	return &o, nil
}

// sample makes a copy of the tree in which the lines of the part differ from those of the
// commit base: the tool changes only what differs.
func sample(dir string, k, n uint32) (base string, err error) {
	git := func(args ...string) error {
		cmd := exec.Command("git", append([]string{"-c", "user.name=mutants", "-c", "user.email=mutants@localhost"}, args...)...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("git %s: %w\n%s", strings.Join(args, " "), err, out)
		}
		return nil
	}
	if err := rename(dir); err != nil {
		return "", err
	}
	if err := git("commit", "-qam", "another name"); err != nil {
		return "", err
	}
	err = filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			return err
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		short, err := filepath.Rel(dir, name)
		if err != nil {
			return err
		}
		text := strings.Split(string(data), "\n")
		for i, l := range text {
			if crc32.ChecksumIEEE([]byte(fmt.Sprintf("%s:%d:%s", filepath.ToSlash(short), i, l)))%n == k-1 {
				text[i] = l + " // another"
			}
		}
		return os.WriteFile(name, []byte(strings.Join(text, "\n")), 0o644)
	})
	if err != nil {
		return "", err
	}
	if err := git("commit", "-qam", "another"); err != nil {
		return "", err
	}
	if err := git("checkout", "-q", "HEAD~1", "--", "."); err != nil {
		return "", err
	}
	return "HEAD~1", git("commit", "-qm", "as it is")
}

// rename gives the copy's module a name that is in none of its paths: the tool takes the
// module's name out of them wherever it stands, and finds no file of cmd/plumbline then.
func rename(dir string) error {
	return filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		base := filepath.Base(name)
		if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") && base != "go.mod" {
			return err
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		text := strings.ReplaceAll(string(data), `"plumbline/`, `"copy.example/`)
		if base == "go.mod" {
			text = strings.Replace(text, "module plumbline", "module copy.example", 1)
		}
		return os.WriteFile(name, []byte(text), 0o644)
	})
}

// report is what was found.
type report struct {
	rows         []string
	all, noticed int
	unexplained  []string
	explained    []string
}

func (r *report) add(pkg string, o *outcome, known map[string]string) {
	all, noticed, untried := 0, 0, 0
	for _, f := range o.Files {
		name := f.Name
		if !strings.HasPrefix(name, pkg) {
			name = filepath.Join(pkg, filepath.Base(name))
		}
		source, err := os.ReadFile(name)
		if err != nil {
			continue
		}
		text := strings.Split(string(source), "\n")
		for _, m := range f.Mutations {
			switch m.Status {
			case "KILLED", "TIMED OUT":
				all++
				noticed++
				continue
			case "NOT COVERED":
				untried++
				continue
			case "LIVED":
			default: // not viable: does not compile
				continue
			}
			all++
			line := ""
			if m.Line <= len(text) {
				line = strings.TrimSpace(text[m.Line-1])
			}
			key := strings.Join([]string{name, m.Type, line}, " | ")
			if why, ok := known[key]; ok {
				r.explained = append(r.explained, key+" | "+why)
				continue
			}
			r.unexplained = append(r.unexplained, fmt.Sprintf("%s:%d:%d: %s, %s: %s", name, m.Line, m.Column, strings.ToLower(m.Status), m.Type, line))
		}
	}
	if all == 0 {
		return
	}
	r.all, r.noticed = r.all+all, r.noticed+noticed
	r.rows = append(r.rows, fmt.Sprintf("| %s | %d | %d | %.0f %% | %d |", pkg, all, noticed, 100*float64(noticed)/float64(all), untried))
}

func (r *report) write(k, n uint32) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "# Changes that tests notice\n\n")
	fmt.Fprintf(&b, "Written by `make mutants PART=%d/%d`: one line in %d, by a hash of its place and text, changed in one\n", k, n, n)
	fmt.Fprintf(&b, "place at a time and held against its own package's tests. A change that makes a test fail or hang is noticed. Not\n")
	fmt.Fprintf(&b, "tried are places that coverage does not see: the conditions of `case`, package variables, and code that the tests of\n")
	fmt.Fprintf(&b, "other packages run. Without %s.\n\n", strings.Join(without, " and "))
	fmt.Fprintf(&b, "| package | tried | noticed | share | not tried |\n| --- | --- | --- | --- | --- |\n%s\n", strings.Join(r.rows, "\n"))
	fmt.Fprintf(&b, "| all | %d | %d | %.1f %% | |\n\n", r.all, r.noticed, 100*float64(r.noticed)/float64(max(1, r.all)))
	fmt.Fprintf(&b, "## Unnoticed, with the reason (`mutants.txt`)\n\n")
	for _, l := range r.explained {
		part := strings.SplitN(l, " | ", 4)
		fmt.Fprintf(&b, "- %s, %s: `%s`: %s\n", part[0], part[1], part[2], part[3])
	}
	fmt.Fprintf(&b, "\n## Unnoticed, without\n\n")
	for _, l := range r.unexplained {
		fmt.Fprintf(&b, "- %s\n", l)
	}
	fmt.Printf("mutants: %d of %d noticed, %.1f %%; %d of the rest have a reason in %s, %d have none\n",
		r.noticed, r.all, 100*float64(r.noticed)/float64(max(1, r.all)), len(r.explained), reasons, len(r.unexplained))
	return os.WriteFile(table, b.Bytes(), 0o644)
}

// readReasons reads `file | type | line of code | reason`.
func readReasons() (map[string]string, error) {
	data, err := os.ReadFile(reasons)
	if err != nil && !os.IsNotExist(err) {
		return nil, err
	}
	known := map[string]string{}
	for l := range strings.SplitSeq(string(data), "\n") {
		if l == "" || strings.HasPrefix(l, "#") {
			continue
		}
		i := strings.LastIndex(l, " | ")
		if i < 0 {
			return nil, fmt.Errorf("%s: %q is not `file | type | line of code | reason`", reasons, l)
		}
		known[l[:i]] = l[i+3:]
	}
	return known, nil
}

func lines(name string, args ...string) ([]string, error) {
	out, err := exec.Command(name, args...).Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w", name, strings.Join(args, " "), err)
	}
	return strings.Fields(string(out)), nil
}
