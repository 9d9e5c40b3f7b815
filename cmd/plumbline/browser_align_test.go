package main

import (
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"plumbline/analyze/air"
	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// seatsOfHall are where the microphone stands, one seat after the other.
var seatsOfHall = [][3]float64{{9, 6.5, 1.2}, {12, 9, 1.2}, {7, 11, 1.2}}

// moveMicrophone puts the virtual rig's only microphone somewhere.
func (s service) moveMicrophone(t *testing.T, to [3]float64) {
	t.Helper()
	body, err := json.Marshal(map[string]any{"microphones": map[string]any{"seat 1": map[string]any{"position_m": to}}})
	if err != nil {
		t.Fatal(err)
	}
	s.ask(t, "PATCH", "/api/v1/rig", string(body), http.StatusOK, nil)
}

// awaitSurvey waits until the daemon has ended what it plays. On a busy machine the page
// may answer too late for what watches over it: then begin presses again, as anybody would.
func (p page) awaitSurvey(begin func()) wire.Survey {
	p.t.Helper()
	for try := 1; ; try++ {
		p.until(`!document.querySelector('.running').hidden`)
		p.until(`document.querySelector('.running').hidden`)
		v := js[wire.Survey](p, `__app.session.survey`)
		switch {
		case v.State == wire.SurveyDone:
			return v
		case try < 10 && (strings.Contains(v.Text, "the page that started it")):
			p.t.Logf("once more: %s", v.Text)
			begin()
		default:
			p.t.Fatalf("the survey ended as %s: %s", v.State, v.Text)
		}
	}
}

// typed writes into a field as a person does.
func (p page) typed(id, text string) {
	p.t.Helper()
	p.do(chromedp.Focus(byTestID(id)), chromedp.SendKeys(byTestID(id), text+"\r"))
}

func (p page) shows(id string) string {
	return fmt.Sprintf(`(document.querySelector('[data-testid="%s"]')?.textContent ?? '')`, id)
}

// alignAsked is what the page of the whole survey asks: in a band that both
// loudspeakers are made for.
const alignAsked = "/api/v1/align?main=main&fill=fill&low_hz=80&high_hz=8000"

// TestWholeSurveyInRealTime walks three seats with the demo's reversed and late fill, dials
// the plan into the rig, verifies it at each seat and opens the report.
func TestWholeSurveyInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	d := demo(t)
	p := open(t, d.url+"/align?band=80..8000", laptop)
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.startsWith('Cannot tell yet')`)

	// The caution stands on the button itself.
	button := js[string](p, p.shows("survey"))
	for _, want := range []string{"Survey seat 1", "Starts at \u221240 dBFS and rises in 3 s to \u221220.", "Keep ears and people away from the boxes."} {
		if !strings.Contains(button, want) {
			t.Errorf("the button says %q, want %q on it", button, want)
		}
	}

	// Two more seats, one of them with a name of its own.
	for n := 2; n <= 3; n++ {
		p.click("add-seat")
		p.until(fmt.Sprintf(`document.querySelector('[data-testid="seat-%d"]')?.value === 'seat %d'`, n, n))
	}
	p.typed("seat-3", thirdSeat())
	eventually(t, "the new name in the show", func() bool {
		var list struct{ Seats []struct{ Name string } }
		d.get(t, "/api/v1/show/seats", http.StatusOK, &list)
		return len(list.Seats) == 3 && list.Seats[2].Name == thirdSeat()
	})
	p.typed("survey-within", "2")
	p.click("look-1") // the newest was chosen

	for k, at := range seatsOfHall {
		d.moveMicrophone(t, at)
		// After a survey the next seat is chosen: one press a seat.
		p.until(fmt.Sprintf(`document.querySelector('[data-testid="look-%d"]').getAttribute('aria-pressed') === 'true'`, k+1))
		p.click("survey")
		p.until(`!document.querySelector('[data-testid="survey-stop"]').closest('.running').hidden`)
		if k == 0 {
			p.until(`document.querySelector('[data-testid="take-1-main"] .mark').textContent === '◐'`)
		}
		p.awaitSurvey(func() { p.click("survey") })
		for _, take := range []string{"main", "fill", "both"} {
			p.until(fmt.Sprintf(`document.querySelector('[data-testid="take-%d-%s"] .mark').textContent === '●'`, k+1, take))
		}
	}
	p.until(`document.querySelectorAll('.matrix td.is-worst').length === 2 && __app.page.model.answer.seats.length === 3`)

	var a wire.Align
	d.get(t, alignAsked, http.StatusOK, &a)
	checkEfficiency(t, p, alignAsked, a)
	checkRibbons(t, p, a)
	checkPhasors(t, p)
	if got, want := p.text("dial-delay"), fmt.Sprintf("%.2f", a.Settings[0].To.DelayMs); got != want && !lastDigit(got, want) {
		t.Errorf("to dial in: %s ms, the API says %s", got, want)
	}
	if got := p.text("dial-polarity"); got != "Polarity same, was opposite" {
		t.Errorf("the polarity to dial in is %q", got)
	}
	rows := js[[]string](p, `[...document.querySelectorAll('.cause p')].map((e) => e.textContent).filter(Boolean)`)
	if len(rows) != 6 {
		t.Errorf("the ledger has the sentences %q", rows)
	}
	if s := p.text("verdict"); !strings.Contains(s, "of 6 dB") || !strings.Contains(s, plain(a.Promise.Text)) || !a.Promise.Worth {
		t.Errorf("the sentence is %q", s)
	}
	checkDrag(t, d, p)
	p.until(`document.querySelector('[data-testid="back-to-plan"]').hidden`)
	t.Logf("said: %s / %s", p.text("verdict"), p.text("dial-efficiency"))
	p.check(t, laptop)

	// Dial in, and prove it at each seat.
	p.click("keep-plan")
	p.until(p.shows("keep-plan") + ` === 'Kept'`)
	p.click("dial-in")
	p.until(p.shows("dial-in") + ` === 'Dialled in'`)
	var scene wire.RigScene
	d.get(t, "/api/v1/rig", http.StatusOK, &scene)
	if fill := scene.Loudspeakers[1]; fill.Polarity != "same" || math.Abs(fill.DelayMs-a.Settings[0].To.DelayMs) > 1e-6 {
		t.Errorf("dialled in: %+v, want %+v", fill, a.Settings[0].To)
	}
	for k, at := range seatsOfHall {
		d.moveMicrophone(t, at)
		p.click(fmt.Sprintf("look-%d", k+1))
		p.click("verify")
		v := p.awaitSurvey(func() { p.click("verify") })
		if v.Verification == nil || !v.Verification.Pass || v.Verification.Seat != int64(k+1) {
			t.Fatalf("verified: %+v", v)
		}
		p.until(fmt.Sprintf(`document.querySelectorAll('[data-testid="proofs"] li[data-pass="true"]').length === %d`, k+1))
	}
	p.until(`document.querySelector('[data-testid="verdict"]').textContent.startsWith('The plan is dialled in and holds at')`)
	if *update { // for the documents
		p.picture("../../testdata/pictures/align.png")
	}

	checkReport(t, d, p)
	// What was measured comes back after a reload, on every screen.
	for _, s := range []screen{laptop, {820, 1180, "light"}, {390, 844, "dark"}, {320, 640, "light"}} {
		for _, path := range []string{"/align", "/show?takes=1,2,3"} {
			t.Run(fmt.Sprintf("%dx%d%s", s.width, s.height, path), func(t *testing.T) {
				p := open(t, d.url+path, s)
				p.until(`__app.plots.magnitude.area.width > 10 || document.querySelector('.matrix tbody tr') !== null`)
				p.until(`document.querySelector('[data-testid="verdict"]').textContent.includes('holds at')`)
				wide := s
				if path != "/align" {
					wide.height = math.MaxInt64 // the list of takes goes on
				}
				p.check(t, wide)
			})
		}
	}
}

// thirdSeat has a name that a page would stumble over, except in a picture for people.
func thirdSeat() string {
	if *update {
		return "balcony"
	}
	return "balcony <3>"
}

// A page whose script hangs cannot be stopped by hand: the daemon stops, although
// the browser still answers for the page. When the script goes on, so does the survey.
func TestHangingPageIsSilenced(t *testing.T) {
	d := demo(t)
	p := open(t, d.url+"/align", laptop)
	p.until(`!document.querySelector('[data-testid="survey"]').hidden`)
	p.click("survey")
	p.until(`(__app.session.survey?.level_dbfs ?? -99) > -40`)
	// Hidden, without animation frames, it holds on: past the limit, through the ramp.
	js[bool](p, `(Object.defineProperty(document, 'hidden', { value: true, configurable: true }), window.requestAnimationFrame = () => 0, document.dispatchEvent(new Event('visibilitychange')))`)
	eventually(t, "the end of the ramp", func() bool {
		var v wire.Survey
		d.get(t, "/api/v1/survey", http.StatusOK, &v)
		if !v.Running() || strings.Contains(v.Text, "does not answer") {
			t.Fatalf("hidden: %s: %s", v.State, v.Text)
		}
		return v.State == wire.SurveyMeasuring
	})
	// A loop that lets no message in, until the daemon says that it is silent.
	took := js[float64](p, `(() => {
		const began = performance.now();
		for (;;) {
			const request = new XMLHttpRequest();
			request.open('GET', '/api/v1/survey', false);
			request.send();
			const v = JSON.parse(request.responseText);
			const ms = performance.now() - began;
			if (v.level_dbfs === null || ms > 60000) return v.text.includes("does not answer") ? ms : -ms;
		}
	})()`)
	if took < 500 {
		t.Errorf("after %.0f ms it is not silent because the page hangs", took)
	}
	t.Logf("silent %.0f ms after the script began to hang", took)
	p.until(`(__app.session.survey.level_dbfs ?? -99) > -40`)
	p.click("survey-stop")
	p.until(`__app.session.survey.state === 'stopped'`)
}

// checkEfficiency compares what the page computes from the cells with what the
// daemon computed from the spectra: today, the plan, and every 20th point of the
// curves of both polarities; and a sweep with what it goes through.
func checkEfficiency(t *testing.T, p page, asked string, a wire.Align) {
	t.Helper()
	type computed struct {
		Today, Plan []float64
		Same, Swept [][]float64
		Opposite    [][]float64
	}
	got := js[computed](p, `(async () => {
		const { efficiency, prepare, sweep } = await import('/core/phasor.js');
		const a = await (await fetch('`+asked+`')).json();
		const cells = a.seats.map((s) => prepare(s.cells, s.spread_ms));
		const plan = { delayMs: a.plan.wait === 'A' ? -a.plan.delay_ms : a.plan.delay_ms, sign: a.plan.polarity_b === 'opposite' ? -1 : 1, gainDB: a.plan.gain_b_db };
		const at = a.curve.delay_ms.filter((_, i) => i % 20 === 0);
		const over = (sign) => cells.map((c) => at.map((delayMs) => efficiency(c, { delayMs, sign, gainDB: 0 })));
		const step = at[1] - at[0];
		return {
			today: cells.map((c) => efficiency(c, { delayMs: 0, sign: 1, gainDB: 0 })), plan: cells.map((c) => efficiency(c, plan)),
			same: over(1), opposite: over(-1),
			swept: cells.map((c) => [...sweep(c, 0, at[0], step, at.length).opposite].map((v, i) => v - efficiency(c, { delayMs: at[0] + i * step, sign: -1, gainDB: 0 }))),
		};
	})()`)
	near := func(what string, got, want, within float64) {
		t.Helper()
		if !(math.Abs(got-want) <= within) {
			t.Errorf("%s: the page computes %.5f dB, the daemon %.5f dB", what, got, want)
		}
	}
	const rounded = 0.005 // the curves come in hundredths
	for i, s := range a.Seats {
		near(s.Name+" today", got.Today[i], float64(s.TodayDB), 1e-4)
		near(s.Name+" with the plan", got.Plan[i], float64(s.PlanDB), 1e-4)
		for k := range got.Same[i] {
			near(fmt.Sprintf("%s at %g ms", s.Name, a.Curve.DelayMs[20*k]), got.Same[i][k], float64(s.Curve.SameDB[20*k]), rounded+1e-4)
			near(fmt.Sprintf("%s at %g ms, turned", s.Name, a.Curve.DelayMs[20*k]), got.Opposite[i][k], float64(s.Curve.OppositeDB[20*k]), rounded+1e-4)
			near(fmt.Sprintf("%s swept to %g ms less the same at once", s.Name, a.Curve.DelayMs[20*k]), got.Swept[i][k], 0, 1e-6)
		}
	}
}

// checkRibbons compares the intervals that the page draws of A and of the predicted
// sum, smoothed no further, with those that the daemon's errors stand for; and
// finds one for each level in the table.
func checkRibbons(t *testing.T, p page, a wire.Align) {
	t.Helper()
	s := a.Seats[0]
	type ribbon struct{ Mid, Low, High []wire.Value }
	got := js[struct{ A, Predicted, Wide ribbon }](p, `(async () => {
		const { magnitude, predict, predictError, ribbon, smoothLevel } = await import('/core/phasor.js');
		const s = (await (await fetch('/api/v1/align?main=main&fill=fill')).json()).seats[0];
		const x = { delayMs: 1.5, sign: -1, gainDB: -3 }, db = predict(s.frequency_hz, s.a, s.b, x, []);
		const a = (fraction) => smoothLevel(s.frequency_hz, magnitude(s.a, []), s.a.error, s.correlation, fraction, ribbon());
		return { A: a(48), Predicted: smoothLevel(s.frequency_hz, db, predictError(s.a, s.b, x, db, []), s.correlation, 48, ribbon()), Wide: a(3) };
	})()`)
	gain, wide, narrow := -math.Pow(10, -3./20), 0.0, 0.0
	for i, f := range s.FrequencyHz {
		if f < 100 || f > 10000 {
			continue
		}
		A, B := complex(float64(s.A.Re[i]), float64(s.A.Im[i])), complex(float64(s.B.Re[i]), float64(s.B.Im[i]))
		sum := A + B*cmplx.Rect(gain, -2*math.Pi*f*1.5e-3)
		errSum := math.Hypot(float64(s.A.Error[i])*cmplx.Abs(A), gain*float64(s.B.Error[i])*cmplx.Abs(B)) / cmplx.Abs(sum)
		for _, test := range []struct {
			what string
			got  ribbon
			abs  float64
			err  float64
		}{{"A", got.A, cmplx.Abs(A), float64(s.A.Error[i])}, {"the predicted sum", got.Predicted, cmplx.Abs(sum), errSum}} {
			low, high := 20*math.Log10(test.abs*max(0, 1-test.err)), 20*math.Log10(test.abs*(1+test.err))
			if gotLow := float64(test.got.Low[i]); math.Abs(float64(test.got.High[i])-high) > 1e-3 || !(math.IsInf(low, -1) && math.IsNaN(gotLow)) && math.Abs(gotLow-low) > 1e-3*max(1, high-low) {
				t.Errorf("%s at %.0f Hz: drawn within %.3f…%.3f dB, the daemon says %.3f…%.3f", test.what, f, gotLow, float64(test.got.High[i]), low, high)
			}
		}
		narrow += float64(got.A.High[i] - got.A.Mid[i])
		wide += float64(got.Wide.High[i] - got.Wide.Mid[i])
	}
	if !(wide < narrow/2 && wide > narrow/8) {
		t.Errorf("over a third of an octave the upper half of A's ribbon is %.3f of what it is at 1/48: want about a quarter", wide/narrow)
	}
	js[any](p, `document.querySelector('[data-plot="magnitude"] .choices button:last-child').click()`)
	p.until(`document.querySelector('dialog[open] .tables') !== null`)
	rows := js[[][]string](p, `[...[...document.querySelectorAll('dialog[open] table')].at(-1).querySelectorAll('tbody tr')].map((r) => [...r.cells].slice(1).map((c) => c.textContent))`)
	intervals := 0
	for _, row := range rows {
		for _, cell := range row {
			if strings.Contains(cell, "±") {
				intervals++
			}
		}
	}
	if len(rows) < 25 || intervals < 4*20 {
		t.Errorf("the table has %d rows and %d intervals of four levels", len(rows), intervals)
	}
	p.do(chromedp.KeyEvent(kb.Escape))
	p.until(`document.querySelector('dialog[open]') === null`)
}

// checkPhasors compares what the page makes of two responses, and of the air, with what
// response.Turn and Add, and air, make of the same.
func checkPhasors(t *testing.T, p page) {
	t.Helper()
	const delayMs, gainDB = 1.7, -4.0
	var a, b, turned, sum response.Spectra
	r := rand.New(rand.NewPCG(7, 11))
	for k := range 60 {
		f := 100 * math.Exp2(float64(k)/10)
		for _, s := range []*response.Spectra{&a, &b} {
			h := cmplx.Rect(math.Exp(0.5*r.NormFloat64()), 2*math.Pi*r.Float64())
			s.FrequencyHz, s.Gxx, s.Gxy = append(s.FrequencyHz, f), append(s.Gxx, 1), append(s.Gxy, h)
			s.Gyy, s.EffectiveAverages = append(s.Gyy, (1+0.2*r.Float64())*real(h*cmplx.Conj(h))), append(s.EffectiveAverages, 12)
		}
	}
	response.Turn(&turned, &b, response.Turned{DelayS: delayMs / 1000, Sign: -1, GainDB: gainDB})
	if err := response.Add(&sum, &a, &turned, 1); err != nil {
		t.Fatal(err)
	}
	sent := func(s *response.Spectra) string {
		var c struct {
			Re    []float64 `json:"re"`
			Im    []float64 `json:"im"`
			Error []float64 `json:"error"`
		}
		for k := range s.FrequencyHz {
			c.Re, c.Im, c.Error = append(c.Re, real(s.H(k))), append(c.Im, imag(s.H(k))), append(c.Error, s.Deviation(k))
		}
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	hz, err := json.Marshal(a.FrequencyHz)
	if err != nil {
		t.Fatal(err)
	}
	got := js[struct{ A, Sum, Error, Phase, Air []float64 }](p, fmt.Sprintf(`(async () => {
		const { magnitude, phaseBetween, predict, predictError } = await import('/core/phasor.js');
		const { speedOfSound } = await import('/core/air.js');
		const hz = %s, a = %s, b = %s, x = { delayMs: %g, sign: -1, gainDB: %g }, sum = predict(hz, a, b, x, []);
		return { A: magnitude(a, []), Sum: sum, Error: predictError(a, b, x, sum, []), Phase: phaseBetween(hz, a, b, x, []), Air: [-10, 0, 20, 35].map(speedOfSound) };
	})()`, hz, sent(&a), sent(&b), delayMs, gainDB))
	db := func(h complex128) float64 { return 20 * math.Log10(cmplx.Abs(h)) }
	near := func(what string, f, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-9*(1+math.Abs(want))) {
			t.Errorf("%s at %.0f Hz: the page has %.12g, the daemon %.12g", what, f, got, want)
		}
	}
	for k, f := range a.FrequencyHz {
		near("A, dB", f, got.A[k], db(a.H(k)))
		near("the sum, dB", f, got.Sum[k], db(sum.H(k)))
		// With as many averages of both, the errors add up as what is unexplained does.
		near("the error of the sum", f, got.Error[k], sum.Deviation(k))
		between := cmplx.Phase(turned.Path(k)/a.Path(k)) * 180 / math.Pi
		near("the phase between", f, math.Remainder(got.Phase[k]-between, 360), 0)
	}
	for i, celsius := range []float64{-10, 0, 20, 35} {
		near("the speed of sound", celsius, got.Air[i], air.SpeedOfSound(celsius))
	}
}

// checkDrag drags the handle, wants every number to follow, and times it with 16
// seats.
func checkDrag(t *testing.T, d service, p page) {
	t.Helper()
	box := js[[4]float64](p, `((r, a, q) => [r.left + a.left, r.top + a.top + a.height / 2, a.width, q[1] - q[0]])(document.querySelector('[data-plot=sweep] .plot').getBoundingClientRect(), __app.plots.sweep.area, __app.plots.sweep.xRange)`)
	from := js[float64](p, `document.querySelector('.handle').getBoundingClientRect().left`)
	before := js[float64](p, `__app.page.model.setting.delayMs`)
	const moved = 80.0 // pixels
	p.do(chromedp.MouseEvent(chromedp.MousePressed, from, box[1], chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, from+moved/2, box[1], chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, from+moved, box[1], chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, from+moved, box[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	want := before + moved/box[2]*box[3]
	if got := js[float64](p, `__app.page.model.setting.delayMs`); math.Abs(got-want) > 2*box[3]/box[2] {
		t.Errorf("the handle went from %.3f to %.3f ms, want %.3f", before, got, want)
	}
	p.until(`(() => {
		const m = __app.page.model, shown = [...document.querySelectorAll('.matrix tbody tr')].map((r) => parseFloat(r.cells[5].textContent.replace('\u2212', '-').replace('▼', '')));
		return [...m.levels.now].every((v, k) => Math.abs(v - shown[k]) < 0.0501) && document.querySelector('[data-testid="sweep-handle"]').getAttribute('aria-valuenow') === String(Number(m.setting.delayMs.toFixed(2)));
	})()`)
	for n := 4; n <= 16; n++ {
		d.ask(t, "POST", "/api/v1/show/seats", fmt.Sprintf(`{"name":"row %d"}`, n), http.StatusOK, nil)
	}
	p.until(`document.querySelectorAll('.matrix tbody tr').length === 16 && __app.page.model.answer.missing.length >= 13`)
	took := js[[]float64](p, `(async () => {
		const { prepare } = await import('/core/phasor.js');
		const m = __app.page.model, kept = [m.answer, m.cells];
		const seats = Array.from({ length: 16 }, (_, k) => ({ ...m.answer.seats[k % m.answer.seats.length], seat: k + 1 }));
		m.answer = { ...m.answer, seats };
		m.cells = seats.map((s) => prepare(s.cells, s.spread_ms));
		const frame = () => new Promise((r) => requestAnimationFrame(r));
		m.set({ delayMs: 0 });
		for (let n = 0; n < 60; n++) await frame(); // the lines are drawn up meanwhile
		const took = [];
		for (let n = 0; n < 60; n++) {
			const from = performance.now();
			m.set({ delayMs: -3 + n / 20 });
			await frame(); // its promise is kept when the page has drawn
			took.push(performance.now() - from);
		}
		[m.answer, m.cells] = kept;
		m.backToPlan();
		return took.sort((a, b) => a - b);
	})()`)
	median := took[len(took)/2]
	t.Logf("dragging over 16 seats: %.1f ms a frame in the middle of 60, %.1f ms at worst (%.0f frames a second)", median, took[len(took)-1], 1000/median)
	for n := 4; n <= 16; n++ {
		d.ask(t, "DELETE", fmt.Sprintf("/api/v1/show/seats/%d", n), "", http.StatusOK, nil)
	}
	p.until(`document.querySelectorAll('.matrix tbody tr').length === 3 && __app.page.model.answer.missing.length === 0`)
}

// checkReport opens what the Show page links to.
func checkReport(t *testing.T, d service, p page) {
	t.Helper()
	p.do(chromedp.Navigate(d.url+"/show"), chromedp.WaitReady("canvas"))
	p.until(`document.querySelectorAll('.take-row').length === 12`)
	p.click("report-sheet")
	p.typed("report-venue", "Hall & yard")
	p.typed("report-operator", "A. <Person>")
	p.typed("report-remark", "Doors at seven & a half")
	link := js[string](p, `document.querySelector('[data-testid="report"]').href`)
	report := openTab(t, link, laptop, "svg")
	text := js[string](report, `document.body.innerText`)
	for _, want := range []string{"Hall & yard", "Settings sheet", "A. <Person>", "Doors at seven & a half", thirdSeat(), "holds at seat 1, seat 2, " + thirdSeat(), "Polarity same, was opposite", "Protect your hearing", "12 takes at 3 seats"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	if n := js[int](report, `document.querySelectorAll('svg').length`); n != 8 {
		t.Errorf("the report has %d drawings, want the sum over delay, response and ledger of three seats, and their map", n)
	}
	// Before and after: the proof's curve beside the promise, at each seat.
	if n := js[int](report, `[...document.querySelectorAll('figure[data-plot="magnitude"] svg')].filter((s) => ['before', 'promised', 'measured'].every((w) => s.textContent.includes(w))).length`); n != 3 {
		t.Errorf("%d seats show before, plan and proof, want 3", n)
	}
	// Kept as a file it is the same: nothing is loaded.
	if loaded := js[[]string](report, `performance.getEntriesByType('resource').map((e) => e.name)`); len(loaded) != 0 {
		t.Errorf("the report loads %q", loaded)
	}
	// It prints: on some pages of A4, with what was measured at the head of each.
	if n := report.sheets(); n != 2 {
		t.Errorf("the report prints on %d pages, want two for three seats", n)
	}
	numbers := js[string](report, `decodeURIComponent(document.querySelector('a[download]').href.split(',').slice(1).join(','))`)
	var raw struct {
		Pairs []struct{ Align wire.Align }
	}
	if err := json.Unmarshal([]byte(numbers), &raw); err != nil || len(raw.Pairs) != 1 || len(raw.Pairs[0].Align.Seats) != 3 {
		t.Errorf("attached: %v, %d pairs", err, len(raw.Pairs))
	}
}

// TestEveryLoudspeakerInTheMatrix has eight loudspeakers, and finds each at each
// seat on every screen: in sight, and none over another.
func TestEveryLoudspeakerInTheMatrix(t *testing.T) {
	atLength(t)
	d := demo(t)
	for n := 3; n <= 8; n++ {
		d.ask(t, "POST", "/api/v1/show/loudspeakers", fmt.Sprintf(`{"name":"delay tower %d"}`, n), http.StatusOK, nil)
	}
	d.ask(t, "POST", "/api/v1/show/seats", `{"name":"a seat with a rather long name"}`, http.StatusOK, nil)
	for _, s := range []screen{laptop, {820, 1180, "dark"}, {390, 844, "light"}, {320, 640, "dark"}} {
		t.Run(fmt.Sprintf("%dx%d", s.width, s.height), func(t *testing.T) {
			p := open(t, d.url+"/align", s)
			p.until(`document.querySelectorAll('.matrix tbody [data-testid^="take-"]').length === 2 * 9`)
			for _, problem := range js[[]string](p, `(() => {
				const problems = [];
				const boxes = [...document.querySelectorAll('.matrix tbody [data-testid^="take-"], .matrix tbody .seat-name input')].map((e) => {
					const seen = e.querySelector('.mark') ?? e, r = seen.getBoundingClientRect(), s = getComputedStyle(seen);
					// What is touched may be more than what is seen.
					return [e.dataset.testid, { left: r.left, right: r.right, width: r.width, top: r.top + parseFloat(s.paddingTop), bottom: r.bottom - parseFloat(s.paddingBottom) }];
				});
				for (const [name, r] of boxes) if (!(r.width > 5 && r.left >= 0 && r.right <= innerWidth)) problems.push(name + ' is out of sight');
				boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
					if (Math.min(p.right, q.right) - Math.max(p.left, q.left) > 1 && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 1) problems.push(a + ' lies over ' + b);
				}));
				const key = document.querySelector('.boxes-key').textContent;
				for (let n = 3; n <= 8; n++) if (!key.includes(n + ' delay tower ' + n)) problems.push(n + ' is not named');
				return problems;
			})()`) {
				t.Error(problem)
			}
			p.check(t, s)
		})
	}
}

// TestTakesByHand mutes in the rig, as at a console, and takes what plays.
func TestTakesByHand(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/align", laptop, "status of 409", "status of 422")
	p.until(`document.querySelector('[data-testid="hand-main"]') !== null`)
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"fill":{"mute":true}}}`, http.StatusOK, nil)
	// Too early it is refused, with a sentence and, once there is enough to store, a
	// way to have it all the same.
	eventually(t, "the take of the main", func() bool {
		p.click("hand-main")
		p.until(`document.querySelector('.notice') !== null`)
		text := js[string](p, `document.querySelector('.notices').textContent`)
		if strings.Contains(text, "Stored") {
			return true
		}
		if short := strings.Contains(text, "were heard since the last change"); short == strings.Contains(text, "Store it anyway") {
			t.Fatalf("refused with %q", text)
		}
		p.until(`document.querySelector('.notice') === null`)
		return false
	})
	p.until(`document.querySelector('[data-testid="take-1-main"] .mark').textContent === '●' && document.querySelector('[data-testid="take-1-fill"] .mark').textContent === '○'`)
	// A deleted seat comes back, with its takes.
	p.click("delete-seat")
	p.until(`document.querySelector('.matrix tbody tr') === null`)
	p.do(chromedp.Click(`.notice button`, chromedp.NodeVisible))
	p.until(`document.querySelector('[data-testid="take-1-main"] .mark')?.textContent === '●'`)
}

