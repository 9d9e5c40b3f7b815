// Command tryout runs a built plumbline beside another build of the same source and fails
// where they differ: the demo has to answer over HTTP, audio devices have to be asked for,
// and what both render and measure has to be the same.
//
//	go run ./.ci/handover/tryout NATIVE PROGRAM [ARGUMENT...]
//
// PROGRAM with its first arguments may be an emulator with the program it runs.
package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// patience is for an emulator on a busy machine.
const patience = 5 * time.Minute

func main() {
	if len(os.Args) < 3 {
		fmt.Fprintln(os.Stderr, "usage: tryout NATIVE PROGRAM [ARGUMENT...]")
		os.Exit(2)
	}
	if err := run(os.Args[1], os.Args[2:]); err != nil {
		fmt.Fprintln(os.Stderr, "tryout:", err)
		os.Exit(1)
	}
}

func run(native string, program []string) error {
	dir, err := os.MkdirTemp("", "tryout")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	ctx, cancel := context.WithTimeout(context.Background(), 4*patience)
	defer cancel()
	p := under{ctx: ctx, command: program, dir: dir}
	if err := p.answers(); err != nil {
		return fmt.Errorf("demo: %w", err)
	}
	if err := p.asksForDevices(); err != nil {
		return fmt.Errorf("devices: %w", err)
	}
	n := under{ctx: ctx, command: []string{native}, dir: dir}
	var c comparison
	for _, args := range [][]string{
		{"rig", "render", "demo", "OUT", "--seconds", "20"},
		{"rig", "render", "demo", "OUT", "--seconds", "10", "--play", "A", "--seed", "7"},
	} {
		if err := c.rendered(n, p, args); err != nil {
			return fmt.Errorf("%s: %w", strings.Join(args, " "), err)
		}
	}
	fmt.Println(c.summary())
	return nil
}

// under is a program together with what it runs under, if anything.
type under struct {
	ctx     context.Context
	command []string
	dir     string // where it works
}

func (u under) start(args ...string) *exec.Cmd {
	cmd := exec.CommandContext(u.ctx, u.command[0], append(u.command[1:len(u.command):len(u.command)], args...)...)
	cmd.Dir = u.dir
	return cmd
}

// output runs it and gives what it printed.
func (u under) output(args ...string) ([]byte, error) {
	out, err := u.start(args...).Output()
	if exit, ok := err.(*exec.ExitError); ok {
		return nil, fmt.Errorf("%w: %s", err, strings.TrimSpace(string(exit.Stderr)))
	}
	return out, err
}

// answers starts the demo on a free port and asks it for its state.
func (u under) answers() error {
	cmd := u.start("demo", "--listen", "127.0.0.1:0")
	var said strings.Builder
	cmd.Stderr = &said
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	stopped := false
	defer func() {
		if !stopped {
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
	}()
	address := ""
	for lines := bufio.NewScanner(stdout); address == "" && lines.Scan(); {
		if rest, ok := strings.CutPrefix(strings.TrimSpace(lines.Text()), "listening on "); ok {
			address = rest
		}
	}
	if address == "" {
		return fmt.Errorf("did not say where it listens: %s", strings.TrimSpace(said.String()))
	}
	go io.Copy(io.Discard, stdout)
	if err := state(u.ctx, address); err != nil {
		return err
	}
	page, err := get(u.ctx, address+"/")
	if err != nil {
		return err
	}
	if !strings.Contains(string(page), "<html") {
		return fmt.Errorf("GET / gave no page but %.80q", page)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	stopped = true
	// Under an emulator it may be too slow to end in the time it gives itself, and Windows
	// has no such signal: there it has to be gone, and no more.
	if err := cmd.Wait(); err != nil && len(u.command) == 1 {
		return fmt.Errorf("SIGTERM did not end it well: %w: %s", err, strings.TrimSpace(said.String()))
	}
	return nil
}

func state(ctx context.Context, address string) error {
	body, err := get(ctx, address+"/api/v1/state")
	if err != nil {
		return err
	}
	var s map[string]any
	if err := json.Unmarshal(body, &s); err != nil {
		return fmt.Errorf("GET /api/v1/state: %w in %.80q", err, body)
	}
	if len(s) == 0 {
		return fmt.Errorf("GET /api/v1/state says nothing")
	}
	return nil
}

func get(ctx context.Context, url string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("GET %s: %s: %.80q", url, resp.Status, body)
	}
	return body, err
}

// asksForDevices: PortAudio is linked in, begins, and lists what there is, if only nothing.
func (u under) asksForDevices() error {
	out, err := u.output("devices", "--json")
	if err != nil {
		return err
	}
	var list struct {
		Devices *[]any `json:"devices"`
	}
	if err := json.Unmarshal(out, &list); err != nil {
		return err
	}
	if list.Devices == nil {
		return fmt.Errorf("no list in %.80q", out)
	}
	return nil
}

// rendered has both render a recording, each measure its own, and compares all of it.
func (c *comparison) rendered(n, p under, args []string) error {
	var samples [2][]float64
	var measured [2][3]any
	for i, u := range []under{n, p} {
		name := fmt.Sprintf("%d.wav", i) // relative: what runs under an emulator has other paths
		render := make([]string, len(args))
		copy(render, args)
		for j := range render {
			if render[j] == "OUT" {
				render[j] = name
			}
		}
		if _, err := u.output(render...); err != nil {
			return err
		}
		var err error
		if samples[i], err = readSamples(filepath.Join(u.dir, name)); err != nil {
			return err
		}
		for k, measure := range [][]string{
			{"response", name, "--json"},
			{"response", name, "--window", "16384", "--json"},
			{"arrivals", name, "--json"},
		} {
			out, err := u.output(measure...)
			if err != nil {
				return err
			}
			if err := json.Unmarshal(out, &measured[i][k]); err != nil {
				return err
			}
			if m, ok := measured[i][k].(map[string]any); ok {
				delete(m, "file") // its name, not a number
			}
		}
		if err := os.Remove(filepath.Join(u.dir, name)); err != nil {
			return err
		}
	}
	if len(samples[0]) == 0 {
		return fmt.Errorf("rendered nothing")
	}
	c.numbers("samples", samples[0], samples[1])
	for k := range measured[0] {
		before := c.count
		c.values("", measured[0][k], measured[1][k])
		if c.count == before {
			return fmt.Errorf("measured nothing")
		}
	}
	return c.err()
}
