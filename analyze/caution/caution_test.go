package caution

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

const rate = 48000

// noise is Gaussian, of that RMS.
func noise(seed uint64, n int, rms float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = rms * r.NormFloat64()
	}
	return x
}

// bits rounds as a converter of that many bits does.
func bits(x []float64, bits int) []float64 {
	q := math.Exp2(float64(bits - 1))
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Max(-q, math.Min(q-1, math.Round(v*q))) / q
	}
	return out
}

// facts of one microphone, watched in one piece.
func facts(ref, mic []float64) Facts {
	t := NewTake(rate, 1)
	t.Feed(ref, [][]float64{mic})
	return t.Facts(0)
}

func zero(x []float64, from, to float64) []float64 {
	x = slices.Clone(x)
	clear(x[int(from*rate):int(to*rate)])
	return x
}

// What is wrong with the samples, and where, from signals that were spoilt by
// hand. A clean one has no caution.
func TestFacts(t *testing.T) {
	const n = 10 * rate
	ref, mic := noise(1, n, 0.1), noise(2, n, 0.05)
	hiss := func(x []float64, from float64) []float64 { // a converter with nothing plugged in: −100 dBFS
		x = slices.Clone(x)
		copy(x[int(from*rate):], noise(3, n-int(from*rate), math.Pow(10, -100./20)/math.Sqrt2))
		return x
	}
	quietEnd := slices.Clone(mic) // the programme has ended, the room is 30 dB quieter
	for i := 6 * rate; i < n; i++ {
		quietEnd[i] *= 0.03
	}
	limited := func(x []float64, at float64) []float64 {
		x = slices.Clone(x)
		for i := range x {
			x[i] = math.Max(-at, math.Min(at, x[i]))
		}
		return x
	}
	scaled := func(x []float64, peak float64) []float64 {
		most := math.Max(slices.Max(x), -slices.Min(x))
		x = slices.Clone(x)
		for i := range x {
			x[i] *= peak / most
		}
		return x
	}
	slow := make([]float64, n) // 30 Hz in 16 bits at −40 dBFS rests at its maximum for many samples
	for i := range slow {
		slow[i] = 0.01 * math.Sin(2*math.Pi*30*float64(i)/rate)
	}
	sparse := slices.Clone(mic) // bursts of which the microphone hears exact copies
	burstRef := slices.Clone(ref)
	for s := 0.0; s < 9; s += 0.5 {
		burstRef, sparse = zero(burstRef, s+0.2, s+0.45), zero(sparse, s+0.21, s+0.46)
	}
	for _, c := range []struct {
		name     string
		ref, mic []float64
		codes    []Code
		words    string // in the first caution
	}{
		{"clean", ref, mic, nil, ""},
		{"clean, 16 bits", bits(ref, 16), bits(mic, 16), nil, ""},
		{"clean, 16 bits, hardly above the last one", bits(ref, 16), bits(noise(2, n, 5./32768), 16), nil, ""},
		{"brought to full scale", bits(scaled(ref, 1), 16), scaled(mic, 1), nil, ""},
		{"a slow wave in few bits", ref, bits(slow, 16), nil, ""},
		{"a pause at the end", zero(ref, 6, 10), quietEnd, nil, ""},
		{"a pause at the beginning", zero(ref, 0, 3), zero(mic, 0, 3), nil, ""},
		{"gated programme", burstRef, sparse, nil, ""},
		{"reference silent", make([]float64, n), mic, []Code{SilentReference}, "Nothing on the reference channel. Is the signal on, is channel 1 the right one?"},
		{"reference hisses", noise(1, n, math.Pow(10, -90./20)/math.Sqrt2), mic, []Code{SilentReference}, "Nothing on the reference channel."},
		{"microphone silent", ref, make([]float64, n), []Code{SilentMicrophone}, "Nothing from the microphone on channel 2. Is the microphone plugged in"},
		{"both silent", make([]float64, n), make([]float64, n), []Code{SilentReference, SilentMicrophone}, "Nothing on the reference channel."},
		{"microphone dies half way", ref, zero(mic, 5, 10), []Code{SilentMicrophone}, "Nothing from the microphone on channel 2 from 5.0 s on, while the reference plays."},
		{"it hisses from then on", ref, hiss(mic, 5), []Code{SilentMicrophone}, "from 5.0 s on"},
		{"microphone comes late", ref, zero(mic, 0, 3.5), []Code{SilentMicrophone}, "until 3.5 s"},
		{"microphone off in between", ref, zero(mic, 4, 6.2), []Code{SilentMicrophone}, "from 4.0 s to 6.2 s"},
		{"reference pulled", zero(ref, 4, 10), mic, []Code{SilentReference}, "Nothing on the reference channel from 4.0 s on, while the microphone on channel 2 goes on as loud."},
		{"microphone clips", ref, limited(scaled(mic, 4), 1), []Code{Clipped}, "The microphone on channel 2 clips ("},
		{"microphone clips, 16 bits", ref, bits(scaled(mic, 2), 16), []Code{Clipped}, "turn its input down."},
		{"clipped in front of the recorder", ref, limited(mic, 0.08), []Code{Clipped}, "clips under full scale ("},
		{"clipped in front of it, 16 bits", ref, bits(limited(mic, 0.08), 16), []Code{Clipped}, "clips under full scale ("},
		{"a mastered reference", limited(ref, 0.2), mic, nil, ""},
		{"reference clips", limited(scaled(ref, 3), 1), mic, []Code{Clipped}, "The reference on channel 1 clips ("},
		{"blocks lost in the microphone", ref, zero(zero(mic, 3, 3.01), 7, 7.01), []Code{LostSamples}, "exactly zero 2 times, 20 ms in all, first at 3.0 s"},
		{"a block lost in both", zero(ref, 3, 3.01), zero(mic, 3, 3.01), []Code{LostSamples}, "exactly zero 1 time, 10 ms"},
		{"much at once", zero(ref, 6, 10), limited(scaled(mic, 3), 1), []Code{SilentReference, Clipped}, "from 6.0 s on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var codes []Code
			list := facts(c.ref, c.mic).Cautions(At(1), At(2), 0)
			for _, x := range list {
				codes = append(codes, x.Code)
			}
			if !slices.Equal(codes, c.codes) {
				t.Fatalf("%q, want %q: %+v", codes, c.codes, list)
			}
			if c.words != "" && !strings.Contains(list[0].Text(), c.words) {
				t.Errorf("%s\nwant %s", list[0].Text(), c.words)
			}
		})
	}
}

