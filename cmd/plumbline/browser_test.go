package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"plumbline/cmd/plumbline/raced"
)

// The tests of the pages run the daemon on the virtual rig and a headless
// Chromium: one browser for all, one tab a page. Anything on a page's console
// fails its test.

var sharedBrowser struct {
	once sync.Once
	ctx  context.Context
	err  error
}

// browserPath is PLUMBLINE_BROWSER, or the first Chromium on the path.
func browserPath() string {
	if p := os.Getenv("PLUMBLINE_BROWSER"); p != "" {
		return p
	}
	for _, name := range []string{
		"chromium-headless-shell", "headless-shell", "headless_shell", // nearly half the processor of what has windows too
		"chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome",
		"/Applications/Chromium.app/Contents/MacOS/Chromium", "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
	} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

// needBrowser starts the browser, or skips; where PLUMBLINE_REQUIRE names
// browser its absence is a failure. Under the race detector the daemon may fall
// behind the sound that a page shows: those tests run without it, and what they
// drive is raced by its own package's tests.
func needBrowser(t *testing.T) context.Context {
	t.Helper()
	raced.NotFor(t, "pages are tested without the race detector")
	path := browserPath()
	if path == "" {
		const missing = "no Chromium found: install it, or name one in PLUMBLINE_BROWSER"
		if strings.Contains(","+os.Getenv("PLUMBLINE_REQUIRE")+",", ",browser,") {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	b := &sharedBrowser
	b.once.Do(func() {
		options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path))
		if os.Geteuid() == 0 {
			options = append(options, chromedp.NoSandbox) // its sandbox refuses root
		}
		allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), options...)
		ctx, end := chromedp.NewContext(allocator)
		atExit = append(atExit, func() { end(); endAllocator() })
		b.ctx, b.err = ctx, chromedp.Do(ctx) // no time limit here: it would end the browser
	})
	if b.err != nil {
		t.Fatalf("start %s: %v", path, b.err)
	}
	return b.ctx
}

// page is a tab that shows one page of a daemon.
type page struct {
	t   *testing.T
	ctx context.Context
}

type screen struct {
	width, height int64
	ground        string // as the system has it: "dark" or "light"
}

// calm makes any screen one that refreshes five times a second. A page draws when its
// screen refreshes, and acknowledges a frame when it has drawn it: a slow screen shows what
// a swift one shows, for a fifth of the processor. Who looks closely has it refresh more
// seldom (__period, ms), or at once (__refresh); __painted is the browser's own refresh.
const calm = `(() => {
	let last = 0;
	const waiting = new Map();
	const run = (id) => {
		const draw = waiting.get(id);
		waiting.delete(id);
		draw?.(performance.now());
	};
	window.__period = 200;
	window.__painted = window.requestAnimationFrame.bind(window);
	window.__refresh = () => [...waiting.keys()].forEach(run);
	window.requestAnimationFrame = (draw) => {
		waiting.set(++last, draw);
		setTimeout(run, window.__period - performance.now() % window.__period, last);
		return last;
	};
	window.cancelAnimationFrame = (id) => waiting.delete(id);
})()`

var laptop = screen{1366, 768, "dark"}

// open shows a page and waits for its first frame. Console messages that
// contain one of the excused texts do not fail the test.
func open(t *testing.T, url string, s screen, excused ...string) page {
	t.Helper()
	p := openTab(t, url, s, "canvas", excused...)
	p.until(`__app.frames > 0`)
	return p
}

// openSwift is open on a screen that refreshes as it likes: for what is about pixels, about
// one frame of many, or about a hand that moves.
func openSwift(t *testing.T, url string, s screen, excused ...string) page {
	t.Helper()
	p := openBlank(t, url, s, excused...)
	p.do(chromedp.Navigate(url), chromedp.WaitReady("canvas"))
	p.until(`__app.frames > 0`)
	return p
}

// openTab shows an address on a calm screen and waits for an element of it.
func openTab(t *testing.T, url string, s screen, ready string, excused ...string) page {
	t.Helper()
	p := openBlank(t, url, s, excused...)
	p.onEachDocument(calm)
	// WaitReady lets the new document settle before it is asked anything.
	p.do(chromedp.Navigate(url), chromedp.WaitReady(ready))
	return p
}

