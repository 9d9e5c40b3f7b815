package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// What pages are measured on. At 200 % a screen has half the pixels to lay out; text of a
// phone that is zoomed reflows in 320 (WCAG 2.2, 1.4.10).
var layouts = []struct {
	name          string
	width, height int64
	scale         float64
}{
	{"1366x768", 1366, 768, 1},
	{"1920x1080", 1920, 1080, 1},
	{"820x1180", 820, 1180, 1},
	{"390x844", 390, 844, 1},
	{"1366x768 at 200 %", 683, 384, 2},
	{"1920x1080 at 200 %", 960, 540, 2},
	{"820x1180 at 200 %", 410, 590, 2},
	{"640x1280 at 200 %", 320, 640, 2},
}

// measuredPages are all pages, and when there is something on them: those first that have it at once.
var measuredPages = []struct{ path, ready string }{
	{"/setup", `document.querySelector('.sentence').textContent.length > 20`},
	{"/watch", `document.querySelector('[data-testid="verdict"]').textContent.length > 20`},
	{"/rig", `__app.frames > 3 && document.querySelector('.plan') !== null`},
	{"/show?takes=1,2,3,4,5", `__app.page.overlays.curves().length === 5`},
	{"/align", `__app.page.model?.answer?.seats.length === 3 && __app.page.node.dataset.known === 'true' && __app.session.show.takes === 9 && document.querySelector('[data-testid="sweep-handle"]').checkVisibility()`},
	{"/walk?seat=2", `__app.frames > 3 && __app.page.model?.answer?.seats.length === 3 && __app.session.show.takes === 9 && document.querySelector('[data-testid="line-before"] .level').textContent !== '' && document.querySelector('.headline').textContent.startsWith('The microphone is at seat 1, not seat 2')`}, // where it stands in the hall
	{"/listen", `__app.session.frame.averagedS > 2 && document.querySelector('[data-testid="headline"]').textContent.includes('comb')`},
}

// TestPages shows the demo's pages, one after the other in one tab. A screen reader finds its way, phrases
// light what they speak of, and every size is measured, on one ground or the other, and at 200 %: no text
// over another or over a curve, room for fingers, contrast, whole rings of focus, no
// scrolling sideways.
func TestPages(t *testing.T) {
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0")
	tab := openMeasured(t, d.url+measuredPages[0].path)
	for _, c := range measuredPages {
		name, _, _ := strings.Cut(c.path[1:], "?")
		t.Run(name, func(t *testing.T) {
			p := page{t, tab.ctx}
			p.turn(c.path)
			p.until(c.ready)
			t.Run("read out", func(t *testing.T) { page{t, p.ctx}.readOut(name) })
			t.Run("terms", func(t *testing.T) { page{t, p.ctx}.explains(name) })
			t.Run("phrases", func(t *testing.T) { page{t, p.ctx}.touchPhrases() })
			for k, l := range layouts {
				for n, ground := range []string{"dark", "light"} {
					if n == k%2 { // a ground moves nothing, and each page has both
						continue
					}
					t.Run(l.name+" "+ground, func(t *testing.T) {
						s := screen{l.width, l.height, ground}
						page{t, p.ctx}.measure(s, l.scale)
						if name != "align" { // whose ledger is as long as there are reasons
							page{t, p.ctx}.fits(s)
						}
						if name == "walk" && s.height >= 640 {
							page{t, p.ctx}.atHand(s)
						}
					})
				}
			}
		})
	}
	t.Run("takes at hand", func(t *testing.T) {
		p := page{t, tab.ctx}
		p.turn("/show")
		p.until(`document.querySelector('[data-testid="draw-newest"]')?.checkVisibility()`)
		p.click("draw-newest")
		p.until(`document.querySelector('.awaited').hidden && __app.page.overlays.curves().length === 3`)
	})
}

