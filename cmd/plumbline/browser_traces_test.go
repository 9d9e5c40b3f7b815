package main

import (
	"fmt"
	"math"
	"net/http"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"plumbline/stream/show"
)

var phone = screen{390, 844, "light"}

// settled waits until the page has drawn so many seconds of one and the same sound.
func (p page) settled(seconds float64) {
	p.t.Helper()
	p.until(`__app.frames > 0`)
	n := js[float64](p, `__app.session.frame.sample`)
	p.until(fmt.Sprintf(`__app.session.frame.sample > %g + %g * __app.session.state.source.rate_hz`, n, seconds))
}

// inked is which share of the points of a curve, between two frequencies, lie on pixels of
// a colour of the palette. trace says where the curve is: an expression of the page whose
// value is a drawn curve; plot is "magnitude" or "phase".
func (p page) inked(trace, plot, colour string, fromHz, toHz float64) float64 {
	p.t.Helper()
	return js[float64](p, fmt.Sprintf(`(async () => {
		await new Promise(requestAnimationFrame);
		await new Promise(requestAnimationFrame); // what was asked for since is drawn in the next one
		const d = %s, plot = __app.plots[%q], ratio = devicePixelRatio, { area } = plot;
		const curve = d[%q]([]);
		const hex = getComputedStyle(document.documentElement).getPropertyValue(%q).trim();
		const want = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
		const { width, height } = plot.canvas, copy = new OffscreenCanvas(width, height).getContext('2d', { willReadFrequently: true });
		copy.drawImage(plot.canvas, 0, 0);
		const pixels = copy.getImageData(0, 0, width, height).data;
		const near = (x, y) => [-2, -1, 0, 1, 2].some((dy) => [-2, -1, 0, 1, 2].some((dx) => {
			const k = 4 * ((Math.round(y) + dy) * width + Math.round(x) + dx);
			return pixels[k + 3] > 100 && want.every((w, c) => Math.abs(pixels[k + c] - w) < 40);
		}));
		let [tried, hit] = [0, 0];
		curve.mid.forEach((v, i) => {
			if (v === null || d.grid[i] < %g || d.grid[i] > %g) return;
			const y = plot.toY(v);
			if (y < 2 || y > area.height - 2) return;
			tried++;
			if (near((area.left + plot.toX(d.grid[i])) * ratio, (area.top + y) * ratio)) hit++;
		});
		return tried ? hit / tried : 0;
	})()`, trace, plot, plot, colour, fromHz, toHz))
}

func (p page) traces() []show.Trace {
	p.t.Helper()
	return js[[]show.Trace](p, `__app.page.stored.store.traces`)
}

// drawnTrace is what lies behind the live trace under a number.
func drawnTrace(number int) string {
	return fmt.Sprintf(`__app.page.stored.drawn.find((d) => d.short === '%d')`, number)
}

