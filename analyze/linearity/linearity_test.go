package linearity

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

// judge is what a Test says of a whole take, the reference delayed by so many samples.
func judge(x, y []float64, delay int) (Fit, bool) {
	t := New(48000)
	t.Reset(programme.Top(x))
	for at := t.lead; at+t.n+delay <= len(x); at += t.n / 2 {
		t.Add(x[at-t.lead:at+t.n], y[at+delay:at+delay+t.n])
	}
	return t.Judge()
}

// drive plays what comes out of stage through the path of a clean take.
func drive(take *programme.Take, stage []float64) []float64 {
	y := programme.Convolve(stage, take.Impulse)
	for i := range y {
		y[i] += take.Y[i] - take.Heard[i]
	}
	return y
}

// Definitions of what a clipping stage and a compressor do, without a room: hard
// clipping 9 dB under the peak is the input of that name, of strength 1 (within 5 %, as
// the mean of what is taken away stands for that at every frequency); a
// compressor of ratio R takes 1−1/R decibels away per decibel.
func TestKnownStages(t *testing.T) {
	r := programme.New(3)
	x := programme.Music(r, 48000, 10*48000)
	for name, c := range map[string]struct {
		y             []float64
		kinds         [2]Kind
		least, most   float64 // strength
		averageWithin float64
	}{
		"clipped": {programme.Clip(x, 9), [2]Kind{Clipping, Clipping}, 0.95, 1.05, 0.05},
		"limited": {programme.Compress(x, 48000, 10, math.Inf(1), 0.005, 0.2), [2]Kind{Slow, Fast}, 0.7, 1.3, 1},
	} {
		y := programme.AddNoise(r, append([]float64(nil), c.y...), 50)
		f, bad := judge(x, y, 0)
		xx, xy := 0.0, 0.0
		for i := range x {
			xx += x[i] * x[i]
			xy += x[i] * c.y[i]
		}
		if want := decibels(xy / xx); !bad || f.Kind != c.kinds[0] && f.Kind != c.kinds[1] || f.Strength < c.least || f.Strength > c.most || math.Abs(f.AverageDB-want) > c.averageWithin {
			t.Errorf("%s: %+v, %v; on average %.2f dB", name, f, bad, want)
		}
	}
}

// Third-harmonic distortion of 1 % at full level, as a good loudspeaker has it, is
// nothing to speak of: y = x + 0.04·x³ at a peak of 1 (sin³ = (3·sin − sin 3)/4).
func TestDistortionOfALoudspeakerIsNoCaution(t *testing.T) {
	take := programme.RandomTake(3, 48000, 10)
	x, top := take.X, programme.Top(take.X)
	y := make([]float64, len(x))
	for i, v := range x {
		u := v / top
		y[i] = v - 0.04*top*u*u*u
	}
	if f, bad := judge(x, drive(take, y), int(take.DelayS*48000)); bad {
		t.Errorf("%+v", f)
	}
}

// Clean takes of any programme in any room are linear; driven ones are not, and
// Judge says so wherever the gain that is measured is off by more than 1 dB and the
// level goes up and down. Own simulation.
func TestCleanAndDrivenTakes(t *testing.T) {
	n, from := 3, 0
	if truth.Thorough {
		n, from = 500, 10000
	}
	type result struct {
		clean, driven bool
		fit           Fit
		name          string
	}
	results := make([]result, n)
	truth.Trials(n, func(i int) {
		take := programme.RandomTake(uint64(from+i), 48000, 12)
		delay := int(take.DelayS * 48000)
		o := &results[i]
		o.fit, o.clean = judge(take.X, take.Y, delay)
		o.name = take.Name
		_, o.driven = judge(take.X, drive(take, programme.Compress(take.X, 48000, 20, 4, 0.005, 0.2)), delay)
	})
	marked, missed := 0, 0
	for _, o := range results {
		if o.clean {
			marked++
			t.Logf("clean, but %+v: %s", o.fit, o.name)
		}
		if !o.driven {
			missed++
			t.Logf("compressed, but linear: %s", o.name)
		}
	}
	if marked > n/500 {
		t.Errorf("%d of %d clean takes are marked", marked, n)
	}
	if missed*20 > n {
		t.Errorf("%d of %d compressed takes are not marked", missed, n)
	}
	if truth.Thorough {
		truth.Claim(t, "clean takes said not to be linear: at most 1 of 500; 4:1 compressor 20 dB under the peak missed in at most 5 %", "own simulation; conditioned spectra after Bendat and Piersol, Random Data, ch. 7",
			fmt.Sprintf("%d and %d of %d", marked, missed, n), truth.AtMost(float64(marked), "1"), truth.AtMost(100*float64(missed)/float64(n), "5"))
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	test := New(48000)
	ref, mic := make([]float64, test.Lead()+test.Window()), make([]float64, test.Window())
	for i := range ref {
		ref[i] = math.Sin(float64(i * i % 1000))
	}
	test.Reset(1)
	if n := testing.AllocsPerRun(5, func() { test.Add(ref, mic); test.Judge() }); n > 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkAdd(b *testing.B) {
	test := New(48000)
	ref, mic := make([]float64, test.Lead()+test.Window()), make([]float64, test.Window())
	for i := range ref {
		ref[i] = math.Sin(float64(i * i % 1000))
	}
	test.Reset(1)
	for b.Loop() {
		test.Add(ref, mic)
	}
}
