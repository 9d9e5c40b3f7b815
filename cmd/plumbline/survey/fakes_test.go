package survey

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture/leak"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

func TestMain(m *testing.M) { leak.Main(m) }

const testRate = 48000

// box is a loudspeaker of the fake world: how late and how loud it is heard, on
// each microphone.
type box struct {
	delay []int // samples
	gain  []float64
}

// world is Bench, Player and Hand in one, on the clock of a synctest bubble. Its
// sound goes where a virtual rig's would, without one.
type world struct {
	t     *testing.T
	boxes map[string]box
	mics  int
	noise float64 // RMS of each microphone

	mu         sync.Mutex
	underruns  uint64
	playing    []string
	ramp       Ramp
	since      time.Time
	plays      []play
	claimed    int
	released   int
	rng        *rand.Rand
	past       []float64 // of the reference, a ring
	at         int
	silentRef  bool
	overload   bool
	breakAfter int // frames until a break is heard; 0 none
	playErr    error
	quiet      bool // the client is not heard
	hung       bool // nor its program
	heard      uint64
	answered   uint64
	gone       chan struct{}
	loudest    float64 // dBFS, of all that was played
}

// play is one call of Session.Play.
type play struct {
	playing    []string
	ramp       Ramp
	begun, end time.Time
}

func newWorld(t *testing.T) *world {
	return &world{
		t: t, mics: 1, noise: 1e-4, gone: make(chan struct{}), rng: rand.New(rand.NewPCG(3, 1)), loudest: math.Inf(-1),
		boxes: map[string]box{
			"main": {[]int{960, 1200}, []float64{0.5, 0.4}},
			"fill": {[]int{1315, 1000}, []float64{-0.4, 0.3}},
		},
		past: make([]float64, 4800),
	}
}

func (w *world) Setup() Setup {
	s := Setup{Source: "world", SampleRateHz: testRate, Channels: []string{"reference"}, Reference: 1, TemperatureC: 21}
	for i := range w.mics {
		s.Channels = append(s.Channels, "microphone")
		s.Microphones = append(s.Microphones, 2+i)
	}
	return s
}

// Listen implements Bench: samples come in blocks of 20 ms.
func (w *world) Listen(ctx context.Context, hear func([]float32, bool)) (func(), error) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				block, broken := w.sound(testRate / 50)
				hear(block, broken)
			}
		}
	}()
	return func() { cancel(); <-done }, nil
}

// Recent implements Bench.
func (w *world) Recent(_ context.Context, seconds float64) ([]float32, error) {
	if seconds == 0 {
		seconds = 5
	}
	block, _ := w.sound(int(seconds * testRate))
	return block, nil
}

// sound makes the next samples of reference and microphones.
func (w *world) sound(frames int) (block []float32, broken bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	level := 0.0
	if len(w.playing) > 0 {
		dbfs := w.ramp.At(time.Since(w.since))
		w.loudest = max(w.loudest, dbfs)
		level = math.Pow(10, dbfs/20) / math.Sqrt2
	}
	if w.breakAfter > 0 {
		if w.breakAfter -= frames; w.breakAfter <= 0 {
			w.breakAfter, broken = 0, true
		}
	}
	for range frames {
		x := w.rng.NormFloat64() * level
		w.at = (w.at + 1) % len(w.past)
		w.past[w.at] = x
		if w.silentRef {
			x = 0
		}
		block = append(block, float32(x))
		for m := range w.mics {
			y := w.rng.NormFloat64() * w.noise
			for _, name := range w.playing {
				b := w.boxes[name]
				y += b.gain[m] * w.past[(w.at-b.delay[m]+len(w.past))%len(w.past)]
			}
			if w.overload {
				y *= 1000
			}
			block = append(block, float32(min(1, max(-1, y))))
		}
	}
	return block, broken
}

func (w *world) Has() []show.Loudspeaker {
	return []show.Loudspeaker{{Name: "main", Role: "main"}, {Name: "fill", Role: "fill"}}
}

func (w *world) Plays([]show.Loudspeaker) ([]string, string) { return []string{"main", "fill"}, "" }

