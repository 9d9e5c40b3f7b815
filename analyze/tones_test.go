package analyze

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// told is what one analysis says of a take.
type told struct {
	ms, sdMs float64 // NaN: none
	reason   string
	sign     int
	curve    response.Curve // nothing known without a delay
	periodMs float64
}

// offlineTold is what the commands say of x and y.
func offlineTold(t testing.TB, x, y []float64) (out told) {
	f, err := arrival.NewFinder(arrival.Config{SampleRateHz: rate})
	if err != nil {
		t.Fatal(err)
	}
	feed(x, y, f.Feed)
	list, reason := f.Find(nil)
	out = told{ms: math.NaN(), sdMs: math.NaN(), reason: reason, periodMs: 1000 * f.PeriodS()}
	best := -1
	for i, a := range list {
		if best < 0 || a.LevelDB > list[best].LevelDB {
			best = i
		}
	}
	if best < 0 {
		return out
	}
	out.ms, out.sdMs = list[best].DelayMs, list[best].DelaySDMs
	s := spectraAt(t, x, y, out.ms, f.PeriodS())
	var v polarity.Verdict
	polarity.JudgeInto(&v, s)
	arrival.Agree(list, &v)
	out.sign = v.Sign
	s.Curve(&out.curve)
	return out
}

func feed(x, y []float64, to func(ref, mic []float64)) {
	for at := 0; at < len(x); at += blockFrames {
		end := min(at+blockFrames, len(x))
		to(x[at:end], y[at:end])
	}
}

func spectraAt(t testing.TB, x, y []float64, ms, periodS float64) *response.Spectra {
	e, err := response.NewEstimator(response.Config{SampleRateHz: rate, Microphones: 1, Averaging: response.Averaging{Mode: response.Infinite}})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.SetDelay(0, ms/1000); err != nil {
		t.Fatal(err)
	}
	feed(x, y, func(ref, mic []float64) { e.Feed(ref, [][]float64{mic}) })
	if err := e.SetPeriod(periodS); err != nil {
		t.Fatal(err)
	}
	s := new(response.Spectra)
	e.Spectra(0, s)
	return s
}

// liveTold is what a frame says at the end.
func liveTold(t testing.TB, x, y []float64) told {
	audio := make([]float32, 2*len(x))
	for i := range x {
		audio[2*i], audio[2*i+1] = float32(x[i]), float32(y[i])
	}
	m := &run(newLive(t, 2), audio, 2).Microphones[0]
	out := told{ms: m.DelayMs, sdMs: m.DelaySDMs, reason: m.DelayReason, sign: m.Polarity.Sign, periodMs: m.PeriodMs}
	if !math.IsNaN(out.ms) {
		out.curve = m.Curve
	}
	return out
}

// wrong is what is off the truth by more than its interval explains.
func (o *told) wrong(t testing.TB, n *programme.Narrow) (list []string) {
	if math.IsNaN(o.ms) {
		if o.sign != 0 {
			list = append(list, "a sign without a delay")
		}
		return list
	}
	// What a box does to its sound comes within a third of a millisecond; the rest
	// is for the standard deviation.
	off := o.ms - 1000*n.DelayS
	if n.PeriodS > 0 && o.periodMs > 0 {
		off -= o.periodMs * math.Round(off/o.periodMs)
	}
	slack := 0.005
	if !n.Cable {
		slack = 0.35
	}
	if math.Abs(off) > slack+4*o.sdMs {
		list = append(list, fmt.Sprintf("delay %.3f ms (sd %.4f), off by %.3f", o.ms, o.sdMs, off))
	}
	if o.sign*n.Sign < 0 {
		list = append(list, "the sign")
	}
	// The curve against that of other programme, long and without noise.
	r := programme.New(99)
	x := programme.White(r, 10*rate)
	y := programme.Convolve(x, n.Impulse)
	var want response.Curve
	spectraAt(t, x, y, o.ms, 0).Curve(&want)
	known, off2, where := 0, 0, ""
	for i, hz := range o.curve.FrequencyHz {
		a, b := &o.curve, &want
		if math.IsNaN(a.MagnitudeDB[i]) || !(a.Coherence[i] > a.Threshold[i]) {
			continue
		}
		known++
		d := math.Abs(a.MagnitudeDB[i] - b.MagnitudeDB[i])
		wide := func(c *response.Curve) float64 {
			return max(c.MagnitudeHighDB[i]-c.MagnitudeDB[i], c.MagnitudeDB[i]-c.MagnitudeLowDB[i])
		}
		if d > 1.5*math.Hypot(wide(a), wide(b))+0.1 {
			off2++
			if where == "" || off2%40 == 0 {
				where += fmt.Sprintf(" [%.1f Hz: %.2f±%.2f, is %.2f±%.2f coh %.3f]", hz, a.MagnitudeDB[i], wide(a), b.MagnitudeDB[i], wide(b), a.Coherence[i])
			}
		}
	}
	if off2 > 3 && 10*off2 > known {
		list = append(list, fmt.Sprintf("curve at %d of %d points%s", off2, known, where))
	}
	return list
}