// openBlank opens a tab that will show an address.
func openBlank(t *testing.T, url string, s screen, excused ...string) page {
	t.Helper()
	ctx, cancel := chromedp.NewContext(needBrowser(t))
	p := page{t, ctx}
	messages := chromedp.Console(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for m, err := range messages {
			if err != nil {
				return
			}
			forgiven := false
			for _, e := range excused {
				forgiven = forgiven || strings.Contains(m.Text, e)
			}
			if !forgiven {
				t.Errorf("console of %s: %v", url, m)
			}
		}
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: s.ground}},
	})
	if err != nil {
		t.Fatal(err)
	}
	view := []chromedp.EmulateViewportOption{chromedp.EmulateScale(1)}
	if s.width < 1000 {
		view = append(view, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	p.do(chromedp.EmulateViewport(s.width, s.height, view...))
	return p
}

// onEachDocument runs a script before those of whatever is shown next.
func (p page) onEachDocument(script string) {
	p.t.Helper()
	if _, err := chromedp.Call(p.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: script}); err != nil {
		p.t.Fatal(err)
	}
}

func (p page) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, hang)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		p.t.Fatal(err)
	}
}

// until waits for a JavaScript expression to hold.
func (p page) until(expression string) {
	p.t.Helper()
	wait := chromedp.Poll[bool](expression, chromedp.WithPollingInterval(100*time.Millisecond), chromedp.WithPollingTimeout(hang))
	if _, err := chromedp.Run(p.ctx, wait); err != nil {
		p.t.Fatalf("waiting %v for %s: %v", hang, expression, err)
	}
}

// js evaluates an expression or a promise on a page.
func js[T any](p page, expression string) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, hang)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func byTestID(id string) string { return fmt.Sprintf("[data-testid=%q]", id) }

// text is what stands in an element, spaces and minus signs as on a keyboard.
func (p page) text(id string) string {
	p.t.Helper()
	s := js[string](p, fmt.Sprintf(`(e => e.value ?? e.textContent)(document.querySelector(%q))`, byTestID(id)))
	return strings.NewReplacer("\u2212", "-", "\u00a0", " ").Replace(s)
}

func (p page) click(id string) {
	p.t.Helper()
	p.do(chromedp.Click(byTestID(id), chromedp.NodeVisible))
}

// picture writes what the tab shows as a small PNG.
func (p page) picture(name string) {
	p.t.Helper()
	shot, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		p.t.Fatal(err)
	}
	full, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		p.t.Fatal(err)
	}
	var small bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	if err := encoder.Encode(&small, fewColours(full)); err != nil {
		p.t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(name, small.Bytes(), 0o644); err != nil {
		p.t.Fatal(err)
	}
}

// fewColours is a picture in the 128 colours that it has most of, at five bits each: what
// is lost is the edges of letters, and it packs in a third.
func fewColours(full image.Image) image.Image {
	area := full.Bounds()
	pixels := image.NewRGBA(area)
	draw.Draw(pixels, area, full, area.Min, draw.Src)
	count := map[color.RGBA]int{}
	for i := 0; i < len(pixels.Pix); i += 4 {
		for k := range 3 {
			pixels.Pix[i+k] = pixels.Pix[i+k]&^7 | pixels.Pix[i+k]>>5
		}
		count[color.RGBA{pixels.Pix[i], pixels.Pix[i+1], pixels.Pix[i+2], 255}]++
	}
	most := slices.SortedFunc(maps.Keys(count), func(a, b color.RGBA) int {
		return cmp.Or(count[b]-count[a], int(a.R)-int(b.R), int(a.G)-int(b.G), int(a.B)-int(b.B))
	})
	var few color.Palette
	for _, c := range most[:min(128, len(most))] {
		few = append(few, c)
	}
	index := map[color.RGBA]uint8{}
	for c := range count {
		index[c] = uint8(few.Index(c))
	}
	out := image.NewPaletted(area, few)
	for i := range out.Pix {
		out.Pix[i] = index[color.RGBA{pixels.Pix[4*i], pixels.Pix[4*i+1], pixels.Pix[4*i+2], 255}]
	}
	return out
}

// choose sets a select as a user does.
func (p page) choose(id, value string) {
	p.t.Helper()
	js[bool](p, fmt.Sprintf(`(e => { e.value = %q; return e.dispatchEvent(new Event('change', {bubbles: true})); })(document.querySelector(%q))`, value, byTestID(id)))
}

func demo(t *testing.T) service {
	t.Helper()
	needBrowser(t) // before a daemon is started for nothing
	return start(t, "demo", "--empty", "--listen", "127.0.0.1:0")
}

