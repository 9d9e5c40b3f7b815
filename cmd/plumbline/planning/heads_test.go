package planning

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"testing"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	besideM   = 0.15 // where heads are looked for
	besides   = 8    // in so many directions
	headLines = 1 << 16
)

// thorough is the long run, for make truth.
var thorough = os.Getenv("PLUMBLINE_TRUTH") != ""

// randomHall is a room with a main, a fill of either polarity at some delay, and
// three or four seats.
func randomHall(rng *rand.Rand) rig.Scene {
	u := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	s := rig.Scene{RateHz: testRate, TemperatureC: 20, Seed: rng.Uint64()}
	s.Room.SizeM = [3]float64{u(12, 30), u(9, 22), u(4, 9)}
	s.Room.Reflections = 2
	absorption := u(0.25, 0.5)
	for i := range s.Room.Absorption {
		s.Room.Absorption[i] = min(0.9, absorption+0.04*float64(i))
	}
	long, wide, high := s.Room.SizeM[0], s.Room.SizeM[1], s.Room.SizeM[2]
	s.Programme = rig.Programme{Kind: rig.Pink, LevelDBFS: -20}
	s.Noise.LevelDBFS = -66
	polarity := []string{rig.Same, rig.Opposite}[rng.IntN(2)]
	s.Loudspeakers = []rig.Loudspeaker{
		{Name: "main", PositionM: rig.Position{u(1, 3), u(0.15, 0.4) * wide, u(2.5, high-0.5)}, GainDB: 6, Polarity: rig.Same, LowHz: u(45, 70), HighHz: u(14000, 18000)},
		{Name: "fill", PositionM: rig.Position{u(2, 5), u(0.5, 0.9) * wide, u(0.8, 2)}, GainDB: u(2, 6), Polarity: polarity, DelayMs: u(0, 15), LowHz: u(70, 130), HighHz: u(13000, 17000)},
	}
	for i := range 3 + rng.IntN(2) {
		s.Microphones = append(s.Microphones, rig.Microphone{Name: fmt.Sprintf("seat %d", i+1), PositionM: rig.Position{u(6, long-2), u(2, wide-2), u(1.1, 1.3)}})
	}
	return s
}