// One key stores what is seen; it lies behind the live trace on every page, also after a
// reload and a restart; numbers hide and show it everywhere; live minus stored is what the
// loudspeakers lost.
func TestStoreAndCompare(t *testing.T) {
	atLength(t)
	needBrowser(t)
	file := filepath.Join(t.TempDir(), "hall")
	d := start(t, "demo", "--listen", "127.0.0.1:0", "--show", file)
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"mute":true}}}`, http.StatusOK, nil)
	d.ask(t, "PATCH", "/api/v1/settings", `{"smoothing":6}`, http.StatusOK, nil)
	p, q := open(t, d.url+"/listen?plot=magnitude", laptop), open(t, d.url+"/listen", phone)
	press := func(p page, key string) { p.do(chromedp.KeyEvent(key)) }
	p.settled(8)

	press(p, "k")
	for _, p := range []page{p, q} {
		p.until(`__app.page.stored.store.shown.length === 1`)
		if got := p.traces()[0]; got.Name != "Trace 1" || got.Number != 1 || got.Heard != "seat 1" {
			t.Errorf("stored is %+v", got)
		}
	}
	// The loudspeaker loses 6 dB: the stored trace stays where the live one was.
	const level = `(() => { const v = __app.page.stored.drawn.at(-1).magnitude([]).mid.filter((x, i) => x !== null && __app.session.grid[i] > 500 && __app.session.grid[i] < 8000).sort((a, b) => a - b); return v[v.length >> 1]; })()`
	before := js[float64](p, level)
	var rig struct {
		Loudspeakers []struct {
			Name   string
			GainDB float64 `json:"gain_db"`
		}
	}
	d.get(t, "/api/v1/rig", http.StatusOK, &rig)
	d.ask(t, "PATCH", "/api/v1/rig", fmt.Sprintf(`{"loudspeakers":{"main":{"gain_db":%g}}}`, rig.Loudspeakers[0].GainDB-6), http.StatusOK, nil)
	p.until(fmt.Sprintf(`Math.abs(%s - %g + 6) < 0.3`, level, before))
	for _, p := range []page{p, q} {
		if share := p.inked(drawnTrace(1), "magnitude", "--curve-2", 500, 8000); share < 0.4 { // it is dashed
			t.Errorf("%.0f %% of the stored trace is inked", 100*share)
		}
	}
	// The names stand beside both curves, for the phone as numbers.
	press(p, "d")
	p.until(`__app.page.stored.drawn.length === 1 && __app.page.stored.drawn[0].name === 'live − Trace 1'`)
	p.settled(6)
	if lost := js[float64](p, level); math.Abs(lost+6) > 0.3 {
		t.Errorf("live minus stored is %.2f dB, the loudspeaker lost 6", lost)
	}
	if share := p.inked(`__app.page.stored.drawn[0]`, "magnitude", "--curve-1", 500, 8000); share < 0.9 {
		t.Errorf("%.0f %% of the difference is inked", 100*share)
	}
	inside := js[[]int](p, `(({ low, high, mid }) => mid.reduce(([n, k], v, i) => v === null || low[i] == null || __app.session.grid[i] < 500 || __app.session.grid[i] > 8000 ? [n, k] : [n + 1, k + (low[i] <= -6 && -6 <= high[i] ? 1 : 0)], [0, 0]))(__app.page.stored.drawn[0].magnitude([]))`)
	if inside[0] < 100 || float64(inside[1]) < 0.7*float64(inside[0]) {
		t.Errorf("the interval holds −6 dB at %d of %d points", inside[1], inside[0])
	}
	press(p, "d")

	// A number hides it everywhere; a thumb shows it again.
	press(p, "1")
	q.until(`__app.page.stored.store.shown.length === 0`)
	if box := js[[]float64](q, `(r => [r.width, r.height])(document.querySelector('[data-testid="trace-1"]').getBoundingClientRect())`); box[0] < 44 || box[1] < 44 {
		t.Errorf("a thumb has %v px", box)
	}
	q.click("trace-1")
	p.until(`__app.page.stored.store.shown.length === 1`)
	q.click("store-trace")
	p.until(`__app.page.stored.store.shown.length === 2`)

	// What is typed is no key: k, d and 1 in a name.
	press(p, "l")
	p.typed("trace-name-2", "k d 1, fill off")
	q.until(`__app.page.stored.store.traces[1].name === 'k d 1, fill off'`)
	if got := p.traces(); len(got) != 2 || !got[0].Shown || js[bool](p, `__app.page.stored.curves.minus !== null`) {
		t.Errorf("typing a name did more: %+v", got)
	}
	p.click("trace-delete-1")
	q.until(`__app.page.stored.store.traces.length === 1`)
	p.do(chromedp.Click(`.notice button`, chromedp.NodeVisible))
	for _, p := range []page{p, q} {
		p.until(`__app.page.stored.store.shown.length === 2`)
	}
	js[bool](p, `(document.querySelector('dialog').close(), true)`)

	// The mean of powers, by hand; one without phase and coherence joins it, and is left out of the complex one with the reason.
	var levels []float64
	for _, number := range []int{1, 2} {
		levels = append(levels, js[float64](p, drawnTrace(number)+`.magnitude([]).mid[270]`))
	}
	d.ask(t, "POST", "/api/v1/show/traces/import?name=bare", "20 -20\n20000 -20\n", http.StatusOK, nil)
	levels = append(levels, -20)
	press(p, "e")
	p.until(`__app.page.stored.drawn.some((d) => d.name === 'mean of 3')`)
	var power float64
	for _, db := range levels {
		power += math.Pow(10, db/10) / 3
	}
	if got := js[float64](p, `__app.page.stored.drawn.find((d) => d.name === 'mean of 3').magnitude([]).mid[270]`); math.Abs(got-10*math.Log10(power)) > 0.01 {
		t.Errorf("the mean of %.2f dB is %.3f dB", levels, got)
	}
	press(p, "e")
	p.until(`__app.page.stored.drawn.some((d) => d.name === 'mean of 2')`)
	if got := p.text("left-out"); !strings.HasPrefix(got, "3 bare: without phase") {
		t.Errorf("of the one that is left out it says %q", got)
	}

	press(p, "?")
	p.until(`document.querySelector('dialog[open]') !== null`)
	help := js[string](p, `document.querySelector('dialog .keys').textContent`)
	for _, says := range []string{"kStore the live trace", "123456789Show or hide", "d", "Live minus a stored trace", "Mean of the stored", "Target shown"} {
		if !strings.Contains(help, says) {
			t.Errorf("the help does not say %q", says)
		}
	}
	js[bool](p, `(document.querySelector('dialog').close(), true)`)
	p.check(t, laptop)
	q.check(t, phone)

	// A reload, and another daemon on the same show.
	press(q, "2")
	p.until(`__app.page.stored.store.shown.length === 2`)
	p.do(chromedp.Reload(), chromedp.WaitReady("canvas"))
	p.until(`__app.frames > 0 && __app.page.stored.store.shown.length === 2 && __app.page.stored.curves.mean === 'complex'`)
	want := p.traces()
	curve := js[[]float64](p, drawnTrace(1)+`.magnitude([]).mid.slice(200, 400)`)
	js[bool](p, `(location.href = 'about:blank', true)`)
	js[bool](q, `(location.href = 'about:blank', true)`)
	if o := d.stop(); o.code != 0 {
		t.Fatal(o)
	}
	d = start(t, "demo", "--listen", "127.0.0.1:0", "--show", file)
	p = open(t, d.url+"/listen", laptop)
	p.until(`__app.page.stored.store.shown.length === 2`)
	if got := p.traces(); !slices.Equal(got, want) {
		t.Errorf("after the restart %+v, before %+v", got, want)
	}
	if got := js[[]float64](p, drawnTrace(1)+`.magnitude([]).mid.slice(200, 400)`); !slices.Equal(got, curve) {
		t.Error("after the restart the stored trace is another one")
	}
}

// Beside wrapped phase: a fixed delay 1 ms short of the arrival is 1 ms of group delay and
// 360 degrees a kilohertz; coherence is the frame's; the impulse response as a level with its envelope, and
// as a step.
func TestPhaseAndImpulseForms(t *testing.T) {
	atLength(t)
	d := demo(t)
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"mute":true}}}`, http.StatusOK, nil)
	p := open(t, d.url+"/listen", laptop)
	p.settled(6)
	found := *js[*float64](p, `__app.session.frame.curve(__app.session.state.settings.microphones[0], 15)[0]`)
	d.ask(t, "PATCH", "/api/v1/settings", fmt.Sprintf(`{"delay":[{"microphone":2,"mode":"fixed","ms":%g}]}`, found-1), http.StatusOK, nil)
	p.until(fmt.Sprintf(`Math.abs(__app.session.frame.curve(2, 15)[0] - %g) < 1e-3`, found-1))
	p.settled(6)
	p.choose("lower", "delay")
	p.until(`__app.page.stored.drawn[0].phase([]).mid.some((v) => v !== null)`)
	p.settled(1)
	type curve struct{ Mid, Low, High []*float64 }
	const lower = `(({ mid, low, high }) => ({ Mid: mid, Low: low, High: high }))(__app.page.stored.drawn.at(-1).phase([]))`
	grid := js[[]float64](p, `__app.session.grid`)
	got := js[curve](p, lower)
	var delays []float64
	held, seen := 0, 0
	for i, hz := range grid {
		if hz < 2000 || hz > 12000 || got.Mid[i] == nil {
			continue
		}
		delays = append(delays, *got.Mid[i])
		seen++
		if *got.Low[i] <= *got.Mid[i] && *got.High[i] >= *got.Mid[i] && *got.High[i]-*got.Low[i] < 1 {
			held++
		}
	}
	slices.Sort(delays)
	if len(delays) < 60 || math.Abs(delays[len(delays)/2]-1) > 0.05 || held < seen {
		t.Errorf("the group delay of %d points is %.3f ms in the middle, want 1; %d of %d in their ribbon", len(delays), delays[len(delays)/2], held, seen)
	}
	if share := p.inked(`__app.page.stored.drawn.at(-1)`, "phase", "--curve-1", 500, 12000); share < 0.8 {
		t.Errorf("%.0f %% of the group delay is inked", 100*share)
	}
	p.do(chromedp.KeyEvent("p")) // coherence
	p.until(`document.querySelector('[data-plot=phase] h2').textContent.startsWith('Coherence')`)
	if !js[bool](p, `__app.page.stored.drawn.at(-1).phase([]).mid.every((v, i) => v === __app.session.frame.curve(2, 6)[i])`) {
		t.Error("the coherence that is drawn is not the frame's")
	}
	if share := p.inked(`__app.page.stored.drawn.at(-1)`, "phase", "--curve-1", 500, 12000); share < 0.8 {
		t.Errorf("%.0f %% of the coherence is inked", 100*share)
	}
	p.choose("lower", "unwrapped")
	p.until(`location.search.includes('lower=unwrapped')`)
	p.settled(1)
	got = js[curve](p, lower)
	at := func(hz float64) float64 {
		best := 0
		for i, f := range grid {
			if got.Mid[i] != nil && math.Abs(f-hz) < math.Abs(grid[best]-hz) {
				best = i
			}
		}
		return *got.Mid[best]
	}
	if turned := at(2000) - at(12000); math.Abs(turned-3600) > 120 {
		t.Errorf("from 2 to 12 kHz the phase turns by %.0f degrees, 1 ms makes 3600", turned)
	}
	if share := p.inked(`__app.page.stored.drawn.at(-1)`, "phase", "--curve-1", 2000, 12000); share < 0.8 {
		t.Errorf("%.0f %% of the unwrapped phase is inked", 100*share)
	}

	d.ask(t, "PATCH", "/api/v1/settings", `{"hold":true}`, http.StatusOK, nil)
	p.until(`__app.session.state.settings.hold`)
	shapes := func(form string) [][]*float64 {
		p.choose("impulse-form", form)
		p.settled(0.3)
		return js[[][]*float64](p, `__app.page.impulseShapes`)
	}
	linear := shapes("linear")
	level := shapes("log")
	step := shapes("step")
	if len(linear) != 1 || len(level) != 2 || len(step) != 1 {
		t.Fatalf("%d, %d and %d curves", len(linear), len(level), len(step))
	}
	sum, most := 0.0, 0.0
	sums := make([]float64, len(linear[0]))
	below := 0
	for i, v := range linear[0] {
		if *level[0][i] > *level[1][i]+0.01 {
			below++
		}
		sum += *v
		sums[i] = sum
		most = max(most, math.Abs(sum))
	}
	if below > 0 {
		t.Errorf("at %d of %d points the envelope is below what it envelops", below, len(sums))
	}
	for i, s := range sums {
		if math.Abs(*step[0][i]-s/most) > 1e-3 {
			t.Fatalf("point %d of the step is %.4f, the running sum %.4f", i, *step[0][i], s/most)
		}
	}
	p.check(t, laptop)
}

