package analyze

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/linearity"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

// opinion is what the commands say of a take: the same steps.
type opinion struct {
	codes   []caution.Code
	delayMs float64
	sign    int
	curve   response.Curve
}

func opinionOf(x, y []float64) (o opinion) {
	leaks := crosstalk.New(48000)
	n := leaks.Window()
	for k := range 24 {
		at := (len(x) - n) * k / 23
		leaks.Add(x[at:at+n], y[at:at+n])
	}
	leak := leaks.Judge()
	if leak.Into != crosstalk.None {
		o.codes = append(o.codes, caution.Crosstalk)
	}
	cx, cy := append([]float64(nil), x...), append([]float64(nil), y...)
	leak.Take(cx, cy)
	var f *arrival.Finder
	find := func(x, y []float64) (best arrival.Arrival, list []arrival.Arrival) {
		f, _ = arrival.NewFinder(arrival.Config{SampleRateHz: 48000})
		f.Feed(x, y)
		list, _ = f.Find(nil)
		for i, a := range list {
			if i == 0 || a.LevelDB > best.LevelDB {
				best = a
			}
		}
		return best, list
	}
	main, list := find(cx, cy)
	several := f.Several() || f.PeriodS() > 0
	o.delayMs = math.NaN()
	if len(list) > 0 {
		o.delayMs = main.DelayMs
	}
	isAhead, late := len(list) > 0 && caution.IsAhead(main.DelayMs, main.DelaySDMs), len(list) > 0 && caution.IsLate(main.DelayMs)
	if len(list) == 0 || isAhead || late {
		back, any := find(y, x)
		turned := !several && len(any) > 0 && caution.IsAhead(-back.DelayMs, back.DelaySDMs)
		if turned && late {
			turned = alike(y, x, back.DelayMs) > alike(x, y, main.DelayMs)+response.MoreAlike
		}
		switch {
		case turned || isAhead:
			o.codes = append(o.codes, caution.Swapped)
			return o
		case len(list) == 0:
			o.codes = append(o.codes, caution.NoDelay)
			return o
		}
	}
	delay := int(math.Round(main.DelayMs * 48))
	test := linearity.New(48000)
	test.Reset(programme.Top(x))
	first, window := test.Lead()+max(delay, 0), test.Window()
	room := len(x) - window - first
	for k := range 24 {
		at := first + room*k/23
		test.Add(cx[at-delay-test.Lead():at-delay+window], cy[at:at+window])
	}
	if _, not := test.Judge(); not {
		o.codes = append(o.codes, caution.NotLinear)
	}
	e, _ := response.NewEstimator(response.Config{SampleRateHz: 48000, Microphones: 1, Overlap: 0.75, Averaging: response.Averaging{Mode: response.Infinite}})
	e.SetDelay(0, main.DelayMs/1000)
	e.Feed(x, [][]float64{y})
	var s response.Spectra
	e.Spectra(0, &s)
	var v polarity.Verdict
	polarity.JudgeInto(&v, &s)
	arrival.Agree(list, &v)
	o.sign = v.Sign
	s.Curve(&o.curve)
	return o
}

// alike is how alike two channels are at a delay, as offline.Ahead asks.
func alike(x, y []float64, delayMs float64) float64 {
	e, _ := response.NewEstimator(response.Config{SampleRateHz: 48000, Microphones: 1, Window: response.AlikeWindow, Overlap: 0.5, Averaging: response.Averaging{Mode: response.Infinite}})
	e.SetDelay(0, delayMs/1000)
	e.Feed(x, [][]float64{y})
	var s response.Spectra
	e.Spectra(0, &s)
	return response.Alike(&s)
}

