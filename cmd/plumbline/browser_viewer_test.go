package main

import (
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// touchAll uses every control that a page shows, those in the sheets it opens too, and
// returns those for which the page itself says that an operator is needed.
const touchAll = `(async () => {
	const refused = [];
	const seen = new Set();
	const usable = () => [...document.querySelectorAll('main button, main select, main input, main summary, header button, dialog[open] button, dialog[open] select, dialog[open] input')]
		.filter((e) => e.checkVisibility() && !e.disabled && !e.closest('.panel .menu') && e.textContent !== 'Close');
	for (let e; (e = usable().find((x) => !seen.has(x.dataset.testid || x))); ) {
		seen.add(e.dataset.testid || e);
		if (e.tagName === 'SELECT') {
			e.selectedIndex = (e.selectedIndex + 1) % Math.max(1, e.options.length);
			e.dispatchEvent(new Event('change', {bubbles: true}));
		} else if (e.tagName === 'INPUT') {
			e.focus();
			e.value = e.inputMode === 'decimal' ? '7' : 'seven';
			e.dispatchEvent(new Event('input', {bubbles: true}));
			e.blur();
			e.closest('form')?.requestSubmit();
		} else e.click();
		await new Promise((after) => setTimeout(after));
		for (const line of document.querySelectorAll('.notices *')) {
			if (!line.textContent.includes('This page looks on')) continue;
			refused.push(e.dataset.testid || e.getAttribute('aria-label') || e.textContent);
			break;
		}
		document.querySelector('.notices').replaceChildren();
	}
	for (const a of document.querySelectorAll('a[href^="/api/"]')) {
		if (a.checkVisibility() && (await fetch(a.href, {method: 'HEAD'})).status === 403) refused.push('link ' + a.textContent);
	}
	return [seen.size, ...refused].join('\n');
})()`

// unheard are what a page shows and keeps from a screen reader, or lets a viewer write in.
const unheard = `[...document.querySelectorAll('[inert], [data-operates="still"]')].filter((e) => e.checkVisibility() && (e.closest('[inert]') || !(e.readOnly || e.ariaDisabled === 'true'))).map((e) => e.dataset.testid || e.className)`

// A viewer comes by a link, the token leaves the address, and no page shows a control
// that would be refused.
func TestViewerSeesNothingThatIsRefused(t *testing.T) {
	needBrowser(t)
	n := startOnNetwork(t, "--empty")
	for path, body := range map[string]string{
		"/api/v1/show/import/csv?name=before": "100 -6 10\n1000 -3 20\n10000 -6 30\n", "/api/v1/show/traces/import?name=before": "100 -6\n1000 -3\n10000 -6\n",
		"/api/v1/show/seats": `{"name":"row 7"}`, "/api/v1/show/notes": `{"text":"a note"}`,
		"/api/v1/show/targets": `{"name":"flat","shown":true,"tolerance_db":3,"points":[[100,0],[10000,0]]}`,
	} {
		if status, text, _ := n.do(t, "POST", path, body, n.operator); status != 200 {
			t.Fatal(path, status, text)
		}
	}
	p := openTab(t, n.url+"/listen?token="+n.viewer, laptop, ".page", "401 (Unauthorized)")
	p.until(`document.documentElement.dataset.role === 'viewer' && location.search === ''`)
	if cookie := js[string](p, `document.cookie`); cookie != "" {
		t.Errorf("scripts can read %q", cookie)
	}
	for _, path := range []string{"setup", "listen", "align", "watch", "show", "rig", "walk"} {
		p.do(chromedp.Navigate(n.url+"/"+path), chromedp.WaitReady(".page"))
		p.until(`document.documentElement.dataset.role === 'viewer' && document.querySelector('.page') !== null && window.__app.session.state !== null`)
		if path == "listen" { // a value that cannot be set is heard all the same, and that it cannot
			averaging := slices.IndexFunc(p.walk(), func(h heard) bool {
				return h.role == "combobox" && h.name == "average" && h.value != "" && h.disabled
			})
			if averaging < 0 {
				t.Errorf("nobody hears how is averaged: %v", p.walk())
			}
		}
		found := strings.Split(js[string](p, touchAll), "\n")
		if found[0] == "0" {
			t.Errorf("%s: nothing to touch: what is tested here?", path)
		}
		for _, control := range found[1:] {
			t.Errorf("%s shows a viewer %q, which is refused", path, control)
		}
		if mute := js[[]string](p, unheard); len(mute) > 0 {
			t.Errorf("%s: a screen reader does not hear %q", path, mute)
		}
	}
	// Who is turned out is told in words, on the page itself.
	must(t, "token", "remove", "the viewer")
	eventually(t, "the page is in the place of the one that was", func() bool { // which cannot be asked meanwhile
		told, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`document.querySelector('.page') === null && document.body.textContent.includes('token is not known here')`))
		return err == nil && told
	})
	p.do(chromedp.Navigate("about:blank")) // or it would miss the daemon
	if o := n.stop(); strings.Contains(o.stderr, "why=operator") {
		t.Errorf("refused was %s", o.stderr)
	}
}
