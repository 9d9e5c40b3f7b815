package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// heard is one thing of the accessibility tree, as a screen reader comes to it.
type heard struct {
	role, name string
	value      string
	level      int // of a heading
	disabled   bool
}

// walk is what a screen reader walks through, in its order.
func (p page) walk() []heard {
	p.t.Helper()
	tree, err := chromedp.Call(p.ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		p.t.Fatal(err)
	}
	text := func(v *accessibility.Value) (s string) {
		if v != nil {
			json.Unmarshal(v.Value, &s) // what is no text has none
		}
		return s
	}
	nodes := map[accessibility.NodeID]*accessibility.Node{}
	for _, n := range tree.Nodes {
		nodes[n.NodeID] = n
	}
	var out []heard
	var visit func(n *accessibility.Node)
	visit = func(n *accessibility.Node) {
		if !n.Ignored {
			h := heard{role: text(n.Role), name: text(n.Name), value: text(n.Value)}
			for _, property := range n.Properties {
				switch property.Name {
				case accessibility.PropertyNameLevel:
					json.Unmarshal(property.Value.Value, &h.level)
				case accessibility.PropertyNameDisabled:
					json.Unmarshal(property.Value.Value, &h.disabled)
				}
			}
			out = append(out, h)
		}
		for _, id := range n.ChildIDs {
			if c := nodes[id]; c != nil {
				visit(c)
			}
		}
	}
	visit(tree.Nodes[0])
	return out
}

// needName are roles that say nothing without a name.
var needName = []string{"button", "link", "image", "textbox", "spinbutton", "combobox", "checkbox", "radio", "slider", "region", "navigation", "complementary", "progressbar", "table", "Canvas", "DisclosureTriangle"}

// workOrder is what comes after what on the pages that are worked on most.
var workOrder = map[string][]heard{
	"Listen": {
		{role: "link", name: "To the measurement"}, {role: "navigation", name: "Pages"}, {role: "main"}, {role: "heading", name: "Listen"},
		{role: "StaticText", name: "Arrivals 1 and"}, {role: "button", name: "opposite polarity"}, {role: "complementary", name: "Numbers"}, {role: "heading", name: "Delay"},
		{role: "heading", name: "Inputs"}, {role: "region", name: "At the line"}, {role: "region", name: "Magnitude, dB"}, {role: "image", name: "Plot of magnitude, dB"},
		{role: "image", name: "Coherence over frequency"}, {role: "region", name: "Phase, degrees"}, {role: "image", name: "Plot of phase"}, {role: "region", name: "Impulse response"}, {role: "image", name: "Plot of impulse response"},
	},
	"Align": {
		{role: "navigation", name: "Pages"}, {role: "main"}, {role: "heading", name: "Align"}, {role: "StaticText", name: "Main and fill"},
		{role: "region", name: "Seats"}, {role: "combobox", name: "Loudspeaker that stays"}, {role: "table"}, {role: "button", name: "Survey seat"},
		{role: "region", name: "Efficiency"}, {role: "image", name: "Plot of efficiency"}, {role: "slider", name: "Delay to try"}, {role: "region", name: "Magnitude, dB"}, {role: "image", name: "Plot of magnitude"},
		{role: "region", name: "To dial in"}, {role: "region", name: "Ledger"},
	},
	"Walk": {
		{role: "navigation", name: "Pages"}, {role: "main"}, {role: "heading", name: "Walk"}, {role: "StaticText", name: "The microphone is at seat 1"},
		{role: "region", name: "What the microphone hears"}, {role: "heading", name: "Delay"}, {role: "heading", name: "Level"},
		{role: "region", name: "Seats"}, {role: "button", name: "Seat before: seat 1"}, {role: "combobox", name: "At which seat are you?"}, {role: "button", name: "Seat after: seat 3"},
		{role: "button", name: "New seat"}, {role: "region", name: "Measure this seat"}, {role: "button", name: "Survey seat 2 again"},
	},
}

