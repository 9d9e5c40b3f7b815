//go:build unix

package stream

import (
	"fmt"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"plumbline/stream/internal/frametest"
)

// cpuTime is what this process has used, user and system.
func cpuTime(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func BenchmarkPublish(b *testing.B) {
	for _, n := range []int{1, 50, 200} {
		b.Run(fmt.Sprintf("%dclients", n), func(b *testing.B) {
			s, err := New(Config{Operator: newOperator()})
			if err != nil {
				b.Fatal(err)
			}
			clients := make([]*client, n)
			for i := range clients {
				clients[i] = newClient("", here, nil)
			}
			s.clients.Store(&clients)
			f := frametest.New(1)
			b.ReportAllocs()
			for b.Loop() {
				f.Seq++
				f.Sample += 2400
				s.Publish(f)
			}
		})
	}
}

// One iteration is one frame, published, sent to 50 clients over TCP, decoded
// by none and acknowledged by all: 20 of them are what a second costs.
func BenchmarkFrameTo50Clients(b *testing.B) {
	s := serve(b)
	var f = frametest.New(1)
	drawn := make(chan struct{}, 64)
	var readers sync.WaitGroup
	for range 50 {
		p := s.open(b)
		p.send(`{"type":"want","frames_per_second":60}`)
		readers.Go(func() {
			for {
				kind, data, err := p.conn.ReadMessage()
				if err != nil {
					return
				}
				if kind == websocket.BinaryMessage {
					seq := uint64(data[8]) | uint64(data[9])<<8 | uint64(data[10])<<16
					if p.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"type":"ack","seq":%d}`, seq)) != nil {
						return
					}
					drawn <- struct{}{}
				}
			}
		})
	}
	waitFor(b, "50 clients", func() bool { return s.Stats().Clients == 50 })
	b.ResetTimer()
	cpu := cpuTime(b)
	n := 0
	for b.Loop() {
		f.Seq++
		f.Sample += 2400
		s.Publish(f)
		for range 50 {
			<-drawn
		}
		n++
	}
	used := cpuTime(b) - cpu
	b.ReportMetric(float64(used.Microseconds())/float64(n), "cpu-us/frame")
	b.ReportMetric(100*20*used.Seconds()/float64(n), "core-%-at-20fps")
	s.end()
	readers.Wait()
}
