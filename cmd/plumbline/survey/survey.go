package survey

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// Bench is the measurement that goes on anyway: it lends its samples.
type Bench interface {
	Setup() Setup
	// Listen has hear called with every block of interleaved samples from now on,
	// on the goroutine that owns the measurement, until stop is called; broken
	// says that a block does not follow on the one before. stop returns when hear
	// will not be called again.
	Listen(ctx context.Context, hear func(block []float32, broken bool)) (stop func(), err error)
	// Recent are the newest samples, as many as are averaged now (or seconds of
	// them, unless 0), with no break between them. It refuses when the newest of
	// them is not of now: that would be the sound of another place and time.
	Recent(ctx context.Context, seconds float64) (samples []float32, err error)
}

// Setup says what a Bench hears.
type Setup struct {
	Source       string
	SampleRateHz int
	Channels     []string
	Reference    int   // channel, from 1
	Microphones  []int // channels, from 1
	TemperatureC float64
	Held         bool // what is shown was measured before, and stands still
}

// Player sounds the test signal. Its methods may be called from any goroutine.
type Player interface {
	// Has names the loudspeakers that the player knows by itself.
	Has() []show.Loudspeaker
	// Plays names those of the show that it can play, or the reason why none.
	Plays(all []show.Loudspeaker) (names []string, reason string)
	// Claim takes over the output, which is silent from then on.
	Claim(by string) (Session, error)
}

// Session is a claim on the output. Not for two goroutines.
type Session interface {
	// Play sounds through these loudspeakers only, along the ramp, until ctx is
	// done; it calls begun, once, when the ramp begins. It returns in silence.
	Play(ctx context.Context, playing []show.Loudspeaker, ramp Ramp, begun func()) error
	// Underruns counts how often the output ran dry, each time a click, since the claim.
	Underruns() uint64
	// Release puts back what was before.
	Release() error
}

// Hand is the dead man's handle: the client that started.
type Hand interface {
	Gone() <-chan struct{}
	Heard() uint64    // counts signs of life; rises every 50 ms while the client is connected
	Answered() uint64 // the same of its program: a browser is connected although its page hangs
	Close()
}

// Config of a Surveyor.
type Config struct {
	Bench  Bench
	Player Player // nil: takes are made by hand only, and NoPlayer says why
	Shelf  *show.Shelf
	// Hold takes the handle of a client; false when it is not connected.
	Hold func(client string) (Hand, bool)
	// Changed is called with every change, from Run's goroutine and those of
	// callers; nil for nobody.
	Changed func(wire.Survey)
	// Dialled is what is known to be set for the loudspeakers; with a plan, what
	// is set while that is verified. nil: nothing is known.
	Dialled func(plan int64) map[string]wire.Dial
	// Place is where the microphone on a channel stands; false: that is not known. nil: of none it is.
	Place func(channel int) (wire.Position, bool)
	// Prove compares a take of both with a plan.
	Prove    func(r wire.VerifyRequest, seat, take int64, by string) (wire.Verification, error)
	NoPlayer string
	RampS    float64 // 0 is 3
	Logger   *slog.Logger
}

// The times of a survey.
const (
	rampS       = 3.0
	settle      = 100 * time.Millisecond // before it is listened whether what is heard is steady
	beginLimit  = 5 * time.Second        // for an output to begin
	look        = 100 * time.Millisecond // between two looks at progress
	holdEvery   = 20 * time.Millisecond
	quietLimit  = 9                // looks without a sign of life: silence, at most 0.1 s later
	hangLimit   = 50               // looks without an answer: a page that draws much is late by less
	quietToo    = 10 * time.Second // no answer for so long: over
	patience    = 60 * time.Second // for one take
	leastAudioS = 2.0
)

// Surveyor performs surveys. Run must run; the other methods may be called from
// any goroutine.
type Surveyor struct {
	cfg  Config
	log  *slog.Logger
	jobs chan *job

	mu    sync.Mutex
	state wire.Survey
	stop  context.CancelCauseFunc // of the survey that runs; nil for none
	trace *wire.SurveyTrace       // not changed once it is here; nil: nothing is being measured
	asks  *job                    // the one that waits to be told at which seat to store

	over chan struct{} // closed when Run has ended
}

