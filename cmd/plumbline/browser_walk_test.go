package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"

	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"plumbline/stream/wire"
)

// walkSays are what a page for walking says, as one text.
const walkSays = `[...document.querySelectorAll('.headline, .sentence')].map((e) => e.textContent).join(' ')`

// hereIs holds when the page is at a seat.
func hereIs(seat string) string {
	return fmt.Sprintf(`document.querySelector('[data-testid="which-seat"]')?.selectedOptions[0]?.textContent === %q`, seat)
}

// visible holds when an element can be seen.
func visible(id string) string {
	return fmt.Sprintf(`(document.querySelector('[data-testid=%q]')?.checkVisibility() ?? false)`, id)
}

// surveyHere presses the one button and waits until the seat is measured. On a busy machine
// the page may answer too late for what watches over the sound: then it is pressed again.
// while is called when it sounds first.
func (p page) surveyHere(while func()) {
	p.t.Helper()
	for try := 1; ; try++ {
		p.until(visible("act") + ` && !document.querySelector('[data-testid="act"]').disabled`)
		before := js[int64](p, `__app.session.survey.revision`)
		p.click("act")
		p.until(fmt.Sprintf(`__app.session.survey.revision > %d && ['ramping', 'measuring'].includes(__app.session.survey.state)`, before))
		if while != nil {
			while()
			while = nil
		}
		p.until(`!['ramping', 'measuring', 'storing'].includes(__app.session.survey.state)`)
		v := js[wire.Survey](p, `__app.session.survey`)
		if v.State == wire.SurveyDone {
			return
		}
		if try == 10 || !strings.Contains(v.Text, "the page that started it") {
			p.t.Fatalf("the survey ended as %s: %s", v.State, v.Text)
		}
		p.t.Logf("once more: %s", v.Text)
	}
}

