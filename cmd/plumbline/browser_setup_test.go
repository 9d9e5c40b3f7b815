package main

import (
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// TestSetUpInTheBrowser goes the whole way without a flag: plumbline alone, a device, its
// channels and their names, the loopback, another device without the program ending, and
// all of it again the next time.
func TestSetUpInTheBrowser(t *testing.T) {
	needBrowser(t)
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	setStage(t, box("stage/large", "Large box", 4, 4), box("stage/small", "Small box", 2, 2), box("stage/headset", "Headset", 1, 2))
	d := start(t, "--listen", "127.0.0.1:0", "--open=false")
	p := openTab(t, d.url+"/", laptop, "main", "WebSocket connection") // a change of device closes it

	// No source yet, on whatever page.
	p.until(`location.pathname === '/setup' && document.querySelectorAll('.devices li').length === 3`)
	if got := p.text("headline"); got != "No source yet: choose a device." {
		t.Errorf("the page says %q", got)
	}
	if !js[bool](p, `document.querySelector('[data-device="stage/headset"]').disabled`) {
		t.Error("a device of one input can be chosen")
	}
	p.do(chromedp.Click(`nav a[href="/listen"]`, chromedp.NodeVisible))
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.includes('Choose the device and its channels under Set up.')`)
	p.click("no-source")

	// A device: meters move, and the steps get their ticks.
	ticked := func(step string) string {
		return `document.querySelector('[data-testid="step-` + step + `"]')?.closest('li').dataset.mark === 'steady'`
	}
	p.click("device-stage/large")
	p.until(ticked("device") + `&&` + ticked("reference") + `&&` + ticked("level") + `&&` + ticked("clipping"))
	p.until(`parseFloat(document.querySelector('[data-channel="1"] .rms').style.transform.slice(7)) > 0.4`)
	if n := js[int](p, `document.querySelectorAll('.inputs li').length`); n != 4 {
		t.Errorf("%d inputs are shown, the device has 4", n)
	}
	p.do(chromedp.SendKeys(byTestID("name-2"), "balcony\r"))
	p.until(`document.querySelector('[data-testid="step-microphone"]').textContent.startsWith('Balcony (input 2) hears it ') && ` + ticked("microphone"))

	// The loopback.
	p.choose("output", "stage/large")
	p.until(`document.querySelector('[data-testid="loopback-output"]').checkVisibility() && !document.querySelector('[data-testid="loopback-output"]').disabled`)
	p.choose("loopback-output", "1")
	p.until(`document.querySelector('[data-testid="step-loopback"]').textContent.startsWith('Not checked yet: lead output 1 into input 1')`)
	p.until(ticked("microphone"))
	p.click("loopback-play")
	p.until(ticked("loopback"))
	var s wire.Setup
	d.get(t, "/api/v1/setup", http.StatusOK, &s)
	if l := s.Loopback; l == nil || l.Input != 1 || l.Wanders || l.Inverted || !(l.RoundTripMs > 0) || l.RoundTripMs > 1400 {
		t.Errorf("the loopback: %+v", s.Loopback)
	}
	if text := p.text("step-loopback"); !strings.HasPrefix(text, "Output 1 comes back on input 1 after ") || !strings.Contains(text, "does not wander") {
		t.Errorf("the page says %q", text)
	}

	// A rate that the device refuses leaves things as they were, and says why.
	p.choose("rate", "192000")
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.includes('It goes on as it was.')`)
	p.until(ticked("device"))
	if text := p.text("verdict"); !strings.Contains(text, "Large box was not taken: Open input \"stage/large\" at 192000 Hz: it takes [44100 48000 96000].") {
		t.Errorf("the refusal says %q", text)
	}

	// Another device, and the program goes on.
	p.click("device-stage/small")
	p.until(`__app.session.state.source.name === 'Small box' && document.querySelectorAll('.inputs li').length === 2 && ` + ticked("microphone"))
	p.do(chromedp.Click(`nav a[href="/listen"]`, chromedp.NodeVisible))
	p.until(`__app.session.status.open && !__app.session.status.stale && __app.session.frame.curve(2, 15)[0] !== null`)

	// Let go, and taken again by the one that knows its names.
	p.do(chromedp.Click(`nav a[href="/setup"]`, chromedp.NodeVisible))
	p.click("leave-device")
	p.until(`document.querySelector('[data-testid="headline"]').textContent === 'No source yet: choose a device.'`)
	p.click("device-stage/large")
	p.until(`document.querySelector('[data-testid="name-2"]')?.value === 'balcony' && document.querySelector('[data-testid="loopback-output"]').value === '1' && ` + ticked("device"))

	p.do(chromedp.Navigate("about:blank"))
	if o := d.stop(); o.code != exitDone {
		t.Fatalf("exit status %d: %s", o.code, o.stderr)
	}
	again := start(t, "--listen", "127.0.0.1:0", "--open=false")
	again.get(t, "/api/v1/setup", http.StatusOK, &s)
	if s.Source == nil || s.Source.Device != "stage/large" || s.Source.Names[1] != "balcony" || s.Source.LoopbackOutput != 1 {
		t.Errorf("the next time it begins with %+v", s.Source)
	}
	again.awaitFirstFrame(t)
	q := openTab(t, again.url+"/setup", laptop, "main")
	q.until(ticked("device") + `&& document.querySelector('[data-testid="name-2"]').value === 'balcony'`)
}

