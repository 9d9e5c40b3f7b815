package main

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/chromedp/chromedp"

	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// TestListenPageDraws looks at the pixels: the line of the magnitude is where
// the data say.
func TestListenPageDraws(t *testing.T) {
	atLength(t)
	d := demo(t)
	began := time.Now()
	p := openSwift(t, d.url+"/listen", laptop)
	took := time.Since(began)
	inPage := js[float64](p, `performance.getEntriesByName('plumbline:first-frame')[0].startTime`)
	t.Logf("first frame drawn %.0f ms after navigation (%v with the tab's start)", inPage, took.Round(time.Millisecond))

	p.until(`__app.session.frame.averagedS > 1.5`)
	found := js[struct{ Tried, Hit int }](p, `(() => {
		const plot = __app.plots.magnitude, { session } = __app;
		const mic = session.state.settings.microphones[0];
		const [mag, coh, thr] = [1, 6, 7].map((id) => session.frame.curve(mic, id));
		const ratio = devicePixelRatio, ctx = plot.canvas.getContext('2d');
		const hex = getComputedStyle(document.documentElement).getPropertyValue('--curve-1').trim();
		const want = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
		const { width } = plot.canvas, pixels = ctx.getImageData(0, 0, width, plot.canvas.height).data;
		const inked = (x, y) => ((k) => pixels[k + 3] > 150 && want.every((w, c) => Math.abs(pixels[k + c] - w) < 40))(4 * (y * width + x));
		let tried = 0, hit = 0;
		session.grid.forEach((hz, i) => {
			if (mag[i] === null || !(coh[i] >= thr[i]) || hz < 25 || hz > 5000) return;
			const y = plot.toY(mag[i]);
			if (!(y > 4 && y < plot.area.height - 4)) return;
			tried++;
			const [x0, y0] = [(plot.area.left + plot.toX(hz)) * ratio, (plot.area.top + y) * ratio];
			if ([-1, 0, 1].some((dx) => [-2, -1, 0, 1, 2].some((dy) => inked(Math.round(x0) + dx, Math.round(y0) + dy)))) hit++;
		});
		return { tried, hit };
	})()`)
	if found.Tried < 100 || found.Hit < found.Tried*95/100 {
		t.Errorf("the line is at %d of %d points", found.Hit, found.Tried)
	}
	if *update {
		p.picture("../../testdata/pictures/listen.png") // for the README
	}
	flags := js[int](p, `document.querySelectorAll('.flag:not([hidden])').length`)
	arrivals := js[int](p, `__app.session.frame.curve(__app.session.state.settings.microphones[0], 11).length`)
	if flags == 0 || flags > arrivals {
		t.Errorf("%d flags for %d arrivals", flags, arrivals)
	}
}