// recorded are the spectra of one loudspeaker at every microphone of a scene, from a
// recording of the virtual rig, as a survey makes them.
func recorded(t *testing.T, s rig.Scene, loudspeaker int) []response.Spectra {
	t.Helper()
	const seconds = 8
	solo, err := s.Solo(s.Loudspeakers[loudspeaker].Name)
	if err != nil {
		t.Fatal(err)
	}
	est, err := response.NewEstimator(response.Config{
		SampleRateHz: testRate, Microphones: len(s.Microphones), Window: testWindow, Averaging: response.Averaging{Mode: response.Infinite},
	})
	if err != nil {
		t.Fatal(err)
	}
	for m := range s.Microphones {
		if err := est.SetDelay(m, s.ArrivalS(loudspeaker, m)); err != nil {
			t.Fatal(err)
		}
	}
	channels := make([][]float64, len(s.Microphones)+1)
	err = rig.Render(context.Background(), solo, seconds*testRate, func(block []float32) error {
		for c := range channels {
			channels[c] = channels[c][:0]
			for i := c; i < len(block); i += len(channels) {
				channels[c] = append(channels[c], float64(block[i]))
			}
		}
		est.Feed(channels[0], channels[1:])
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	out := make([]response.Spectra, len(s.Microphones))
	for m := range out {
		est.Spectra(m, &out[m])
	}
	return out
}

// surveyed is a planner whose show has takes of each loudspeaker alone at each seat.
func surveyed(t *testing.T, s rig.Scene) *Planner {
	t.Helper()
	shelf, err := show.NewShelf(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shelf.Close() })
	x, err := shelf.New("test")
	if err != nil {
		t.Fatal(err)
	}
	seats := make([]int64, len(s.Microphones))
	for m, mic := range s.Microphones {
		place := wire.Position(mic.PositionM)
		seat, err := x.PutSeat(show.Seat{Name: mic.Name, PositionM: &place}, "test")
		if err != nil {
			t.Fatal(err)
		}
		seats[m] = seat.ID
	}
	places := map[string]wire.Position{}
	for i, l := range s.Loudspeakers {
		places[l.Name] = wire.Position(l.PositionM)
		kept, err := x.PutLoudspeaker(show.Loudspeaker{Name: l.Name, Role: l.Name}, "test")
		if err != nil {
			t.Fatal(err)
		}
		for m, spectra := range recorded(t, s, i) {
			_, err := x.AddTake(show.Take{
				Origin: show.Measured, Source: "hall", Reference: 1, Microphone: m + 2, TemperatureC: s.TemperatureC,
				Seat: seats[m], Loudspeakers: []int64{kept.ID},
			}, &spectra, nil, "test")
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	p, err := New(Config{Shelf: shelf, Places: func() map[string]wire.Position { return places }})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// heads is what heads beside the seats hear: the true responses of main and fill at
// points around each microphone, [seat][point][line].
type heads struct{ main, fill [][][]complex128 }

func headsOf(s rig.Scene) *heads {
	plan := fft.NewReal(headLines)
	at := func(one rig.Scene, loudspeaker int) []complex128 {
		h, zero := one.ImpulseResponse(loudspeaker, 0)
		x := make([]float64, headLines)
		copy(x, h)
		lines := plan.Forward(nil, x)
		for k := range lines {
			lines[k] *= cmplx.Rect(1, 2*math.Pi*float64(k)*float64(zero)/headLines)
		}
		return lines
	}
	out := new(heads)
	one := s
	one.Microphones = make([]rig.Microphone, 1)
	for _, mic := range s.Microphones {
		var main, fill [][]complex128
		for k := range besides {
			one.Microphones[0] = mic
			one.Microphones[0].PositionM[0] += besideM * math.Cos(2*math.Pi*float64(k)/besides)
			one.Microphones[0].PositionM[1] += besideM * math.Sin(2*math.Pi*float64(k)/besides)
			main, fill = append(main, at(one, 0)), append(fill, at(one, 1))
		}
		out.main, out.fill = append(out.main, main), append(out.fill, fill)
	}
	return out
}

// lines are those nearest to cells of equal log frequency.
func lines(band []float64) (lines []int) {
	perOctave := 48.
	if thorough {
		perOctave = 96
	}
	for f := band[0] * math.Exp2(0.5/perOctave); f < band[1]; f *= math.Exp2(1 / perOctave) {
		lines = append(lines, int(math.Round(f*headLines/testRate)))
	}
	return lines
}

// efficiency is the definition, mean over the points and the seats, over the delays
// fromMs + i·stepMs of the fill: as it is and turned.
func (h *heads) efficiency(band []float64, fromMs, stepMs float64, n int) (out [2][]float64) {
	up, down, log := make([]float64, n), make([]float64, n), [2][]float64{make([]float64, n), make([]float64, n)}
	flush := func() {
		for i := range up {
			log[0][i] += math.Log(up[i])
			log[1][i] += math.Log(down[i])
			up[i], down[i] = 1, 1
		}
	}
	for i := range up {
		up[i], down[i] = 1, 1
	}
	cells := 0
	for seat := range h.main {
		for point := range h.main[seat] {
			for _, k := range lines(band) {
				a, b := h.main[seat][point][k], h.fill[seat][point][k]
				ideal := square(cmplx.Abs(a) + cmplx.Abs(b))
				own, in := (square(cmplx.Abs(a))+square(cmplx.Abs(b)))/ideal, 2*a*cmplx.Conj(b)/complex(ideal, 0)
				omega := 2 * math.Pi * float64(k) * testRate / headLines / 1000
				now := real(in * cmplx.Rect(1, omega*fromMs))
				before := real(in * cmplx.Rect(1, omega*(fromMs-stepMs)))
				turn := 2 * math.Cos(omega*stepMs)
				for i := range up {
					up[i] *= max(1e-6, own+now)
					down[i] *= max(1e-6, own-now)
					now, before = turn*now-before, now
				}
				if cells++; cells%32 == 0 {
					flush()
				}
			}
		}
	}
	flush()
	for s := range log {
		for i := range log[s] {
			log[s][i] *= 10 / math.Ln10 / float64(cells)
		}
	}
	return log
}

// change is how much louder the sum gets, power mean over band and points, mean over
// the seats.
func (h *heads) change(band []float64, ms, sign float64) (db float64) {
	for seat := range h.main {
		today, then := 0.0, 0.0
		for point := range h.main[seat] {
			for _, k := range lines(band) {
				a, b := h.main[seat][point][k], h.fill[seat][point][k]
				today += power(a + b)
				then += power(a + b*cmplx.Rect(sign, -2*math.Pi*float64(k)*testRate/headLines*ms/1000))
			}
		}
		db += 10 * math.Log10(then/today) / float64(len(h.main))
	}
	return db
}

func square(x float64) float64 { return x * x }

// What a plan promises is found where heads are: 15 cm beside the seats, in eight
// directions, in random rooms of the virtual rig, from recordings of it, through the
// planner. Promise against the mean over the true responses there; the same for a
// plan that was made for the points of the microphones; and the best that any delay
// and polarity gives there.
func TestPlansHoldWhereHeadsAre(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	rooms := 3
	bands, stepMs := map[string][2]float64{"the band found": {}}, 0.05
	if thorough {
		rooms = 100
		bands["100 Hz to 2 kHz"], stepMs = [2]float64{100, 2000}, 0.01
	}
	type worst struct{ promise, level, points, best, bias, levelBias float64 }
	found := map[string]*worst{}
	for name := range bands {
		found[name] = new(worst)
	}
	for room := range rooms {
		scene := randomHall(rand.New(rand.NewPCG(uint64(room), 2026)))
		p, h := surveyed(t, scene), headsOf(scene)
		for name, band := range bands {
			ask := func(spreadM float64) (wire.Align, float64, int) {
				q := wire.AlignQuery{Main: "main", Fill: "fill", LowHz: band[0], HighHz: band[1], SpreadM: &spreadM}
				if err := q.Settle(); err != nil {
					t.Fatal(err)
				}
				a, err := p.Align(context.Background(), q)
				if err != nil || a.Plan == nil {
					t.Fatalf("room %d: %v %q", room, err, a.Reasons)
				}
				ms, turned := a.Plan.DelayMs, 0
				if a.Plan.Wait == "A" {
					ms = -ms
				}
				if a.Plan.PolarityB == "opposite" {
					turned = 1
				}
				return a, ms, turned
			}
			a, ms, turned := ask(wire.DefaultSpreadM)
			points, pointsMs, pointsTurned := ask(0)
			if points.BandHz[0] != a.BandHz[0] {
				t.Fatal("two bands")
			}
			here := h.efficiency(a.BandHz, ms, 0.01, 1)[turned][0]
			there := h.efficiency(a.BandHz, pointsMs, 0.01, 1)[pointsTurned][0]
			best := here
			const reachMs = 20
			for _, curve := range h.efficiency(a.BandHz, -reachMs, stepMs, int(2*reachMs/stepMs)+1) {
				for _, v := range curve {
					best = max(best, v)
				}
			}
			promise := float64(a.Efficiency.Plan)
			level := h.change(a.BandHz, ms, float64(1-2*turned))
			w := found[name]
			w.promise, w.points, w.best = max(w.promise, math.Abs(promise-here)), max(w.points, there-here), max(w.best, best-here)
			w.level = max(w.level, math.Abs(float64(a.Promise.ChangeDB)-level))
			w.bias += (promise - here) / float64(rooms)
			w.levelBias += (float64(a.Promise.ChangeDB) - level) / float64(rooms)
			if off := promise - here; math.Abs(off) > 0.3 || there-here > 0.05 || best-here > 0.25 {
				t.Errorf("room %d, %s: promised %.2f dB, found %.2f dB; with the plan for the points %.2f dB; the best is %.2f dB", room, name, promise, here, there, best)
			}
			t.Logf("room %d, %s: promised %.2f dB, found %.2f; points %.2f, promised %.2f; best %.2f; level %+.2f, found %+.2f", room, name, promise, here, there, float64(points.Efficiency.Plan), best, float64(a.Promise.ChangeDB), level)
		}
	}
	for name, w := range found {
		source := fmt.Sprintf("%d random rooms of the virtual rig, 3 or 4 seats, 8 points each; the definition over the true responses", rooms)
		t.Attr("truth", fmt.Sprintf("plans over %s: what is promised is found 15 cm beside the seats within 0.3 dB | %.2f dB off at most, %+.2f on average | %s", name, w.promise, w.bias, source))
		t.Attr("truth", fmt.Sprintf("plans over %s: never 0.05 dB worse there than the plan for the points | %.3f dB at most | %s", name, w.points, source))
		t.Attr("truth", fmt.Sprintf("plans over %s: within 0.25 dB of the best possible there | %.2f dB at most | %s", name, w.best, source))
		t.Attr("truth", fmt.Sprintf("plans over %s: the change of level promised is found there | %.2f dB off at most, %+.2f on average | %s", name, w.level, w.levelBias, source))
	}
}
