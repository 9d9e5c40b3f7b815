package arrival

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"plumbline/analyze/internal/programme"
)

// From a little early to 1.5 s late, at every rate.
func TestRange(t *testing.T) {
	for _, rate := range []float64{44100, 48000, 96000, 192000} {
		r := programme.New(1)
		x := bandLimit(programme.White(r, int(2.2*rate)), rate, 20, 20000)
		for _, delay := range []float64{-0.0151, 0, 0.0123456, 0.7, 1.4999} {
			y := programme.AddNoise(r, programme.Delay(x, rate, delay), 30)
			if delay < 0 { // Delay turns the beginning round to the end
				y = y[:len(y)-int(0.02*rate)]
			}
			list, reason := find(t, Config{SampleRateHz: rate}, x[:len(y)], y)
			if len(list) != 1 {
				t.Errorf("%g Hz, %g s: %+v %s", rate, delay, list, reason)
				continue
			}
			if a := list[0]; math.Abs(a.DelayMs-1000*delay) > max(1e-4, 4*a.DelaySDMs) || a.Sign != 1 || a.LevelDB != 0 {
				t.Errorf("%g Hz, %g s: %+v", rate, delay, a)
			}
		}
	}
}

// Five copies far and near, then a sixth that there is no room for.
func TestFiveArrivals(t *testing.T) {
	const rate = 48000
	r := programme.New(2)
	x := programme.Pink(r, rate, 20*rate)
	y := zeros(len(x))
	want := []Arrival{
		{DelayMs: 10, LevelDB: -3, Sign: -1}, {DelayMs: 13.3, LevelDB: 0, Sign: 1}, {DelayMs: 40.7, LevelDB: -8, Sign: -1},
		{DelayMs: 300.21, LevelDB: -10, Sign: 1}, {DelayMs: 1200.5, LevelDB: -5, Sign: 1},
	}
	for _, a := range append(want, Arrival{DelayMs: 600, LevelDB: -16, Sign: 1}) {
		g := math.Pow(10, a.LevelDB/20) * float64(a.Sign)
		for i, v := range programme.Delay(x, rate, a.DelayMs/1000) {
			y[i] += g * v
		}
	}
	list, reason := find(t, Config{}, x, programme.AddNoise(r, y, 25))
	if len(list) != len(want) {
		t.Fatalf("%+v %s", list, reason)
	}
	for i, a := range list {
		if w := want[i]; math.Abs(a.DelayMs-w.DelayMs) > 0.01 || math.Abs(a.LevelDB-w.LevelDB) > 0.5 || a.Sign != w.Sign {
			t.Errorf("got %+v, want %+v", a, w)
		}
	}
}

// A box smears its pulse with both edges and its crossover: still one arrival, at
// its beginning, of the sign that it is wired with, even where its crossover turns the
// high frequencies by design.
func TestOneArrivalOfABox(t *testing.T) {
	const rate = 48000
	for _, kind := range []programme.Crossover{
		programme.FullRange, programme.LinkwitzRiley4, programme.LinkwitzRiley2, programme.Butterworth3, programme.Butterworth3Turned,
	} {
		for _, crossover := range []float64{700, 1200, 3000} {
			box := programme.Box{LowHz: 60, LowOrder: 4, LowQ: 0.8, HighHz: 17000, Crossover: kind, CrossoverHz: crossover}
			r := programme.New(11)
			x := programme.Pink(r, rate, 4*rate)
			y := programme.Delay(programme.Filter(x, rate, box.Response), rate, 0.02)
			list, reason := find(t, Config{}, x, programme.AddPinkNoise(r, rate, y, 35))
			if len(list) != 1 || math.Abs(list[0].DelayMs-20) > 0.05 || list[0].Sign != 1 {
				t.Errorf("crossover %d at %g Hz: %+v %s", kind, crossover, list, reason)
			}
		}
	}
}

