package main

import (
	"fmt"
	"math"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"plumbline/analyze/level"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// TestWatchPageEqualsAPIInRealTime compares the large numbers, the line's reading and the
// pixels of the level's curve with what the API says.
func TestWatchPageEqualsAPIInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	d := demo(t)
	// The browser itself writes that a request was refused, and later the connection.
	p := open(t, d.url+"/watch?span=60", laptop, "status of 422", "WebSocket connection", "ERR_CONNECTION_REFUSED", "ERR_CONNECTION_RESET")
	p.until(`__app.page.chart.atLine().slot >= 0 && __app.session.levels?.microphones[0]?.lcpeak_1s_db !== null`)
	if unit := p.text("unit"); unit != "dBFS, not calibrated" {
		t.Errorf("the unit is %q", unit)
	}

	// The digits change a little less often than the levels come, so the page is
	// asked until all of them are those of one moment that the API told.
	if said := js[string](p, `(async () => {
		const text = (id) => document.querySelector('[data-testid="' + id + '"]').textContent.replaceAll('\u2212', '-');
		const digits = (v) => v === null ? '–' : v.toFixed(1);
		let said = 'nothing';
		for (const end = performance.now() + 20000; performance.now() < end;) {
			const levels = await (await fetch('/api/v1/levels')).json(), m = levels.microphones[0];
			const want = [m.laf_db, m.laeq_db, m.lcpeak_1s_db].map(digits).join(' ');
			while (levels.time === __app.session.levels.time) {
				const shown = ['laf', 'laeq', 'lcpeak'].map(text).join(' ');
				if (shown === want) return '';
				said = 'the page shows LAF, LAeq, LCpeak ' + shown + ', the API says ' + want;
				await new Promise(requestAnimationFrame);
			}
		}
		return said;
	})()`); said != "" {
		t.Error(said)
	}

	// Pixels of the curve, at the columns that do not change any more.
	p.until(`((c) => c.layer.slot(c.layer.whole - 12) >= 0 && c.layer.covered[c.layer.slot(c.layer.whole - 12)] > 0)(__app.page.chart.shown())`)
	found := js[struct{ Tried, Hit int }](p, `(() => {
		const plot = __app.plots.level, { layer, from } = __app.page.chart.shown();
		plot.draw();
		const ctx = plot.canvas.getContext('2d'), ratio = devicePixelRatio;
		const hex = getComputedStyle(document.documentElement).getPropertyValue('--curve-1').trim();
		const want = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
		const { width } = plot.canvas, pixels = ctx.getImageData(0, 0, width, plot.canvas.height).data;
		const inked = (x, y) => ((k) => pixels[k + 3] > 150 && want.every((w, c) => Math.abs(pixels[k + c] - w) < 60))(4 * (y * width + x));
		let tried = 0, hit = 0;
		for (let column = Math.max(from + 1, layer.whole - 10); column <= layer.whole; column++) {
			const slot = layer.slot(column);
			if (slot < 0 || !layer.covered[slot]) continue;
			tried++;
			const x0 = (plot.area.left + plot.toX((column + 0.5) * layer.step)) * ratio, y0 = (plot.area.top + plot.toY(layer.laeq[slot])) * ratio;
			if ([-1, 0, 1].some((dx) => [-2, -1, 0, 1, 2].some((dy) => inked(Math.round(x0) + dx, Math.round(y0) + dy)))) hit++;
		}
		return { tried, hit };
	})()`)
	if found.Tried < 5 || found.Hit < found.Tried*8/10 {
		t.Errorf("the curve is at %d of %d seconds", found.Hit, found.Tried)
	}

	// A calibrator that is not there is refused, and said where it was asked for.
	p.click("calibrate")
	p.until(`/\d/.test(document.querySelector('[data-testid="calibrator-heard"]').textContent)`)
	p.click("calibration-listen")
	p.until(`document.querySelector('[data-testid="calibration-answer"]').dataset.mark === 'act'`)
	if answer := p.text("calibration-answer"); len(answer) < 20 {
		t.Errorf("the refusal says %q", answer)
	}

	// What is old looks old, and says since when.
	d.stop()
	p.until(`document.querySelector('.page').classList.contains('stale')`)
	p.until(`document.querySelector('[data-testid="status"]').textContent.startsWith('No data since')`)
	if opacity := js[float64](p, `Number(getComputedStyle(document.querySelector('.numbers')).opacity)`); opacity > 0.6 {
		t.Errorf("stale numbers have opacity %g", opacity)
	}
}

