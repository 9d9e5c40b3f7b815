//go:build unix

package daemon

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"os"
	"os/exec"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/capture"
	"plumbline/capture/rig"
	"plumbline/stream/show"
)

// The parts of TestCapacity that are processes of their own: this test binary again, told
// by partEnv which to be. Each answers a line on its standard input with one on its output
// and ends with the input.
const (
	partEnv    = "PLUMBLINE_CAPACITY_PART"
	partDaemon = "daemon"
	partEye    = "eye" // a fast client; behind it the address
)

// part is such a process, seen from the one that started it.
type part struct {
	cmd *exec.Cmd
	in  *os.File
	out *bufio.Scanner
}

func startPart(t *testing.T, role string) *part {
	t.Helper()
	r, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p := &part{cmd: exec.Command(os.Args[0], "-test.run", "^TestCapacityPart$", "-test.timeout", "20m"), in: in}
	p.cmd.Env = append(os.Environ(), partEnv+"="+role)
	p.cmd.Stdin, p.cmd.Stderr = r, os.Stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.out = bufio.NewScanner(out)
	p.out.Buffer(nil, 1<<24)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	r.Close()
	t.Cleanup(func() {
		in.Close()
		for p.out.Scan() { // what it says of itself at the end
		}
		if err := p.cmd.Wait(); err != nil {
			t.Errorf("the %s: %v", role, err)
		}
	})
	return p
}

// ask has the part answer, into values.
func (p *part) ask(t *testing.T, values ...any) {
	t.Helper()
	if _, err := p.in.WriteString("\n"); err != nil {
		t.Fatal(err)
	}
	if !p.out.Scan() {
		t.Fatal("a part of the measurement has ended")
	}
	if _, err := fmt.Sscan(p.out.Text(), values...); err != nil {
		t.Fatalf("%.80q: %v", p.out.Text(), err)
	}
}

func TestCapacityPart(t *testing.T) {
	role := os.Getenv(partEnv)
	switch {
	case role == "":
		t.Skip("make capacity starts it")
	case role == partDaemon:
		serveCapacity(t)
	default:
		watchFrames(t, role[len(partEye)+1:])
	}
}

// timed is a rig at the pace of the clock, of which one knows when each sample was heard.
type timed struct {
	*rig.Rig
	began atomic.Int64 // Unix time of sample 0, ns
}

func (s *timed) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	own := capture.NewRing(out.Channels(), 2048)
	ended := make(chan error, 1)
	go func() { ended <- s.Rig.Run(ctx, own) }()
	pacer := capture.NewPacer(s.Info().SampleRateHz)
	pacer.Patient = true
	block := make([]float32, 512*out.Channels())
	for own.Wait(ctx) == nil {
		n, _, _ := own.Read(block)
		s.began.CompareAndSwap(0, time.Now().UnixNano())
		if _, err := pacer.Wait(ctx, n); err != nil {
			break
		}
		if err := out.Offer(ctx, block[:n*out.Channels()]); err != nil {
			break
		}
	}
	return <-ended
}

// serveCapacity is the demo as the program wires it. It answers with its address, the
// moment of sample 0, the processor time it has used, ns, and what is resident, bytes.
func serveCapacity(t *testing.T) {
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer shelf.Close()
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.New(rig.Demo(), rig.Config{})
	if err != nil {
		t.Fatal(err)
	}
	if err := Furnish(x, r.Scene()); err != nil {
		t.Fatal(err)
	}
	source := &timed{Rig: r}
	d, err := New(Config{Source: source, Rig: r, Shelf: shelf, stopWithin: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx, l) }()
	eventually(t, "the first frame", func() bool { _, ok := d.Frame(); return ok })
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			t.Fatal(err)
		}
		f := takeFootprint(0)
		fmt.Println(l.Addr(), source.began.Load(), u.Utime.Nano()+u.Stime.Nano(), f.residentMB, f.descriptors)
	}
	end()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// watchFrames is a client that takes every frame and answers with how many came since it
// was asked last, and when each did: sample index and Unix time, ns.
func watchFrames(t *testing.T, address string) {
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+address+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	asked := make(chan bool)
	go func() {
		for in := bufio.NewScanner(os.Stdin); in.Scan(); {
			asked <- true
		}
		close(asked)
	}()
	var seen [][2]int64
	for {
		kind, data, err := conn.ReadMessage()
		now := time.Now().UnixNano()
		if err != nil {
			t.Fatal(err)
		}
		if kind == websocket.BinaryMessage {
			seen = append(seen, [2]int64{int64(binary.LittleEndian.Uint64(data[16:])), now})
			if err := acknowledge(conn, data); err != nil {
				t.Fatal(err)
			}
		}
		select {
		case _, more := <-asked:
			if !more {
				return
			}
			text := fmt.Appendf(nil, "%d", len(seen))
			for _, s := range seen {
				text = fmt.Appendf(text, " %d %d", s[0], s[1])
			}
			fmt.Printf("%s\n", text)
			seen = seen[:0]
		default:
		}
	}
}

func acknowledge(conn *websocket.Conn, frame []byte) error {
	return conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"ack","seq":%d}`, binary.LittleEndian.Uint64(frame[8:])))
}