// The edges of a subwoofer ring; that is none of them another arrival.
func TestSubwooferIsOneArrival(t *testing.T) {
	const rate = 48000
	for seed := range uint64(6) {
		r := programme.New(seed)
		x := programme.Pink(r, rate, 8*rate)
		box := programme.Box{LowHz: 30, LowOrder: 4, LowQ: 0.7, HighHz: 70 + 10*float64(seed)}
		y := programme.Delay(programme.Filter(x, rate, box.Response), rate, 0.02)
		programme.AddPinkNoise(r, rate, y, 40)
		if list, reason := find(t, Config{}, x, y); len(list) != 1 {
			t.Errorf("up to %g Hz: %+v %s", box.HighHz, list, reason)
		}
	}
}

// What cannot be told is not told, and the reason says what is wrong.
func TestReasons(t *testing.T) {
	const rate = 48000
	r := programme.New(3)
	noise, other := programme.Pink(r, rate, 3*rate), programme.Pink(r, rate, 3*rate)
	silence := zeros(len(noise))
	// A tone with a little noise of its own in each channel; a loop and clicks that
	// have been running for ever.
	tone, tone2, loop, loop2 := zeros(len(noise)), zeros(len(noise)), zeros(len(noise)), zeros(len(noise))
	clicks, clicks2, clean, clean2 := zeros(len(noise)), zeros(len(noise)), zeros(len(noise)), zeros(len(noise))
	for i := range tone {
		tone[i] = math.Sin(2*math.Pi*440*float64(i)/rate) + 0.003*noise[i]
		tone2[i] = math.Sin(2*math.Pi*440*float64(i-4800)/rate) + 0.003*other[i]
		clean[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / rate)
		clean2[i] = -math.Sin(2 * math.Pi * 1000 * float64(i-100) / rate)
		loop[i] = noise[i%3840]
		loop2[i] = noise[(i+1920)%3840] + 0.1*other[i]
		clicks[i], clicks2[i] = 0.003*noise[i], 0.003*other[i]
		if i%3000 == 2500 {
			clicks[i] += 30
		}
		if i%3000 == 500 {
			clicks2[i] += 30
		}
	}
	for _, c := range []struct {
		name   string
		x, y   []float64
		reason string
	}{
		{"nothing fed", nil, nil, "nothing was heard"},
		{"silence", silence, silence, "both channels are silent"},
		{"no reference", silence, noise, "the reference is silent"},
		{"dead microphone", noise, silence, "the microphone is silent"},
		{"unrelated", noise, other, "stands out"},
		{"one tone", tone, tone2, "single tone"},
		{"one tone, no noise", clean, clean2, "single tone"},
		{"a loop", loop, loop2, "repeats itself every 80.0 ms"},
		{"clicks 16 times a second", clicks, clicks2, "repeats itself every 62.5 ms"},
	} {
		list, reason := find(t, Config{}, c.x, c.y)
		if len(list) != 0 || reason == "" || !strings.Contains(reason, c.reason) {
			t.Errorf("%s: %+v, reason %q", c.name, list, reason)
		}
	}
}

// The result does not depend on how the samples are cut into blocks.
func TestAnyBlockLength(t *testing.T) {
	const rate = 48000
	r := programme.New(6)
	x := programme.White(r, 4*rate)
	y := programme.AddNoise(r, programme.Delay(x, rate, 0.2), 10)
	whole, _ := find(t, Config{}, x, y)
	f := newFinder(t, Config{})
	for at := 0; at < len(x); {
		n := min(1+r.IntN(20000), len(x)-at)
		f.Feed(x[at:at+n], y[at:at+n])
		at += n
	}
	parts, _ := f.Find(nil)
	if len(whole) != 1 || len(parts) != 1 || whole[0] != parts[0] {
		t.Errorf("whole %+v, in parts %+v", whole, parts)
	}
	// Asking changes nothing.
	again, _ := f.Find(nil)
	if len(again) != 1 || again[0] != parts[0] {
		t.Errorf("asked again: %+v, before %+v", again, parts)
	}
}