// TestWatchFindsTheFlippedFillInRealTime surveys the virtual rig, watches it with a
// baseline, turns the fill over, and wants the page to say so.
func TestWatchFindsTheFlippedFillInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	d := demo(t)
	p := open(t, d.url+"/watch?span=120", laptop)
	ask := func(method, path, body string) string {
		t.Helper()
		return js[string](p, fmt.Sprintf(`fetch(%q, {method: %q, headers: {'Content-Type': 'application/json', 'X-Plumbline-Client': __app.session.client}, body: %q}).then((r) => r.text())`, path, method, body))
	}
	ask("POST", "/api/v1/survey", `{"seat":1,"main":"main","fill":"fill"}`)
	p.until(`__app.session.survey?.state === 'done' || __app.session.survey?.state === 'failed'`)
	if s := js[string](p, `__app.session.survey.state + ': ' + __app.session.survey.text`); !strings.HasPrefix(s, "done") {
		t.Fatalf("the survey %s", s)
	}

	p.until(`__app.session.frame.averagedS > 1.5`)
	if said := p.text("verdict"); !strings.HasPrefix(said, "No baseline yet: choose or measure one.") {
		t.Errorf("without a baseline the page says %q", said)
	}
	// A baseline is 20 s of what plays from the press on; given up, nothing is stored.
	takes := js[int](p, `__app.session.show.takes`)
	p.click("baseline-measure")
	p.until(`/^Listening: [2-9] of 20 s/.test(document.querySelector('[data-testid="baseline-says"]').textContent)`)
	p.click("baseline-cancel")
	p.until(p.shows("baseline-measure") + ` === 'Measure it now' || ` + p.shows("baseline-measure") + ` === 'Or measure it anew'`)
	pressed := js[float64](p, `__app.session.frame.sample`)
	p.click("baseline-measure")
	p.until(fmt.Sprintf(`__app.session.show.takes === %d`, takes+1))
	if s := js[float64](p, `(__app.session.frame.sample - `+fmt.Sprint(pressed)+`) / __app.session.hello.rate_hz`); s < 20 {
		t.Errorf("the baseline was taken %.1f s after the press, want 20", s)
	}
	p.until(`__app.session.watches.some((w) => w.state === 'watching')`)
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.startsWith('Matches the baseline')`)

	// Who looks at another page is told there.
	other := open(t, d.url+"/listen", phone)
	if !js[bool](other, `document.querySelector('[data-testid="alarm"]').hidden`) {
		t.Error("an alarm though all is well")
	}
	ask("PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"polarity":"same"}}}`) // it was opposite
	other.until(`document.querySelector('[data-testid="alarm"]').checkVisibility()`)
	if said := other.text("alarm"); !strings.HasPrefix(said, "◆Fill: opposite polarity. Check its cable and processor.") {
		t.Errorf("on another page: %q", said)
	}
	other.click("alarm-sound")
	other.until(p.shows("alarm-sound") + ` === 'Sound on' && localStorage.getItem('plumbline.chime') === 'on'`)
	if wide := js[float64](other, `document.documentElement.scrollWidth`); wide > 390 {
		t.Errorf("with the alarm the page is %g wide", wide)
	}
	p.until(`document.querySelectorAll('.event').length > 0`)
	text := js[string](p, `document.querySelector('.event .found').textContent`)
	if !strings.Contains(text, "fill") || !strings.Contains(text, "opposite polarity") {
		t.Errorf("the event says %q", text)
	}
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.includes('opposite polarity')`)
	if mark := js[string](p, `document.querySelector('.verdict').dataset.mark`); mark != "act" {
		t.Errorf("the mark is %q, want act", mark)
	}
	p.until(`document.querySelectorAll('.pin:not([hidden])').length > 0`)
	if *update {
		p.picture("../../testdata/pictures/watch.png") // for the README
	}

	// Acknowledged and commented, it stays so.
	id := js[int](p, `Number(document.querySelector('.event').dataset.id)`)
	p.do(chromedp.Click(`.event .ack`, chromedp.NodeVisible))
	p.until(`document.querySelector('.event').classList.contains('seen')`)
	p.do(chromedp.Focus(`.event input.text`), chromedp.SendKeys(`.event input.text`, "monitor engineer swapped the cable\r"))
	p.until(`!document.querySelector('.event .hear').hidden`)
	p.do(chromedp.Reload(), chromedp.WaitReady("canvas"))
	p.until(fmt.Sprintf(`document.querySelector('.event[data-id="%d"]')?.classList.contains('seen')`, id))
	if comment := js[string](p, fmt.Sprintf(`document.querySelector('.event[data-id="%d"] input.text').value`, id)); comment != "monitor engineer swapped the cable" {
		t.Errorf("after a reload the comment is %q", comment)
	}
	var events wire.Events
	d.get(t, "/api/v1/events", http.StatusOK, &events)
	if e := events.Events[len(events.Events)-1]; !e.Acknowledged || e.Comment == "" || e.What != "fill" || e.Kind != "flipped" {
		t.Errorf("the API has %+v", e)
	}
	// An all-clear needs nobody, and all that is left is acknowledged at once.
	ask("PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"polarity":"opposite"}}}`)
	p.until(`document.querySelector('.event[data-mark="steady"]') !== null`)
	if !js[bool](p, `document.querySelector('.event[data-mark="steady"] .ack').hidden`) {
		t.Error("the all-clear wants to be acknowledged")
	}
	other.until(`document.querySelector('[data-testid="alarm"]').hidden`)
	ask("PATCH", fmt.Sprintf("/api/v1/events/%d", id), `{"acknowledged":false}`)
	p.until(`document.querySelector('[data-testid="acknowledge-all"]').checkVisibility()`)
	p.click("acknowledge-all")
	p.until(fmt.Sprintf(`document.querySelector('.event[data-id="%d"]').classList.contains('seen') && document.querySelector('[data-testid="acknowledge-all"]').hidden`, id))
	p.choose("events-filter", "flipped")
	p.until(fmt.Sprintf(`[...document.querySelectorAll('.event')].map((e) => e.dataset.id).join() === '%d'`, id))
	p.choose("events-filter", "")
	// Its audio can be heard and taken away.
	bytes := js[int](p, fmt.Sprintf(`fetch(document.querySelector('.event[data-id="%d"] .file').href).then((r) => r.arrayBuffer()).then((b) => new TextDecoder().decode(b.slice(0, 4)) === 'RIFF' ? b.byteLength : 0)`, id))
	if seconds := float64(bytes) / (48000 * 2 * 4); seconds < 5 {
		t.Errorf("%.1f s of audio", seconds)
	}
	p.do(chromedp.Click(fmt.Sprintf(`.event[data-id="%d"] .hear`, id), chromedp.NodeVisible))
	p.until(fmt.Sprintf(`document.querySelector('.event[data-id="%d"] .hear').textContent.startsWith('Stop')`, id))
	// It shows that it plays: pressed, and its seconds go on.
	playing := js[string](p, fmt.Sprintf(`document.querySelector('.event[data-id="%d"] .hear').textContent`, id))
	p.until(fmt.Sprintf(`((e) => e.getAttribute('aria-pressed') === 'true' && /^Stop, found /.test(e.textContent) && e.textContent !== %q)(document.querySelector('.event[data-id="%d"] .hear'))`, playing, id))
	p.do(chromedp.Click(fmt.Sprintf(`.event[data-id="%d"] .hear`, id), chromedp.NodeVisible))
	p.until(fmt.Sprintf(`((e) => e.getAttribute('aria-pressed') === 'false' && e.textContent.startsWith('Hear '))(document.querySelector('.event[data-id="%d"] .hear'))`, id))

	// The sheet says what it takes, and is rid of it, and brings it back.
	p.click("events-all")
	away := fmt.Sprintf(`dialog .event[data-id="%d"] .away`, id)
	p.until(`/^[0-9.]+ MB of the show's [0-9.]+ MB/.test(document.querySelector('dialog [data-testid="event-audio"]').textContent)`)
	// How much is kept is chosen there: up to a size, or none.
	most := func() int64 {
		var x wire.Show
		d.get(t, "/api/v1/show", http.StatusOK, &x)
		return x.EventAudioMostBytes
	}
	p.do(chromedp.Focus(byTestID("event-audio-cap")), chromedp.SendKeys(byTestID("event-audio-cap"), "10\r"))
	p.until(`document.querySelector('dialog [data-testid="event-audio"]').textContent.includes('Full: no more is kept of new events.')`)
	if got := most(); got != 10e6 {
		t.Errorf("up to %d bytes are kept", got)
	}
	p.click("event-audio-switch")
	p.until(p.shows("event-audio-switch") + ` === 'Audio around events: off' && !document.querySelector('[data-testid="event-audio-cap"]').checkVisibility()`)
	if got := most(); got != 0 {
		t.Errorf("switched off, up to %d bytes are kept", got)
	}
	p.click("event-audio-switch")
	p.until(p.shows("event-audio-switch") + ` === 'Audio around events: on'`)
	p.do(chromedp.Click(away, chromedp.NodeVisible))
	p.until(fmt.Sprintf(`document.querySelector('%s')?.textContent === 'Bring the audio back'`, away))
	d.get(t, fmt.Sprintf("/api/v1/events/%d/audio.wav", id), http.StatusNotFound, nil)
	p.do(chromedp.Click(away, chromedp.NodeVisible))
	p.until(fmt.Sprintf(`document.querySelector('%s')?.textContent === 'Delete audio' && !document.querySelector('dialog .event[data-id="%d"] .hear').hidden`, away, id))
	p.do(chromedp.Click(`dialog > header button`, chromedp.NodeVisible))

	p.click("watch-stop")
	p.until(`__app.session.watches.length === 0`)
}

