package apart

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/response"
)

// take is a recording of loudspeakers that play a stereo programme: what all have in
// common in the middle, and as much of each side that two have the mutual coherence c.
type take struct {
	rate   float64
	refs   [][]float64
	mic    []float64
	delayS []float64
	rooms  [][]float64
}

func stereo(seed uint64, rate float64, play string, references int, c, seconds float64) *take {
	r := rand.New(rand.NewPCG(seed+truth.From, 0x6170617274))
	n := int(seconds * rate)
	t := &take{rate: rate, mic: make([]float64, n)}
	middle := programme.Play(r, play, rate, n)
	common, side := math.Sqrt(math.Sqrt(c)), math.Sqrt(1-math.Sqrt(c))
	rt60 := 0.3 + 0.6*r.Float64()
	for p := range references {
		x := programme.Play(r, play, rate, n)
		for i := range x {
			x[i] = 0.1 * (common*middle[i] + side*x[i])
		}
		t.refs = append(t.refs, x)
		t.delayS = append(t.delayS, 0.003+0.04*r.Float64())
		sign := float64(1 - 2*r.IntN(2))
		room := programme.Room(r, rate, t.delayS[p], rt60, 6*r.Float64())
		for i := range room {
			room[i] *= sign
		}
		t.rooms = append(t.rooms, room)
		for i, v := range programme.Convolve(x, room) {
			t.mic[i] += v
		}
	}
	programme.AddPinkNoise(r, rate, t.mic, 25)
	return t
}

// find looks for the arrival of reference p, as it is or by itself.
func (t *take) find(tb testing.TB, p int, apart bool) (ms float64) {
	f, err := arrival.NewFinder(arrival.Config{SampleRateHz: t.rate, Max: 1})
	if err != nil {
		tb.Fatal(err)
	}
	x, y := t.refs[p], t.mic
	if apart {
		s, err := New(t.rate, len(t.refs))
		if err != nil {
			tb.Fatal(err)
		}
		s.Learn(t.refs, t.mic)
		path := s.Path(p)
		if x, y = path.Separate(t.refs, t.mic); !path.Tells() {
			return math.NaN()
		}
	}
	f.Feed(x, y)
	list, _ := f.Find(nil)
	if len(list) == 0 {
		return math.NaN()
	}
	return list[0].DelayMs
}

// Each loudspeaker's arrival is found while all play a stereo programme: within 0.1 ms
// or not at all. Looked for in the references as they are, another's is taken for it.
func TestArrivalOfEachWhileAllPlay(t *testing.T) {
	trials, plays, alike, seconds := 1, []string{"music"}, []float64{0.95}, 12.0
	if truth.Thorough {
		trials, plays, alike, seconds = 8, []string{"pink", "music", "speech"}, []float64{0, 0.5, 0.9, 0.95}, 20
	}
	paths, found, off, rawOff, worst := 0, 0, 0, 0, 0.0
	for _, play := range plays {
		for _, c := range alike {
			for i := range trials {
				k := stereo(uint64(i), 48000, play, 2, c, seconds)
				for p, delayS := range k.delayS {
					paths++
					if ms := k.find(t, p, true); !math.IsNaN(ms) {
						found++
						e := math.Abs(ms - 1000*delayS)
						worst = max(worst, e)
						if e > 0.1 {
							off++
							t.Logf("%s, mutual coherence %v, take %d: reference %d found at %.3f ms, is at %.3f ms", play, c, i, p+1, ms, 1000*delayS)
						}
					}
					if truth.Thorough && math.Abs(k.find(t, p, false)-1000*delayS) > 0.1 {
						rawOff++
					}
				}
			}
		}
	}
	if off > 0 || found < paths*9/10 {
		t.Errorf("%d paths, %d found, %d of them off by more than 0.1 ms", paths, found, off)
	}
	if truth.Thorough {
		truth.Claim(t, "arrivals of two loudspeakers that both play, mutual coherence 0…0.95, pink noise, music and speech, rooms of 0.3…0.9 s: within 0.1 ms where told", "truth of the simulation",
			fmt.Sprintf("%.3f ms at most, %d of %d told; looked for in the references as they are, %d wrong", worst, found, paths, rawOff), truth.AtMost(worst, "0.1"))
	}
}

// known is the response of path p by itself, told without noise and for long.
func (t *take) known(tb testing.TB, p int) *response.Spectra {
	e, err := response.NewEstimator(response.Config{SampleRateHz: t.rate, Averaging: response.Averaging{Mode: response.Infinite}})
	if err != nil {
		tb.Fatal(err)
	}
	x := programme.White(programme.New(9), int(30*t.rate))
	if err := e.SetDelay(0, t.delayS[p]); err != nil {
		tb.Fatal(err)
	}
	e.Feed(x, [][]float64{programme.Convolve(x, t.rooms[p])})
	s := new(response.Spectra)
	e.Spectra(0, s)
	return s
}