// TestPageEqualsAPI compares every number on the page with the API's frame of
// the same sequence number.
func TestPageEqualsAPI(t *testing.T) {
	d := demo(t)
	p := openSwift(t, d.url+"/listen?at=1000", laptop)
	p.until(`__app.session.frame.averagedS > 1.5 && __app.session.frame.curve(2, 15)[0] !== null`)
	type shown struct {
		Frame                             wire.Object
		Delay, M, Ft, Samples             string
		Polarity, Verdict, Magnitude, Sum string
	}
	// The frame is asked for until page and API have the same one.
	v := js[shown](p, `(async () => {
		const text = (id) => ((e) => e.value ?? e.textContent)(document.querySelector('[data-testid="' + id + '"]')).replaceAll('\u2212', '-');
		for (let n = 0; n < 500; n++) {
			const frame = await (await fetch('/api/v1/frame')).json();
			if (frame.seq !== __app.lastSeq) continue;
			const cells = document.querySelectorAll('.reading tbody td');
			return { frame, delay: text('delay-ms'), m: text('delay-m'), ft: text('delay-ft'), samples: text('delay-samples'),
				polarity: text('polarity'), verdict: text('verdict'), magnitude: cells[0].firstChild.textContent.replaceAll('\u2212', '-') };
		}
		throw new Error('page and API never had the same frame');
	})()`)
	mic := v.Frame.Microphones[0]
	ms := float64(mic.DelayMs)
	var scene wire.RigScene
	d.get(t, "/api/v1/rig", http.StatusOK, &scene)
	metres := ms / distanceMs([3]float64{}, [3]float64{1}, scene.TemperatureC)
	nearest := 0
	for i, f := range mic.FrequencyHz {
		if math.Abs(math.Log(f/1000)) < math.Abs(math.Log(mic.FrequencyHz[nearest]/1000)) {
			nearest = i
		}
	}
	for _, c := range []struct{ what, got, want string }{
		{"delay", v.Delay, fmt.Sprintf("%.2f", ms)},
		{"distance", v.M, fmt.Sprintf("%.2f m", metres)},
		{"feet", v.Ft, fmt.Sprintf("%.1f ft", metres/0.3048)}, // the international foot
		{"samples", v.Samples, fmt.Sprintf("%.1f samples", ms/1000*v.Frame.SampleRateHz)},
		{"polarity", v.Polarity, polarityTile(&mic)},
		{"magnitude at 1 kHz", strings.TrimPrefix(v.Magnitude, "+"), fmt.Sprintf("%.1f", float64(mic.MagnitudeDB[nearest]))},
	} {
		// Rounding of the last digit may differ between float32 and float64.
		if c.got != c.want && !lastDigit(c.got, c.want) {
			t.Errorf("%s: the page shows %q, the API says %q", c.what, c.got, c.want)
		}
	}
	eventually(t, "the sentence of the API on the page", func() bool {
		return strings.TrimSpace(p.text("verdict")) == strings.TrimSpace(d.frame(t).Microphones[0].Verdict)
	})
}

// polarityTile is what stands under the delay: of several arrivals that comb, the polarity
// of each, under the number of its flag.
func polarityTile(m *wire.Microphone) string {
	var each []string
	last := math.Inf(-1)
	for i, a := range m.Arrivals {
		if ms := float64(a.DelayMs); a.LevelDB >= -10 && ms-last >= 0.1 {
			each = append(each, fmt.Sprintf("%d %s", i+1, a.Polarity))
			last = ms
		}
	}
	if len(each) < 2 {
		return "Polarity " + m.Polarity.Verdict
	}
	return "Polarity: " + strings.Join(each, ", ")
}

// lastDigit is whether two numbers with equal units differ by at most one in
// the last digit.
func lastDigit(a, b string) bool {
	na, ua, _ := strings.Cut(a, " ")
	nb, ub, _ := strings.Cut(b, " ")
	x, errA := strconv.ParseFloat(na, 64)
	y, errB := strconv.ParseFloat(nb, 64)
	_, decimals, _ := strings.Cut(nb, ".")
	return errA == nil && errB == nil && ua == ub && math.Abs(x-y) < 1.01*math.Pow(10, -float64(len(decimals)))
}