func (w *world) Claim(string) (Session, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.claimed++
	return w, nil
}

func (w *world) Underruns() uint64 { return w.underruns }

func (w *world) Release() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.released++
	return nil
}

// Play implements Session.
func (w *world) Play(ctx context.Context, playing []show.Loudspeaker, ramp Ramp, begun func()) error {
	w.mu.Lock()
	err := w.playErr
	w.playing, w.ramp, w.since = namesOf(playing), ramp, time.Now()
	w.plays = append(w.plays, play{w.playing, ramp, w.since, time.Time{}})
	i := len(w.plays) - 1
	w.mu.Unlock()
	if err == nil {
		begun()
		<-ctx.Done()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.playing = nil
	w.plays[i].end = time.Now()
	return err
}

func (w *world) Gone() <-chan struct{} { return w.gone }
func (w *world) Close()                {}

// Heard implements Hand: an answer every 50 ms, while there is one.
func (w *world) Heard() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.quiet {
		w.heard = uint64(time.Now().UnixMilli() / 50)
	}
	return w.heard
}

// Answered implements Hand likewise.
func (w *world) Answered() uint64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.quiet && !w.hung {
		w.answered = uint64(time.Now().UnixMilli() / 50)
	}
	return w.answered
}

func (w *world) answer(yes bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.quiet = !yes
}

func (w *world) hang(yes bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.hung = yes
}

func (w *world) sounding() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.playing) > 0
}

// stage is a surveyor that runs, with a show, in a bubble.
type stage struct {
	*world
	s     *Surveyor
	shelf *show.Shelf
	told  chan wire.Survey
	end   func()
}

var errBroken = errors.New("the output has gone")

// inBubble runs f with a stage; all has ended when it returns.
func inBubble(t *testing.T, set func(*world), f func(t *testing.T, b *stage)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		if set != nil {
			set(w)
		}
		shelf, err := show.NewShelf(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		defer shelf.Close()
		x, err := shelf.New("test")
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"seat 1", "seat 2"} {
			if _, err := x.PutSeat(show.Seat{Name: name}, "test"); err != nil {
				t.Fatal(err)
			}
		}
		b := &stage{world: w, shelf: shelf, told: make(chan wire.Survey, 1<<14)}
		b.s, err = New(Config{
			Bench: w, Player: w, Shelf: shelf,
			Hold:    func(client string) (Hand, bool) { return w, client == "c1" },
			Changed: func(v wire.Survey) { b.told <- v },
			Prove: func(_ wire.VerifyRequest, seat, take int64, _ string) (wire.Verification, error) {
				return wire.Verification{Seat: seat, Take: take, Pass: true, Text: "Seat 1 passes."}, nil
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan struct{})
		go func() { defer close(ended); b.s.Run(ctx) }()
		b.end = func() { cancel(); <-ended }
		defer b.end()
		f(t, b)
	})
}

func (b *stage) start(t *testing.T, change func(*wire.SurveyRequest)) error {
	t.Helper()
	r := wire.SurveyRequest{Main: "main", Fill: "fill", Seats: wire.Seats{Seat: 1}}
	if change != nil {
		change(&r)
	}
	if err := r.Settle(); err != nil {
		return err
	}
	_, err := b.s.StartSurvey(context.Background(), r, "c1")
	return err
}

// until waits, on the bubble's clock, for a state of the survey.
func (b *stage) until(t *testing.T, what string, ok func(wire.Survey) bool) wire.Survey {
	t.Helper()
	for range 5 * 60 * 100 {
		if v := b.s.Survey(); ok(v) {
			return v
		}
		time.Sleep(10 * time.Millisecond) // of the bubble
	}
	t.Fatalf("never %s: %+v", what, b.s.Survey())
	panic("unreachable")
}

func isOver(v wire.Survey) bool { return v.State != wire.SurveyIdle && !v.Running() }

func (b *stage) takes(t *testing.T) []show.Take {
	t.Helper()
	x, err := b.shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	takes, err := x.Takes(show.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	return takes
}