// job is one survey.
type job struct {
	purpose         string
	by              string
	hand            Hand
	heard, answered since // of hand, by the goroutine that holds it
	show            *show.Show
	main            show.Loudspeaker
	fill            show.Loudspeaker
	steps           [][]show.Loudspeaker
	seats           map[int]int64 // by channel
	setup           Setup
	goal            wire.Goal
	level           float64
	missed          []string // what could not be reached, by step
	verify          *wire.VerifyRequest
	names           map[int64]string // of the seats
	ctx             context.Context
	stop            context.CancelCauseFunc
	// delays found with the main alone, by channel, s: those of both.
	delays map[int]float64

	dialled map[string]wire.Dial   // what is known to be set
	held    []heldStep             // measured, and not stored until it is clear at which seats
	remarks map[int]string         // on the takes of a channel: the arrival times were those of another seat
	answers chan wire.SurveyAnswer // to the question at which; who answers has waited until it is taken
}

// loudspeaker is one of the two, by its id.
func (j *job) loudspeaker(id int64) show.Loudspeaker {
	if id == j.main.ID {
		return j.main
	}
	return j.fill
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Surveyor, error) {
	if cfg.Bench == nil || cfg.Shelf == nil || cfg.Hold == nil {
		return nil, errors.New("survey: Bench, Shelf and Hold are needed")
	}
	if cfg.RampS == 0 {
		cfg.RampS = rampS
	}
	if cfg.Dialled == nil {
		cfg.Dialled = func(int64) map[string]wire.Dial { return nil }
	}
	if cfg.Changed == nil {
		cfg.Changed = func(wire.Survey) {}
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Surveyor{cfg: cfg, log: cfg.Logger, jobs: make(chan *job), over: make(chan struct{})}
	s.state = wire.Survey{
		Revision: 1, State: wire.SurveyIdle, LevelDBFS: wire.Unknown(), Remaining: wire.Unknown(),
		CapDBFS: wire.DefaultCapDBFS, Playing: []string{}, Takes: []int64{}, Doubts: []wire.SeatDoubt{}, Text: "No survey was made yet.",
	}
	return s, nil
}

// Run performs what is started until ctx is done; then whatever sounds has
// stopped.
func (s *Surveyor) Run(ctx context.Context) error {
	defer close(s.over)
	for {
		select {
		case <-ctx.Done():
			return nil
		case j := <-s.jobs:
			release := context.AfterFunc(ctx, func() { j.stop(errEnding) })
			s.finish(j, s.perform(j))
			release()
		}
	}
}

// Survey is what is being done.
func (s *Surveyor) Survey() wire.Survey {
	s.mu.Lock()
	v := s.state
	s.mu.Unlock()
	v.Plays, v.PlaysReason = s.plays()
	return v
}

func (s *Surveyor) plays() (names []string, reason string) {
	if s.cfg.Player == nil {
		return []string{}, s.cfg.NoPlayer
	}
	all := s.cfg.Player.Has()
	if x, err := s.cfg.Shelf.Current(); err == nil {
		if stored, err := x.Loudspeakers(); err == nil {
			for _, l := range stored {
				if !slices.ContainsFunc(all, func(k show.Loudspeaker) bool { return k.Name == l.Name }) {
					all = append(all, l)
				}
			}
		}
	}
	names, reason = s.cfg.Player.Plays(all)
	if names == nil {
		names = []string{}
	}
	return names, reason
}

// change alters the state and tells everybody.
func (s *Surveyor) change(f func(*wire.Survey)) wire.Survey {
	s.mu.Lock()
	f(&s.state)
	s.state.Revision++
	s.mu.Unlock()
	v := s.Survey()
	s.cfg.Changed(v)
	return v
}

func refuse(status int, code, format string, args ...any) *wire.Error {
	return &wire.Error{Code: code, Text: fmt.Sprintf(format, args...), Status: status}
}

// StartSurvey begins a survey of main alone, fill alone, and both.
func (s *Surveyor) StartSurvey(ctx context.Context, r wire.SurveyRequest, by string) (wire.Survey, error) {
	j, err := s.prepare(r.Main, r.Fill, r.Seats)
	if err != nil {
		return wire.Survey{}, err
	}
	j.purpose, j.goal, j.level = wire.PurposeSurvey, r.Goal, *r.LevelDBFS
	j.steps = [][]show.Loudspeaker{{j.main}, {j.fill}, {j.main, j.fill}}
	return s.start(ctx, j, *r.CapDBFS, by)
}

// StartVerify begins to measure main and fill together for a plan.
func (s *Surveyor) StartVerify(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error) {
	j, err := s.prepare(main, fill, r.Seats)
	if err != nil {
		return wire.Survey{}, err
	}
	j.purpose, j.goal, j.level, j.verify = wire.PurposeVerify, r.Goal, *r.LevelDBFS, &r
	j.steps = [][]show.Loudspeaker{{j.main, j.fill}}
	return s.start(ctx, j, *r.CapDBFS, by)
}

// prepare looks up all that a survey names.
func (s *Surveyor) prepare(main, fill string, seats wire.Seats) (*job, error) {
	x, err := s.cfg.Shelf.Current()
	if err != nil {
		return nil, err
	}
	can, reason := s.plays()
	for _, name := range []string{main, fill} {
		switch {
		case slices.Contains(can, name):
		case len(can) == 0:
			return nil, refuse(http.StatusConflict, "no_output", "%s: mute at the console and store takes by hand", strings.TrimSuffix(reason, "."))
		default:
			return nil, refuse(http.StatusUnprocessableEntity, "loudspeaker", "the daemon cannot play %q: choose among %s, or store takes by hand", name, strings.Join(can, ", "))
		}
	}
	j := &job{show: x, setup: s.cfg.Bench.Setup(), names: map[int64]string{}, delays: map[int]float64{}, remarks: map[int]string{}, answers: make(chan wire.SurveyAnswer, 1), dialled: s.cfg.Dialled(0)}
	if j.main, err = s.loudspeaker(x, main); err != nil {
		return nil, err
	}
	if j.fill, err = s.loudspeaker(x, fill); err != nil {
		return nil, err
	}
	if j.seats, err = seats.Of(j.setup.Microphones); err != nil {
		return nil, err
	}
	all, err := x.Seats()
	if err != nil {
		return nil, err
	}
	for _, seat := range all {
		j.names[seat.ID] = seat.Name
	}
	for _, id := range j.seats {
		if _, ok := j.names[id]; !ok {
			return nil, refuse(http.StatusNotFound, "not_found", "there is no seat %d in this show: add it first", id)
		}
	}
	return j, nil
}

// loudspeaker is the one of that name in the show; one that only the player
// knows is entered.
func (s *Surveyor) loudspeaker(x *show.Show, name string) (show.Loudspeaker, error) {
	all, err := x.Loudspeakers()
	if err != nil {
		return show.Loudspeaker{}, err
	}
	for _, l := range all {
		if l.Name == name {
			return l, nil
		}
	}
	for _, l := range s.cfg.Player.Has() {
		if l.Name == name {
			return x.PutLoudspeaker(l, "plumbline")
		}
	}
	return show.Loudspeaker{}, refuse(http.StatusNotFound, "not_found", "there is no loudspeaker %q in this show: add it first", name)
}

var errBusy = refuse(http.StatusConflict, "busy", "a survey is running: wait for its end or stop it")

// claim takes the turn, which only one has at a time, with what stops who has it.
func (s *Surveyor) claim(stop context.CancelCauseFunc) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stop != nil {
		return false
	}
	s.stop = stop
	return true
}

