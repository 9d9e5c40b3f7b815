package planning

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// A take on a bad sector: its seat is left out and the reasons say which take it
// was; the other seats are planned for. A damaged take of both is predicted.
func TestADamagedTakeLeavesTheOthers(t *testing.T) {
	raced.NotFor(t, "nothing here runs beside anything")
	d := newDesk(t, nil)
	var spoiled []path
	for i, name := range []string{"row 3", "row 8", "row 13"} {
		seat, late := d.seat(name), float64(i)
		main, fill := path{{ms: 10 + late, gain: 1}}, path{{ms: 15 + 0.7*late, gain: 0.8 + 0.01*late}}
		d.take(seat, main, nil, "main")
		d.take(seat, fill, nil, "fill")
		d.take(seat, both(main, fill), nil, "main", "fill")
		switch i {
		case 1:
			spoiled = append(spoiled, fill)
		case 2:
			spoiled = append(spoiled, both(main, fill))
		}
	}
	whole := d.align(wire.AlignQuery{})
	if len(whole.Seats) != 3 || whole.Plan == nil {
		t.Fatalf("%d seats, %v", len(whole.Seats), whole.Reasons)
	}
	file := d.x.Path()
	if err := d.cfg.Shelf.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range spoiled { // a bit of one number
		number := binary.LittleEndian.AppendUint64(nil, math.Float64bits(p.heard().Gyy[1000]))
		if bytes.Count(b, number) != 1 {
			t.Fatalf("%x is %d times in the file", number, bytes.Count(b, number))
		}
		b[bytes.Index(b, number)] ^= 1
	}
	if err := os.WriteFile(file, b, 0o644); err != nil {
		t.Fatal(err)
	}
	if d.x, err = d.cfg.Shelf.Open("test.plumbline"); err != nil {
		t.Fatal(err)
	}
	a := d.align(wire.AlignQuery{})
	if len(a.Seats) != 2 || a.Plan == nil || a.Seats[0].Name != "row 3" || a.Seats[1].Name != "row 13" {
		t.Errorf("%d seats, %+v", len(a.Seats), a.Reasons)
	}
	for _, want := range []string{"row 8: the spectra of take 5 are damaged: use another take", "row 13: the spectra of take 9 are damaged"} {
		if !slices.ContainsFunc(a.Reasons, func(r string) bool { return strings.HasPrefix(r, want) }) {
			t.Errorf("no reason says %q: %q", want, a.Reasons)
		}
	}
}
