package main

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// TestSurveyShowsItselfInRealTime surveys two seats and sees, on the page, meters that move,
// a trace that grows, the time to go; a new seat that is chosen; each seat where it was on
// the map and in the report; and, when the microphone is back at seat 1 and seat 2 is
// chosen, that it says so before anything is stored.
func TestSurveyShowsItselfInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	d := demo(t)
	p := open(t, d.url+"/align", laptop)
	p.until(`document.querySelector('[data-testid="survey"]')?.checkVisibility()`)
	p.typed("survey-within", "2")
	d.moveMicrophone(t, seatsOfHall[0])

	// What is to be seen while it measures is noted by the page itself: nothing is missed.
	js[bool](p, `(() => {
		const seen = (window.__seen = { widths: {}, heard: {}, left: [], meters: new Set(), levels: new Set(), inSight: true });
		new MutationObserver(() => {
			const growing = document.querySelector('.running:not([hidden]) [data-testid="growing"]');
			if (!growing) return;
			const { survey } = __app.session, box = growing.getBoundingClientRect(), drawn = growing.querySelector('svg').getBoundingClientRect();
			const half = /within ±([\d.]+) dB/.exec(growing.textContent), left = /about (\d+) s left/.exec(document.querySelector('[data-testid="survey-left"]').textContent);
			if (half) {
				(seen.widths[survey.step] ??= []).push(Number(half[1]));
				(seen.heard[survey.step] ??= []).push(growing.querySelectorAll('polyline').length);
				seen.inSight &&= box.bottom <= innerHeight && box.width > 200 && drawn.height > 100 && drawn.top >= box.top && drawn.bottom <= box.bottom && drawn.left >= box.left;
			}
			if (left) seen.left.push(Number(left[1]));
			for (const bar of document.querySelectorAll('.running .meter .rms')) seen.meters.add(bar.style.transform);
			for (const text of document.querySelectorAll('.running .meter .name')) seen.levels.add(text.textContent);
		}).observe(document.querySelector('.surveyor'), { subtree: true, childList: true, attributes: true, characterData: true });
		return true;
	})()`)
	p.click("survey")
	p.awaitSurvey(func() { p.click("survey") })
	seen := js[struct {
		Widths, Heard  map[string][]float64
		Left           []float64
		Meters, Levels int
		InSight        bool
	}](p, `({ ...__seen, meters: __seen.meters.size, levels: __seen.levels.size })`)
	for _, step := range []string{"1", "2", "3"} {
		w := seen.Widths[step]
		if len(w) < 2 || w[len(w)-1] > w[0] || w[len(w)-1] > 2 {
			t.Errorf("step %s: half of the trace was within ±%v dB", step, w)
		}
		if n := seen.Heard[step]; len(n) < 2 || n[len(n)-1] < 1 {
			t.Errorf("step %s: %v lines were drawn", step, n)
		}
	}
	if !seen.InSight {
		t.Error("the trace that grows is not in sight")
	}
	if len(seen.Left) == 0 {
		t.Error("no time to go was said")
	}
	if seen.Meters < 10 || seen.Levels != 2 {
		t.Errorf("the meters stood %d ways, of %d channels", seen.Meters, seen.Levels)
	}

	// A new seat is chosen.
	p.click("add-seat")
	p.until(`document.querySelector('[data-testid="look-2"]')?.getAttribute('aria-pressed') === 'true' && ` + p.shows("survey") + `.startsWith('Survey seat 2')`)
	d.moveMicrophone(t, seatsOfHall[1])
	small := open(t, d.url+"/align", phone) // who walks with a phone sees it too
	p.click("survey")
	small.until(`document.querySelectorAll('.growing polyline').length > 0`)
	if wide := js[float64](small, `document.querySelector('.growing svg').getBoundingClientRect().width`); wide < 340 {
		t.Errorf("on a phone the trace is %.0f wide", wide)
	}
	small.check(t, phone)
	p.awaitSurvey(func() { p.click("survey") })

	// Both keep their places although the microphone has gone on.
	places := func() (at [2][3]float64) {
		t.Helper()
		var list struct {
			Seats []struct {
				PositionM [3]float64 `json:"position_m"`
			}
		}
		d.get(t, "/api/v1/show/seats", http.StatusOK, &list)
		for i := range at {
			at[i] = list.Seats[i].PositionM
		}
		return at
	}
	if got := places(); got[0] != seatsOfHall[0] || got[1] != seatsOfHall[1] {
		t.Errorf("the seats are at %v, want %v", got, seatsOfHall[:2])
	}
	onMap := `[...document.querySelectorAll('.seat-map .dot')].map((g) => [g.querySelector('text').textContent.replace('▼ ', '').replace(/ [−+].*$/, ''), g.querySelector('circle').getAttribute('cx'), g.querySelector('circle').getAttribute('cy')].join(' ')).join()`
	p.until(`document.querySelectorAll('.seat-map .dot').length === 2`)
	before := js[string](p, onMap)
	d.moveMicrophone(t, seatsOfHall[2])
	p.until(fmt.Sprintf(`__app.session.rig.microphones[0].position_m[0] === %g`, seatsOfHall[2][0]))
	if after := js[string](p, onMap); after != before || strings.Count(before, "seat") != 2 {
		t.Errorf("the map had %q, and has %q", before, after)
	}
	// The same way round in the report: from seat 1 to seat 2, as parts of the way from main to fill.
	ways := func(p page, seats, boxes string) [2]float64 {
		return js[[2]float64](p, fmt.Sprintf(`(([a, b], [m, f]) => [(b[0] - a[0]) / (f[0] - m[0]), (b[1] - a[1]) / (f[0] - m[0])])(%s, %s)`, seats, boxes))
	}
	onPage := ways(p, `[...document.querySelectorAll('.seat-map .dot')].map((g) => ['cx', 'cy'].map((k) => Number(g.querySelector('circle').getAttribute(k))))`,
		`[...document.querySelectorAll('.seat-map .box')].map((r) => ['x', 'y'].map((k) => Number(r.getAttribute(k))))`)
	report := openTab(t, d.url+"/api/v1/show/report", laptop, "svg")
	const above = `document.querySelector('svg[aria-label="The room from above"]')`
	inReport := ways(report, `[...`+above+`.querySelectorAll('path')].map((e) => e.getAttribute('d').match(/M([\d.]+) ([\d.]+)/).slice(1).map(Number))`,
		`[...`+above+`.querySelectorAll('rect:not([fill="none"])')].map((r) => ['x', 'y'].map((k) => Number(r.getAttribute(k)))).reverse()`)
	for i := range onPage {
		if math.Abs(onPage[i]-inReport[i]) > 0.02*math.Abs(onPage[i]) {
			t.Errorf("from seat 1 to seat 2 it is %.3f on the page and %.3f in the report", onPage, inReport)
		}
	}

	// Back at seat 1, with seat 2 chosen.
	d.moveMicrophone(t, seatsOfHall[0])
	p.click("look-2")
	p.until(p.shows("survey") + `.startsWith('Survey seat 2')`)
	takes := js[int](p, `__app.session.show.takes`)
	p.click("survey")
	// On a busy machine the page may answer too late for the signal: pressed again, as anybody would.
	eventually(t, "the question", func() bool {
		v := js[wire.Survey](p, `__app.session.survey`)
		if v.State == wire.SurveyStopped && strings.Contains(v.Text, "the page that started it") {
			p.click("survey")
		}
		return v.State == wire.SurveyAsking
	})
	p.until(`document.querySelector('[data-testid="astray"]').checkVisibility()`)
	if said := p.text("astray"); said != "▲ You are at seat 1, not seat 2." {
		t.Errorf("it says %q", said)
	}
	if said := p.text("verdict"); !strings.HasPrefix(said, "You are at seat 1, not seat 2") {
		t.Errorf("the page's first line is %q", said)
	}
	if now := js[int](p, `__app.session.show.takes`); now != takes || js[bool](p, `document.querySelector('[data-testid="survey"]').checkVisibility()`) {
		t.Errorf("%d takes were stored before it was answered", now-takes)
	}
	p.check(t, laptop)
	small.until(`document.querySelector('[data-testid="store-found"]')?.checkVisibility()`)
	small.check(t, phone)
	if got := js[string](p, p.shows("store-found")); got != "Store at seat 1" {
		t.Errorf("the button says %q", got)
	}
	p.click("store-found")
	// The third sounds only while the page answers in time.
	stored := 3
	eventually(t, "the end", func() bool {
		v := js[wire.Survey](p, `__app.session.survey`)
		if v.State == wire.SurveyStopped && strings.Contains(v.Text, "the page that started it") {
			stored = 2
			return true
		}
		return v.State == wire.SurveyDone
	})
	p.until(fmt.Sprintf(`__app.session.show.takes === %d`, takes+stored))
	var list struct {
		Takes []struct {
			Seat int64
			Note string
		}
	}
	d.get(t, "/api/v1/show/takes", http.StatusOK, &list)
	for _, take := range list.Takes[len(list.Takes)-stored:] {
		if take.Seat != 1 || !strings.Contains(take.Note, "asked for at seat 2, and stored here by its arrival times") {
			t.Errorf("stored at seat %d: %q", take.Seat, take.Note)
		}
	}
	if got := places(); got[0] != seatsOfHall[0] || got[1] != seatsOfHall[1] {
		t.Errorf("the seats are at %v, want %v", got, seatsOfHall[:2])
	}
}

