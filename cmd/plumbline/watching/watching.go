// Package watching compares microphones with baseline takes while the daemon
// runs: it learns a baseline from the audio of a take, feeds the watch, and
// says in words what it finds.
//
//	pump ─► Ring ─► watch.Watch of each microphone ─┬─► Found
//	take ─► watch.Learn ─┘                          └─► Changed, once a second
//
// Two goroutines, both within Run: one listens, one learns and tells. The pump waits for
// neither: what does not fit into the ring is a break that the watch is told of.
package watching

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/analyze/setting"
	"plumbline/analyze/watch"
	"plumbline/capture"
	"plumbline/stream/show"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

const (
	ringS  = 4 // of audio that waits for a watch that is late, seconds
	blockS = 0.05
	// publishEvery is how often the state is published while something is watched.
	publishEvery = time.Second
)

// Config of a Watcher.
type Config struct {
	SampleRateHz int
	Channels     int
	Source       string      // what is captured, for people: a watch goes on after a restart only on the same
	Shelf        *show.Shelf // takes and seats
	// Changed is called with every new state, Found with every event and the
	// sample index at which it was found. They must not wait.
	Changed func(wire.Watches)
	Found   func(e wire.Event, sample uint64)
	Logger  *slog.Logger
}

// Watcher watches. It is a stream.WatchOperator.
type Watcher struct {
	cfg       Config
	ring      *capture.Ring
	published atomic.Pointer[wire.Watches]
	jobs      chan *session
	show      *show.Show // whose watches these are; the learner's
	keeping   sync.Mutex // held to change what a show keeps

	mu       sync.Mutex // held to feed a block, and to change something
	sessions []*session // by channel
	revision uint64
	ended    bool
	playing  Playing
}

// session is the watch of one microphone.
type session struct {
	show    *show.Show
	take    show.Take
	view    wire.Watch // all of it that does not follow from watch
	watch   *watch.Watch
	fed     uint64    // samples that the watch has heard
	healthy time.Time // since when all is as the baseline
	heard   time.Time // when samples came last
	events  []watch.Event

	newest  story                  // about what is wrong
	stories map[watch.Change]story // about all that is

	playing  []string // loudspeakers of the baseline
	complete bool     // no other one sounded when it was learnt, as far as is known
	paused   string   // why nothing is compared; empty: it is
	skip     int      // frames that are not heard after a pause
}

// story is what was said about a change.
type story struct{ headline, said, mark, certainty string }