// In the hand: an operator opens the link on a phone and surveys three seats with one
// press each; each time the page says what was found and where to go, and has the seat
// before and the one after. A viewer's page on a tablet goes along, at its own size, has
// nothing to press, and is refused what it tries all the same.
func TestWalkOfThreeSeatsOnANetworkInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	needBrowser(t)
	n := startBesideOthers(t, "walking ", "--empty")
	hand := openTab(t, n.url+"/walk?token="+n.operator, phone, ".page", "ERR_EMPTY_RESPONSE") // a busy machine may be asked twice
	hand.until(`location.search === '' && document.documentElement.dataset.role === 'operator' && ` + visible("act"))
	// The same daemon by another name, since one name has one cookie.
	_, port, _ := strings.Cut(n.host, ":")
	tablet := screen{820, 1180, "dark"}
	watch := openTab(t, "http://127.0.0.1:"+port+"/walk?token="+n.viewer, tablet, ".page", "status of 403", "ERR_EMPTY_RESPONSE") // the browser itself writes that it was refused
	watch.until(`document.documentElement.dataset.role === 'viewer' && ` + hereIs("seat 1"))

	button := js[string](hand, hand.shows("act"))
	for _, want := range []string{"Survey seat 1", "Starts at \u221240 dBFS and rises in 3 s to \u221220.", "Keep ears and people away from the boxes."} {
		if !strings.Contains(button, want) {
			t.Errorf("the button says %q, want %q on it", button, want)
		}
	}
	for seat := 2; seat <= 3; seat++ {
		hand.click("new-seat")
		hand.until(hereIs(fmt.Sprintf("seat %d", seat)))
	}
	hand.choose("which-seat", "1")
	hand.until(hereIs("seat 1"))
	hand.click("walk-settings")
	hand.typed("survey-within", "6")
	js[bool](hand, `(document.querySelector('dialog').close(), true)`)
	hand.until(hand.shows("walk-settings") + ` === '±6.0 dB, −20 dBFS'`)
	hand.check(t, phone)

	for k, at := range seatsOfHall {
		seat := fmt.Sprintf("seat %d", k+1)
		body, err := json.Marshal(map[string]any{"microphones": map[string]any{"seat 1": map[string]any{"position_m": at}}})
		if err != nil {
			t.Fatal(err)
		}
		if status, text, _ := n.do(t, "PATCH", "/api/v1/rig", string(body), n.operator); status != http.StatusOK {
			t.Fatal(status, text)
		}
		hand.until(hereIs(seat) + ` && ` + hand.shows("act") + `.startsWith('Survey ` + seat + `Starts')`)
		hand.surveyHere(func() {
			hand.until(visible("act-stop") + ` && !` + visible("act"))
			watch.until(hereIs(seat) + ` && ` + walkSays + `.includes(` + fmt.Sprintf("%q", " at "+seat) + `)`)
			if k > 0 {
				return
			}
			if bottom := js[float64](hand, `document.querySelector('[data-testid="act-stop"]').getBoundingClientRect().bottom`); bottom > 844-56 {
				t.Errorf("the button that stops reaches down to %.0f", bottom)
			}
			hand.check(t, phone)
			watch.check(t, tablet)
			for _, problem := range append(hand.problems(), watch.problems()...) {
				t.Error(problem)
			}
			// It has nothing to press, and what it tries is refused: the sound goes on.
			js[bool](watch, `document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'Escape', bubbles: true}))`)
			for _, path := range []string{"/api/v1/survey/stop", "/api/v1/survey"} {
				if status := js[int](watch, fmt.Sprintf(`fetch(%q, {method: 'POST', headers: {'Content-Type': 'application/json'}, body: '{}'}).then((r) => r.status)`, path)); status != http.StatusForbidden {
					t.Errorf("a viewer's %s is answered with %d", path, status)
				}
			}
			if text := js[string](watch, `__app.session.survey.text`); strings.Contains(text, "stopped by") {
				t.Errorf("a viewer stopped it: %s", text)
			}
		})
		for _, id := range []string{"act", "act-stop", "new-seat", "walk-settings"} {
			if js[bool](watch, visible(id)) {
				t.Errorf("a viewer sees %s", id)
			}
		}
		// Found, and the next thing to do; what lies before is where one looks for it.
		hand.until(walkSays + `.includes(` + fmt.Sprintf("%q", " at "+seat+": ") + `)`)
		if k < 2 {
			next := fmt.Sprintf("seat %d", k+2)
			hand.until(hereIs(next) + ` && ` + walkSays + `.includes('go on to ` + next + `')`)
			hand.until(`document.querySelector('[data-testid="line-before"] .level').textContent.endsWith(' dB')`)
			watch.until(hereIs(next) + ` && ` + walkSays + ` === ` + fmt.Sprintf("%q", js[string](hand, walkSays)))
		}
	}
	hand.until(hereIs("seat 3") + ` && ` + walkSays + `.includes('Every seat is measured.') && ` + hand.shows("act") + `.startsWith('Survey seat 3 again')`)

	// The numbers on the line are those of the takes and of the plan.
	var align wire.Align
	if status, text, _ := n.do(t, "GET", "/api/v1/align?main=main&fill=fill&spread_m=0.1", "", n.operator); status != http.StatusOK || json.Unmarshal([]byte(text), &align) != nil || len(align.Seats) != 3 {
		t.Fatalf("%d %.300s", status, text)
	}
	var takes struct {
		Takes []struct {
			Seat         int64
			Loudspeakers []int64
			DelayMs      float64 `json:"delay_ms"`
		}
	}
	if status, text, _ := n.do(t, "GET", "/api/v1/show/takes", "", n.operator); status != http.StatusOK || json.Unmarshal([]byte(text), &takes) != nil {
		t.Fatalf("%d %.300s", status, text)
	}
	for k, place := range []string{"far-before2", "before", "here"} {
		want := fmt.Sprintf("%+.1f dB", float64(align.Seats[k].GainDB))
		if got := plain(js[string](watch, `document.querySelector('[data-testid="line-`+place+`"] .level').textContent`)); got != want {
			t.Errorf("at seat %d the line says %s, the daemon %s", k+1, got, want)
		}
		for _, take := range takes.Takes {
			if take.Seat != int64(k+1) || len(take.Loudspeakers) != 1 || take.Loudspeakers[0] != 1 {
				continue
			}
			want := fmt.Sprintf("%.2f ms", take.DelayMs)
			if got := js[string](watch, `document.querySelector('[data-testid="line-`+place+`"] .time').textContent`); got != want && !lastDigit(strings.TrimSuffix(got, " ms"), strings.TrimSuffix(want, " ms")) {
				t.Errorf("at seat %d main arrives after %s, the take has %s", k+1, got, want)
			}
		}
	}
	if got := len(takes.Takes); got < 9 {
		t.Errorf("%d takes are stored, want 9", got)
	}
	hand.check(t, phone)
	watch.check(t, tablet)
	found := strings.Split(js[string](watch, touchAll), "\n")
	for _, control := range found[1:] {
		t.Errorf("a viewer can touch %q, which is refused", control)
	}
	for _, p := range []page{hand, watch} {
		p.do(chromedp.Navigate("about:blank"))
	}
}