var outside = regexp.MustCompile(`^(Above|Below) the target by ([\d.]+) dB at ([\d.]+) (k?)Hz`)

// A target from text with the shape of the live trace and a dip of 6 dB about 1 kHz: the page
// says so, and with a tolerance of 8 dB that all is within. On the phone a target is drawn by
// the thumb, point by point, and taken back.
func TestTarget(t *testing.T) {
	atLength(t)
	d := demo(t)
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"mute":true}}}`, http.StatusOK, nil)
	d.ask(t, "PATCH", "/api/v1/settings", `{"smoothing":6,"averaging":{"mode":"time","seconds":8}}`, http.StatusOK, nil)
	p := open(t, d.url+"/listen", laptop)
	p.settled(16)
	var text strings.Builder
	m := d.frame(t).Microphones[0]
	for i, hz := range m.FrequencyHz {
		if hz >= 100 && hz <= 10000 && !math.IsNaN(float64(m.MagnitudeDB[i])) {
			fmt.Fprintf(&text, "%.2f\t%.2f\n", hz, float64(m.MagnitudeDB[i])-20-6*math.Exp(-math.Pow(math.Log2(hz/1000)/0.3, 2)))
		}
	}
	p.click("target")
	js[bool](p, fmt.Sprintf(`(document.querySelector('[data-testid="target-text"]').value = %q, true)`, text.String()))
	p.click("target-use")
	p.until(`__app.page.stored.store.target?.offset_db > 15`) // fitted at once
	if offset := js[float64](p, `__app.page.stored.store.target.offset_db`); math.Abs(offset-20) > 1 {
		t.Errorf("the target was 20 dB too low, and is fitted by %.1f dB", offset)
	}
	p.until(`document.querySelector('[data-testid="target-says"]').textContent.startsWith('Above')`)
	p.settled(3)
	said := outside.FindStringSubmatch(p.text("target-says"))
	if said == nil {
		t.Fatalf("it says %q", p.text("target-says"))
	}
	db, _ := strconv.ParseFloat(said[2], 64)
	hz, _ := strconv.ParseFloat(said[3], 64)
	if said[4] == "k" {
		hz *= 1000
	}
	if said[1] != "Above" || math.Abs(db-6) > 1.2 || math.Abs(math.Log2(hz/1000)) > 0.25 {
		t.Errorf("it says %q; the live trace is 6 dB above at 1 kHz", said[0])
	}
	p.typed("target-tolerance", "8")
	p.until(`document.querySelector('[data-testid="target-says"]').textContent.startsWith('Within ±8 dB')`)
	p.typed("target-tolerance", "500")
	p.until(`__app.page.stored.store.target.tolerance_db === 40`) // as far as it goes
	p.typed("target-tolerance", "3")
	p.click("target-delete")
	p.until(`__app.page.stored.store.target === null && document.querySelector('[data-testid="target-says"]').hidden`)
	p.do(chromedp.Click(`.notice button`, chromedp.NodeVisible))
	p.until(`!!__app.page.stored.store.target`)
	js[bool](p, `(document.querySelector('dialog').close(), true)`)
	if share := p.inked(`__app.page.stored.drawn[0]`, "magnitude", "--quiet", 850, 1180); share < 0.5 { // dashed
		t.Errorf("%.0f %% of the target is inked", 100*share)
	}
	p.check(t, laptop)

	q := open(t, d.url+"/listen", phone)
	q.until(`!!__app.page.stored.store.target`)
	q.click("target")
	q.click("target-draw")
	q.until(`__app.page.stored.store.target === null && !document.querySelector('.target-surface').hidden`)
	id := 1.0
	finger := func(kind input.DispatchTouchEventType, x, y float64) {
		if kind == input.DispatchTouchEventTypeTouchEnd {
			q.touch(kind)
			return
		}
		q.touch(kind, &input.TouchPoint{X: x, Y: y, ID: &id})
	}
	js[bool](q, `(document.querySelector('.target-surface').scrollIntoView({ block: 'center' }), true)`)
	area := func() []float64 {
		return js[[]float64](q, `(r => [r.left, r.top, r.width, r.height])(document.querySelector('.target-surface').getBoundingClientRect())`)
	}
	box := area()
	place := func(x, y float64) (float64, float64) { return box[0] + x*box[2], box[1] + y*box[3] }
	points := func(n int) [][2]float64 {
		q.until(fmt.Sprintf(`(__app.page.stored.store.target?.points.length ?? 0) === %d && document.querySelectorAll('.target-point').length === %d`, n, n))
		return js[[][2]float64](q, `__app.page.stored.store.target?.points ?? []`)
	}
	// Names that come and go beside the plot move it: what the axes say of a place counts
	// at the moment it is touched.
	js[bool](q, `(document.querySelector('.target-surface').addEventListener('pointerdown', (e) => {
		const box = e.currentTarget.getBoundingClientRect(), p = __app.plots.magnitude;
		window.__touched = [p.fromX(e.clientX - box.left), p.fromY(e.clientY - box.top)];
	}, { capture: true }), true)`)
	for i, at := range [][2]float64{{0.25, 0.25}, {0.75, 0.5}} {
		q.until(`document.querySelector('.target-surface').clientWidth === Math.round(__app.plots.magnitude.area.width)`)
		box = area()
		x, y := place(at[0], at[1])
		finger(input.DispatchTouchEventTypeTouchStart, x, y)
		finger(input.DispatchTouchEventTypeTouchEnd, 0, 0)
		got := points(i + 1)[i]
		want := js[[]float64](q, `window.__touched`)
		if math.Abs(math.Log2(got[0]/want[0])) > 0.1 || math.Abs(got[1]-want[1]) > 0.5 {
			t.Errorf("touched at %.0f Hz and %.1f dB, the point is at %.0f Hz and %.1f dB", want[0], want[1], got[0], got[1])
		}
	}
	before := points(2)
	box = area()
	x, y := place(0.75, 0.5)
	finger(input.DispatchTouchEventTypeTouchStart, x, y)
	for _, part := range []float64{0.55, 0.6, 0.65, 0.7} {
		finger(input.DispatchTouchEventTypeTouchMove, x, box[1]+part*box[3])
	}
	finger(input.DispatchTouchEventTypeTouchEnd, 0, 0)
	q.until(fmt.Sprintf(`__app.page.stored.store.target.points[1][1] < %g - 3`, before[1][1]))
	q.click("draw-undo")
	q.until(fmt.Sprintf(`__app.page.stored.store.target.points[1][1] === %g`, before[1][1]))
	eventually(t, "the drawn target in the show", func() bool {
		var list struct{ Targets []show.Target }
		d.get(t, "/api/v1/show/targets", http.StatusOK, &list)
		return len(list.Targets) == 2 && !list.Targets[0].Shown && slices.Equal(list.Targets[1].Points, before)
	})
	q.click("draw-done")
	q.check(t, phone)
}

// Five traces behind the live one: no name lies on a curve or on another name.
func TestNamesOfFiveTraces(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/listen", laptop)
	p.settled(2)
	for k := range 5 {
		p.do(chromedp.KeyEvent("k"))
		p.until(fmt.Sprintf(`__app.page.stored.store.shown.length === %d`, k+1))
	}
	for _, s := range []screen{laptop, {820, 1180, "dark"}, phone} {
		p := open(t, d.url+"/listen", s)
		p.until(`__app.page.stored.drawn.length === 6`)
		p.settled(0.5)
		type word struct {
			Text       string
			X, Y, Wide float64
		}
		words := js[[]word](p, `(async () => {
			const { canvas, area } = __app.plots.magnitude, own = CanvasRenderingContext2D.prototype.fillText;
			let words = [];
			CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
				if (this.canvas === canvas && x / devicePixelRatio > area.left) words.push({ Text: text, X: x / devicePixelRatio - area.left - area.width, Y: y / devicePixelRatio, Wide: this.measureText(text).width / devicePixelRatio });
				own.apply(this, arguments);
			};
			await new Promise(requestAnimationFrame);
			words = [];
			__app.plots.magnitude.draw();
			CanvasRenderingContext2D.prototype.fillText = own;
			const room = canvas.width / devicePixelRatio - area.left - area.width;
			return words.map((w) => ({ ...w, Wide: room - w.X - w.Wide }));
		})()`)
		if len(words) != 6 {
			t.Errorf("%v: %d names: %+v", s, len(words), words)
		}
		slices.SortFunc(words, func(a, b word) int { return int(math.Copysign(1, a.Y-b.Y)) })
		for i, w := range words {
			if w.X < 0 || w.Wide < 0 {
				t.Errorf("%v: %q reaches over the plot or off the page: %+v", s, w.Text, w)
			}
			if i > 0 && w.Y-words[i-1].Y < 13 {
				t.Errorf("%v: %q lies over %q", s, w.Text, words[i-1].Text)
			}
		}
		p.check(t, s)
	}
}