// readOut goes through the accessibility tree of a page: one first heading, a name for all
// that needs one, plots with their tables, and an order in which one works.
func (p page) readOut(path string) {
	t := p.t
	all := p.walk()
	name := strings.TrimSuffix(strings.ToUpper(path[:1])+path[1:], "up")
	var first []heard
	for _, h := range all {
		if h.role == "heading" && h.level == 1 {
			first = append(first, h)
		}
		if h.name == "" && slices.Contains(needName, h.role) {
			t.Errorf("a %s has no name", h.role)
		}
	}
	if len(first) != 1 || !strings.HasPrefix(first[0].name, name) {
		t.Errorf("first headings are %v, want one that says %s", first, name)
	}
	at := 0
	for _, want := range workOrder[name] {
		k := slices.IndexFunc(all[at:], func(h heard) bool { return h.role == want.role && strings.HasPrefix(h.name, want.name) })
		if k < 0 {
			t.Fatalf("after %v there is no %s “%s”; it goes on with %v", all[max(0, at-1)], want.role, want.name, all[at:min(len(all), at+40)])
		}
		at += k + 1
	}
	// Every plot is a table for those who ask.
	canvases := js[[]string](p, `[...document.querySelectorAll('.panel')].filter((e) => e.checkVisibility()).map((e) => {
		const before = document.querySelectorAll('dialog[open] table').length;
		[...e.querySelectorAll('.menu button')].find((b) => b.textContent === 'Table').click();
		const rows = document.querySelectorAll('dialog[open] table tr').length;
		document.querySelector('dialog[open]')?.close();
		return e.dataset.plot + ' ' + (before === 0 && rows > 2);
	})`)
	for _, plot := range canvases {
		if !strings.HasSuffix(plot, " true") {
			t.Errorf("no table of %s", plot)
		}
	}
	if keys := js[string](p, `(document.body.dispatchEvent(new KeyboardEvent('keydown', {key: '?', shiftKey: true, bubbles: true})), [...document.querySelectorAll('dialog kbd')].map((k) => k.textContent).filter((k) => /^Shift \d$/.test(k)).join())`); keys != "Shift 1,Shift 2,Shift 3,Shift 4,Shift 5,Shift 6,Shift 7" {
		t.Errorf("page keys are %s", keys)
	}
	js[bool](p, `(document.querySelector('dialog[open]')?.close(), true)`)
}

// TestNothingMovesForThoseWhoAsk asks for reduced motion, on the page that moves its meters.
func TestNothingMovesForThoseWhoAsk(t *testing.T) {
	p := openTab(t, demo(t).url+"/setup", laptop, ".page")
	p.until(`document.querySelector('.inputs .rms') !== null`)
	const moves = `Math.max(0, ...[...document.querySelectorAll('body *')].map((e) => getComputedStyle(e)).flatMap((s) => [s.transitionDuration, s.animationDuration].flatMap((d) => d.split(',').map(parseFloat))))`
	if js[float64](p, moves) == 0 {
		t.Fatal("nothing moves at all: what is tested here?")
	}
	_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}}})
	if err != nil {
		t.Fatal(err)
	}
	p.until(moves + ` === 0`)
}

// touchPhrases touches every phrase of a page: something is lit, and is not any more when it
// is left.
func (p page) touchPhrases() {
	t := p.t
	js[bool](p, `window.__keep = true`)
	dark := js[[]string](p, `(async () => {
		const frame = async () => {
			await new Promise((done) => setTimeout(done, 20));
			window.__refresh();
		};
		const lit = () => document.querySelector('.lit') !== null || [...document.querySelectorAll('canvas')].some((c) => window.__drawn(c).lit);
		const wrong = [];
		for (const about of new Set([...document.querySelectorAll('.phrase')].map((e) => e.dataset.about))) {
			const phrase = document.querySelector('.phrase[data-about="' + about + '"]');
			if (!phrase) continue; // the sentence has changed
			phrase.click();
			let on = false;
			for (let n = 0; n < 400 && !on; n++) { await frame(); on = lit(); }
			if (!on) wrong.push(about + ' “' + phrase.textContent + '”');
			__app.view.setLight(null);
			let off = false;
			for (let n = 0; n < 400 && !off; n++) { await frame(); off = !lit(); }
			if (!off) wrong.push(about + ' stays lit');
		}
		window.__keep = false;
		return wrong;
	})()`)
	for _, phrase := range dark {
		t.Errorf("nothing is lit by %s", phrase)
	}
}

