//go:build unix

package daemon

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

// viewer is a page at viewerHz frames a second, as far as the network is concerned.
type viewer struct {
	conn   *websocket.Conn
	frames atomic.Int64 // since the last look
	gaps   atomic.Int64 // places where more than one frame of its own is missing
}

const (
	viewerHz = 10
	// gapFrom is a step in published frames, 20 a second, that is a gap: every second one is
	// a viewer's, and the clocks of both do not beat together.
	gapFrom = 4
)

func (v *viewer) watch() error {
	last := uint64(0)
	for {
		kind, data, err := v.conn.ReadMessage()
		if err != nil {
			return err
		}
		if kind != websocket.BinaryMessage {
			continue
		}
		seq := binary.LittleEndian.Uint64(data[8:])
		if last > 0 && seq-last >= gapFrom {
			v.gaps.Add(1)
		}
		last = seq
		v.frames.Add(1)
		if err := acknowledge(v.conn, data); err != nil {
			return err
		}
	}
}

// crowd are so many viewers, each of whom has begun to see frames.
func crowd(t *testing.T, address string, n int) (all []*viewer, leave func()) {
	t.Helper()
	var running sync.WaitGroup
	for range n {
		conn, _, err := websocket.DefaultDialer.Dial("ws://"+address+"/api/v1/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"want","frames_per_second":%d}`, viewerHz)); err != nil {
			t.Fatal(err)
		}
		v := &viewer{conn: conn}
		all = append(all, v)
		running.Go(func() { _ = v.watch() }) // it ends with the connection
	}
	eventually(t, "everybody sees frames", func() bool {
		return !slices.ContainsFunc(all, func(v *viewer) bool { return v.frames.Load() < 3 })
	})
	return all, func() {
		for _, v := range all {
			v.conn.Close()
		}
		running.Wait()
	}
}

// run is what was found with so many viewers.
type run struct {
	gaps, frames, due int64
	p50, p99          float64 // ms, of the fast client
	core              float64 // of the daemon, of one core
	residentMB        float64
	load              string
}

// capacityWindow is how long a run looks; of capacityRuns the best counts.
const (
	capacityWindow = 6 * time.Second
	capacityRuns   = 4
)

func measureCapacity(t *testing.T, daemon, eye *part, address string, viewers int) (r run) {
	t.Helper()
	all, leave := crowd(t, address, viewers)
	defer leave()
	var began, before, after int64
	var descriptors int
	eyes := func() (samples []int64) {
		t.Helper()
		var n int
		eye.ask(t, &n)
		fields := strings.Fields(eye.out.Text())[1:]
		for _, f := range fields {
			var v int64
			fmt.Sscan(f, &v)
			samples = append(samples, v)
		}
		return samples
	}
	r.load = load()
	daemon.ask(t, &address, &began, &before, &r.residentMB, &descriptors)
	eyes()
	for _, v := range all {
		v.frames.Store(0)
		v.gaps.Store(0)
	}
	begun := time.Now()
	<-time.After(capacityWindow) // what is measured is a time
	var lates []float64
	seen := eyes()
	took := time.Since(begun)
	for i := 0; i+1 < len(seen); i += 2 {
		heard := began + int64(math.Round(float64(seen[i])/48000*1e9))
		lates = append(lates, float64(seen[i+1]-heard)/1e6)
	}
	for _, v := range all {
		r.frames += v.frames.Load()
		r.gaps += v.gaps.Load()
	}
	daemon.ask(t, &address, &began, &after, &r.residentMB, &descriptors)
	r.due = int64(took.Seconds() * viewerHz * float64(viewers))
	r.core = float64(after-before) / float64(time.Since(begun))
	if len(lates) == 0 {
		t.Fatal("the fast client saw nothing")
	}
	slices.Sort(lates)
	r.p50, r.p99 = lates[len(lates)/2], lates[(len(lates)*99+99)/100-1]
	return r
}

// load is that of the machine over the last minute.
func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Fields(string(text))[0]
}

// How many can look on: gaps, how late a fast client sees what was heard, and what each
// viewer costs the daemon. The best run counts: other work makes each worse.
func TestCapacity(t *testing.T) {
	if os.Getenv("PLUMBLINE_CAPACITY") == "" {
		t.Skip("make capacity runs it: minutes, and it wants a machine that does nothing else")
	}
	daemon := startPart(t, partDaemon)
	var address string
	var rest struct {
		began, used int64
		mb          float64
		fds         int
	}
	daemon.ask(t, &address, &rest.began, &rest.used, &rest.mb, &rest.fds)
	eye := startPart(t, partEye+" "+address)
	var alone run
	for _, viewers := range []int{0, 200, 1000} {
		var best run
		for i := range capacityRuns {
			r := measureCapacity(t, daemon, eye, address, viewers)
			t.Logf("%d viewers: %d gaps, %d of %d frames, fast client p50 %.1f p99 %.1f ms, daemon %.1f %% of a core, %.0f MB, load %s",
				viewers, r.gaps, r.frames, r.due, r.p50, r.p99, 100*r.core, r.residentMB, r.load)
			if i == 0 || r.gaps < best.gaps || r.gaps == best.gaps && r.p99 < best.p99 {
				best = r
			}
		}
		claim := func(claimed, format string, found ...any) {
			t.Attr("truth", claimed+" | "+fmt.Sprintf(format, found...)+fmt.Sprintf("; load %s | best of %d runs of %.0f s", best.load, capacityRuns, capacityWindow.Seconds()))
		}
		name := fmt.Sprintf("%4d viewers at %d frames a second", viewers, viewerHz)
		goal := ""
		if viewers == 200 {
			goal = ": p99 under 30 ms"
			if best.p99 >= 30 {
				t.Errorf("%s: p99 is %.1f ms, want less than 30", name, best.p99)
			}
			if best.gaps > 0 {
				t.Errorf("%s: %d gaps, want none", name, best.gaps)
			}
		}
		claim(name+", from the last sample to a fast client's frame"+goal, "p50 %.1f ms, p99 %.1f ms", best.p50, best.p99)
		if viewers == 0 {
			alone = best
			claim(name+", the daemon with the fast client alone", "%.1f %% of a core, %.0f MB", 100*best.core, best.residentMB)
			continue
		}
		claim(name+", without a gap", "%d gaps, %.1f %% of the frames", best.gaps, 100*float64(best.frames)/float64(best.due))
		claim(name+", cost", "the daemon %.1f %% of a core: %.3f %% and %.0f kB a viewer", 100*best.core,
			100*(best.core-alone.core)/float64(viewers), 1024*(best.residentMB-alone.residentMB)/float64(viewers))
	}
}