// Programme that repeats itself, tones, odd harmonics, hum and third octaves are told
// right, offline and live, or not at all.
func TestNarrowProgrammeIsToldRight(t *testing.T) {
	takes, from := 7, uint64(7)
	if truth.Thorough {
		takes, from = 250, 10000+truth.From
	}
	lines, delayed := make([]string, takes), make([]int, takes)
	truth.Trials(takes, func(i int) {
		take := programme.RandomNarrow(from+uint64(i), rate, 8)
		a, b := offlineTold(t, take.X, take.Y), liveTold(t, take.X, take.Y)
		for k, o := range []*told{&a, &b} {
			way := [...]string{"offline", "live"}[k]
			if !math.IsNaN(o.ms) {
				delayed[i]++
			}
			for _, w := range o.wrong(t, take) {
				lines[i] += fmt.Sprintf("%s: %s: %s\n", take.Name, way, w)
			}
			short := take.Kind == "periodic" && take.PeriodS < 0.1
			if known := !math.IsNaN(o.ms); known && (short || take.Kind == "tones" || take.Kind == "odd harmonics" || take.Kind == "hum") {
				lines[i] += fmt.Sprintf("%s: %s: a delay of %.3f ms\n", take.Name, way, o.ms)
			} else if !known && take.Kind == "periodic" && !short && take.Cable {
				lines[i] += fmt.Sprintf("%s: %s: no delay: %s\n", take.Name, way, o.reason)
			}
			if want := take.PeriodS; take.Kind == "periodic" && want < 1.5 && math.Abs(o.periodMs-1000*want) > 0.01 {
				lines[i] += fmt.Sprintf("%s: %s: a period of %.3f ms\n", take.Name, way, o.periodMs)
			}
		}
	})
	wrong, delays := 0, 0
	for i, s := range lines {
		delays += delayed[i]
		if s != "" {
			wrong++
			t.Log(s)
		}
	}
	if wrong > 0 {
		t.Errorf("%d of %d takes are told wrong", wrong, takes)
	}
	if truth.Thorough {
		truth.Claim(t, "periodic noise, tones, odd harmonics, hum, third octaves, by cable and in rooms: delay, sign and curve right, or none, offline and live", "own simulation",
			fmt.Sprintf("%d wrong of %d takes; a delay was told in %d of %d", wrong, takes, delays, 2*takes))
	}
}

// Clean takes, a loop of five seconds among them, are not taken for what repeats
// itself within the range, nor for tones.
func TestCleanTakesDoNotRepeat(t *testing.T) {
	takes, from := 6, uint64(20)
	if truth.Thorough {
		takes, from = 500, 10000
	}
	marked, none := make([]string, takes), make([]string, takes)
	truth.Trials(takes, func(i int) {
		take := programme.RandomTake(from+uint64(i), rate, 8)
		f, err := arrival.NewFinder(arrival.Config{SampleRateHz: rate})
		if err != nil {
			t.Error(err)
			return
		}
		feed(take.X, take.Y, f.Feed)
		list, reason := f.Find(nil)
		if f.PeriodS() > 0 {
			marked[i] = fmt.Sprintf("%s: a period of %.1f ms", take.Name, 1000*f.PeriodS())
		}
		if len(list) == 0 {
			none[i] = fmt.Sprintf("%s: %s", take.Name, reason)
		}
	})
	count := func(list []string) (n int) {
		for _, s := range list {
			if s != "" {
				n++
				t.Log(s)
			}
		}
		return n
	}
	m, n := count(marked), count(none)
	if m > takes/500 {
		t.Errorf("%d of %d clean takes are marked", m, takes)
	}
	if truth.Thorough {
		truth.Claim(t, "clean takes marked as periodic: at most 1 of 500", "own simulation",
			fmt.Sprintf("%d of %d; %d have no delay", m, takes, n), truth.AtMost(float64(m), "1"))
	}
}