// The page fits at every size, by thumb and by key.
func TestSetUpFitsEveryScreen(t *testing.T) {
	atLength(t)
	needBrowser(t)
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	setStage(t, box("stage/large", "Large box with a name that is longer than most", 18, 20), box("stage/small", "Small box", 2, 2))
	d := start(t, "--listen", "127.0.0.1:0", "--open=false")
	d.chooses(t, wire.SourceChoice{Device: "stage/large", Reference: 1, Microphones: []int{2, 3}, Names: []string{"", "balcony, third row at the left"}, Output: "stage/large", LoopbackOutput: 1})
	d.step(t, wire.CheckMicrophone, wire.Act, "Nothing on input 3")
	d.step(t, wire.CheckLevel, wire.Steady, "of headroom") // of what is connected
	d.step(t, wire.CheckCalibration, wire.Attention, "Balcony, third row at the left (input 2) and input 3 are not calibrated")
	for _, s := range []screen{{390, 844, "light"}, {820, 1180, "dark"}, {1366, 768, "light"}, {1920, 1080, "dark"}} {
		p := openTab(t, d.url+"/setup", s, "main")
		p.until(`document.querySelectorAll('.inputs li').length === 8 && document.querySelectorAll('.steps li').length === 7`)
		p.click("more-inputs")
		p.until(`document.querySelectorAll('.inputs li').length === 18`)
		if wide := js[[]string](p, `[...document.querySelectorAll('.setup *')].filter((e) => e.checkVisibility() && !e.closest('.scale') && e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.tagName + '.' + e.className)`); len(wide) > 0 {
			t.Errorf("%d px: beyond the edge: %v", s.width, wide)
		}
		if small := js[[]string](p, `[...document.querySelectorAll('.setup button, .setup select')].filter((e) => e.checkVisibility() && Math.max(e.getBoundingClientRect().height, parseFloat(getComputedStyle(e, '::after').height) || 0) < 43.5).map((e) => e.textContent)`); len(small) > 0 {
			t.Errorf("%d px: too small to touch: %q", s.width, small)
		}
		if lines := js[float64](p, `Math.max(...[...document.querySelectorAll('nav a')].map((e) => { const r = document.createRange(); r.selectNodeContents(e); return r.getClientRects().length; }))`); lines > 1 {
			t.Errorf("%d px: a page's name breaks over %.0f lines", s.width, lines)
		}
		// Tab reaches the other device, and Enter takes it.
		if s.width == 1920 {
			js[bool](p, `document.querySelector('[data-device="stage/large"]').focus(), true`)
			p.do(chromedp.KeyEvent("\t"), chromedp.KeyEvent("\r"))
			p.until(`__app.session.state.source.name === 'Small box'`)
		}
		p.do(chromedp.Navigate("about:blank"))
	}
}