// reach is the network between a page and a daemon. Left, it swallows: whatever is sent
// is neither passed on nor refused, as where a phone leaves the reach of an access point.
type reach struct {
	url   string
	mu    sync.Mutex
	moved *sync.Cond
	out   bool // left
	ended bool
	tried int // connections that were begun while it was
	ends  []net.Conn
}

// between lays one to a daemon.
func between(t *testing.T, to string) *reach {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &reach{url: "http://" + l.Addr().String()}
	c.moved = sync.NewCond(&c.mu)
	var all sync.WaitGroup
	all.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return // closed
			}
			all.Go(func() { c.join(&all, near, to) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		c.mu.Lock()
		c.ended = true
		c.moved.Broadcast()
		for _, end := range c.ends {
			end.Close()
		}
		c.mu.Unlock()
		all.Wait()
	})
	return c
}

// join connects a page's connection with the daemon as soon as it is in reach.
func (c *reach) join(all *sync.WaitGroup, near net.Conn, to string) {
	c.mu.Lock()
	if c.out {
		c.tried++
	}
	c.mu.Unlock()
	c.hold(near)
	c.whenIn()
	far, err := net.Dial("tcp", to)
	if err != nil {
		near.Close()
		return
	}
	c.hold(far)
	all.Go(func() { c.carry(far, near) })
	c.carry(near, far)
}

// hold keeps a connection to be closed at the end.
func (c *reach) hold(end net.Conn) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ends = append(c.ends, end)
	if c.ended {
		end.Close()
	}
}

func (c *reach) whenIn() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for c.out && !c.ended {
		c.moved.Wait()
	}
}