// New checks cfg and starts nothing.
func New(cfg Config) (*Watcher, error) {
	if cfg.Shelf == nil || cfg.Channels < 1 || cfg.SampleRateHz < 1 {
		return nil, errors.New("watching: Config needs Shelf, Channels and SampleRateHz")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	w := &Watcher{cfg: cfg, ring: capture.NewRing(cfg.Channels, ringS*cfg.SampleRateHz), jobs: make(chan *session, setting.MaxMicrophones)}
	w.published.Store(&wire.Watches{Watches: []wire.Watch{}})
	return w, nil
}

// Ring takes the audio: all channels, with every gap.
func (w *Watcher) Ring() *capture.Ring { return w.ring }

// Watches implements stream.WatchOperator.
func (w *Watcher) Watches() wire.Watches { return *w.published.Load() }

// Run watches until ctx is done.
func (w *Watcher) Run(ctx context.Context) error {
	learnt := make(chan struct{})
	go func() {
		defer close(learnt)
		tick := time.NewTicker(publishEvery)
		defer tick.Stop()
		w.follow(ctx)
		for {
			select {
			case <-ctx.Done():
				return
			case s := <-w.jobs:
				w.learn(ctx, s)
			case <-tick.C:
				w.follow(ctx)
				w.mu.Lock()
				if len(w.sessions) > 0 {
					w.publish()
				}
				w.mu.Unlock()
			}
		}
	}()
	samples := make([]float32, int(blockS*float64(w.cfg.SampleRateHz))*w.cfg.Channels)
	ref, mic := make([]float64, len(samples)/w.cfg.Channels), make([]float64, len(samples)/w.cfg.Channels)
	for w.ring.Wait(ctx) == nil {
		for {
			n, sample, gap := w.ring.Read(samples)
			if n == 0 {
				break
			}
			w.feed(samples[:n*w.cfg.Channels], ref[:n], mic[:n], sample+uint64(n), gap)
		}
	}
	<-ctx.Done()
	w.mu.Lock()
	w.ended = true
	w.mu.Unlock()
	<-learnt
	return nil
}

// feed gives a block that ends at a sample index to every watch.
func (w *Watcher) feed(block []float32, ref, mic []float64, end uint64, gap capture.Gap) {
	w.mu.Lock()
	defer w.mu.Unlock()
	found, now := false, time.Now()
	for _, s := range w.sessions {
		if s.watch == nil {
			continue
		}
		pick(ref, block, s.take.Reference, w.cfg.Channels)
		pick(mic, block, s.view.Microphone, w.cfg.Channels)
		if gap != (capture.Gap{}) {
			s.watch.Break()
			if gap.Cause != capture.NoGap {
				s.view.Breaks++
			}
		}
		s.heard = now
		if s.skips(len(ref)) {
			continue
		}
		s.watch.Feed(ref, mic)
		s.fed += uint64(len(ref))
		s.events = s.watch.Events(s.events[:0])
		for _, e := range s.events {
			w.find(s, e, end)
			found = true
		}
	}
	if found {
		w.publish()
	}
}

// pick takes one channel, from 1, out of an interleaved block.
func pick(dst []float64, block []float32, channel, channels int) {
	for i := range dst {
		dst[i] = float64(block[i*channels+channel-1])
	}
}

// byArrival tells whether it knows its loudspeakers by their arrivals only.
func (s *session) byArrival() bool {
	return len(s.take.Loudspeakers) != 1 && !slices.ContainsFunc(s.view.Loudspeakers, func(p wire.WatchedPart) bool { return p.Take != 0 })
}

// find puts an event into words and hands it on. mu is held.
func (w *Watcher) find(s *session, e watch.Event, end uint64) {
	rate := time.Duration(w.cfg.SampleRateHz)
	now := time.Now().Add(-time.Duration(w.ring.Len()) * time.Second / rate)
	when := func(sample uint64) time.Time {
		return now.Add(-time.Duration(s.fed-min(sample, s.fed)) * time.Second / rate)
	}
	at, onset := when(e.Sample), when(e.Onset)
	mark, certainty := markOf(e), certaintyOf(e.Confidence)
	text := told(e, onset, s.byArrival())
	s.view.Events++
	if left, ok := s.watch.State(); e.Kind == watch.Restored && !ok {
		// One of several is over: what is said from now on was said before.
		text = sentence(e.Change, onset, false, true)
		s.newest = s.stories[left]
	} else {
		if ok || s.stories == nil {
			s.stories = map[watch.Change]story{}
		}
		s.newest = story{headline(e), text, mark, certainty}
		s.stories[e.Change] = s.newest
	}
	s.healthy = at
	index := uint64(0)
	if back := s.fed - min(e.Sample, s.fed); back < end {
		index = end - back
	}
	w.cfg.Found(wire.Event{
		At: stamp(at), OnsetAt: stamp(onset), Microphone: s.view.Microphone,
		Seat: s.view.Seat, SeatName: s.view.SeatName, Take: s.take.ID, WatchChange: changeOf(e.Change),
		Confidence: wire.Value(e.Confidence), Certainty: certainty, Mark: mark, Text: text,
	}, index)
}

// StopWatch implements stream.WatchOperator.
func (w *Watcher) StopWatch(_ context.Context, microphone int, by string) (wire.Watches, error) {
	w.mu.Lock()
	w.sessions = slices.DeleteFunc(w.sessions, func(s *session) bool {
		return microphone == 0 || s.view.Microphone == microphone
	})
	w.publish()
	w.mu.Unlock()
	x, err := w.cfg.Shelf.Current()
	if err != nil {
		return w.Watches(), nil // nothing is kept
	}
	text := fmt.Sprintf("microphone %d is not watched any more", microphone)
	if microphone == 0 {
		text = "no microphone is watched any more"
	}
	return w.Watches(), w.keep(x, drop(microphone), text, by)
}

// publish tells the state. mu is held.
func (w *Watcher) publish() {
	w.revision++
	v := wire.Watches{Revision: w.revision, Watches: make([]wire.Watch, 0, len(w.sessions))}
	for _, s := range w.sessions {
		now := s.now(time.Now())
		if now.Headline == "" {
			now.Headline = verdict.Lead(now.Text)
		}
		v.Watches = append(v.Watches, now)
	}
	w.published.Store(&v)
	w.cfg.Changed(v)
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z07:00") }