// TestMetersOfAllMicrophones has two microphones and looks at one: the other's meter reads
// its level too, and the lines of the comb stand where the response dips.
func TestMetersOfAllMicrophones(t *testing.T) {
	atLength(t)
	needBrowser(t)
	d := start(t, "serve", "--rig", "../../testdata/scenes/clean.toml", "--listen", "127.0.0.1:0")
	p := open(t, d.url+"/listen", laptop)
	p.until(`__app.session.frame.averagedS > 1 && document.querySelectorAll('.meter').length > 2`)
	var state wire.State
	d.get(t, "/api/v1/state", http.StatusOK, &state)
	for k := range len(state.Settings.Microphones) {
		p.until(fmt.Sprintf(`Number(document.querySelectorAll('.meter')[%d].querySelector('.level').textContent.replace('\u2212', '-')) < -5`, k+1))
		p.until(fmt.Sprintf(`/scaleX\(0\.[1-9]/.test(document.querySelectorAll('.meter')[%d].querySelector('.rms').style.transform)`, k+1))
	}
}

// TestEmptyPagesShowTheNextStep opens pages with nothing on them: what to do next stands where
// the result will.
func TestEmptyPagesShowTheNextStep(t *testing.T) {
	atLength(t)
	d := demo(t)
	for _, c := range []struct{ path, place, next, filled string }{
		{"/align", ".awaited", "stand the microphone at seat 1 and survey it", ""},
		{"/show", ".awaited", "survey the seats on Align, or import a response", ""},
		{"/watch", ".panel[data-plot=difference] .note", "Measure a baseline", ""},
	} {
		p := openMeasured(t, d.url+c.path)
		for _, l := range layouts[:4] {
			p.show(screen{l.width, l.height, "dark"}, l.scale)
			if l.width < 720 && c.path != "/show" {
				js[bool](p, `((document.querySelector('.tabs [data-shows=sweep]') ?? [...document.querySelectorAll('.tabs button')].find((b) => b.textContent === 'Difference')).click(), true)`)
			}
			p.until(fmt.Sprintf(`((e) => e?.checkVisibility() && e.textContent.includes(%q))(document.querySelector(%q))`, c.next, c.place))
			for _, problem := range p.problems() {
				t.Errorf("%s, %s: %s", c.path, l.name, problem)
			}
		}
	}
}

// explainedOn are the terms that explain themselves on a page of the demo, each at its first place.
var explainedOn = map[string][]string{
	"setup":  {"reference"},
	"watch":  {"baseline"}, // exposure with a limit, over a calibrated microphone
	"rig":    {"arrival", "response"},
	"show":   {"response", "take"},
	"align":  {"comb", "efficiency", "ledger", "plan", "polarity", "response", "seat"},
	"walk":   {},
	"listen": {"arrival", "coherence", "polarity", "response", "window"},
}

// explains taps each term of a page with a key: it says what it is, has a name for who listens, and stands once.
func (p page) explains(name string) {
	p.t.Helper()
	p.show(laptop, 1)
	type told struct{ Term, Name, Says string }
	all := js[[]told](p, `(() => [...document.querySelectorAll('main .term')].filter((e) => e.checkVisibility()).map((e) => {
		e.focus();
		const reached = document.activeElement === e;
		e.click();
		const sheet = document.querySelector('dialog[open] .explained');
		const out = { Term: e.dataset.term, Name: reached ? e.getAttribute('aria-label') : '', Says: sheet?.textContent ?? '' };
		document.querySelector('dialog[open]')?.close();
		return out;
	}))()`)
	var terms []string
	for _, a := range all {
		terms = append(terms, a.Term)
		if !strings.HasSuffix(a.Name, ": what is that?") || len(a.Says) < 30 {
			p.t.Errorf("%s: called %q, says %q", a.Term, a.Name, a.Says)
		}
	}
	slices.Sort(terms)
	if !slices.Equal(terms, explainedOn[name]) {
		p.t.Errorf("terms that can be tapped: %q, want %q", terms, explainedOn[name])
	}
}
