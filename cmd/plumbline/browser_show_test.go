package main

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// flat is a response as text: the same level and phase at every frequency.
func flat(levelDB, phaseDeg float64) string {
	var b strings.Builder
	b.WriteString("# frequency_hz, magnitude_db, phase_deg, coherence\n")
	for i := range 481 {
		fmt.Fprintf(&b, "%.4f, %.3f, %.3f, 0.99\n", 20*math.Exp2(float64(i)/48), levelDB, phaseDeg)
	}
	return b.String()
}

// drop lets files fall on the page.
func (p page) drop(name, content string) {
	p.t.Helper()
	js[bool](p, fmt.Sprintf(`(() => {
		const all = new DataTransfer();
		all.items.add(new File([%q], %q));
		return document.querySelector('.show').dispatchEvent(new DragEvent('drop', { dataTransfer: all, bubbles: true, cancelable: true }));
	})()`, content, name))
}

// TestShowPage imports two responses, lays them over each other and wants what
// complex numbers say of them; then names, notes, filters, deletes and undoes.
func TestShowPage(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/show", laptop, "status of 422") // the browser itself writes that one import was refused
	p.until(`document.querySelector('[data-testid="headline"]').textContent.includes('Nothing is measured yet')`)
	for i, r := range []struct {
		name, text string
	}{{"first <i>.csv", flat(0, 0)}, {"second.txt", flat(-6, 90)}} {
		p.drop(r.name, r.text)
		p.until(fmt.Sprintf(`document.querySelectorAll('.take-row').length === %d`, i+1))
	}
	if got := p.text("take-name-1"); got != "first <i>" {
		t.Errorf("the take is called %q", got)
	}
	p.drop("nonsense.csv", "no numbers here")
	p.until(`document.querySelector('.notices').textContent.length > 20 && document.querySelectorAll('.take-row').length === 2`)
	p.drop("picture.png", "x")
	p.until(`document.querySelector('.notices').textContent.includes('cannot be read')`)

	p.until(`document.querySelector('.notice') === null`) // they lie over the foot of the page
	p.click("draw-1")
	p.click("draw-2")
	p.until(`__app.page.overlays.curves().length === 2`)
	// Phasors: 1 and 0.501 at 90 degrees.
	second := math.Pow(10, -6./20)
	type value struct{ DB, Deg *float64 }
	made := func() []value {
		return js[[]value](p, `__app.page.overlays.made.map(({ response: r }) => ({ DB: r.db[240], Deg: r.deg[240] }))`)
	}
	want := func(what string, got value, db float64, deg *float64) {
		t.Helper()
		if got.DB == nil || math.Abs(*got.DB-db) > 0.01 {
			t.Errorf("%s is %v dB, want %.3f dB", what, got.DB, db)
		}
		if (got.Deg == nil) != (deg == nil) || deg != nil && math.Abs(*got.Deg-*deg) > 0.05 {
			t.Errorf("%s has the wrong phase", what)
		}
	}
	p.click("average-complex")
	p.until(`__app.page.overlays.made.length === 1`)
	angle := math.Atan2(second, 1) * 180 / math.Pi
	want("the complex average", made()[0], 20*math.Log10(math.Hypot(1, second)/2), &angle)
	p.click("average-power")
	p.until(`__app.page.overlays.made[0].name === 'power average'`)
	want("the power average", made()[0], 10*math.Log10((1+second*second)/2), nil)
	p.click("difference")
	p.until(`__app.page.overlays.made.length === 2`)
	angle = -90
	want("the difference", made()[1], 6, &angle)

	// Offset, delay and polarity are laid over one of them: at point 240 of the
	// grid, 640 Hz, 0.1 ms turn by -23.04 degrees.
	p.typed("offset-2", "6")
	p.typed("delay-2", "0.1")
	p.click("flip-2")
	p.until(`document.querySelector('[data-testid="flip-2"]').getAttribute('aria-pressed') === 'true'`)
	angle = 360*640*0.1e-3 - 90 + 180
	want("the difference after the shift", made()[1], 0, &angle)
	p.until(`location.search.includes('takes=1,2_6_0.1_1')`)
	p.do(chromedp.Reload(), chromedp.WaitReady("canvas"))
	p.until(`__app.page.overlays.curves().length === 4`) // the two, the average, the difference
	want("the difference after a reload", made()[1], 0, &angle)

	// What the plumb line reads of each, in the row of each: at 1 kHz 0.1 ms turn by -36 degrees.
	p.until(`document.querySelector('[data-testid="line-at"]').textContent.startsWith('1.00 kHz')`)
	p.until(`!document.querySelector('.overlays .list .row').children[2].textContent.match(/^$/)`)
	read := js[[]string](p, `[...document.querySelectorAll('.overlays .list .row')].map((r) => [...r.children].slice(1, 4).map((c) => c.textContent).join('|').replaceAll('\u2212', '-'))`)
	if want := []string{"1 first <i>, no seat|0.0 dB±0.3|0°±2°", "2 second, no seat|0.0 dB±0.3|-126°±2°", "power average|0.0 dB|–", "difference|0.0 dB|+126°"}; !slices.Equal(read, want) {
		t.Errorf("at the line: %q, want %q", read, want)
	}

	// Names, notes, filters.
	p.typed("take-note-2", "behind the desk")
	p.typed("take-name-2", "second at last")
	eventually(t, "name and note in the show", func() bool {
		var take struct{ Name, Note string }
		d.get(t, "/api/v1/show/takes/2", http.StatusOK, &take)
		return take.Name == "second at last" && take.Note == "behind the desk"
	})
	p.do(chromedp.SendKeys(byTestID("filter-text"), "desk"))
	p.until(`document.querySelectorAll('.take-row').length === 1 && document.querySelector('.take-row [data-testid="draw-2"]') !== null`)
	js[bool](p, `(e => { e.value = ''; return e.dispatchEvent(new Event('input')); })(document.querySelector('[data-testid="filter-text"]'))`)
	p.choose("filter-seat", "1")
	p.until(`document.querySelectorAll('.take-row').length === 0`)
	p.choose("filter-seat", "0")
	p.click("label-1")
	p.choose("label-seat", "1")
	js[bool](p, `(document.querySelector('dialog').close(), true)`)
	p.choose("filter-seat", "1")
	p.until(`document.querySelectorAll('.take-row').length === 1`)
	p.choose("filter-seat", "0")

	// Nothing asks; one press brings it back.
	p.until(`document.querySelectorAll('.take-row').length === 2`)
	p.click("delete-2")
	p.until(`document.querySelectorAll('.take-row').length === 1 && __app.page.overlays.list.length === 1`)
	p.do(chromedp.Click(`.notice button`, chromedp.NodeVisible))
	p.until(`document.querySelectorAll('.take-row').length === 2`)

	// A note, a copy, another show and back.
	p.click("notes")
	p.typed("new-note", "Doors at seven")
	p.until(`document.querySelector('.notes li span')?.textContent === 'Doors at seven'`)
	js[bool](p, `(document.querySelector('dialog').close(), true)`)
	p.typed("show-name", "Hall, afternoon")
	p.until(`__app.session.show.name === 'Hall, afternoon'`)
	before := js[string](p, `__app.session.show.file`)
	p.click("shows")
	p.typed("new-show-name", "evening")
	p.until(`__app.session.show.name === 'evening' && document.querySelectorAll('.take-row').length === 0`)
	p.click("shows")
	p.until(`document.querySelector('dialog .shows') !== null`)
	js[bool](p, fmt.Sprintf(`([...document.querySelectorAll('.shows li')].find((li) => li.firstChild.textContent === %q).querySelector('button').click(), true)`, before))
	p.until(`__app.session.show.name === 'Hall, afternoon' && document.querySelectorAll('.take-row').length === 2`)

	// What can be taken away is there.
	for _, answer := range js[[]string](p, `Promise.all([...document.querySelectorAll('.take-row a')].filter((a) => !a.href.endsWith('/wav')) // text says nothing between its points
		.map((a) => fetch(a.href).then((r) => r.status + ' ' + r.headers.get('content-disposition'))))`) {
		if !strings.HasPrefix(answer, "200 attachment") {
			t.Errorf("an export answers %q", answer)
		}
	}
	var info wire.Show
	d.get(t, "/api/v1/show", http.StatusOK, &info)
	if info.Takes != 2 || info.Notes != 1 {
		t.Errorf("the show holds %+v", info)
	}
}
