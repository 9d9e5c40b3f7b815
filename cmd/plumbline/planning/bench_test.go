package planning

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"testing"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// theatre is a planner whose show has takes of two loudspeakers at 16 seats, as
// surveys store them: a window of 32768.
func theatre(b testing.TB) *Planner {
	b.Helper()
	shelf, err := show.NewShelf(b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("bench")
	if err != nil {
		b.Fatal(err)
	}
	main, err := x.PutLoudspeaker(show.Loudspeaker{Name: "main"}, "")
	if err != nil {
		b.Fatal(err)
	}
	fill, err := x.PutLoudspeaker(show.Loudspeaker{Name: "fill"}, "")
	if err != nil {
		b.Fatal(err)
	}
	for i := range 16 {
		seat, err := x.PutSeat(show.Seat{Name: fmt.Sprint(i)}, "")
		if err != nil {
			b.Fatal(err)
		}
		m, f := mains[i%4].set(float64(i)/5, 1), fills[i%4].set(float64(i)/4, 1)
		for _, take := range []struct {
			p    path
			play []int64
		}{{m, []int64{main.ID}}, {f, []int64{fill.ID}}, {both(m, f), []int64{main.ID, fill.ID}}} {
			if _, err := x.AddTake(show.Take{Origin: show.Measured, Source: "hall", Reference: 1, Seat: seat.ID, Loudspeakers: take.play}, take.p.heard(), nil, ""); err != nil {
				b.Fatal(err)
			}
		}
	}
	p, err := New(Config{Shelf: shelf})
	if err != nil {
		b.Fatal(err)
	}
	return p
}

// BenchmarkAlign is the answer to the Align page for 16 seats, ±50 ms, from
// takes in a show's file to the JSON.
func BenchmarkAlign(b *testing.B) {
	p := theatre(b)
	q := wire.AlignQuery{Main: "main", Fill: "fill", Aim: wire.AimMean}
	for b.Loop() {
		a, err := p.Align(context.Background(), q)
		if err != nil || len(a.Seats) != 16 {
			b.Fatal(err, len(a.Seats))
		}
		if err := json.NewEncoder(io.Discard).Encode(a); err != nil {
			b.Fatal(err)
		}
	}
}
