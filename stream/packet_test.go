package stream

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/air"
	"plumbline/stream/internal/frametest"
	"plumbline/stream/wire"
)

// wants has a page's wish in force: the microphones it chose, at full rate.
func (s *server) wants(t testing.TB, n int, microphones ...int) *page {
	t.Helper()
	p := s.open(t)
	list, _ := json.Marshal(append([]int{}, microphones...))
	p.send(fmt.Sprintf(`{"type":"want","frames_per_second":60,"microphones":%s}`, list))
	waitFor(t, "the wish", func() bool {
		all := *s.clients.Load()
		return len(all) == n && all[n-1].want.Load().microphones != nil
	})
	return p
}

// Whatever the number of clients and their rates, a frame is encoded once for each
// selection of microphones among them, and not at all for those who ask over HTTP.
func TestAFrameIsEncodedOnceForEachSelection(t *testing.T) {
	s := serve(t)
	f := frametest.New(4) // channels 2…5
	s.Publish(f)
	if status, text, _ := s.do(t, "GET", "/api/v1/frame", ""); status != 200 || len(text) < 1000 {
		t.Fatalf("%d %s", status, text)
	}
	if _, ok := s.Frame(); !ok || s.Stats().Encoded != 0 {
		t.Fatalf("without a client the frame was encoded %d times", s.Stats().Encoded)
	}
	selections := [][]int{
		{}, {}, {2, 3, 4, 5}, {5, 4, 3, 2}, // all
		{3}, {3}, {3, 99}, {3, 3}, // 3
		{2, 5}, {5, 2}, // 2 and 5
		{99}, // none: the reference
	}
	const distinct = 4
	var pages []*page
	for i, m := range selections {
		p := s.wants(t, i+1, m...)
		_, first := p.until("frame") // that of before, encoded as somebody wanted it then
		p.ack(first.Seq)
		pages = append(pages, p)
	}
	before := s.Stats()
	const frames = 20
	for range frames {
		f.Seq++
		s.Publish(f)
		for i, p := range pages {
			_, got := p.until("frame")
			if got.Seq != f.Seq {
				t.Fatalf("client %d: frame %d, want %d", i+1, got.Seq, f.Seq)
			}
			want := new(wire.Frame)
			chosen := selections[i]
			if len(chosen) == 0 {
				chosen = nil
			}
			if err := want.Decode(new(wire.Frame).Set(f, got.UnixMs).Append(nil, chosen)); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got.Append(nil, nil), want.Append(nil, nil)) {
				t.Fatalf("client %d, who chose %v, got microphones %v", i+1, chosen, got.Microphones(nil))
			}
			p.ack(got.Seq)
		}
	}
	waitFor(t, "the last frames to be counted", func() bool { return s.Stats().Sent-before.Sent == frames*uint64(len(pages)) })
	if n := s.Stats().Encoded - before.Encoded; n != frames*distinct {
		t.Errorf("%d frames for %d clients with %d selections were encoded %d times, want %d", frames, len(pages), distinct, n, frames*distinct)
	}
}

// A packet that is used again has nothing of the frame before.
func TestAPacketForgets(t *testing.T) {
	k := new(packet)
	for n := 1; n <= 3; n++ {
		f := frametest.New(n)
		f.Seq = uint64(n)
		k.set(f, float64(n))
		for range 2 {
			for _, chosen := range [][]int{nil, {2}, {3}, {2, 3}} {
				got, _ := k.encoded(chosen)
				if want := new(wire.Frame).Set(f, float64(n)).Append(nil, chosen); !bytes.Equal(got, want) {
					t.Fatalf("%d microphones, %v: another frame", n, chosen)
				}
			}
		}
	}
}

// What is answered over HTTP is what a client makes of the bytes.
func TestTheFrameInWordsIsThatOfTheBytes(t *testing.T) {
	s := serve(t)
	f := frametest.New(2)
	f.AveragedS = 0.1
	f.Microphones[1].DelayMs = math.NaN()
	s.Publish(f)
	p := s.open(t)
	_, got := p.until("frame")
	_, text, _ := s.do(t, "GET", "/api/v1/frame", "")
	b := s.board.Load()
	want, err := json.Marshal(wire.NewObject(got, b.hello.hello, b.state.state, b.verdictMessages(), air.SpeedOfSound(b.state.state.Settings.TemperatureC)))
	if err != nil || text != string(want)+"\n" {
		t.Errorf("%v\nover HTTP %.300s\nof bytes  %.300s", err, text, want)
	}
}

// Once it has run, nothing about a frame allocates, however many want what.
func TestPublishingAndEncodingAllocateNothing(t *testing.T) {
	s, err := New(Config{Operator: newOperator()})
	if err != nil {
		t.Fatal(err)
	}
	f := frametest.New(4)
	frame := func() {
		f.Seq++
		s.Publish(f)
		k := s.takeNewest()
		for _, chosen := range [][]int{nil, {2}, {2, 3}, {2}} {
			k.encoded(chosen)
		}
		s.pool.release(k)
	}
	frame()
	frame()
	if n := testing.AllocsPerRun(100, frame); n != 0 {
		t.Errorf("%g allocations a frame", n)
	}
}

// What the encodings of one frame cost 50 clients: of one selection, of four, and of
// one each.
func BenchmarkEncodings(b *testing.B) {
	for _, distinct := range []int{1, 4, 31} {
		b.Run(fmt.Sprintf("%dselections", distinct), func(b *testing.B) {
			chosen := make([][]int, 50)
			for i := range chosen {
				if n := i % distinct; n > 0 {
					chosen[i] = []int{2 + n}
				}
			}
			f := frametest.New(32)
			k := new(packet)
			made := 0
			b.ReportAllocs()
			for b.Loop() {
				k.set(f, 0)
				for _, m := range chosen {
					if _, fresh := k.encoded(m); fresh {
						made++
					}
				}
			}
			b.ReportMetric(float64(made)/float64(b.N), "encodings/frame")
		})
	}
}
