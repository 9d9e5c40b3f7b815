package show_test

import (
	"fmt"
	"os"
	"path/filepath"

	"plumbline/stream/show"
)

// What is deleted can be brought back, also by the next program that opens the show.
func Example() {
	dir, err := os.MkdirTemp("", "show")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	s, err := show.New(filepath.Join(dir, "hall.plumbline"), "The hall")
	if err != nil {
		panic(err)
	}
	defer s.Close()
	seat, _ := s.PutSeat(show.Seat{Name: "row 12"}, "me")
	undo, _ := s.Delete(show.KindSeat, seat.ID, "me")
	if err := s.Undo(undo, "me"); err != nil {
		panic(err)
	}
	seats, _ := s.Seats()
	fmt.Println(seats[0].Name)
	// Output: row 12
}
