package main

import (
	"fmt"
	"math"
	"math/cmplx"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// mainAndSubText is what two loudspeakers were measured at elsewhere: sides of a
// 24 dB crossover at 90 Hz (Linkwitz 1976) with a reflection each, the sub late by
// lateMs.
func mainAndSubText(lateMs float64) (main, sub string) {
	var a, b strings.Builder
	for f := 20.0; f < 4000; f *= math.Exp2(1. / 96) {
		s := complex(0, f/90)
		d := s*s + complex(math.Sqrt2, 0)*s + 1
		at := func(ms float64) complex128 { return cmplx.Rect(1, -2*math.Pi*f*ms/1e3) }
		low := complex(0, f/28)
		h := s * s * s * s / (d * d) * (1 + 0.35*at(21))
		l := low * low / (low*low + complex(math.Sqrt2, 0)*low + 1) / (d * d) * at(lateMs) * (1 + 0.3*at(34))
		for to, z := range map[*strings.Builder]complex128{&a: h * at(20), &b: l * at(20)} {
			fmt.Fprintf(to, "%.4f %.4f %.4f %.4f\n", f, 20*math.Log10(cmplx.Abs(z)), cmplx.Phase(z)*180/math.Pi, 0.97)
		}
	}
	return a.String(), b.String()
}

// The phase of a main and its sub over their overlap, with the lines that tell one
// cycle from the next: there for a narrow overlap, gone for a wide one, right under
// the handle, whole on every screen.
func TestPhaseSlopes(t *testing.T) {
	atLength(t)
	d := demo(t)
	needBrowser(t)
	var sub show.Loudspeaker
	d.ask(t, "POST", "/api/v1/show/loudspeakers", `{"name":"sub","role":"sub"}`, http.StatusOK, &sub)
	var list struct{ Loudspeakers []show.Loudspeaker }
	d.get(t, "/api/v1/show/loudspeakers", http.StatusOK, &list)
	ids := map[string]int64{}
	for _, l := range list.Loudspeakers {
		ids[l.Name] = l.ID
	}
	const late = 9.0
	mainText, subText := mainAndSubText(late)
	for name, text := range map[string]string{"main": mainText, "sub": subText} {
		d.ask(t, "POST", fmt.Sprintf("/api/v1/show/import/csv?name=%s&seat=1&loudspeakers=%d&averages=30&sample_rate_hz=48000", name, ids[name]), text, http.StatusOK, nil)
	}
	var a wire.Align
	d.get(t, "/api/v1/align?main=main&fill=sub", http.StatusOK, &a)
	if a.Plan == nil {
		t.Fatal(a.Reasons)
	}
	t.Logf("%.0f Hz, %+v, %s, slopes %+v", a.BandHz, *a.Plan, a.Reason, a.Seats[0].Slopes)
	for k, s := range []screen{laptop, {1366, 768, "light"}, {820, 1180, "light"}, {390, 844, "dark"}} {
		p := openTab(t, d.url+"/align?main=main&fill=sub", s, "canvas")
		p.until(`!!__app.page?.model?.answer?.plan`)
		if s.width < 640 {
			p.do(chromedp.Click(`.tabs [data-shows="sum"]`, chromedp.NodeVisible))
		}
		p.until(`(r => r.width > 200 && r.height > 110)(document.querySelector('.slopes canvas').getBoundingClientRect())`)
		words := p.text("slopes")
		if !strings.Contains(words, "ms apart in slope") || !strings.Contains(words, "with this setting") || !strings.Contains(words, a.Reason) {
			t.Errorf("%v: the slopes say %q", s, words)
		}
		// The slopes that are drawn are the daemon's, moved by the handle.
		got := js[[]float64](p, `(m => [m.account.slopes.a_ms, m.account.slopes.b_ms, m.setting.delayMs])(__app.page.model)`)
		if math.Abs(got[1]-got[0]-late) > 3 || math.Abs(got[2]+late) > 3 {
			t.Errorf("%v: the group delays are %.1f ms apart, the plan gives %.1f; the sub is %g ms late", s, got[1]-got[0], got[2], late)
		}
		// Nothing of it lies outside the screen.
		if out := js[bool](p, `(r => r.left < 0 || r.right > innerWidth)(document.querySelector('.slopes').getBoundingClientRect())`); out {
			t.Errorf("%v: it hangs over the edge", s)
		}
		if folder := os.Getenv("PLUMBLINE_LOOK"); folder != "" {
			p.picture(fmt.Sprintf("%s/slopes-%d.png", folder, k))
		}
	}
}
