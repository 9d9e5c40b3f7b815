package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"plumbline/stream/wire"
)

// What the Listen page draws is measured on its pixels and held against the
// numbers of the very frame that it drew.

// drawn is a plot as it stands on a page. Lengths are canvas pixels.
type drawn struct {
	PNG     string // a data URL
	Box     struct{ Left, Top, Width, Height float64 }
	X, Y    [2]float64 // ranges; x is logarithmic
	pixels  *image.NRGBA
	palette palette
	fill    float64 // share of the curve's ink inside a ribbon
}

// palette has the colours of a page, 0…255.
type palette struct{ Ground, Curve, Grid [3]float64 }

// ink is how far a colour has gone from the ground to the curve's.
func (p palette) ink(c [3]float64) float64 {
	var along, whole float64
	for i := range c {
		d := p.Curve[i] - p.Ground[i]
		along += (c[i] - p.Ground[i]) * d
		whole += d * d
	}
	return along / whole
}

// decode reads the picture, and takes for the ribbon's ink what most pixels of
// its colour have.
func (d *drawn) decode(t *testing.T, p palette) {
	t.Helper()
	raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(d.PNG, "data:image/png;base64,"))
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	var ok bool
	if d.pixels, ok = img.(*image.NRGBA); !ok {
		t.Fatalf("the canvas is a %T", img)
	}
	d.palette = p
	var count [255]int
	for y := int(d.Box.Top); y < int(d.Box.Top+d.Box.Height); y++ {
		for x := int(d.Box.Left); x < int(d.Box.Left+d.Box.Width); x++ {
			if a := d.pixels.NRGBAAt(x, y).A; a > 0 && a < 255 {
				count[a]++
			}
		}
	}
	most := 0
	for a, n := range count {
		if n > count[most] {
			most = a
		}
	}
	d.fill = float64(most) / 255
}

// cover is the share of a pixel that the ribbon covers; the line counts as
// ribbon. The grid beneath is opaque, the rest of the canvas is not.
func (d *drawn) cover(x, y int) float64 {
	c := d.pixels.NRGBAAt(x, y)
	beneath := 0.0
	if c.A == 255 {
		beneath = d.palette.ink(d.palette.Grid)
	}
	share := (d.palette.ink(d.over(c)) - beneath) / (1 - beneath) / d.fill
	return min(1, max(0, share))
}

// over is a colour laid over the ground.
func (d *drawn) over(c color.NRGBA) (out [3]float64) {
	a := float64(c.A) / 255
	for i, v := range [3]uint8{c.R, c.G, c.B} {
		out[i] = a*float64(v) + (1-a)*d.palette.Ground[i]
	}
	return out
}

// edges are the heights at which the ribbon begins and ends in a column, its
// partly covered pixels counted in part, when y lies in it.
func (d *drawn) edges(x, y int) (top, bottom float64) {
	top, bottom = float64(y), float64(y)
	for k := y - 1; k >= int(d.Box.Top); k-- {
		c := d.cover(x, k)
		if top -= c; c < 0.05 {
			break
		}
	}
	for k := y; k < int(d.Box.Top+d.Box.Height); k++ {
		c := d.cover(x, k)
		if bottom += c; c < 0.05 {
			break
		}
	}
	return top, bottom
}

func (d *drawn) x(hz float64) float64 {
	return d.Box.Left + d.Box.Width*math.Log(hz/d.X[0])/math.Log(d.X[1]/d.X[0])
}

func (d *drawn) y(v float64) float64 {
	return d.Box.Top + d.Box.Height*(d.Y[1]-v)/(d.Y[1]-d.Y[0])
}

// atColumn is a curve at the middle of a column of pixels, straight between
// the points k and k+1 of the grid that lie to its left and right.
func atColumn(d *drawn, hz, v []float64, k, column int) float64 {
	x0, x1 := d.x(hz[k]), d.x(hz[k+1])
	return v[k] + (v[k+1]-v[k])*(float64(column)+0.5-x0)/(x1-x0)
}