// day fills a show with a day of levels, a row a second: a quiet night, a
// rehearsal, a pause that was not logged, and a concert.
func day(t *testing.T, path string, end time.Time) {
	t.Helper()
	x, err := show.New(path, "a day")
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	bands := level.Bands(3)
	var rows []show.LevelRow
	for s := range 86400 {
		if s > 43000 && s < 45000 {
			continue
		}
		r := show.LevelRow{Microphone: 2, AtMs: end.Add(time.Duration(s-86400) * time.Second).UnixMilli(), Sample: uint64(s) * 48000, DurationMs: 1000, OffsetDB: 130, BandDB: make([]float64, len(bands))}
		r.LAeqDB = dayLevel(s)
		r.LCeqDB, r.LAFMaxDB, r.LCPeakDB = r.LAeqDB+3, r.LAeqDB+2+3*math.Abs(math.Sin(float64(s)*1.7)), r.LAeqDB+15
		for b := range bands {
			r.BandDB[b] = r.LAeqDB - 14 - 0.04*float64((b-14)*(b-14)) + 3*math.Sin(float64(s)/997+float64(b))
		}
		if rows = append(rows, r); len(rows) == 7200 {
			if err := x.AddLevels(rows, nil); err != nil {
				t.Fatal(err)
			}
			rows = rows[:0]
		}
	}
	if err := x.AddLevels(rows, nil); err != nil {
		t.Fatal(err)
	}
	for k, at := range []int{36000, 70000, 70060, 80000} {
		e := wire.Event{At: end.Add(time.Duration(at-86400) * time.Second).UTC().Format(time.RFC3339), Microphone: 2, Confidence: 0.99, Certainty: wire.Sure, Mark: []string{wire.Attention, wire.Act}[k%2],
			Text: "right main: 4 kHz to 16 kHz gone. Driver, or its amplifier.", WatchChange: wire.WatchChange{Kind: "band lost", What: "right main", LowHz: 4000, HighHz: 16000, ChangeDB: wire.Unknown(), ShiftMs: wire.Unknown()}}
		e.OnsetAt = e.At
		if _, err := x.AddEvent(e); err != nil {
			t.Fatal(err)
		}
	}
}

