package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"plumbline/analyze/air"
)

// What one delay says of where a microphone is: two seats of the demo's hall, and one between.
func TestWhereOneDelayPutsTheMicrophone(t *testing.T) {
	p := openTab(t, demo(t).url+"/setup", laptop, ".page")
	// At 30 °C, where 20 °C was entered, what took 60 ms takes less (ISO 9613-1, through analyze/air).
	warm := 60 * air.SpeedOfSound(20) / air.SpeedOfSound(30)
	for _, c := range []struct {
		what     string
		ms, sd   float64
		chosen   string
		at       string // heard at each seat, ms
		want     string // the seat that is found; – for none; nothing where nothing is said
		settings string // what became of the air and the processor since
	}{
		{"there", 33.02, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "", ""},
		{"there, while the fill plays alone", 38.33, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "", ""},
		{"put back to 30 cm", 33.9, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "", ""},
		{"at the other one", 22.4, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "one", ""},
		{"at neither", 30, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "–", ""},
		{"beside the other one", 24.5, 0.002, "two", `{one: [22.38, 27.15], two: [33.02, 38.33]}`, "–", ""},
		{"at one of two that are alike", 22.4, 0.002, "two", `{one: [22.38], two: [33.02], three: [22.5]}`, "–", ""},
		{"too wide an error to tell", 22.4, 3, "two", `{one: [22.38], two: [33.02]}`, "", ""},
		{"nothing was heard there", 22.4, 0.002, "two", `{one: [22.38], two: []}`, "", ""},
		{"ten degrees that nobody entered", warm, 0.002, "two", `{one: [22.38], two: [60]}`, "", ""},
		{"ten degrees that were entered", warm, 0.002, "two", `{one: [22.38], two: [60]}`, "", "temperature_c: 30"},
		{"10 ms that were dialled in", 43.02, 0.002, "two", `{one: [22.38], two: [33.02]}`, "", "delay_ms: 10"},
		{"10 ms that were dialled in, at the other one", 32.38, 0.002, "two", `{one: [22.38], two: [33.02]}`, "one", "delay_ms: 10"},
	} {
		got := js[string](p, fmt.Sprintf(`(async () => {
			const { elsewhere, heardAt } = await import('/parts/standing.js');
			const at = %s, now = { temperature_c: 20, delay_ms: 0, %s };
			const seats = Object.keys(at).map((name, k) => ({ id: k + 1, name }));
			const takes = seats.flatMap(({ id, name }) => at[name].map((ms) => ({ seat: id, origin: 'measured', source: 'hall', reference: 1, loudspeakers: [1], temperature_c: 20, settings: { dialled: {} },
				results: { arrivals: [{ delay_ms: ms, delay_sd_ms: 0.002, level_db: 0 }, { delay_ms: %[3]g, delay_sd_ms: 0.002, level_db: -20 }] } })));
			const shelf = { seats, takes, playing: () => 'main' };
			const heard = heardAt(shelf, { answer: { settings: [{ loudspeaker: 'main', from: now }] } }, { rig: null, state: { source: { name: 'hall' }, settings: { reference: 1, ...now } } });
			const where = elsewhere({ ms: %[3]g, sd: %g }, seats.find((s) => s.name === %q), heard);
			return where ? where.found?.name ?? '–' : '';
		})()`, c.at, c.settings, c.ms, c.sd, c.chosen))
		if got != c.want {
			t.Errorf("%s: found %q, want %q", c.what, got, c.want)
		}
	}
}

// From the place of the microphone in the hall to the sentence: seat 2 is chosen, and it is at
// seat 1, at seat 2, and at neither. In silence nobody can tell.
func TestWalkKnowsWhereTheMicrophoneStandsInRealTime(t *testing.T) {
	atLength(t)
	t.Parallel() // most of it waits for sound
	needBrowser(t)
	d := start(t, "demo", "--listen", "127.0.0.1:0")
	p := openTab(t, d.url+"/walk?seat=2", phone, ".page")
	const headline = `document.querySelector('.headline').textContent`
	says := func(start string) { t.Helper(); p.until(fmt.Sprintf(`%s.startsWith(%q)`, headline, start)) }
	says("The microphone is at seat 1, not seat 2: choose seat 1.")
	if text := js[string](p, walkSays); !strings.Contains(text, "the delay now is one of seat 1. Or carry it to seat 2.") {
		t.Errorf("it says %q", text)
	}
	p.check(t, phone)
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"main":{"mute":true},"fill":{"mute":true}}}`, http.StatusOK, nil)
	says("Main and fill ")
	d.ask(t, "PATCH", "/api/v1/rig", `{"loudspeakers":{"main":{"mute":false}}}`, http.StatusOK, nil)
	says("The microphone is at seat 1, not seat 2")
	d.moveMicrophone(t, seatsOfHall[1])
	says("Main and fill ")
	d.moveMicrophone(t, [3]float64{14, 5, 1.2})
	says("The microphone is not at seat 2: choose the seat or carry it there.")

	// While it sounds, what stops it is in sight on every screen.
	p.click("act")
	p.until(visible("act-stop"))
	for _, s := range []screen{laptop, {820, 1180, "dark"}, phone, {320, 640, "light"}} {
		p.show(s, 1)
		p.until(fmt.Sprintf(`innerWidth === %d`, s.width))
		if bottom, room := js[float64](p, `document.querySelector('[data-testid="act-stop"]').getBoundingClientRect().bottom`), js[float64](p, `innerWidth < 720 ? document.querySelector('nav').getBoundingClientRect().top : innerHeight`); bottom > room {
			t.Errorf("at %d x %d what stops it reaches down to %.0f of %.0f", s.width, s.height, bottom, room)
		}
	}
	p.click("act-stop")
}

// atHand wants the button where it can be pressed without scrolling, and the plan of the seats
// where there is room for one.
func (p page) atHand(s screen) {
	p.t.Helper()
	if below := js[float64](p, `document.querySelector('[data-testid="act"]').getBoundingClientRect().bottom - (innerWidth < 720 ? document.querySelector('nav').getBoundingClientRect().top : innerHeight)`); below > 0 {
		p.t.Errorf("the button reaches %.0f pixels below what is seen", below)
	}
	if dots := js[int](p, `document.querySelectorAll('.walk .seat-map .dot').length`); s.width >= 720 && s.height >= 700 && dots != 3 {
		p.t.Errorf("%d seats are on the plan, want 3", dots)
	}
}