// check looks at what the tab shows: it fits the screen, and all can be read and
// touched.
func (p page) check(t *testing.T, s screen) {
	t.Helper()
	// What is drawn in one frame is laid out in the next.
	js[bool](p, `new Promise((r) => { let n = 4; const next = () => (n-- ? requestAnimationFrame(next) : r(true)); next(); })`)
	if wide := js[int64](p, `document.documentElement.scrollWidth`); wide > s.width {
		t.Errorf("the page is %d wide on a screen of %d: %s", wide, s.width, js[string](p, `[...document.querySelectorAll('body *')].filter((e) => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 0.5).map((e) => e.tagName + '.' + e.className + ' ' + Math.round(e.getBoundingClientRect().right)).slice(0, 8).join(', ')`))
	}
	if high := js[int64](p, `document.documentElement.scrollHeight`); s.width > 1000 && high > s.height {
		t.Errorf("the page is %d high on a laptop's %d", high, s.height)
	}
	for _, problem := range js[[]string](p, checkScreen) {
		t.Error(problem)
	}
}

// checkScreen lists what is too small, too faint or scrolls inside the page.
// Contrast is WCAG 2.2's: (L1 + 0.05) / (L2 + 0.05) of relative luminances; AA
// wants 4.5, AAA 7, and 3 for drawings (success criteria 1.4.3, 1.4.6, 1.4.11).
const checkScreen = `(() => {
	const problems = [];
	const seen = (e) => e.checkVisibility() && e.getClientRects().length > 0;
	const linear = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
	const channels = (colour) => {
		const c = document.createElement('canvas').getContext('2d');
		c.fillStyle = colour;
		c.fillRect(0, 0, 1, 1);
		return [...c.getImageData(0, 0, 1, 1).data].slice(0, 3);
	};
	const luminance = (colour) => channels(colour).map(linear).reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
	const contrast = (a, b) => ((x, y) => (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05))(luminance(a), luminance(b));
	const style = getComputedStyle(document.documentElement);
	const ground = style.getPropertyValue('--ground').trim();
	const least = { '--ink': 7, '--quiet': 4.5, '--brass': 4.5, '--alarm': 4.5, '--curve-1': 4.5, '--curve-2': 4.5, '--curve-3': 4.5, '--curve-4': 4.5, '--rule': 3 };
	for (const [name, min] of Object.entries(least)) {
		const c = contrast(style.getPropertyValue(name).trim(), ground);
		if (c < min) problems.push(name + ' has contrast ' + c.toFixed(2) + ', want ' + min);
	}
	for (const e of document.querySelectorAll('body *')) {
		if (!seen(e)) continue;
		const s = getComputedStyle(e);
		const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
		if (own && parseFloat(s.fontSize) < 12) problems.push('"' + e.textContent + '" is ' + s.fontSize);
		if (/auto|scroll/.test(s.overflowY) && e !== document.body && e.scrollHeight > e.clientHeight) problems.push(e.className + ' scrolls inside the page');
		if (e.matches('input.text') && e.clientWidth < 100) {
			const c = document.createElement('canvas').getContext('2d');
			c.font = s.fontWeight + ' ' + s.fontSize + ' ' + s.fontFamily;
			const need = c.measureText(e.value).width + parseFloat(s.paddingLeft) + parseFloat(s.paddingRight);
			const has = e.getBoundingClientRect().width;
			if (need > has) problems.push('"' + e.value + '" needs ' + need.toFixed(1) + ' and has ' + has.toFixed(1));
		}
		if (e.matches('button, summary, nav a') && !e.matches('.flag')) {
			const box = e.getBoundingClientRect(), hit = getComputedStyle(e, '::after');
			const high = Math.max(box.height, parseFloat(hit.height) || 0), wide = Math.max(box.width, parseFloat(hit.width) || 0);
			if (high < 44 || wide < 44) problems.push('"' + e.textContent + '" can be touched on ' + wide.toFixed(0) + ' x ' + high.toFixed(0));
		}
	}
	const sentence = parseFloat(getComputedStyle(document.querySelector('.led .headline, .verdict:not(.led) .sentence')).fontSize);
	if (sentence < 22 || sentence > 28) problems.push('the sentence is ' + sentence + ' px');
	for (const big of document.querySelectorAll('.delay .big, .dials .big')) if (seen(big) && !(parseFloat(getComputedStyle(big).fontSize) >= 44)) problems.push('the delay is ' + getComputedStyle(big).fontSize);
	return problems;
})()`
