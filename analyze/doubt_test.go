package analyze

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/linearity"
	"plumbline/analyze/setting"
)

// heard plays a take to a Live of one microphone, 20 frames a second, and calls see
// with the seconds heard until that is false.
func heard(t testing.TB, x, y []float64, see func(s float64, m *Microphone) bool) {
	t.Helper()
	l, err := NewLive(LiveConfig{SampleRateHz: 48000, Channels: 2, Settings: setting.Default(1, []int{2}), HistoryS: 10})
	if err != nil {
		t.Fatal(err)
	}
	const step = 2400
	block := make([]float32, 2*step)
	for at := 0; at+step <= len(x); at += step {
		for i := range step {
			block[2*i], block[2*i+1] = float32(x[at+i]), float32(y[at+i])
		}
		l.Feed(block)
		if !see(float64(at+step)/48000, &l.Frame().Microphones[0]) {
			return
		}
	}
}

// Channels that are swapped, further than the search goes back, are named within
// five seconds of sound, at the delay they have. By construction.
func TestLiveNamesSwappedChannels(t *testing.T) {
	for _, ms := range []float64{35, 300, 700} {
		r := programme.New(uint64(ms))
		x := programme.Music(r, 48000, 8*48000)
		y := programme.AddNoise(r, programme.Convolve(x, programme.Room(r, 48000, ms/1000, 0.6, 3)), 25)
		named := math.NaN()
		heard(t, y, x, func(s float64, m *Microphone) bool {
			if caution.IsAhead(m.DelayMs, m.DelaySDMs) {
				named = s
				if math.Abs(m.DelayMs+ms) > 0.1 || m.Polarity.Sign != 0 {
					t.Errorf("%g ms: %.3f ms, polarity %+v", ms, m.DelayMs, m.Polarity)
				}
			} else if !math.IsNaN(m.DelayMs) {
				t.Errorf("%g ms: a delay of %.3f ms after %.2f s", ms, m.DelayMs, s)
				return false
			}
			return math.IsNaN(named)
		})
		if !(named < 5) {
			t.Errorf("%g ms: named after %.2f s", ms, named)
		}
	}
}

// A limiter, a clipping amplifier and crosstalk are named live within so many seconds;
// a sub that leaks by 50 dB keeps its own delay, from then on.
func TestLiveNamesWhatIsNotLinearAndWhatLeaks(t *testing.T) {
	take := programme.RandomTake(3, 48000, 24)
	play := func(stage []float64) []float64 {
		y := programme.Convolve(stage, take.Impulse)
		for i := range y {
			y[i] += take.Y[i] - take.Heard[i]
		}
		return y
	}
	r := programme.New(9)
	pink := programme.Pink(r, 48000, 20*48000)
	for i := range pink {
		pink[i] *= 0.1
	}
	box := programme.Box{LowHz: 30, LowOrder: 4, LowQ: 0.7, HighHz: 100}
	sub := programme.AddNoise(r, programme.Delay(programme.Filter(pink, 48000, func(hz float64) complex128 { return box.Response(hz) * box.Response(hz) }), 48000, 0.02), 60)
	level := func(x []float64) float64 {
		sum := 0.0
		for _, v := range x {
			sum += v * v
		}
		return math.Sqrt(sum / float64(len(x)))
	}
	gain := math.Pow(10, -50./20) * level(sub) / level(pink)
	for i := range sub {
		sub[i] += gain * pink[i]
	}
	for _, c := range []struct {
		name   string
		x, y   []float64
		named  func(m *Microphone) bool
		within float64
	}{
		{"limiter", take.X, play(programme.Compress(take.X, 48000, 15, math.Inf(1), 0.005, 0.2)), func(m *Microphone) bool { return m.NotLinear == linearity.Slow || m.NotLinear == linearity.Fast }, 15},
		{"clipping", take.X, play(programme.Clip(take.X, 10)), func(m *Microphone) bool { return m.NotLinear == linearity.Clipping }, 15},
		{"sub", pink, sub, func(m *Microphone) bool {
			return m.Leak.Into == crosstalk.Microphone && math.Abs(m.Leak.BelowDB-50) < 2
		}, 8},
	} {
		named, found := math.NaN(), false
		heard(t, c.x, c.y, func(s float64, m *Microphone) bool {
			if math.IsNaN(named) && c.named(m) {
				named = s
			}
			if c.name == "sub" && s > named {
				if m.DelayMs < 15 || m.DelayMs > 35 {
					t.Errorf("a sub that leaks is told at %.3f ms after %.1f s", m.DelayMs, s)
				}
				found = found || m.DelayMs > 15
			}
			return math.IsNaN(named) || c.name == "sub" && !found
		})
		if !(named <= c.within) {
			t.Errorf("%s: named after %.1f s", c.name, named)
		}
		if c.name == "sub" && !found {
			t.Error("the sub that leaks is never found")
		}
	}
}

// What is clean is not marked, live. Own simulation.
func TestLiveCleanTakesAreNotMarked(t *testing.T) {
	n, from := 2, 0
	if truth.Thorough {
		n, from = 100, 10000
	}
	marked := make([]string, n)
	truth.Trials(n, func(i int) {
		take := programme.RandomTake(uint64(from+i), 48000, 20)
		heard(t, take.X, take.Y, func(s float64, m *Microphone) bool {
			if m.NotLinear != 0 || m.Leak.Into != crosstalk.None || m.DelayMs < -20 {
				marked[i] = take.Name
				return false
			}
			return true
		})
	})
	count := 0
	for _, name := range marked {
		if name != "" {
			count++
			t.Log(name)
		}
	}
	if count > n/100 {
		t.Errorf("%d of %d clean takes are marked", count, n)
	}
	if truth.Thorough {
		truth.Claim(t, "clean takes marked live as not linear, leaking or swapped within 20 s: at most 1 of 100", "own simulation",
			fmt.Sprintf("%d of %d", count, n), truth.AtMost(float64(count), "1"))
	}
}