// spoil makes one of the takes that are not linear, leak or are swapped.
func spoil(seed uint64) (x, y []float64, take *programme.Take, what string) {
	take = programme.RandomTake(seed, 48000, 12)
	r := rand.New(rand.NewPCG(seed, 42))
	x = take.X
	drive := func(stage []float64) []float64 {
		y := programme.Convolve(stage, take.Impulse)
		for i := range y {
			y[i] += take.Y[i] - take.Heard[i]
		}
		return y
	}
	power := func(x []float64) (sum float64) {
		for _, v := range x {
			sum += v * v
		}
		return sum
	}
	add := func(to, from []float64, db float64) []float64 {
		g := math.Pow(10, db/20) * math.Sqrt(power(to)/power(from))
		out := make([]float64, len(to))
		for i := range out {
			out[i] = to[i] + g*from[i]
		}
		return out
	}
	// A gain that stays where it is, as under steady noise, is the path's own: nobody
	// can know that it was another while it was soft.
	compressed := func(stage []float64) []float64 {
		var energy, sum, square float64
		for i, v := range x {
			if v != 0 {
				db := 20 * math.Log10(stage[i]/v)
				energy, sum, square = energy+v*v, sum+v*v*db, square+v*v*db*db
			}
		}
		mean := sum / energy
		y := drive(stage)
		if math.Sqrt(max(0, square/energy-mean*mean)) < 0.5 {
			for i := range take.Heard {
				take.Heard[i] *= math.Pow(10, mean/20)
			}
		}
		return y
	}
	db := -20 - 40*r.Float64()
	switch seed % 7 {
	case 0:
		d := 3 + 9*r.Float64()
		return x, drive(programme.Clip(x, d)), take, fmt.Sprintf("clipped by %.1f dB", d)
	case 1:
		d := 3 + 9*r.Float64()
		return x, drive(programme.SoftClip(x, d)), take, fmt.Sprintf("softly clipped by %.1f dB", d)
	case 2:
		d := 3 + 12*r.Float64()
		return x, compressed(programme.Compress(x, 48000, d, math.Inf(1), 0.005, 0.2)), take, fmt.Sprintf("limited by %.1f dB", d)
	case 3:
		d, q := 6+20*r.Float64(), math.Exp2(1+2*r.Float64())
		return x, compressed(programme.Compress(x, 48000, d, q, 0.002+0.02*r.Float64(), 0.05+0.4*r.Float64())), take, fmt.Sprintf("compressed %.1f:1 from %.1f dB on", q, d)
	case 4:
		if seed/7%2 == 0 { // a sub
			low := programme.Box{LowHz: 25, LowOrder: 4, LowQ: 0.7, HighHz: 80 + 60*r.Float64()}
			filter := func(x []float64) []float64 {
				return programme.Filter(x, 48000, func(hz float64) complex128 { return low.Response(hz) * low.Response(hz) })
			}
			take.Impulse = filter(take.Impulse)
			noise := make([]float64, len(x))
			for i := range noise {
				noise[i] = take.Y[i] - take.Heard[i]
			}
			take.Heard = programme.Convolve(x, take.Impulse)
			y = append([]float64(nil), take.Heard...)
			snr := math.Sqrt(power(y)/power(noise)) * math.Pow(10, -take.SNRDB/20)
			for i := range y {
				y[i] += snr * noise[i]
			}
			return x, add(y, x, db), take, fmt.Sprintf("sub, crosstalk at %.0f dB", db)
		}
		return x, add(take.Y, x, db), take, fmt.Sprintf("crosstalk at %.0f dB", db)
	case 5:
		return add(x, take.Y, db), take.Y, take, fmt.Sprintf("bleed at %.0f dB", db)
	}
	ms := math.Exp(math.Log(500) * r.Float64())
	y = programme.Delay(take.Y, 48000, max(0, ms/1000-take.DelayS))
	return y, x, take, fmt.Sprintf("swapped, %.1f ms", max(ms, 1000*take.DelayS))
}

// wrong says what in an opinion is off the truth, what the same path does when it is
// linear, without leaks and without noise: the delay by more than 0.35 ms, another
// sign, or the curve, from 50 Hz to 10 kHz, with more than 15 % of the trusted points
// outside their 95 % intervals and 5 % by more than 1 dB.
func (o *opinion) wrong(take *programme.Take) string {
	if math.IsNaN(o.delayMs) {
		return ""
	}
	truth := opinionOf(take.X, take.Heard)
	if math.Abs(o.delayMs-1000*take.DelayS) > 0.35 && !(math.Abs(o.delayMs-truth.delayMs) < 0.35) {
		return fmt.Sprintf("%.2f ms and not %.2f", o.delayMs, 1000*take.DelayS)
	}
	if o.sign*take.Sign < 0 {
		return "the sign"
	}
	if math.Abs(o.delayMs-truth.delayMs) > 0.35 {
		return "" // it is the true one that cannot be told
	}
	points, out, far := 0, 0, 0
	c := &o.curve
	for k, hz := range c.FrequencyHz {
		want := truth.curve.MagnitudeDB[k]
		if hz < 50 || hz > 10000 || !(c.Coherence[k] > c.Threshold[k]) || math.IsNaN(want) {
			continue
		}
		points++
		beyond := max(c.MagnitudeLowDB[k]-want, want-c.MagnitudeHighDB[k])
		if beyond > 0 {
			out++
		}
		if beyond > 1 {
			far++
		}
	}
	if out*100 > 15*points && far*100 > 5*points {
		return fmt.Sprintf("%d %% of the curve out, %d %% by more than 1 dB", 100*out/points, 100*far/points)
	}
	return ""
}

// Whoever is told something wrong of a take that is clipped, limited, compressed,
// leaks, or has its channels swapped, is told so: 0 in 250 are wrong and not marked.
// Own simulation.
func TestSpoiltTakesAreMarkedOrRight(t *testing.T) {
	n, from := 3, 4 // one that leaks, one that bleeds, one that is swapped
	if truth.Thorough {
		n, from = 250, 10000+int(truth.From)
	}
	type result struct {
		name, wrong string
		codes       []caution.Code
	}
	results := make([]result, n)
	truth.Trials(n, func(i int) {
		x, y, take, what := spoil(uint64(from + i))
		o := opinionOf(x, y)
		results[i] = result{what + ", " + take.Name, "", o.codes}
		if len(o.codes) == 0 {
			results[i].wrong = o.wrong(take)
		}
	})
	marked, wrong := 0, 0
	for _, r := range results {
		if len(r.codes) > 0 {
			marked++
		}
		if r.wrong != "" {
			wrong++
			t.Logf("%s, unmarked: %s", r.wrong, r.name)
		}
	}
	if wrong > 0 {
		t.Errorf("%d of %d are wrong and not marked", wrong, n)
	}
	if truth.Thorough {
		truth.Claim(t, "takes clipped, limited, compressed, with crosstalk or bleed of −20…−60 dB, or swapped by 1…500 ms: 0 of 250 wrong and not marked", "own simulation",
			fmt.Sprintf("%d wrong and not marked, %d marked", wrong, marked), truth.AtMost(float64(wrong), "0"))
	}
}