// It can be asked at any moment, also just before a long block is whole.
func TestAskedAtAnyMoment(t *testing.T) {
	const rate, step = 48000, 480
	r := programme.New(9)
	x := programme.White(r, 3*rate)
	y := programme.AddNoise(r, programme.Delay(x, rate, 0.02), 20)
	f := newFinder(t, Config{MaxDelayS: 1})
	for at := 0; at < len(x); at += step {
		f.Feed(x[at:at+step], y[at:at+step])
		if list, reason := f.Find(nil); at > rate && (len(list) != 1 || math.Abs(list[0].DelayMs-20) > 0.01) {
			t.Fatalf("after %.2f s: %+v %s", float64(at+step)/rate, list, reason)
		}
	}
}

// Excerpts of a recording with breaks between them count together; what lies
// across a break is not taken for sound.
func TestBreak(t *testing.T) {
	const rate = 48000
	r := programme.New(7)
	x := programme.White(r, 8*rate)
	y := programme.AddNoise(r, programme.Delay(x, rate, 0.0301), 0)
	f := newFinder(t, Config{})
	for at := 0; at < len(x); at += 2 * rate {
		f.Feed(x[at:at+rate], y[at:at+rate])
		f.Break()
	}
	list, reason := f.Find(nil)
	if len(list) != 1 {
		t.Fatalf("%+v %s", list, reason)
	}
	bound := math.Sqrt(3/(8*math.Pi*math.Pi*4*0.97)/math.Pow(24000, 3)) * 1000
	if a := list[0]; math.Abs(a.DelayMs-30.1) > 4*bound || a.DelaySDMs > 1.2*bound {
		t.Errorf("%+v, bound %g ms", a, bound)
	}
}

func TestExcerpts(t *testing.T) {
	if got := Excerpts(50*48000, 48000, 30); len(got) != 1 || got[0] != (Excerpt{0, 50 * 48000}) {
		t.Errorf("short: %v", got)
	}
	got := Excerpts(600*48000, 48000, 30)
	if len(got) != 6 {
		t.Fatalf("%v", got)
	}
	last, sum := int64(0), int64(0)
	for _, e := range got {
		if e.From < last || e.To > 600*48000 || e.To <= e.From {
			t.Errorf("%v", got)
		}
		last = e.To
		sum += e.To - e.From
	}
	if sum != 30*48000 {
		t.Errorf("%d frames", sum)
	}
}

// Only the newest sound counts where only that is asked for.
func TestFindNewest(t *testing.T) {
	const rate = 48000
	r := programme.New(8)
	x := programme.Pink(r, rate, 4*rate)
	y := programme.Delay(x, rate, 0.05)
	copy(y[3*rate:], programme.Delay(x, rate, 0.4)[3*rate:])
	programme.AddNoise(r, y, 20)
	f := newFinder(t, Config{})
	f.Feed(x, y)
	list, reason := f.FindNewest(nil, 0.7)
	if len(list) != 1 || math.Abs(list[0].DelayMs-400) > 0.01 {
		t.Errorf("%+v %s", list, reason)
	}
}

func TestConfig(t *testing.T) {
	w, err := NewWorkspace(Config{SampleRateHz: 48000})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{SampleRateHz: 22050}, "sample_rate_hz must be"},
		{Config{SampleRateHz: math.NaN()}, "sample_rate_hz must be"},
		{Config{SampleRateHz: 48000, MaxDelayS: 10}, "longest delay"},
		{Config{SampleRateHz: 44100, Workspace: w}, "workspace"},
	} {
		if _, err := NewFinder(c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.cfg, err)
		}
	}
	if _, err := NewFinder(Config{SampleRateHz: 48000, Workspace: w}); err != nil {
		t.Error(err)
	}
}