func (s *Surveyor) release() {
	s.mu.Lock()
	s.stop = nil
	s.mu.Unlock()
}

// start takes the handle and hands the job to Run.
func (s *Surveyor) start(ctx context.Context, j *job, ceiling float64, by string) (wire.Survey, error) {
	hand, ok := s.cfg.Hold(by)
	if !ok {
		return wire.Survey{}, refuse(http.StatusConflict, "no_hand", "sound is only made while the page that asked for it is there: connect to /api/v1/live first and send its client name as X-Plumbline-Client")
	}
	j.by, j.hand = by, hand
	j.ctx, j.stop = context.WithCancelCause(context.Background())
	if !s.claim(j.stop) {
		j.stop(nil)
		hand.Close()
		return wire.Survey{}, errBusy
	}
	v := s.change(func(v *wire.Survey) {
		*v = wire.Survey{
			Revision: v.Revision, State: wire.SurveyRamping, Purpose: j.purpose, Seat: j.firstSeat(), Main: j.main.Name, Fill: j.fill.Name,
			Playing: namesOf(j.steps[0]), Step: 1, Steps: len(j.steps), Remaining: wire.Unknown(), LevelDBFS: wire.Unknown(),
			CapDBFS: ceiling, Text: j.sayRamp(0, s.cfg.RampS), Takes: []int64{}, Doubts: []wire.SeatDoubt{}, By: by,
		}
	})
	select {
	case s.jobs <- j:
		return v, nil
	case <-s.over:
		s.finish(j, errEnding)
		return s.Survey(), nil
	case <-ctx.Done():
		s.finish(j, ctx.Err())
		return wire.Survey{}, ctx.Err()
	}
}

