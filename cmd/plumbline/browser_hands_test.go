package main

import (
	"fmt"
	"math"
	"net/http"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// What hands do on the plots: wheel, drag, pinch, flick, keys.

// plotMiddle is the middle of a plot on the screen, and its width.
func (p page) plotMiddle(name string) (x, y, width float64) {
	p.t.Helper()
	v := js[[3]float64](p, fmt.Sprintf(`((q) => {
		const r = document.querySelector('[data-plot=%[1]s] .plot').getBoundingClientRect(), a = q.area;
		return [r.left + a.left + a.width / 2, r.top + a.top + a.height / 2, a.width];
	})(__app.plots[%[1]q])`, name))
	return v[0], v[1], v[2]
}

func (p page) xRange(name string) [2]float64 {
	p.t.Helper()
	return js[[2]float64](p, fmt.Sprintf(`__app.plots[%q].xRange`, name))
}

// octaves is the width of a frequency range.
func octaves(r [2]float64) float64 { return math.Log2(r[1] / r[0]) }

func (p page) touch(kind input.DispatchTouchEventType, points ...*input.TouchPoint) {
	p.t.Helper()
	_, err := chromedp.Call(p.ctx, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
	if err != nil {
		p.t.Fatal(err)
	}
}

func TestMouseOnPlots(t *testing.T) {
	atLength(t)
	p := open(t, demo(t).url+"/listen", laptop)
	whole := p.xRange("magnitude")
	if whole != [2]float64{20, 20000} {
		t.Fatalf("the whole range is %v", whole)
	}
	x, y, width := p.plotMiddle("magnitude")

	// The line follows the mouse: the middle of a logarithmic axis is the geometric mean.
	p.do(chromedp.MouseEvent(chromedp.MouseMoved, x, y))
	mean := math.Sqrt(20 * 20000)
	if at := js[float64](p, `__app.view.at`); math.Abs(at/mean-1) > 0.01 {
		t.Errorf("the line is at %.1f Hz, want %.1f", at, mean)
	}

	wheel := func(dy float64) {
		const none = 1e-3 // a zero would be left out of the message, and the browser wants both
		_, err := chromedp.Call(p.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: chromedp.MouseWheel, X: x, Y: y, DeltaX: none, DeltaY: dy})
		if err != nil {
			t.Fatal(err)
		}
	}
	wheel(-200)
	p.until(`__app.plots.magnitude.xRange[0] > 21`)
	near := p.xRange("magnitude")
	if mid := math.Sqrt(near[0] * near[1]); math.Abs(mid/mean-1) > 0.01 {
		t.Errorf("the wheel zoomed about %.1f Hz, the pointer was at %.1f", mid, mean)
	}
	if phase := p.xRange("phase"); phase != near {
		t.Errorf("phase shows %v, magnitude %v", phase, near)
	}

	// A drag to the right by a quarter of the width shows lower frequencies.
	p.do(chromedp.MouseEvent(chromedp.MousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, x+width/8, y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, x+width/4, y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, x+width/4, y, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	moved := p.xRange("magnitude")
	want := math.Max(20, near[0]*math.Pow(near[1]/near[0], -0.25))
	if math.Abs(moved[0]/want-1) > 0.01 || math.Abs(octaves(moved)-octaves(near)) > 0.01 {
		t.Errorf("dragged from %v to %v, want a start at %.1f Hz", near, moved, want)
	}

	// The address keeps it, and a reload brings it back.
	p.until(`new URLSearchParams(location.search).get('hz') === __app.plots.magnitude.xRange.map((v) => Number(v.toPrecision(5))).join('..')`)
	p.do(chromedp.Reload(), chromedp.WaitReady("canvas"))
	p.until(`__app.frames > 0`)
	if again := p.xRange("magnitude"); math.Abs(again[0]/moved[0]-1) > 1e-3 || math.Abs(again[1]/moved[1]-1) > 1e-3 {
		t.Errorf("after a reload %v, before %v", again, moved)
	}

	// One touch goes back.
	p.click("home-magnitude")
	p.until(`!new URLSearchParams(location.search).has('hz')`)
	if back := p.xRange("magnitude"); back != whole {
		t.Errorf("one touch went to %v", back)
	}
}

func TestThumbsOnPlots(t *testing.T) {
	atLength(t)
	p := open(t, demo(t).url+"/listen", screen{390, 844, "dark"})
	x, y, width := p.plotMiddle("magnitude")
	at := func(id, dx float64) *input.TouchPoint { return &input.TouchPoint{X: x + dx, Y: y, ID: &id} }

	// Two fingers from an eighth to a quarter of the width on each side: twice as near.
	before := octaves(p.xRange("magnitude"))
	p.touch(input.DispatchTouchEventTypeTouchStart, at(1, -width/8), at(2, width/8))
	for _, part := range []float64{5, 6, 7, 8} {
		p.touch(input.DispatchTouchEventTypeTouchMove, at(1, -width/4*part/8), at(2, width/4*part/8))
	}
	p.touch(input.DispatchTouchEventTypeTouchEnd)
	if now := octaves(p.xRange("magnitude")); math.Abs(before/now-2) > 0.1 {
		t.Errorf("the pinch went from %.2f to %.2f octaves, want half", before, now)
	}
	p.click("home-magnitude")

	// A flick to the left shows the next plot, and only that.
	p.touch(input.DispatchTouchEventTypeTouchStart, at(1, 60))
	p.touch(input.DispatchTouchEventTypeTouchMove, at(1, 0))
	p.touch(input.DispatchTouchEventTypeTouchMove, at(1, -60))
	p.touch(input.DispatchTouchEventTypeTouchEnd)
	p.until(`document.querySelector('.evidence').dataset.shows === 'phase'`)
	visible := js[[]string](p, `[...document.querySelectorAll('.panel')].filter((e) => e.checkVisibility()).map((e) => e.dataset.plot)`)
	if len(visible) != 1 || visible[0] != "phase" {
		t.Errorf("the phone shows %q, want phase alone", visible)
	}

	// A touched phrase brings its evidence: an arrival is on the impulse response.
	p.until(`document.querySelector('.phrase[data-about^="arrival"], .phrase[data-about="delay"]') !== null`)
	p.do(chromedp.Click(`.phrase[data-about^="arrival"], .phrase[data-about="delay"]`, chromedp.NodeVisible))
	p.until(`document.querySelector('.evidence').dataset.shows === 'impulse' && document.querySelector('.flag.lit') !== null`)
}

func TestKeysOnListen(t *testing.T) {
	p := open(t, demo(t).url+"/listen?at=1000", laptop)
	press := func(key string, shift bool) {
		js[bool](p, fmt.Sprintf(`document.body.dispatchEvent(new KeyboardEvent('keydown', {key: %q, shiftKey: %v, bubbles: true}))`, key, shift))
	}
	press("ArrowRight", true)
	if at := js[float64](p, `__app.view.at`); math.Abs(at-1000*math.Pow(2, 1.0/3)) > 0.01 {
		t.Errorf("a third of an octave above 1 kHz is not %.2f Hz", at)
	}
	press("h", false)
	p.until(`document.querySelector('.page').classList.contains('held')`)
	press("h", false)
	for _, ground := range []string{"dark", "light"} {
		press("n", false)
		p.until(fmt.Sprintf(`document.documentElement.dataset.ground === %q`, ground))
	}
	drawn := js[int](p, `__app.frames`)
	p.until(fmt.Sprintf(`__app.frames > %d && __app.plots.magnitude.canvas.isConnected`, drawn))
	press("?", true)
	p.until(`document.querySelector('dialog[open]') !== null`)
	if keys := js[int](p, `document.querySelectorAll('dialog kbd').length`); keys < 12 {
		t.Errorf("the help lists %d keys", keys)
	}
	js[bool](p, `(document.querySelector('dialog').close(), true)`)
	js[bool](p, `document.body.dispatchEvent(new KeyboardEvent('keydown', {key: '^', code: 'Digit6', shiftKey: true, bubbles: true}))`)
	p.until(`location.pathname === '/rig' && document.querySelector('.plan') !== null`)
}

// TestNumbersInPlace sets a number where it stands: by dragging beside it, by
// keys and by typing; Esc takes it back, and a gesture is one step of undo.
func TestNumbersInPlace(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/rig", laptop)
	gain := func() float64 {
		var scene wire.RigScene
		d.get(t, "/api/v1/rig", http.StatusOK, &scene)
		return scene.Loudspeakers[0].GainDB
	}
	becomes := func(what string, want float64) {
		t.Helper()
		eventually(t, what, func() bool { return gain() == want })
	}
	start := gain()
	unit := js[[2]float64](p, `(r => [r.left + r.width / 2, r.top + r.height / 2])(document.querySelector('[data-testid="gain-main"]').nextSibling.getBoundingClientRect())`)
	drag := func(steps float64) { // 4 px and half a decibel each
		p.do(chromedp.MouseEvent(chromedp.MousePressed, unit[0], unit[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
		for i := 1.; i <= steps; i++ {
			p.do(chromedp.MouseEvent(chromedp.MouseMoved, unit[0]+4*i+1, unit[1], chromedp.ButtonLeft))
		}
	}
	release := chromedp.MouseEvent(chromedp.MouseReleased, unit[0]+41, unit[1], chromedp.ButtonLeft, chromedp.ClickCount(1))
	escape := chromedp.KeyEvent("\x1b")

	drag(10)
	p.do(release)
	becomes("ten steps up", start+5)
	if js[bool](p, `document.activeElement.matches('input')`) {
		t.Error("the end of a drag opens the number for typing")
	}
	p.click("undo")
	becomes("back by one undo", start)

	drag(10)
	becomes("ten steps up again", start+5)
	p.do(escape, release)
	becomes("taken back by Esc while dragging", start)

	p.do(chromedp.Focus(byTestID("gain-main")), chromedp.KeyEvent("\u0304"), chromedp.KeyEvent("\u0304")) // arrow up
	becomes("two steps up by keys", start+1)
	p.do(escape)
	becomes("taken back by Esc after keys", start)

	p.do(chromedp.Focus(byTestID("gain-main")), chromedp.SendKeys(byTestID("gain-main"), "\u22123,5 dB"), escape)
	if got := gain(); got != start {
		t.Errorf("typed and taken back: %g dB, want %g", got, start)
	}
	p.typed("gain-main", "\u22123,5 dB")
	becomes("typed with a comma and a unit", -3.5)
}

// TestHiddenPageAsksForNothing hides a page: no frames reach it while the
// daemon goes on, and they come again when it is shown.
func TestHiddenPageAsksForNothing(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/listen", laptop)
	hide := func(hidden bool) {
		js[bool](p, fmt.Sprintf(`(Object.defineProperty(document, 'hidden', {value: %v, configurable: true}), document.dispatchEvent(new Event('visibilitychange')))`, hidden))
	}
	hide(true)
	// What was on its way when it hid may still arrive; then nothing does.
	var from uint64
	eventually(t, "20 frames in a row that the hidden page does not see", func() bool {
		shown := js[uint64](p, `__app.lastSeq`)
		from = d.frame(t).Seq
		d.awaitSeq(t, from+20)
		return js[uint64](p, `__app.lastSeq`) == shown
	})
	hide(false)
	p.until(fmt.Sprintf(`__app.lastSeq > %d`, from+20))
}

// awaitSeq waits until the daemon has published that many frames.
func (s service) awaitSeq(t *testing.T, seq uint64) {
	t.Helper()
	eventually(t, "more frames", func() bool { return s.frame(t).Seq >= seq })
}

// TestMeasuresUntilSure chooses the averaging that ends by itself: the page says
// how far it is, then that it is sure, and holds.
func TestMeasuresUntilSure(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/listen", laptop)
	// First for more than it can be soon, or a page that is late never sees it under way.
	d.ask(t, "PATCH", "/api/v1/settings", `{"averaging":{"mode":"until","within_db":0.05,"low_hz":1000,"high_hz":8000}}`, http.StatusOK, nil)
	const progress = `document.querySelector('.controls .progress').textContent`
	p.until(progress + `.endsWith('left')`)
	d.ask(t, "PATCH", "/api/v1/settings", `{"averaging":{"within_db":1}}`, http.StatusOK, nil)
	p.until(progress + `.startsWith('sure: ±') && document.querySelector('.page').classList.contains('held')`)
	if w := js[float64](p, `Number(`+progress+`.match(/±([\d.]+)/)[1])`); w > 1 {
		t.Errorf("sure at ±%.1f dB, want ±1.0", w)
	}
}
