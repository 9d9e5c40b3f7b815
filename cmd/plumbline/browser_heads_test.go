package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/analyze/response"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/daemon"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// surveyedShow is a show file with takes of the demo's loudspeakers, alone and
// together, at the seats of the hall, from recordings of its rig.
func surveyedShow(t *testing.T, again ...[]int) string {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer shelf.Close()
	x, err := shelf.New("hall")
	if err != nil {
		t.Fatal(err)
	}
	scene := rig.Demo()
	if err := daemon.Furnish(x, scene); err != nil {
		t.Fatal(err)
	}
	scene.Microphones = nil
	dialled := map[string]wire.Dial{}
	for _, l := range scene.Loudspeakers {
		dialled[l.Name] = wire.Dial{DelayMs: l.DelayMs, Polarity: l.Polarity, GainDB: l.GainDB}
	}
	settings, err := json.Marshal(wire.TakeSettings{Goal: wire.DefaultGoal, Done: 1, LevelDBFS: -20, Dialled: dialled})
	if err != nil {
		t.Fatal(err)
	}
	for i, at := range seatsOfHall {
		place := wire.Position(at)
		if i > 0 {
			if _, err := x.PutSeat(show.Seat{Name: fmt.Sprintf("seat %d", i+1), PositionM: &place}, "test"); err != nil {
				t.Fatal(err)
			}
		}
		scene.Microphones = append(scene.Microphones, rig.Microphone{Name: fmt.Sprint(i), PositionM: at})
	}
	speakers, err := x.Loudspeakers()
	if err != nil {
		t.Fatal(err)
	}
	seats, err := x.Seats()
	if err != nil {
		t.Fatal(err)
	}
	const seconds = 6
	for _, playing := range append([][]int{{0}, {1}, {0, 1}}, again...) {
		var names []string
		var ids []int64
		for _, k := range playing {
			names, ids = append(names, scene.Loudspeakers[k].Name), append(ids, speakers[k].ID)
		}
		solo, err := scene.Solo(names...)
		if err != nil {
			t.Fatal(err)
		}
		est, err := response.NewEstimator(response.Config{
			SampleRateHz: float64(scene.RateHz), Microphones: len(seats), Window: survey.Window(scene.RateHz), Averaging: response.Averaging{Mode: response.Infinite},
		})
		if err != nil {
			t.Fatal(err)
		}
		for m := range seats {
			if err := est.SetDelay(m, scene.ArrivalS(playing[0], m)); err != nil {
				t.Fatal(err)
			}
		}
		channels := make([][]float64, len(seats)+1)
		err = rig.Render(context.Background(), solo, int64(seconds*scene.RateHz), func(block []float32) error {
			for c := range channels {
				channels[c] = channels[c][:0]
				for i := c; i < len(block); i += len(channels) {
					channels[c] = append(channels[c], float64(block[i]))
				}
			}
			est.Feed(channels[0], channels[1:])
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for m, seat := range seats {
			var s response.Spectra
			est.Spectra(m, &s)
			_, err := x.AddTake(show.Take{
				Origin: show.Measured, Source: scene.Name, Reference: 1, Microphone: 2, TemperatureC: scene.TemperatureC,
				Seat: seat.ID, Loudspeakers: ids, Settings: settings,
			}, &s, nil, "test")
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	info, err := x.Info()
	if err != nil {
		t.Fatal(err)
	}
	if err := shelf.Close(); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(shelf.Dir(), info.File)
}

// Align on one scale: what the sentence promises, the table and the ledger show
// where heads are; another spread is asked for in place; and when the plan is
// dialled in, today is what was promised.
func TestAlignWhereHeadsAre(t *testing.T) {
	atLength(t)
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0", "--show", surveyedShow(t))
	p := open(t, d.url+"/align", laptop)
	ready := `document.querySelectorAll('.matrix td.is-worst').length === 2 && __app.page.model.answer.seats.length === 3`
	p.until(ready)
	ask := func(query string) (a wire.Align) {
		d.get(t, "/api/v1/align?main=main&fill=fill"+query, http.StatusOK, &a)
		return a
	}
	before := ask("")
	checkEfficiency(t, p, "/api/v1/align?main=main&fill=fill", before)
	// checkTable compares the columns of the table with the daemon's numbers.
	checkTable := func(when string, today, then func(wire.AlignSeat) wire.Value, a wire.Align) {
		t.Helper()
		const table = `[...document.querySelectorAll('.matrix tbody tr')].map((r) => [5, 4].map((k) => parseFloat(r.cells[r.cells.length - k + 3].textContent.replace('\u2212', '-').replace('▼', ''))))`
		p.until(`((table) => __app.page.model.answer.seats.every((s, i) => Math.abs(table[i][0] - s.heads_db) < 0.0501))(` + table + `)`) // an answer is shown a frame later
		shown := js[[][2]float64](p, table)
		for i, s := range a.Seats {
			for k, want := range []wire.Value{today(s), then(s)} {
				if math.Abs(shown[i][k]-float64(want)) > 0.0501 {
					t.Errorf("%s: %s, column %d: the table shows %.1f dB, the daemon says %.3f", when, s.Name, k, shown[i][k], want)
				}
			}
		}
	}
	heads := func(s wire.AlignSeat) wire.Value { return s.HeadsDB }
	headsPlan := func(s wire.AlignSeat) wire.Value { return s.HeadsPlanDB }
	checkTable("before", heads, headsPlan, before)
	if said := p.text("verdict"); !before.Promise.Worth || !strings.Contains(said, plain(before.Promise.Text)) || !strings.Contains(said, "Where heads are they add up to") {
		t.Errorf("the sentence %q lacks %q", said, before.Promise.Text)
	}
	if got := p.text("reach"); got != plain(before.Promise.ReachText) {
		t.Errorf("%q, want %q", got, before.Promise.ReachText)
	}
	look(t, p, d, "before")

	// Another spread, and the point of the microphone.
	p.typed("spread", "0")
	p.until(`__app.page.model.answer.spread_m === 0`)
	points := ask("&spread_m=0")
	checkTable("at the points", heads, headsPlan, points)
	p.until(`location.search.includes('spread=0')`)
	if got := p.text("reach"); got != "" {
		t.Errorf("without a spread: %q", got)
	}
	p.typed("spread", "10")
	p.until(`__app.page.model.answer.spread_m === 0.1`)

	// Dialled in, today is what was promised, and nothing says otherwise.
	p.click("keep-plan")
	p.until(p.shows("keep-plan") + ` === 'Kept'`)
	p.click("dial-in")
	p.until(p.shows("dial-in") + ` === 'Dialled in'`)
	p.until(`!__app.page.model.answer.promise.worth`)
	p.until(p.shows("keep-plan") + ` === 'Kept' && ` + p.shows("dial-in") + ` === 'Dialled in'`)
	after := ask("")
	checkTable("dialled in", headsPlan, headsPlan, before)
	checkTable("dialled in", heads, headsPlan, after)
	if said := p.text("verdict"); strings.Contains(said, "gives") || !strings.Contains(said, "The plan is dialled in. Next: verify at seat 1.") {
		t.Errorf("dialled in, the sentence is %q", said)
	}
	look(t, p, d, "after")
}

// plain has minus signs as on a keyboard.
func plain(s string) string { return strings.ReplaceAll(s, "\u2212", "-") }

// look writes pictures of the page on all screens where PLUMBLINE_PICTURES names a folder.
func look(t *testing.T, p page, d service, name string) {
	t.Helper()
	folder := os.Getenv("PLUMBLINE_PICTURES")
	if folder == "" {
		p.check(t, laptop)
		return
	}
	for _, s := range []screen{laptop, {1366, 768, "light"}, {820, 1180, "light"}, {820, 1180, "dark"}, {390, 844, "dark"}, {390, 844, "light"}} {
		p := open(t, d.url+"/align", s)
		p.until(`__app.page.model.answer?.seats.length === 3`)
		p.until(`__app.page.node.dataset.known === 'true'`)
		p.check(t, s)
		p.picture(filepath.Join(folder, fmt.Sprintf("%s-%d-%s.png", name, s.width, s.ground)))
		if s.width < 640 {
			for _, part := range []string{"sweep", "sum", "ledger", "dials"} {
				js[bool](p, fmt.Sprintf(`(document.querySelector('[data-shows=%q]').click(), true)`, part))
				p.picture(filepath.Join(folder, fmt.Sprintf("%s-%d-%s-%s.png", name, s.width, s.ground, part)))
			}
		}
	}
}