// dayLevel is LAeq of a second of that day, dB re full scale.
func dayLevel(s int) float64 {
	x := float64(s)
	swing := 2*math.Sin(x/61) + 1.5*math.Sin(x/7.3)
	switch {
	case s > 64800 && s < 76000:
		return -34 + 4*math.Sin(x/240*math.Pi) + swing
	case s > 30000 && s < 50000:
		return -46 + 8*math.Sin(x/900) + swing
	}
	return -88 + 2*math.Sin(x/3000) + swing/3
}

// TestWatchDay opens a show that holds 24 h of the level log: all of it is drawn, and
// finer wherever one comes closer.
func TestWatchDay(t *testing.T) {
	atLength(t)
	needBrowser(t)
	path := filepath.Join(t.TempDir(), "day.plumbline")
	end := time.Now().Add(-2 * time.Second).Truncate(time.Second)
	day(t, path, end)
	d := start(t, "demo", "--listen", "127.0.0.1:0", "--show", path, "--sensitivity", "130")

	p := openSwift(t, d.url+"/watch?span=86400", laptop)
	p.until(`performance.getEntriesByName('plumbline:history').length > 0`)
	t.Logf("24 h drawn %.0f ms after navigation", js[float64](p, `performance.getEntriesByName('plumbline:history')[0].startTime`))
	if js[float64](p, `((c) => { let n = 0; for (let k = c.from; k <= c.to; k++) n += c.layer.slot(k) >= 0; return n / (c.to - c.from + 1); })(__app.page.chart.shown())`) < 0.9 {
		t.Error("less than nine tenths of the day are known")
	}
	// The colour of a band at a time is that of its level.
	type cell struct {
		Known, Equal int
		Low, High    float64
	}
	c := js[cell](p, `(async () => {
		const { CIVIDIS, cividisIndex } = await import('/draw/cividis.js');
		const plot = __app.plots.bands, { layer, from, to } = __app.page.chart.shown(), [low, high] = __app.page.chart.heatRange;
		const { width } = plot.canvas, pixels = plot.canvas.getContext('2d').getImageData(0, 0, width, plot.canvas.height).data, ratio = devicePixelRatio;
		let known = 0, equal = 0;
		for (let column = from + 3; column < to - 12; column += 17) for (let row = 3; row < 30; row += 5) {
			// A column is about as wide as a pixel: its neighbour may be the one that is seen.
			const levels = [-1, 0, 1].map((dx) => layer.slot(column + dx)).filter((slot) => slot >= 0).map((slot) => layer.band(slot, row));
			if (levels.some(Number.isNaN)) continue;
			const x = Math.round((plot.area.left + plot.toX((column + 0.5) * layer.step)) * ratio), y = Math.round((plot.area.top + plot.toY(row)) * ratio);
			const at = 4 * (y * width + x);
			known++;
			if (levels.some((v) => [0, 1, 2].every((i) => Math.abs(pixels[at + i] - CIVIDIS[3 * cividisIndex(v, low, high) + i]) < 12))) equal++;
		}
		return { known, equal, low, high };
	})()`)
	if c.Known < 80 || c.Equal < c.Known*9/10 {
		t.Errorf("%d of %d cells have the colour of their level (%.0f to %.0f dB)", c.Equal, c.Known, c.Low, c.High)
	}
	if pins := js[int](p, `document.querySelectorAll('.pin:not([hidden])').length`); pins != 3 { // two are too close to tell apart
		t.Errorf("%d pins for 4 events, want 3", pins)
	}

	// The wheel comes closer about the pointer, and finer columns come.
	x, y, width := p.plotMiddle("level")
	x += width / 4 // into the concert
	before := p.xRange("level")
	at := before[0] + 0.75*(before[1]-before[0])
	for range 12 {
		_, err := chromedp.Call(p.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: chromedp.MouseWheel, X: x, Y: y, DeltaX: 1e-3, DeltaY: -150})
		if err != nil {
			t.Fatal(err)
		}
	}
	p.until(`((r) => r[1] - r[0] < 7200)(__app.plots.level.xRange)`)
	p.until(`((c) => c.layer.step < 30 && c.layer.slot(Math.round((c.from + c.to) / 2)) >= 0)(__app.page.chart.shown())`)
	near := p.xRange("level")
	if there := near[0] + 0.75*(near[1]-near[0]); math.Abs(there-at) > 120 {
		t.Errorf("the wheel came closer about %.0f s, the pointer was at %.0f", there, at)
	}
	// A drag to the right shows what was before.
	p.do(chromedp.MouseEvent(chromedp.MousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, x-width/8, y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, x-width/4, y, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, x-width/4, y, chromedp.ButtonLeft, chromedp.ClickCount(1)))
	moved := p.xRange("level")
	if want := near[0] + 0.25*(near[1]-near[0]); math.Abs(moved[0]-want) > 0.02*(near[1]-near[0]) {
		t.Errorf("dragged from %.0f to %.0f, want %.0f", near[0], moved[0], want)
	}
	// What the line reads is what the log holds.
	p.do(chromedp.MouseEvent(chromedp.MouseMoved, x, y))
	p.until(`__app.page.chart.atLine().slot >= 0`)
	line := js[struct{ Step, From, LAeq float64 }](p, `((a) => ({step: a.layer.step, from: a.layer.at(a.unixS) * a.layer.step, lAeq: a.layer.laeq[a.slot]}))(__app.page.chart.atLine())`)
	var h wire.LevelHistory
	d.get(t, fmt.Sprintf("/api/v1/levels/history?from=%.0f&to=%.0f&points=1&microphone=2", line.From, line.From+line.Step), http.StatusOK, &h)
	if got := float64(h.Microphones[0].LAeqDB[0]); math.Abs(got-line.LAeq) > 0.01 {
		t.Errorf("the line reads %.2f dB, the log has %.2f", line.LAeq, got)
	}
	sum := 0.0
	for k := range int(line.Step) {
		s := int(line.From) + k + 1 - int(end.Unix()) + 86400
		sum += math.Pow(10, dayLevel(s)/10) / line.Step
	}
	if want := 130 + 10*math.Log10(sum); math.Abs(line.LAeq-want) > 0.02 {
		t.Errorf("the line reads %.2f dB, the energetic mean of that time is %.2f", line.LAeq, want)
	}

	// The address keeps it; one touch goes back to now.
	p.until(`Math.abs(Number(new URLSearchParams(location.search).get('until')) - __app.plots.level.xRange[1]) < 1`)
	p.do(chromedp.Reload(), chromedp.WaitReady("canvas"))
	p.until(`__app.page.chart.atLine().slot >= 0`)
	if again := p.xRange("level"); math.Abs(again[0]-moved[0]) > 2 || math.Abs(again[1]-moved[1]) > 2 {
		t.Errorf("after a reload %v, before %v", again, moved)
	}
	p.click("home-level")
	p.until(`!new URLSearchParams(location.search).has('until')`)
	// A pin brings its event.
	p.do(chromedp.Click(`[data-span="86400"]`, chromedp.NodeVisible))
	p.until(`document.querySelectorAll('.pin:not([hidden])').length >= 3`)
	js[bool](p, `(document.querySelectorAll('.pin:not([hidden])')[0].click(), true)`)
	p.until(`document.querySelector('.event.lit') !== null && Math.abs(__app.page.chart.atLine().unixS - Date.parse('` + end.Add(-6400*time.Second).UTC().Format(time.RFC3339) + `') / 1000) < 1`)
}