// TestListenPageDrawsItsFrame holds both ribbons and the ± of the delay against
// the frame that they were drawn from.
func TestListenPageDrawsItsFrame(t *testing.T) {
	d := demo(t)
	// Noise makes ribbons that are wider than their lines, and a ± of more than one digit.
	d.ask(t, http.MethodPatch, "/api/v1/rig", `{"noise": {"level_dbfs": -30}}`, http.StatusOK, nil)
	// Two octaves and a tall screen: a point of the grid is several pixels from the next.
	p := open(t, d.url+"/listen?hz=400..1600&db=-24..12", screen{1366, 1200, "dark"})
	p.until(`((f) => f.averagedS > 1.5 && f.curve(__app.session.state.settings.microphones[0], 15)[1] > 0.001)(__app.session.frame)`)
	p.click("hold")
	p.until(`document.querySelector('[data-testid=hold]').getAttribute('aria-pressed') === 'true'`)
	type seen struct {
		Palette                     palette
		Magnitude, Phase            drawn
		Hz                          []float64
		DB, Low, High, Deg, Error   []*float64
		Coherence, Threshold, Delay []*float64
		Text, Arrival               string
		Arrivals, ArrivalSDs        []*float64
	}
	// A frame is read and drawn in one go, so nothing comes between what this reads.
	v := js[seen](p, fmt.Sprintf(`(() => {
		const { session, plots } = __app, mic = session.state.settings.microphones[0];
		const style = getComputedStyle(document.documentElement);
		const colour = (name) => ((hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16)))(style.getPropertyValue(name).trim());
		const plot = ({ canvas, area, xRange, yRange }) => ({ png: canvas.toDataURL(), box: area, x: xRange, y: yRange });
		const curve = (id) => session.frame.curve(mic, id);
		return {
			palette: { ground: colour('--ground'), curve: colour('--curve-1'), grid: colour('--faint') },
			magnitude: plot(plots.magnitude), phase: plot(plots.phase), hz: session.grid,
			db: curve(%d), low: curve(%d), high: curve(%d), deg: curve(%d), error: curve(%d), coherence: curve(%d), threshold: curve(%d), delay: curve(%d),
			text: document.querySelector('[data-testid=delay-sd]').textContent,
			arrival: document.querySelector('[data-testid=arrival]').textContent, arrivals: curve(%d), arrivalSDs: curve(%d),
		};
	})()`, wire.MagnitudeDB, wire.MagnitudeLowDB, wire.MagnitudeHighDB, wire.PhaseDeg, wire.PhaseErrorDeg, wire.Coherence, wire.Threshold, wire.DelayMs, wire.ArrivalDelayMs, wire.ArrivalDelaySDMs))
	v.Magnitude.decode(t, v.Palette)
	v.Phase.decode(t, v.Palette)
	db, low, high, deg, half := known(v.DB), known(v.Low), known(v.High), known(v.Deg), known(v.Error)
	coherence, threshold := known(v.Coherence), known(v.Threshold)

	const onePixel = 1.0
	magnitudes, phases := 0, 0
	for k := 1; k+1 < len(v.Hz); k++ {
		if v.Hz[k] < 1.05*v.Magnitude.X[0] || v.Hz[k+1] > v.Magnitude.X[1]/1.5 { // the name stands at the right
			continue
		}
		drawable := true
		for i := k - 1; i <= k+2; i++ {
			drawable = drawable && i < len(v.Hz) && coherence[i] >= threshold[i] && !math.IsNaN(db[i])
		}
		if !drawable {
			continue
		}
		column := int((v.Magnitude.x(v.Hz[k]) + v.Magnitude.x(v.Hz[k+1])) / 2)

		m := &v.Magnitude
		y := m.y(atColumn(m, v.Hz, db, k, column))
		top, bottom := m.y(atColumn(m, v.Hz, high, k, column)), m.y(atColumn(m, v.Hz, low, k, column))
		if y-top > 4 && bottom-y > 4 && top > m.Box.Top+3 && bottom < m.Box.Top+m.Box.Height-3 {
			magnitudes++
			gotTop, gotBottom := m.edges(column, int(y))
			if math.Abs(gotTop-top) > onePixel || math.Abs(gotBottom-bottom) > onePixel {
				t.Errorf("magnitude at %.0f Hz: the ribbon reaches from pixel %.2f to %.2f, the interval of the frame from %.2f to %.2f", v.Hz[k], gotTop, gotBottom, top, bottom)
			}
		}

		// The interval of the phase is the arc sine of the relative deviation, which the
		// upper end of the magnitude's has as well.
		f := &v.Phase
		asin := func(i int) float64 {
			return math.Asin(math.Pow(10, (high[i]-db[i])/20)-1) * 180 / math.Pi
		}
		if math.Abs(asin(k)-half[k]) > 1e-3*half[k] {
			t.Errorf("phase at %.0f Hz: the frame's interval is ±%.3f°, the arc sine of its deviation %.3f°", v.Hz[k], half[k], asin(k))
		}
		y = f.y(atColumn(f, v.Hz, deg, k, column))
		want := (f.y(-asin(k)) - f.y(asin(k)) + f.y(-asin(k+1)) - f.y(asin(k+1))) / 4
		if want > 4 && y-want > f.Box.Top+3 && y+want < f.Box.Top+f.Box.Height-3 && math.Abs(deg[k+1]-deg[k]) < 180 {
			phases++
			gotTop, gotBottom := f.edges(column, int(y))
			if math.Abs((gotBottom-gotTop)/2-want) > onePixel || math.Abs((gotBottom+gotTop)/2-y) > onePixel {
				t.Errorf("phase at %.0f Hz: the ribbon is ±%.2f pixels about %.2f, the interval of the frame ±%.2f about %.2f", v.Hz[k], (gotBottom-gotTop)/2, (gotBottom+gotTop)/2, want, y)
			}
		}
	}
	if magnitudes < 10 || phases < 10 {
		t.Errorf("%d magnitudes and %d phases were wide enough to measure", magnitudes, phases)
	}
	t.Logf("ribbons measured at %d magnitudes and %d phases; delay %s", magnitudes, phases, v.Text)

	within := known(v.Delay)[1] * 2
	if want := fmt.Sprintf("±%.3f ms", within); v.Text != want {
		t.Errorf("the delay is shown %q, two standard deviations are %s (%.6f)", v.Text, want, within)
	}
	// An arrival is named by its place among those shown, and found in the frame by its delay.
	arrivals, sds := known(v.Arrivals), known(v.ArrivalSDs)
	var want []string
	for k := range arrivals {
		want = append(want, fmt.Sprintf("%.2f ms ±%.3f", arrivals[k], 2*sds[k]))
	}
	_, shown, _ := strings.Cut(v.Arrival, ": ")
	shown, _, _ = strings.Cut(shown, ",")
	if !slices.Contains(want, shown) {
		t.Errorf("an arrival is shown as %q, the frame has with two standard deviations %q", v.Arrival, want)
	}
}

// known turns what is unknown into NaN.
func known(v []*float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.NaN()
		if x != nil {
			out[i] = *x
		}
	}
	return out
}