// The part that is left to measure leaves a margin to what is dead.
func TestGoodPart(t *testing.T) {
	const n = 10 * rate
	ref, mic := noise(1, n, 0.1), noise(2, n, 0.05)
	for _, c := range []struct {
		name     string
		ref, mic []float64
		want     Stretch
	}{
		{"all", ref, mic, Stretch{0, 10}},
		{"dies", ref, zero(mic, 5.03, 10), Stretch{0, 5}},
		{"off in between", ref, zero(mic, 3.97, 6.02), Stretch{6.1, 10}},
		{"reference pulled", zero(ref, 4.05, 10), mic, Stretch{0, 4}},
		{"silent", ref, make([]float64, n), Stretch{}},
	} {
		got := facts(c.ref, c.mic).Good
		if math.Abs(got.FromS-c.want.FromS) > 1e-9 || math.Abs(got.ToS-c.want.ToS) > 1e-9 {
			t.Errorf("%s: good from %g s to %g s, want %g to %g", c.name, got.FromS, got.ToS, c.want.FromS, c.want.ToS)
		}
	}
}

// Watched in pieces or at once, in any blocks: the same facts.
func TestPartsJoin(t *testing.T) {
	const n = 10 * rate
	ref := noise(1, n, 0.1)
	mic := bits(zero(zero(zero(noise(2, n, 0.7), 1.99, 2.01), 2.5, 2.51), 7, 9), 16) // a block lost right over the seam at 2 s
	want := facts(ref, mic)
	if len(want.Lost) != 2 || len(want.Dead) != 1 || want.MicrophoneClipped.Samples == 0 {
		t.Fatalf("%+v", want)
	}
	whole := NewTake(rate, 1)
	for from := 0; from < n; from += 2 * rate {
		part := NewTake(rate, 1)
		for at := from; at < from+2*rate; at += 1000 {
			part.Feed(ref[at:at+1000], [][]float64{mic[at : at+1000]})
		}
		whole.Join(part)
	}
	got := whole.Facts(0)
	got.ReferenceStopsS, want.ReferenceStopsS = 0, 0 // NaN
	if !reflect.DeepEqual(got, want) {
		t.Errorf("in parts  %+v\nat once   %+v", got, want)
	}
}