func (c *reach) carry(from, to net.Conn) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 64<<10)
	for {
		n, err := from.Read(buf)
		c.whenIn()
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (c *reach) leave(out bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.out, c.tried = out, 0
	c.moved.Broadcast()
}

// While a seat is surveyed the network drops, and later the phone locks: the sound stops,
// the page says so and keeps what was measured, and both times it goes on by itself. While
// its own sound lasts it asks for its screen to stay on. What was asked and not answered is
// asked again.
func TestWalkWhereTheNetworkDropsInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0")
	c := between(t, strings.TrimPrefix(d.url, "http://"))
	p := openBlank(t, c.url, phone, "WebSocket connection", "ERR_") // the browser itself writes that nobody answers
	p.onEachDocument(calm)
	p.onEachDocument(`(() => { window.__awake = 0; Object.defineProperty(navigator, 'wakeLock', { value: { request: async () => (__awake++, { release: async () => __awake-- }) } }); })()`)
	// The first questions for takes and for the plan are lost on the way: they are asked again.
	p.onEachDocument(`(() => {
		const fetch = window.fetch;
		window.__lost = ['/api/v1/show/takes', '/api/v1/align'];
		window.fetch = async (path, options) => {
			const k = __lost.findIndex((start) => path.startsWith(start));
			if (k < 0) return fetch(path, options);
			__lost.splice(k, 1);
			throw new TypeError('network');
		};
	})()`)
	p.do(chromedp.Navigate(c.url+"/walk?seat=2"), chromedp.WaitReady(".page"))
	p.until(`__lost.length === 0`)
	p.until(`__app.frames > 0 && __app.session.show?.takes === 9 && ` + hereIs("seat 2") + ` && document.querySelectorAll('.seat-line li:not(.far) .level').length === 3 && [...document.querySelectorAll('.seat-line li:not(.far) .level')].every((e) => e.textContent.endsWith(' dB'))`)
	const line = `[...document.querySelectorAll('.seat-line li:not([hidden]) :is(.level, .time)')].map((e) => e.textContent).join(' ')`
	measured := js[string](p, line)

	// begin has the sound on, and its page hold it; on a busy machine it may have to be pressed again.
	begin := func() {
		t.Helper()
		p.until(visible("act") + ` && !document.querySelector('[data-testid="act"]').disabled`)
		p.click("act")
		p.until(`__app.session.survey.state === 'measuring' && __awake === 1`)
	}
	stopped := func() {
		t.Helper()
		eventually(t, "the sound off", func() bool {
			var v wire.Survey
			d.get(t, "/api/v1/survey", http.StatusOK, &v)
			return v.State == wire.SurveyStopped && strings.Contains(v.Text, "the page that started it")
		})
	}
	goesOn := func() {
		t.Helper()
		p.until(walkSays + `.startsWith('The sound stopped at seat 2: survey it again.') && ` + line + ` === ` + fmt.Sprintf("%q", measured))
		p.until(visible("act") + ` && !document.querySelector('[data-testid="act"]').disabled && ` + p.shows("here-when") + ` === '' && __awake === 0`)
		frames := js[int](p, `__app.frames`)
		p.until(fmt.Sprintf(`__app.frames > %d`, frames+2))
	}

	begin()
	c.leave(true)
	p.until(walkSays + `.startsWith('No connection since ') && ` + p.shows("here-when") + `.startsWith('heard at ')`)
	stopped()
	eventually(t, "that it is tried again and again", func() bool {
		c.mu.Lock()
		defer c.mu.Unlock()
		return c.tried >= 2
	})
	if now := js[string](p, line); now != measured {
		t.Errorf("measured was %s, and is %s", measured, now)
	}
	if delay := p.text("here-delay"); !strings.Contains(delay, ".") {
		t.Errorf("the delay that was heard is %q", delay)
	}
	if !js[bool](p, `document.querySelector('[data-testid="act-stop"]').disabled`) {
		t.Error("what nobody hears can be pressed")
	}
	p.check(t, phone)
	for _, problem := range p.problems() {
		t.Error(problem)
	}
	c.leave(false)
	goesOn()

	begin()
	lock := func(state cdppage.SetWebLifecycleStateState) {
		t.Helper()
		if _, err := chromedp.Call(p.ctx, cdppage.SetWebLifecycleState, cdppage.SetWebLifecycleStateParams{State: state}); err != nil {
			t.Fatal(err)
		}
	}
	lock(cdppage.SetWebLifecycleStateStateFrozen)
	stopped()
	lock(cdppage.SetWebLifecycleStateStateActive)
	// Thawed it is hidden still, and no command of this browser shows it again: what the browser
	// tells a page that is looked at is told by hand.
	p.until(`document.hidden`)
	js[bool](p, `(Object.defineProperty(document, 'hidden', { value: false }), document.dispatchEvent(new Event('visibilitychange')))`)
	goesOn()
}
