package show

import (
	"fmt"
	"net/http"
	"sync"
	"testing"

	"plumbline/stream/wire"
)

// Changes of one item at once are all kept: each is made of the item as it is then.
func TestChangesAtOnceAreKept(t *testing.T) {
	s := newShow(t)
	plan := must(s.PutPlan(Plan{Name: "plan", Body: []byte(`0`)}, "test"))(t)
	const each = 20
	var all sync.WaitGroup
	for range 2 {
		all.Go(func() {
			for range each {
				if _, err := s.ChangePlan(plan.ID, func(p *Plan) error {
					var n int
					if _, err := fmt.Sscan(string(p.Body), &n); err != nil {
						return err
					}
					p.Body = fmt.Appendf(nil, "%d", n+1)
					return nil
				}, "test"); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	if list := must(s.Plans())(t); len(list) != 1 || string(list[0].Body) != fmt.Sprint(2*each) {
		t.Errorf("%+v, want %d changes", list, 2*each)
	}
}

// What is deleted stays so, whoever changes it.
func TestAChangeBringsNothingBack(t *testing.T) {
	s := newShow(t)
	plan := must(s.PutPlan(Plan{Name: "plan", Body: []byte(`0`)}, "test"))(t)
	note := must(s.PutNote(Note{Text: "a note"}, "test"))(t)
	seat := must(s.PutSeat(Seat{Name: "a seat"}, "test"))(t)
	loudspeaker := must(s.PutLoudspeaker(Loudspeaker{Name: "main"}, "test"))(t)
	correction := must(s.PutCorrection(Correction{Name: "flat", Points: [][2]float64{{100, 0}}}, "test"))(t)
	for kind, id := range map[Kind]int64{KindPlan: plan.ID, KindNote: note.ID, KindSeat: seat.ID, KindLoudspeaker: loudspeaker.ID, KindCorrection: correction.ID} {
		if _, err := s.Delete(kind, id, "test"); err != nil {
			t.Fatal(err)
		}
	}
	_, err := s.ChangePlan(plan.ID, func(p *Plan) error { p.Note = "again"; return nil }, "test")
	mustBe(t, err, "not_found", "there is no plan")
	_, err = s.PutPlan(plan, "test")
	mustBe(t, err, "not_found", "there is no plan")
	_, err = s.ChangeNote(note.ID, func(n *Note) error { n.Text = "again"; return nil }, "test")
	mustBe(t, err, "not_found", "there is no note")
	_, err = s.ChangeSeat(seat.ID, func(x *Seat) error { x.Note = "again"; return nil }, "test")
	mustBe(t, err, "not_found", "there is no seat")
	_, err = s.ChangeLoudspeaker(loudspeaker.ID, func(x *Loudspeaker) error { x.Note = "again"; return nil }, "test")
	mustBe(t, err, "not_found", "there is no loudspeaker")
	_, err = s.ChangeCorrection(correction.ID, func(x *Correction) error { x.Note = "again"; return nil }, "test")
	mustBe(t, err, "not_found", "there is no correction")
	if n := len(must(s.Plans())(t)) + len(must(s.Notes())(t)) + len(must(s.Seats())(t)) + len(must(s.Loudspeakers())(t)) + len(must(s.Corrections())(t)); n != 0 {
		t.Errorf("%d items are back", n)
	}
}

// A refused change leaves the item, and one of a take leaves what it does not say.
func TestAChangeSaysWhatItChanges(t *testing.T) {
	s := newShow(t)
	seat := must(s.PutSeat(Seat{Name: "a seat", Note: "by the pillar"}, "test"))(t)
	if _, err := s.ChangeSeat(seat.ID, func(x *Seat) error { x.Name = ""; return nil }, "test"); err == nil {
		t.Error("a seat without a name")
	}
	refusal := &wire.Error{Code: "no", Text: "no", Status: http.StatusConflict}
	_, err := s.ChangeSeat(seat.ID, func(x *Seat) error { x.Note = "gone"; return refusal }, "test")
	mustBe(t, err, "no", "no")
	if list := must(s.Seats())(t); len(list) != 1 || list[0] != seat {
		t.Errorf("%+v", list)
	}
	renumbered := must(s.ChangeSeat(seat.ID, func(x *Seat) error { x.ID = 77; return nil }, "test"))(t)
	if renumbered.ID != seat.ID {
		t.Errorf("a change made it %d", renumbered.ID)
	}
}
