package daemon

import (
	"bytes"
	"encoding/json"
	"testing"

	"plumbline/analyze/response"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
)

// TestDemoIsSurveyed surveys the demo's scene: every seat has main, fill and both with
// nothing against them, the fill is found reversed, and another time finds the same.
func TestDemoIsSurveyed(t *testing.T) {
	raced.NotFor(t, "one goroutine reckons")
	scene := rig.Demo()
	seats := []Seat{{scene.Microphones[0].Name, scene.Microphones[0].PositionM}, {"seat 3", [3]float64{7, 11, 1.2}}}
	surveyed := func(seats []Seat) (takes []show.Take, spectra []response.Spectra) {
		shelf, err := show.NewShelf(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		defer shelf.Close()
		x, err := shelf.New("demo")
		if err != nil {
			t.Fatal(err)
		}
		if err := Furnish(x, scene); err != nil {
			t.Fatal(err)
		}
		if err := SurveyScene(t.Context(), x, scene, seats); err != nil {
			t.Fatal(err)
		}
		if takes, err = x.Takes(show.Filter{}); err != nil {
			t.Fatal(err)
		}
		for i := range takes {
			var s response.Spectra
			if err := x.Spectra(takes[i].ID, &s); err != nil {
				t.Fatal(err)
			}
			spectra = append(spectra, s)
			takes[i].At = ""
		}
		return takes, spectra
	}
	takes, spectra := surveyed(seats)
	if len(takes) != 6 {
		t.Fatalf("%d takes at two seats, want main, fill and both at each", len(takes))
	}
	for _, take := range takes {
		if len(take.Results.Cautions) > 0 {
			t.Errorf("%s at seat %d: %+v", take.Name, take.Seat, take.Results.Cautions)
		}
		want := map[string]string{"main": "same", "fill": "opposite"}[take.Name]
		if got := take.Results.Polarity.Verdict; want != "" && got != want {
			t.Errorf("%s at seat %d is of %s polarity, want %s", take.Name, take.Seat, got, want)
		}
	}
	again, other := surveyed(seats[:1])
	bytesOf := func(v any) []byte {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if a, b := bytesOf(takes[:3]), bytesOf(again); !bytes.Equal(a, b) {
		t.Errorf("surveyed again:\n%s\nwas\n%s", b, a)
	}
	for i := range other {
		for k, y := range spectra[i].Gyy {
			if y != other[i].Gyy[k] {
				t.Fatalf("surveyed again, take %d has %g in bin %d, was %g", i, other[i].Gyy[k], k, y)
			}
		}
	}
}