// TestSurveyStops presses stop, and closes the page, while the signal sounds.
func TestSurveyStops(t *testing.T) {
	atLength(t)
	d := demo(t)
	p := open(t, d.url+"/align", laptop)
	survey := func() (v wire.Survey) {
		d.get(t, "/api/v1/survey", http.StatusOK, &v)
		return v
	}
	start := func(p page) {
		p.until(`document.querySelector('[data-testid="survey"]')?.checkVisibility()`)
		p.click("survey")
		eventually(t, "the signal to rise", func() bool { v := survey(); return v.Running() && float64(v.LevelDBFS) > -45 })
	}
	start(p)
	p.click("survey-stop")
	eventually(t, "silence", func() bool { return survey().State == wire.SurveyStopped })
	p.until(`document.querySelector('.notices').textContent.includes('Sound off')`)

	// On another page there is a stop too.
	start(p)
	p.do(chromedp.Click(`nav a[href="/listen"]`, chromedp.NodeVisible))
	p.click("stop-signal")
	eventually(t, "silence", func() bool { return survey().State == wire.SurveyStopped })
	p.do(chromedp.Click(`nav a[href="/align"]`, chromedp.NodeVisible))

	// The page goes away, and is kept in the browser's memory.
	start(p)
	p.do(chromedp.Navigate("about:blank"))
	eventually(t, "silence", func() bool { return survey().State == wire.SurveyStopped })
}
