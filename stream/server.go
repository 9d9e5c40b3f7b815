package stream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/stream/access"
	"plumbline/stream/show"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// Config says what a Server serves.
type Config struct {
	Operator Operator    // required
	Rig      RigOperator // nil: the source is no virtual rig
	// Shelf keeps the shows; nil: there are none. The caller closes it when Run
	// has returned.
	Shelf *show.Shelf
	Takes TakeOperator // captures takes; nil: they can only be imported
	// Survey and Align work on the open show; nil: there is none.
	Survey SurveyOperator
	Align  AlignOperator
	// Levels and Watch listen all the time; nil: nobody does.
	Levels LevelOperator
	Watch  WatchOperator
	// Setup chooses the source; nil: it is chosen for good.
	Setup SetupOperator
	// Metrics serves GET /metrics and GET /api/v1/dashboard.json; nil: there are none.
	Metrics http.Handler
	// DecodeWAV reads the first channel of a WAV file, for imports; nil: none.
	DecodeWAV func(data []byte) (sampleRateHz float64, samples []float64, err error)
	UI        fs.FS // the front end, rooted at its index.html; nil: the API only
	Logger    *slog.Logger
	// Gate asks for tokens; nil: nobody is asked, for addresses that only this computer
	// can reach.
	Gate *access.Gate
	// Hosts are names of this computer, beside its addresses, that a Gate's clients may
	// call it by.
	Hosts []string
	// MaxClients bounds the live connections; 0 is 1280, so that a thousand viewers leave room.
	MaxClients int
}

// Server publishes frames and serves the API. New starts nothing; Run serves.
// All methods may be called from any goroutine, Publish from one at a time.
type Server struct {
	cfg   Config
	log   *slog.Logger
	now   func() time.Time // for people: somebody may set that clock
	start time.Time
	mux   *http.ServeMux

	board   atomic.Pointer[board]
	boardMu sync.Mutex // held to change the board

	heavy chan struct{} // holds one for each heavy request

	pace    *access.Tally // requests
	said    *access.Tally // refusals in the log
	unsaid  atomic.Int64  // refusals that are not
	peers   peers
	ending  chan struct{} // closed when Run ends
	endOnce sync.Once

	pool     pool
	newest   *packet
	newestMu sync.Mutex // a few instructions at a time

	clients    atomic.Pointer[[]*client]
	clientsMu  sync.Mutex // held to change the list
	clientSeq  int
	stopping   bool
	connection sync.WaitGroup

	keepers []*verdict.Keeper // of the pump's goroutine
	stale   atomic.Bool
	// lastFrame is when the newest was published, ns after start, plus 1; 0: there is none.
	lastFrame atomic.Int64

	published, encoded, sent, skipped atomic.Uint64
}

// Stats count what a server has done.
type Stats struct {
	Clients   int
	Published uint64 // frames handed to Publish
	Encoded   uint64 // encodings of frames: one for each selection of microphones that was sent
	Sent      uint64 // frames written to clients, all together
	Skipped   uint64 // frames a client never saw because a newer one came first
}

const (
	poolSize   = 64
	staleAfter = 1500 * time.Millisecond
)