// TestWatchLimitInRealTime chooses a limit and lets it be crossed.
func TestWatchLimitInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	needBrowser(t)
	d := start(t, "demo", "--empty", "--listen", "127.0.0.1:0", "--sensitivity", "130")
	p := open(t, d.url+"/watch", screen{820, 1180, "light"}, "status of 409")
	p.until(`document.querySelector('[data-testid="limit-profile"]').options.length > 3`)
	p.choose("limit-profile", "who")
	p.until(`document.querySelector('.limit').dataset.state === 'inside'`)
	var l wire.Limits
	d.get(t, "/api/v1/limits", http.StatusOK, &l)
	if l.Profile != "who" {
		t.Errorf("the daemon follows %q", l.Profile)
	}
	// The demo is at 98 dB: 17 dB more use 15 min at 100 dB up within half a minute.
	p.do(chromedp.Focus(byTestID("limit-correction")), chromedp.SendKeys(byTestID("limit-correction"), "17\r"))
	p.until(`document.querySelector('.limit').dataset.state === 'near'`)
	p.until(`/ at this pace\.$/.test(document.querySelector('[data-testid="verdict"]').textContent)`)
	p.until(`document.querySelector('.limit').dataset.state === 'crossed'`)
	if word := p.text("limit-state"); word != "Crossed" {
		t.Errorf("the state is %q: colour alone says nothing", word)
	}
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.includes('limit of 100 dB is crossed')`)
	p.until(`[...document.querySelectorAll('.event')].some((e) => e.textContent.includes('limit'))`)
	ink := js[[2]string](p, `(() => { const c = (s) => { const e = document.createElement('i'); e.style.color = s; document.body.append(e); const v = getComputedStyle(e).color; e.remove(); return v; };
		return [getComputedStyle(document.querySelector('[data-testid="limit-state"]')).color, c(getComputedStyle(document.documentElement).getPropertyValue('--alarm'))]; })()`)
	if ink[0] != ink[1] {
		t.Errorf("a crossed limit is %s, want red (%s)", ink[0], ink[1])
	}
	p.until(`document.querySelector('[data-testid="alarm"]').dataset.limit === 'true' && document.querySelector('[data-testid="alarm"] .glyph').textContent === '◆'`)

	// A limit of one's own: level, duration and weighting, with a name that no other has.
	p.choose("limit-profile", "+")
	p.until(`document.querySelector('[data-testid="own-add"]').checkVisibility()`)
	p.check(t, screen{820, 1180, "light"})
	p.do(chromedp.Focus(byTestID("own-level")), chromedp.SendKeys(byTestID("own-level"), "135\r"))
	p.do(chromedp.Focus(byTestID("own-minutes")), chromedp.SendKeys(byTestID("own-minutes"), "5\r"))
	p.choose("own-weighting", "C")
	p.typed("own-name", "who safe listening venues")
	p.click("own-add")
	p.until(`document.querySelector('.notices').textContent.includes('already a limit called') && document.querySelector('[data-testid="own-add"]').checkVisibility()`)
	p.do(chromedp.Focus(byTestID("own-name")), chromedp.KeyEvent("a", chromedp.KeyModifiers(2)), chromedp.SendKeys(byTestID("own-name"), "Old barn\r"))
	p.click("own-add")
	p.until(`document.querySelector('[data-testid="limit-profile"]').selectedOptions[0]?.textContent === 'Old barn' && document.querySelector('.limit').dataset.state === 'inside'`)
	d.get(t, "/api/v1/limits", http.StatusOK, &l)
	if own := l.Profiles[len(l.Profiles)-1]; l.Profile != own.ID || own.Name != "Old barn" || own.Quantity != "LCeq" || own.LimitDB != 135 || own.OverS != 300 {
		t.Errorf("the daemon follows %q of %+v", l.Profile, own)
	}
	p.until(`document.querySelector('[data-testid="alarm"]').hidden`)
	names := js[[]string](p, `[...document.querySelector('[data-testid="limit-profile"]').options].map((o) => o.textContent)`)
	if once := slices.Compact(slices.Sorted(slices.Values(names))); len(once) != len(names) {
		t.Errorf("two entries have one name: %q", names)
	}
	// What is deleted can be had back.
	p.click("own-delete")
	p.until(`document.querySelector('[data-testid="limit-profile"]').value === '' && ![...document.querySelector('[data-testid="limit-profile"]').options].some((o) => o.textContent === 'Old barn')`)
	p.do(chromedp.Click(`.notice button`, chromedp.NodeVisible))
	p.until(`document.querySelector('[data-testid="limit-profile"]').selectedOptions[0]?.textContent === 'Old barn'`)
	if caution := js[string](p, `document.querySelector('.caution').textContent`); !strings.Contains(caution, "your local rules and a qualified person decide") {
		t.Errorf("the caution is %q", caution)
	}
}

// TestWatchScreens looks at the page on every size and both grounds, with the
// longest numbers: those that are not calibrated.
func TestWatchScreens(t *testing.T) {
	atLength(t)
	d := demo(t)
	for _, s := range []screen{laptop, {1366, 768, "light"}, {820, 1180, "light"}, {390, 844, "dark"}, {320, 640, "light"}} {
		t.Run(fmt.Sprintf("%dx%d %s", s.width, s.height, s.ground), func(t *testing.T) {
			p := open(t, d.url+"/watch?span=300", s)
			p.until(`document.querySelector('[data-testid="verdict"]').textContent.length > 20 && /\d/.test(document.querySelector('[data-testid="laf"]').textContent)`)
			shows := []string{""}
			if s.width < 640 {
				shows = []string{"level", "bands", "difference", "events"}
			}
			for _, what := range shows {
				if what != "" {
					p.do(chromedp.Click(fmt.Sprintf(`.tabs [data-shows=%q]`, what), chromedp.NodeVisible))
				}
				if wide := js[int64](p, `document.documentElement.scrollWidth`); wide > s.width {
					t.Errorf("%s: the page is %d wide on a screen of %d", what, wide, s.width)
				}
				if high := js[int64](p, `document.documentElement.scrollHeight`); s.width > 1000 && high > s.height {
					t.Errorf("the page is %d high on a laptop's %d", high, s.height)
				}
				for _, problem := range js[[]string](p, checkScreen) {
					t.Errorf("%s: %s", what, problem)
				}
			}
			if least := js[float64](p, `parseFloat(getComputedStyle(document.querySelector('[data-testid="laf"]')).fontSize)`); least < 32 || s.width >= 640 && least < 44 {
				t.Errorf("LAF is %.0f px high", least)
			}
		})
	}
}