// Nothing that can be fed makes it fall over.
func FuzzTake(f *testing.F) {
	f.Add([]byte{0, 0, 255, 1, 1, 1, 0, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		values := []float64{0, 1, -1, 0.5, math.NaN(), math.Inf(1), 1e300, 1e-300}
		whole, part := NewTake(80, 1), NewTake(80, 1) // segments of 8 samples
		for i, b := range data {
			v := values[b&7]
			for _, k := range []*Take{whole, part} {
				k.Feed([]float64{v}, [][]float64{{values[b>>3&7]}})
			}
			if i%8 == 7 && b&64 != 0 {
				part.Join(NewTake(80, 1))
			}
		}
		for _, k := range []*Take{whole, part} {
			x := k.Facts(0)
			if g := x.Good; !(g.FromS >= 0 && g.ToS >= g.FromS && g.ToS <= x.DurationS) {
				t.Fatalf("good %+v of %g s", g, x.DurationS)
			}
			for _, c := range x.Cautions(At(1), At(2), 0) {
				if c.Text() == "" || strings.Contains(c.Text(), "NaN") {
					t.Fatalf("%+v", c)
				}
			}
		}
	})
}

// No sound arrives before it is sent; two converters of one interface differ by less.
func TestIsAhead(t *testing.T) {
	for _, c := range []struct {
		ms, sd float64
		want   bool
	}{{-12.3, 0.01, true}, {-0.3, 0.001, true}, {-0.05, 0.001, false}, {0, 0, false}, {5, 0.1, false}, {-1, 0.5, false}, {-3, math.NaN(), true}, {math.NaN(), 0, false}} {
		if got := IsAhead(c.ms, c.sd); got != c.want {
			t.Errorf("%g ms ±%g: %v", c.ms, c.sd, got)
		}
	}
}

// One sample at the rail is what a recording that was brought to full scale has.
func TestRail(t *testing.T) {
	var r Rail
	for _, c := range []struct {
		x    []float64
		want uint64
	}{{[]float64{0, 1, 0.5, -1, 0}, 0}, {[]float64{1}, 0}, {[]float64{1, 1, 0}, 3}, {[]float64{-1, -1.5, 0}, 5}} {
		if r.Add(c.x); r.Samples != c.want {
			t.Errorf("after %v: %d, want %d", c.x, r.Samples, c.want)
		}
	}
	r.Add([]float64{1})
	r.Break()
	if r.Add([]float64{1, 0}); r.Samples != 5 {
		t.Errorf("one on either side of a gap: %d, want 5", r.Samples)
	}
}

func BenchmarkFeed(b *testing.B) {
	x := noise(1, rate, 0.1)
	c := NewChannel(rate)
	for b.Loop() {
		c.Feed(x)
		c.power = c.power[:0]
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "x-realtime")
}

// A seat is called by its name, what has none by the socket, and the reference hangs at no seat.
func TestInputsAreNamed(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{NothingOnMicrophone(Input{2, "balcony"}).Text(), "Nothing on the microphone at balcony. "},
		{NothingOnMicrophone(Input{2, "input 4"}).Text(), "Nothing from the microphone on input 4. "},
		{Clips(false, Input{2, "balcony"}).Text(), "The microphone at balcony clips: "},
		{Clips(false, Input{2, "input 4"}).Text(), "The microphone on input 4 clips: "},
		{Clips(false, Input{2, "input left"}).Text(), "The microphone at input left clips: "},
		{Clips(true, Feed(1, "programme")).Text(), "The reference on channel 1 clips: "},
		{Clips(true, Feed(1, "input 3")).Text(), "The reference on input 3 clips: "},
	} {
		if !strings.HasPrefix(c.got, c.want) {
			t.Errorf("%q, want it to begin with %q", c.got, c.want)
		}
	}
}