// measure is what offline does of a take, the delays known.
func (t *take) measure(tb testing.TB, window int) (paths []response.Spectra, alike [][]Alike) {
	j, err := response.NewJoint(response.Config{SampleRateHz: t.rate, Window: window}, len(t.refs))
	if err != nil {
		tb.Fatal(err)
	}
	for p, d := range t.delayS {
		if err := j.SetDelay(p, d); err != nil {
			tb.Fatal(err)
		}
	}
	j.Feed(t.refs, t.mic)
	paths, alike = make([]response.Spectra, len(t.refs)), make([][]Alike, len(t.refs))
	for p := range paths {
		j.Spectra(p, &paths[p])
		together, aligned := j.Own(p, nil, nil)
		alike[p] = Blank(&paths[p], together, aligned)
	}
	return paths, alike
}

// In rooms, whose late sound is the references again, the interval of each path holds
// what the path is by itself.
func TestPathsInRooms(t *testing.T) {
	trials, plays, alike, counts, seconds := 1, []string{"music"}, []float64{0.9}, []int{2}, 20.0
	if truth.Thorough {
		trials, plays, alike, counts, seconds = 4, []string{"pink", "music"}, []float64{0, 0.5, 0.9, 0.95}, []int{2, 4}, 40
	}
	least, told := 100.0, 1.0
	for _, play := range plays {
		for _, c := range alike {
			for _, references := range counts {
				sums := make([][4]int, trials)
				truth.Trials(trials, func(i int) {
					k := stereo(uint64(i), 16000, play, references, c, seconds)
					paths, _ := k.measure(t, 0)
					for p := range paths {
						want := k.known(t, p)
						var curve response.Curve
						paths[p].Curve(&curve)
						for n, f := range curve.FrequencyHz {
							if f < 60 || f > 6000 {
								continue
							}
							sums[i][3]++
							if math.IsNaN(curve.MagnitudeDB[n]) {
								continue
							}
							sums[i][0]++
							db := 20 * math.Log10(cmplx.Abs(want.H(n)))
							if curve.MagnitudeLowDB[n] <= db && db <= curve.MagnitudeHighDB[n] {
								sums[i][1]++
							}
							if off := cmplx.Phase(paths[p].H(n)/want.H(n)) * 180 / math.Pi; math.Abs(off) <= curve.PhaseErrorDeg[n] {
								sums[i][2]++
							}
						}
					}
				})
				var all [4]int
				for _, s := range sums {
					for n, v := range s {
						all[n] += v
					}
				}
				magnitude, phase := 100*float64(all[1])/float64(all[0]), 100*float64(all[2])/float64(all[0])
				t.Logf("%s, %d references of mutual coherence %v: magnitude %.1f %%, phase %.1f %% of %d points, %d blank", play, references, c, magnitude, phase, all[0], all[3]-all[0])
				least, told = min(least, magnitude, phase), min(told, float64(all[0])/float64(all[3]))
			}
		}
	}
	if least < 90 || told < 0.8 {
		t.Errorf("intervals hold the truth in %.1f %% at least, %.2f of the points are told", least, told)
	}
	if truth.Thorough {
		truth.Claim(t, "the path of each of 2 and 4 loudspeakers that all play, mutual coherence 0…0.95, pink noise and music of 40 s, rooms of 0.3…0.9 s: 93 % of intervals, at least, hold what each is by itself", "truth of the simulation",
			fmt.Sprintf("%.1f %% in the worst case", least), truth.AtLeast(least, "93"))
	}
}

// Of references that are the same not one point is told, whatever the delays: neither of
// copies that arrive apart, nor of one that was delayed so as to arrive together.
func TestNothingIsToldOfTheSame(t *testing.T) {
	for _, play := range []string{"pink", "music"} {
		for _, window := range []int{0, 2048} {
			k := stereo(3, 16000, play, 2, 1, 12)
			later := stereo(3, 16000, play, 2, 1, 12)
			const by = 0.02
			later.refs[1] = programme.Delay(later.refs[1], later.rate, by) // its sound is the same, and so later than it by less
			later.delayS[1] -= by
			for name, one := range map[string]*take{"the same": k, "delayed": later} {
				paths, alike := one.measure(t, window)
				for p := range paths {
					trusted := 0
					for i, f := range paths[p].FrequencyHz {
						if f >= 40 && f <= 7000 && paths[p].Trusted(i, response.FalseTrust) {
							trusted++
						}
					}
					if trusted > 0 {
						t.Errorf("%s, %s, window %d: %d points of reference %d are trusted", play, name, window, trusted, p+1)
					}
					if len(alike[p]) != 1 || !alike[p][0].ToBottom || alike[p][0].Part < 0.97 { // windows of 0.5 s leave 2 % of a copy 20 ms later
						t.Errorf("%s, %s, window %d: said of reference %d: %+v", play, name, window, p+1, alike[p])
					}
				}
			}
		}
	}
}