// A seat is put where the map is pressed, keeps that place under another name, is dragged to
// another one and back, and comes back to its place after it was deleted.
func TestSeatsOnTheMap(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/align", laptop)
	p.until(`document.querySelectorAll('.seat-map .dot').length === 1`)
	p.click("add-seat")
	p.until(`document.querySelector('.seat-map').textContent.includes('Press where seat 2 is')`)
	type place struct{ X, Y float64 }
	// where is a seat on the screen, and the frame of the room.
	where := func(seat int) place {
		t.Helper()
		return js[place](p, fmt.Sprintf(`((r) => ({ X: r.left + r.width / 2, Y: r.top + r.height / 2 }))(document.querySelector('.seat-map .dot[data-seat="%d"] circle:not(.reach)').getBoundingClientRect())`, seat))
	}
	at := func() (found *[3]float64) {
		t.Helper()
		var list struct {
			Seats []struct {
				PositionM *[3]float64 `json:"position_m"`
			}
		}
		d.get(t, "/api/v1/show/seats", http.StatusOK, &list)
		return list.Seats[1].PositionM
	}
	placed := func(what string, x, y float64) {
		t.Helper()
		eventually(t, what, func() bool {
			p := at()
			return p != nil && math.Abs(p[0]-x) < 0.2 && math.Abs(p[1]-y) < 0.2 && p[2] == 1.2
		})
	}
	room := js[[6]float64](p, `((r, s) => [r.left, r.top, r.width, r.height, s[0], s[1]])(document.querySelector('.seat-map .room').getBoundingClientRect(), __app.session.rig.room.size_m)`)
	pixel := func(x, y float64) (float64, float64) {
		return room[0] + x*room[2]/room[4], room[1] + y*room[3]/room[5]
	}
	x, y := pixel(12, 9)
	p.do(chromedp.MouseClickXY(x, y))
	placed("seat 2 where it was pressed", 12, 9)
	p.until(`document.querySelectorAll('.seat-map .dot').length === 2 && !document.querySelector('.seat-map').textContent.includes('Press where')`)
	if got := where(2); math.Hypot(got.X-x, got.Y-y) > 2 {
		t.Errorf("it is drawn at %+v, pressed at %.0f, %.0f", got, x, y)
	}
	p.typed("seat-2", "balcony")
	p.until(`document.querySelector('.seat-map .dot[data-seat="2"]').textContent.startsWith('balcony')`)
	if got := where(2); math.Hypot(got.X-x, got.Y-y) > 2 {
		t.Errorf("renamed it is drawn at %+v", got)
	}
	toX, toY := pixel(7, 11)
	p.do(chromedp.MouseEvent(chromedp.MousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, (x+toX)/2, (y+toY)/2, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, toX, toY, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, toX, toY, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	placed("seat 2 where it was dragged", 7, 11)
	p.until(`[...document.querySelectorAll('.notice')].some((e) => e.textContent.includes('balcony is at 7.0 m across and 11.0 m deep.'))`)
	js[bool](p, `([...document.querySelectorAll('.notice')].find((e) => e.textContent.includes('balcony is at 7.0 m')).querySelector('button').click(), true)`)
	placed("seat 2 where it was before", 12, 9)
	// A press alone looks at a seat, and moves none.
	one := where(1)
	p.do(chromedp.MouseClickXY(one.X, one.Y))
	p.until(`document.querySelector('[data-testid="look-1"]').getAttribute('aria-pressed') === 'true'`)
	placed("seat 2 still there", 12, 9)
	// Deleted and brought back.
	p.click("look-2")
	p.until(`document.querySelector('[data-testid="look-2"]').getAttribute('aria-pressed') === 'true'`)
	p.click("delete-seat")
	p.until(`document.querySelectorAll('.seat-map .dot').length === 1`)
	js[bool](p, `([...document.querySelectorAll('.notice')].find((e) => e.textContent.includes('is deleted')).querySelector('button').click(), true)`)
	p.until(`document.querySelectorAll('.seat-map .dot').length === 2`)
	placed("seat 2 in its place again", 12, 9)
	p.check(t, laptop)
}