// TestSixLoudspeakersMeasured measures the plan with six loudspeakers and three microphones, some
// close together: no name covers another, and the page is as wide as the screen.
func TestSixLoudspeakersMeasured(t *testing.T) {
	atLength(t)
	needBrowser(t)
	scene, err := os.ReadFile("../../testdata/scenes/clean.toml")
	if err != nil {
		t.Fatal(err)
	}
	text, _, _ := strings.Cut(string(scene), "[[loudspeaker]]")
	for k, name := range []string{"left main", "right main", "left sub", "right sub", "centre fill", "under balcony"} {
		at := [][3]float64{{2, 2, 4}, {2, 10, 4}, {2, 3, 0.5}, {2, 9, 0.5}, {2.5, 6, 1}, {11, 6, 3}}[k]
		text += fmt.Sprintf("[[loudspeaker]]\nname = %q\nrole = \"fill\"\nposition_m = [%g, %g, %g]\nlow_hz = 60\nhigh_hz = 16000\n", name, at[0], at[1], at[2])
	}
	for k, name := range []string{"front row", "mixing position", "rear"} {
		text += fmt.Sprintf("[[microphone]]\nname = %q\nposition_m = [%d, 6, 1.2]\n", name, 4+6*k)
	}
	path := filepath.Join(t.TempDir(), "six.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "serve", "--rig", path, "--listen", "127.0.0.1:0")
	p := openMeasured(t, d.url+"/rig")
	p.until(`__app.frames > 3 && document.querySelectorAll('.plan .thing').length === 9`)
	for _, l := range layouts {
		t.Run(l.name, func(t *testing.T) {
			p := page{t, p.ctx}
			p.show(screen{l.width, l.height, "dark"}, l.scale)
			for _, problem := range p.problems() {
				if kind, _, _ := strings.Cut(problem, ":"); kind != "contrast" && kind != "small" {
					t.Error(problem)
				}
			}
		})
	}
}

// TestPictures writes the pages as they look on every screen and ground, with -update.
func TestPictures(t *testing.T) {
	folder := "../../testdata/pictures"
	if !*update {
		t.Skip("only with -update")
	}
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0")
	for _, c := range measuredPages {
		name, _, _ := strings.Cut(c.path[1:], "?")
		p := openMeasured(t, d.url+c.path)
		p.until(c.ready)
		for _, l := range layouts {
			for _, ground := range []string{"dark", "light"} {
				if l.scale == 1 {
					p.show(screen{l.width, l.height, ground}, l.scale)
					p.picture(fmt.Sprintf("%s/%s-%s-%s.png", folder, name, l.name, ground))
				}
			}
		}
	}
}

// openMeasured opens a page that keeps what is drawn on its canvases.
func openMeasured(t *testing.T, url string) page {
	t.Helper()
	keep, err := os.ReadFile("testdata/drawn.js")
	if err != nil {
		t.Fatal(err)
	}
	p := openTab(t, "about:blank", laptop, "body")
	p.onEachDocument(string(keep))
	p.do(chromedp.Navigate(url), chromedp.WaitReady(".page"))
	return p
}

// turn has the tab show another page of the daemon it shows, on a laptop, as if that had been the first.
func (p page) turn(path string) {
	p.t.Helper()
	p.screen(laptop, 1)
	js[bool](p, fmt.Sprintf(`(window.__period = 200, history.pushState({}, '', %q), __app.view.primary = __app.view.all = 0, dispatchEvent(new PopStateEvent('popstate')))`, path))
}

// measure says what is wrong with a page on a screen.
func (p page) measure(s screen, scale float64) {
	p.t.Helper()
	p.show(s, scale)
	for _, problem := range p.problems() {
		p.t.Error(problem)
	}
}

// fits says whether a page has to be scrolled on a laptop.
func (p page) fits(s screen) {
	p.t.Helper()
	if high := js[int64](p, `document.documentElement.scrollHeight`); s.width > 1000 && high > s.height {
		p.t.Errorf("the page is %d high on a screen of %d", high, s.height)
	}
}

// problems are those of what the page shows now, a line each.
func (p page) problems() []string {
	p.t.Helper()
	measure, err := os.ReadFile("testdata/measure.js")
	if err != nil {
		p.t.Fatal(err)
	}
	return js[[]string](p, string(measure))
}

// screen has the tab take a size and a ground.
func (p page) screen(s screen, scale float64) {
	p.t.Helper()
	view := []chromedp.EmulateViewportOption{chromedp.EmulateScale(scale)}
	if s.width < 1000 && scale == 1 {
		view = append(view, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	p.do(chromedp.EmulateViewport(s.width, s.height, view...))
	_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.ground}},
	})
	if err != nil {
		p.t.Fatal(err)
	}
}

// show puts the page on another screen and waits until it has drawn itself there. From then on it
// draws what comes once a second.
func (p page) show(s screen, scale float64) {
	p.t.Helper()
	js[bool](p, `(window.__period = 1000, window.__keep = true)`)
	p.screen(s, scale)
	// The browser's refresh lays out and tells those who draw; what they draw may need room.
	js[bool](p, fmt.Sprintf(`(async () => {
		const painted = () => new Promise(window.__painted);
		while (innerWidth !== %d) await painted();
		await painted();
		for (let n = 0; n < 2; n++) {
			await painted();
			__app.view.setAt(__app.view.at);
			window.__refresh();
		}
		window.__keep = false;
		return true;
	})()`, s.width))
}