// TestRigPageMovesTheMicrophone drags the microphone and wants the delay that
// geometry says: path over the speed of sound.
func TestRigPageMovesTheMicrophone(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/rig", laptop)
	p.click("mute-fill")
	var scene wire.RigScene
	eventually(t, "the fill muted", func() bool {
		d.get(t, "/api/v1/rig", http.StatusOK, &scene)
		return scene.Loudspeakers[1].Mute
	})
	mic := scene.Microphones[0]
	handle := fmt.Sprintf("handle-%s", mic.Name)
	at := js[[2]float64](p, fmt.Sprintf(`(r => [r.left + r.width / 2, r.top + r.height / 2])(document.querySelector(%q).querySelector('.reach').getBoundingClientRect())`, byTestID(handle)))
	metre := js[float64](p, `document.querySelector('.walls').getBoundingClientRect().width`) / scene.Room.SizeM[0]
	wantMove := [2]float64{4.5, -2}
	var steps []chromedp.Action[chromedp.Void]
	steps = append(steps, chromedp.MouseEvent(chromedp.MousePressed, at[0], at[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	for i := 1; i <= 20; i++ {
		part := float64(i) / 20 * metre
		steps = append(steps, chromedp.MouseEvent(chromedp.MouseMoved, at[0]+wantMove[0]*part, at[1]+wantMove[1]*part, chromedp.ButtonLeft))
	}
	end := chromedp.MouseEvent(chromedp.MouseReleased, at[0]+wantMove[0]*metre, at[1]+wantMove[1]*metre, chromedp.ButtonLeft, chromedp.ClickCount(1))
	p.do(append(steps, end)...)

	var after wire.RigScene
	eventually(t, "the microphone where it was dropped", func() bool {
		d.get(t, "/api/v1/rig", http.StatusOK, &after)
		got := after.Microphones[0].PositionM
		return math.Abs(got[0]-mic.PositionM[0]-wantMove[0]) < 0.05 && math.Abs(got[1]-mic.PositionM[1]-wantMove[1]) < 0.05
	})
	dropped := float64(d.frame(t).Sample) // the page may be behind
	box := after.Loudspeakers[0]
	want := distanceMs(box.PositionM, after.Microphones[0].PositionM, after.TemperatureC) + box.DelayMs
	// From half a second of sound on, no frame has it elsewhere, however late the page draws it.
	js[bool](p, fmt.Sprintf(`(window.__elsewhere = %g, __app.session.on('frame', () => {
		const { frame } = __app.session;
		if (!(Math.abs(frame.curve(%d, %d)[0] - %g) < 0.1)) window.__elsewhere = frame.sample;
	}), true)`, dropped, 2, wire.DelayMs, want))
	// The box adds its crossover's delay, below 0.1 ms: see capture/rig.
	p.until(fmt.Sprintf(`Math.abs(parseFloat(document.querySelector(%q).textContent) - %g) < 0.1`, byTestID("heard"), want))
	if s := (js[float64](p, `window.__elsewhere`) - dropped) / float64(after.RateHz); s > 0.5 {
		t.Errorf("the frames followed %.2f s of sound after the drop, want 0.5; the daemon's counters: %s", s, js[string](p, `JSON.stringify([__app.session.state.counters, __app.session.frame.gaps])`))
	}
	line := js[string](p, `document.querySelector('.path:not(.muted) + .time').textContent`)
	if shown, _, _ := strings.Cut(line, " "); shown != fmt.Sprintf("%.2f", want) && !lastDigit(shown, fmt.Sprintf("%.2f", want)) {
		t.Errorf("the plan predicts %q, geometry says %.2f ms", line, want)
	}

	// One gesture is one step back.
	p.click("undo")
	eventually(t, "the microphone back", func() bool {
		d.get(t, "/api/v1/rig", http.StatusOK, &after)
		return after.Microphones[0].PositionM == mic.PositionM
	})
	// By keys: a metre to the right with Shift, three tenths without.
	js[bool](p, fmt.Sprintf(`(h => { h.focus(); for (const shiftKey of [true, false, false, false]) h.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', shiftKey, bubbles: true})); return true; })(document.querySelector(%q))`, byTestID(handle)))
	eventually(t, "the microphone 1.3 m to the right", func() bool {
		d.get(t, "/api/v1/rig", http.StatusOK, &after)
		return math.Abs(after.Microphones[0].PositionM[0]-mic.PositionM[0]-1.3) < 1e-9
	})
	// The flip turns the verdict.
	p.until(fmt.Sprintf(`document.querySelector(%q).textContent.endsWith('same')`, byTestID("heard")))
	p.click("flip-main")
	p.until(fmt.Sprintf(`document.querySelector(%q).textContent.endsWith('opposite')`, byTestID("heard")))
}

// TestTwoPagesAgree changes a setting on one page and sees it on the other.
func TestTwoPagesAgree(t *testing.T) {
	atLength(t)
	d := demo(t)
	a := open(t, d.url+"/listen", laptop, "status of 422") // the browser itself writes that one request was refused
	b := open(t, d.url+"/listen", screen{820, 1180, "light"})

	a.choose("averaging", "time:8")
	b.until(`document.querySelector('[data-testid="averaging"]').value === 'time:8'`)
	b.until(`document.querySelector('.notices').textContent.trim() !== ''`)

	// Who did it is called as they want.
	b.do(chromedp.KeyEvent("?"))
	b.until(`document.querySelector('[data-testid="person"]') !== null`)
	b.do(chromedp.Focus(byTestID("person")), chromedp.SendKeys(byTestID("person"), "Mira\r"))
	b.until(`__app.session.client === 'Mira' && __app.session.status.open`)
	js[bool](b, `document.querySelector('dialog').close() ?? true`)
	b.click("hold")
	a.until(`document.querySelector('.notices').textContent.includes('Mira set ')`)
	a.until(`document.querySelector('[data-testid="hold"]').getAttribute('aria-pressed') === 'true'`)
	a.click("hold")

	a.do(chromedp.Focus(byTestID("delay-ms")), chromedp.SendKeys(byTestID("delay-ms"), "12,5\r"))
	b.until(`document.querySelector('[data-testid="delay-ms"]').value === '12.50'`)
	var state wire.State
	d.get(t, "/api/v1/state", http.StatusOK, &state)
	if got := state.Settings.Delay[0]; got.Mode != "fixed" || got.Ms != 12.5 {
		t.Errorf("the delay is %+v, want 12.5 ms fixed", got)
	}
	if by := js[string](a, `__app.session.client`); state.ChangedBy != by {
		t.Errorf("changed by %q, want page %q", state.ChangedBy, by)
	}

	// A refusal is said on the page, and the control goes back to what holds.
	a.choose("smoothing", "no such number")
	a.until(`document.querySelector('.notices').textContent.includes('smoothing')`)
	a.until(`document.querySelector('[data-testid="smoothing"]').value === '48'`)
}

// TestPageRecovers ends the daemon under an open page and starts it again.
func TestPageRecovers(t *testing.T) {
	d := demo(t)
	// The browser itself writes that a connection was refused.
	p := open(t, d.url+"/listen", laptop, "WebSocket connection", "ERR_CONNECTION_REFUSED")
	d.stop()
	p.until(`document.querySelector('.page').classList.contains('stale')`)
	p.until(`document.querySelector('[data-testid="status"]').textContent.startsWith('No data since')`)
	before := js[int](p, `__app.frames`)

	d = start(t, "demo", "--empty", "--listen", strings.TrimPrefix(d.url, "http://"))
	p.until(fmt.Sprintf(`__app.frames > %d + 5`, before))
	p.until(`!document.querySelector('.page').classList.contains('stale') && document.querySelector('[data-testid="status"]').textContent === ''`)
	if got, want := js[string](p, `__app.session.state.source.name`), d.frame(t).Source; got != want {
		t.Errorf("the page shows source %q, the daemon has %q", got, want)
	}
}

// From the demo to knowing that a loudspeaker is reversed and late: no scrolling, no click.
func TestDemoIsReadInTwoSeconds(t *testing.T) {
	d := demo(t)
	for _, s := range []screen{laptop, {820, 1180, "light"}, {390, 844, "dark"}} {
		p := open(t, d.url, s)
		p.until(`document.querySelector('[data-testid="headline"]').textContent.includes("polarity and delay")`)
		said := p.text("headline")
		if !strings.HasPrefix(said, "Arrivals 1 and ") || utf8.RuneCountInString(said) > verdict.HeadlineMax {
			t.Errorf("%d wide: %q", s.width, said)
		}
		// The flags have the numbers that it names.
		p.until(`(([, n]) => __app.session.frame.curve(__app.session.state.settings.microphones[0], 11).length >= Number(n))(document.querySelector('[data-testid="headline"]').textContent.match(/and (\d+) comb/))`)
		if bottom := js[float64](p, `document.querySelector('[data-testid="headline"]').getBoundingClientRect().bottom`); bottom > float64(s.height) {
			t.Errorf("%d wide: one has to scroll to %.0f", s.width, bottom)
		}
	}
}