// New checks the configuration.
func New(cfg Config) (*Server, error) {
	if cfg.Operator == nil {
		return nil, errors.New("stream: Config.Operator is missing")
	}
	if cfg.MaxClients < 0 {
		return nil, fmt.Errorf("stream: Config.MaxClients is %d, want 0 or more", cfg.MaxClients)
	}
	if cfg.MaxClients == 0 {
		cfg.MaxClients = 1280
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Server{cfg: cfg, log: cfg.Logger, now: time.Now, pool: make(pool, poolSize), heavy: make(chan struct{}, mostHeavy), ending: make(chan struct{})}
	s.pace, s.said = access.NewTally(s.requestsPerSecond()), access.NewTally(refusalsPerSecond)
	s.start = time.Now()
	s.clients.Store(new([]*client))
	state := cfg.Operator.State()
	s.board.Store(&board{hello: &helloDoc{wire.Hello{
		Type: wire.TypeHello, Version: wire.Version,
		Epoch: state.Epoch, RateHz: float64(state.Source.RateHz), Grid: []float64{},
	}}})
	s.StateChanged(state)
	if cfg.Rig != nil {
		s.RigChanged(cfg.Rig.Rig())
	}
	if cfg.Shelf != nil {
		cfg.Shelf.OnChange(s.showChanged)
		s.showChanged()
	}
	if cfg.Survey != nil {
		s.SurveyChanged(cfg.Survey.Survey())
	}
	if cfg.Levels != nil {
		s.LevelsChanged(cfg.Levels.Levels())
	}
	if cfg.Watch != nil {
		s.WatchesChanged(cfg.Watch.Watches())
	}
	if state.Source.Kind == wire.SourceNone {
		s.pinSentence(verdict.NoSource())
	} else {
		s.pinSentence(verdict.Waiting(state.Source.Name))
	}
	s.mux = s.routes()
	return s, nil
}

// StateChanged tells all clients. A state whose Revision is older than the one
// they have is dropped.
func (s *Server) StateChanged(st State) {
	data := encode(wire.StateMessage{Type: wire.TypeState, State: st})
	s.pin(func(b *board) {
		if b.state == nil || st.Revision == 0 || st.Revision >= b.state.state.Revision {
			b.state = &stateDoc{st, data}
		}
	})
}

// RigChanged tells all clients, under the same rule.
func (s *Server) RigChanged(r RigScene) {
	data := encode(wire.RigMessage{Type: wire.TypeRig, Rig: r})
	s.pin(func(b *board) {
		if b.rig == nil || r.Revision == 0 || r.Revision >= b.rig.rig.Revision {
			b.rig = &rigDoc{r, data}
		}
	})
}

// Notice tells all clients something once.
func (s *Server) Notice(text, by string) {
	data := encode(wire.Notice{Type: wire.TypeNotice, Text: text, By: by})
	for _, c := range *s.clients.Load() {
		c.notice(data)
	}
}

// Stats counts.
func (s *Server) Stats() Stats {
	return Stats{
		Clients:   len(*s.clients.Load()),
		Published: s.published.Load(),
		Encoded:   s.encoded.Load(),
		Sent:      s.sent.Load(),
		Skipped:   s.skipped.Load(),
	}
}

// Run serves on l until ctx is done, then ends in order: the listener, the
// clients (close code 1001), everything it started. It closes l.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	if s.cfg.Gate == nil && !Loopback(l) {
		l.Close()
		return fmt.Errorf("stream: %s can be reached from other machines, and nobody would be asked for a token", l.Addr())
	}
	hs := &http.Server{
		Handler:           s,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       60 * time.Second,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
		ConnContext:       s.arrived,
		ConnState:         s.moved,
	}
	watching, stopWatching := context.WithCancel(ctx)
	watched := make(chan struct{})
	go func() { defer close(watched); s.watch(watching) }()
	defer func() { stopWatching(); <-watched }()

	served := make(chan error, 1)
	go func() { served <- hs.Serve(l) }()
	var err error
	select {
	case err = <-served:
	case <-ctx.Done():
	}
	s.endOnce.Do(func() { close(s.ending) })
	l.Close() // so that nobody who is told to go comes back
	s.stopClients()
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	if hs.Shutdown(grace) != nil {
		hs.Close() // what is still open after the grace is cut
	}
	if ctx.Err() != nil {
		<-served
		return nil
	}
	return fmt.Errorf("serve %s: %w", l.Addr(), err)
}

// stopClients says goodbye to every client and waits for their goroutines.
func (s *Server) stopClients() {
	s.clientsMu.Lock()
	s.stopping = true
	s.clientsMu.Unlock()
	gone := make(chan struct{})
	go func() { s.connection.Wait(); close(gone) }()
	for _, c := range *s.clients.Load() {
		c.stop(closeGoingAway, "the daemon ends")
	}
	select {
	case <-gone:
	case <-time.After(time.Second): // a peer that does not read
		for _, c := range *s.clients.Load() {
			c.conn.Close()
		}
		<-gone
	}
}

// elapsed is the time since the start by a clock that nobody sets.
func (s *Server) elapsed() time.Duration { return time.Since(s.start) }

// sinceFrame is the age of the newest frame, which no setting of the clock changes;
// false: there is none yet.
func (s *Server) sinceFrame() (age time.Duration, some bool) {
	last := s.lastFrame.Load()
	return s.elapsed() - time.Duration(last-1), last != 0
}

// watch replaces the verdicts when no frame has come for a while, and again when
// the source says something else about it; and it turns out whose token was removed.
func (s *Server) watch(ctx context.Context) {
	tick := time.NewTicker(staleAfter / 6)
	defer tick.Stop()
	var said string
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			s.turnOut()
			age, some := s.sinceFrame()
			src := s.board.Load().state.state.Source
			if !some || age < staleAfter || s.stale.Load() && said == src.Text {
				continue
			}
			said = src.Text
			s.stale.Store(true)
			s.pinSentence(verdict.Stale(s.now().Add(-age), src.Name, said))
		}
	}
}

func encode(v any) []byte {
	data, err := json.Marshal(v)
	if err != nil { // a NaN where a plain float64 stands
		panic("stream: " + err.Error())
	}
	return data
}
