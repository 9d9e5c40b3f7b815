package main

import (
	"fmt"
	"net/http"
	"os"
	"testing"
)

func TestZZLook(t *testing.T) {
	d := demo(t)
	dir := os.Getenv("PLUMBLINE_LOOK")
	p := open(t, d.url+"/listen", laptop)
	p.until(`__app.session.frame.averagedS > 1.5`)
	p.picture(dir + "/0.png")
	press := func(k string) { js[bool](p, fmt.Sprintf(`(dispatchEvent(new KeyboardEvent('keydown', {key: %q})), true)`, k)) }
	for k := range 5 {
		press("k")
		p.until(fmt.Sprintf(`__app.page.stored.store.shown.length === %d`, k+1))
		d.ask(t, "PATCH", "/api/v1/rig", fmt.Sprintf(`{"loudspeakers":{"fill":{"delay_ms":%d,"gain_db":%d}}}`, k, -k*2), http.StatusOK, nil)
		n := js[float64](p, `__app.session.frame.seq`)
		p.until(fmt.Sprintf(`__app.session.frame.seq > %g + 30`, n))
	}
	d.ask(t, "POST", "/api/v1/show/targets", `{"name":"house","points":[[20,6],[200,0],[2000,-1],[16000,-6]],"shown":true,"offset_db":-30}`, http.StatusOK, nil)
	p.until(`!!__app.page.stored.store.target`)
	js[bool](p, `(document.querySelector('[data-testid=target]').click(), true)`)
	p.picture(dir + "/1t.png")
	js[bool](p, `(document.querySelector('[data-testid=target-fit]').click(), document.querySelector('dialog').close(), true)`)
	p.until(`__app.page.stored.store.target.offset_db !== -30`)
	shots := func(p page, name string) {
		n := js[float64](p, `__app.session.frame.seq`)
		p.until(fmt.Sprintf(`__app.session.frame.seq > %g + 20`, n))
		p.picture(dir + "/" + name + ".png")
	}
	shots(p, "1")
	press("p")
	press("i")
	shots(p, "2")
	press("p")
	press("i")
	shots(p, "3")
	press("p")
	press("e")
	shots(p, "4")
	press("p")
	press("d")
	shots(p, "5")
	press("d")
	press("e")
	shots(p, "5b")
	press("l")
	shots(p, "6")
	js[bool](p, `(document.querySelector('dialog').close(), document.querySelector('[data-testid=target]').click(), document.querySelector('[data-testid=target-redraw]').click(), true)`)
	shots(p, "7")
	for _, s := range []screen{{820, 1180, "light"}, {390, 844, "light"}, {1366, 768, "light"}} {
		q := open(t, d.url+"/listen", s)
		q.until(`__app.page.stored.store.shown.length === 5`)
		shots(q, fmt.Sprintf("s%d", s.width))
		if s.width < 400 {
			js[bool](q, `(document.querySelector('[data-shows=phase]').click(), true)`)
			shots(q, "s390-phase")
			js[bool](q, `(document.querySelector('[data-shows=impulse]').click(), true)`)
			shots(q, "s390-impulse")
			js[bool](q, `(document.querySelector('[data-testid=traces]').click(), true)`)
			shots(q, "s390-list")
			js[bool](q, `(document.querySelector('dialog').close(), document.querySelector('[data-testid=target]').click(), document.querySelector('[data-testid=target-redraw]').click(), true)`)
			shots(q, "s390-draw")
		}
	}
}