func TestNoAllocation(t *testing.T) {
	const rate = 48000
	r := programme.New(9)
	x := programme.White(r, 4*rate)
	y := programme.AddNoise(r, programme.Delay(x, rate, 0.02), 10)
	f := newFinder(t, Config{MaxDelayS: 0.3})
	f.Feed(x, y)
	list, _ := f.Find(make([]Arrival, 0, 5))
	if n := testing.AllocsPerRun(5, func() {
		f.Feed(x[:rate], y[:rate])
		list, _ = f.Find(list)
	}); n != 0 {
		t.Errorf("Finder: %g allocations", n)
	}
	g, err := NewFollower(Config{SampleRateHz: rate, MaxDelayS: 0.3})
	if err != nil {
		t.Fatal(err)
	}
	run := func() {
		for at := 0; at < len(x); at += 2400 {
			g.Feed(x[at:at+2400], y[at:at+2400])
			g.Step()
			list = g.Arrivals(list)
		}
	}
	run()
	if n := testing.AllocsPerRun(2, run); n != 0 {
		t.Errorf("Follower: %g allocations", n)
	}
}

// FuzzFinder feeds anything finite: no panic, no number that is none.
func FuzzFinder(f *testing.F) {
	f.Add(uint64(1), 1.0, 1.0, 0.01, uint16(3000))
	f.Add(uint64(2), 1e-12, 1e9, 0.2, uint16(60000))
	f.Add(uint64(3), 0.0, 1.0, 0.0, uint16(1))
	finder := newFinder(f, Config{MaxDelayS: 0.25})
	f.Fuzz(func(t *testing.T, seed uint64, gx, gy, delay float64, n uint16) {
		if math.IsNaN(gx+gy+delay) || math.Abs(gx) > 1e30 || math.Abs(gy) > 1e30 {
			t.Skip()
		}
		r := programme.New(seed)
		x := programme.White(r, int(n)+1)
		y := zeros(len(x))
		for i := range y {
			if k := i - int(math.Mod(math.Abs(delay), 1)*48000); k >= 0 {
				y[i] = gy * x[k]
			}
			x[i] *= gx
		}
		finder.Reset()
		finder.Feed(x, y)
		finder.Break()
		finder.Feed(x, y)
		list, reason := finder.Find(nil)
		if (len(list) == 0) != (reason != "") {
			t.Errorf("%d arrivals, reason %q", len(list), reason)
		}
		for _, a := range list {
			if s := a.DelayMs + a.DelaySDMs + a.LevelDB; math.IsNaN(s) || math.IsInf(s, 0) || a.LevelDB > 0 || a.DelaySDMs < 0 {
				t.Errorf("%+v", a)
			}
		}
	})
}

func ExampleFinder() {
	const rate = 48000
	r := programme.New(1)
	reference := programme.Pink(r, rate, 3*rate)
	microphone := programme.Delay(reference, rate, 0.0173)
	programme.AddNoise(r, microphone, 20)

	f, err := NewFinder(Config{SampleRateHz: rate})
	if err != nil {
		fmt.Println(err)
		return
	}
	f.Feed(reference, microphone)
	list, reason := f.Find(nil)
	for _, a := range list {
		fmt.Printf("%.3f ms, %.1f dB, sign %+d\n", a.DelayMs, a.LevelDB, a.Sign)
	}
	fmt.Print(reason)
	// Output: 17.300 ms, 0.0 dB, sign +1
}

func BenchmarkFinder(b *testing.B) {
	for _, rate := range []float64{48000, 192000} {
		b.Run(fmt.Sprintf("%.0fkHz", rate/1000), func(b *testing.B) {
			r := programme.New(1)
			x := programme.Pink(r, rate, int(5*rate))
			y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3)), 20)
			f := newFinder(b, Config{SampleRateHz: rate})
			b.ReportAllocs()
			for b.Loop() {
				f.Feed(x, y)
			}
			b.ReportMetric(5*float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
		})
	}
}

func BenchmarkFind(b *testing.B) {
	const rate = 48000
	r := programme.New(1)
	x := programme.Pink(r, rate, 5*rate)
	y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, rate, 0.02, 1, 3)), 20)
	f := newFinder(b, Config{})
	f.Feed(x, y)
	list, _ := f.Find(nil)
	b.ReportAllocs()
	for b.Loop() {
		list, _ = f.Find(list)
	}
}