func (j *job) firstSeat() int64 {
	for _, m := range j.setup.Microphones {
		if id, ok := j.seats[m]; ok {
			return id
		}
	}
	return 0
}

func namesOf(playing []show.Loudspeaker) []string {
	names := make([]string, len(playing))
	for i, l := range playing {
		names[i] = l.Name
	}
	return names
}

// Why a survey ends before it is done.
var (
	errEnding = errors.New("plumbline ends")
	errGone   = errors.New("the page that started it is gone")
	errQuiet  = errors.New("the page that started it does not answer")
	errHangs  = fmt.Errorf("%w: it hangs", errQuiet)

	errUnanswered = errors.New("nobody said at which seat to store it")
	errDiscarded  = errors.New("discarded by hand: move the microphone, and measure again")
)

type stoppedError struct{ by string }

func (e stoppedError) Error() string {
	return "stopped by " + e.by
}

// StopSurvey silences a survey and ends it.
func (s *Surveyor) StopSurvey(_ context.Context, by string) (wire.Survey, error) {
	s.mu.Lock()
	if s.stop != nil {
		s.stop(stoppedError{by})
	}
	s.mu.Unlock()
	return s.Survey(), nil
}

// finish tells how a survey ended and makes room for the next.
func (s *Surveyor) finish(j *job, err error) {
	j.stop(nil)
	j.hand.Close()
	s.forgetTrace()
	s.release()
	var stopped stoppedError
	s.change(func(v *wire.Survey) {
		v.LevelDBFS, v.Remaining, v.Doubts = wire.Unknown(), wire.Value(0), []wire.SeatDoubt{}
		switch {
		case err == nil:
			v.State, v.Done, v.Text = wire.SurveyDone, 1, j.sayDone(v)
		case errors.As(err, &stopped), errors.Is(err, errGone), errors.Is(err, errQuiet), errors.Is(err, errEnding), errors.Is(err, errUnanswered), errors.Is(err, errDiscarded):
			v.State, v.Text = wire.SurveyStopped, sayStopped(err, v)
		default:
			v.State, v.Text = wire.SurveyFailed, sayFailed(err, v)
		}
	})
	log := s.log.With("purpose", j.purpose, "main", j.main.Name, "fill", j.fill.Name, "by", j.by)
	if err != nil {
		log.Warn("survey ended early", "err", err)
		return
	}
	log.Info("survey done")
}
