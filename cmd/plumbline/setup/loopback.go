package setup

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plumbline/analyze/arrival"
	"plumbline/capture/device"
	"plumbline/capture/signal"
	"plumbline/stream/wire"
)

const (
	loopbackDBFS  = -30.0 // RMS of the test signal
	loopbackS     = 4.0   // it plays
	longestTripS  = 1.2   // round trip that is looked for
	loopbackLimit = 20 * time.Second
	fadeInS       = 0.3
	partS         = 1.0 // are compared with each other to see the round trip wander
	// settleS is left out: an output that has just been opened makes a sound server
	// arrange its buffers anew, and lose samples that nobody misses.
	settleS = 0.5
	// aheadS is how much of what comes back may be missing in front of that.
	aheadS = 0.3
	// wanderMs is less than a sample at any rate, which no clock and no lost sample makes.
	wanderMs = 0.01
)

// CheckLoopback implements stream.SetupOperator.
func (s *Station) CheckLoopback(ctx context.Context, by string) (wire.Setup, error) {
	s.mu.Lock()
	now := s.current
	var why string
	switch {
	case now.choice == nil:
		why = "There is no device: choose one first."
	case now.choice.LoopbackOutput == 0:
		why = "No loopback output is chosen: choose the output that a cable leads back into the reference."
	case now.leaving:
		why = "The source is changing: wait a moment."
	case s.busy:
		why = "The loopback is being checked already."
	default:
		if now.daemon.Surveying() {
			why = "A survey is under way: stop it, or wait until it is done."
		}
	}
	if why != "" {
		s.mu.Unlock()
		return wire.Setup{}, refuse("loopback", http.StatusConflict, "%s", why)
	}
	s.busy = true
	choice := *now.choice
	s.mu.Unlock()
	s.log.Info("the loopback is checked", "output", choice.LoopbackOutput, "by", by)
	found, err := s.loop(ctx, now, choice)
	s.mu.Lock()
	s.busy = false
	if err == nil {
		now.loopback = &found
	}
	s.mu.Unlock()
	if err != nil {
		return wire.Setup{}, err
	}
	return s.Setup(), nil
}

// sent is what was played and, from when that began, what came back.
type sent struct {
	rateHz  int
	played  []float64   // as far as len; the output's goroutine, until it has ended
	back    [][]float32 // by channel; the pump's goroutine, until it is deaf
	want    int         // frames
	begun   atomic.Bool
	broken  atomic.Bool // behind settleS
	fills   []moment    // of played; as far as cap
	hears   []moment    // of back; likewise
	now     func() time.Time
	full    chan struct{}
	fullOne sync.Once
}

// moment is when the program had so many frames.
type moment struct {
	frames int
	at     time.Time
}

// mostMoments are those of the smallest blocks at the highest rate.
const mostMoments = 1 << 14

func (r *sent) lead() int { return int(settleS * float64(r.rateHz)) }

func (r *sent) hear(block []float32, broken bool) {
	if !r.begun.Load() || len(r.back[0]) >= r.want {
		return
	}
	if broken && len(r.back[0]) > r.lead() {
		r.broken.Store(true)
	}
	n := len(r.back)
	for c := range r.back {
		y := r.back[c]
		for i := c; i < len(block) && len(y) < r.want; i += n {
			y = append(y, block[i])
		}
		r.back[c] = y
	}
	if len(r.hears) < cap(r.hears) {
		r.hears = append(r.hears, moment{len(r.back[0]), r.now()})
	}
	if len(r.back[0]) >= r.want {
		r.fullOne.Do(func() { close(r.full) })
	}
}

// loop plays and listens, then looks for the one in the other.
func (s *Station) loop(ctx context.Context, now *session, c wire.SourceChoice) (wire.Loopback, error) {
	info := now.source.Info()
	rate := info.SampleRateHz
	channels := max(2, c.LoopbackOutput) // one channel alone would be sent to all by some hosts
	if d, ok := s.device(c.Output); ok {
		channels = max(c.LoopbackOutput, min(2, d.Outputs))
	}
	out, err := s.cfg.Devices.Output(device.OutputConfig{ID: c.Output, Channels: channels, SampleRateHz: rate})
	if err != nil {
		return wire.Loopback{}, refuse("output", http.StatusConflict, "%s", sentence(err))
	}
	noise, err := signal.New(signal.Config{Kind: signal.Pink, SampleRateHz: rate, LevelDBFS: loopbackDBFS, Seed: uint64(s.now().UnixNano()), RampS: fadeInS})
	if err != nil {
		return wire.Loopback{}, err
	}
	frames := int(loopbackS * float64(rate))
	r := &sent{rateHz: rate, played: make([]float64, 0, frames), want: frames, full: make(chan struct{}), now: time.Now,
		fills: make([]moment, 0, mostMoments), hears: make([]moment, 0, mostMoments)}
	for range info.Channels {
		r.back = append(r.back, make([]float32, 0, r.want))
	}
	deaf, err := now.daemon.Listen(ctx, r.hear)
	if err != nil {
		return wire.Loopback{}, err
	}
	playing, silence := context.WithCancel(ctx)
	played := make(chan error, 1)
	go func() {
		played <- out.Play(playing, func(block []float32) {
			r.begun.Store(true)
			n := min(len(block)/channels, frames-len(r.played))
			at := len(r.played)
			if len(r.fills) < cap(r.fills) {
				r.fills = append(r.fills, moment{at, r.now()})
			}
			r.played = r.played[:at+n]
			noise.Fill(r.played[at:])
			for i, x := range r.played[at:] {
				block[i*channels+c.LoopbackOutput-1] = float32(min(1, max(-1, x)))
			}
		})
	}()
	late := time.NewTimer(loopbackLimit)
	defer late.Stop()
	var over bool
	select {
	case <-r.full:
	case err = <-played:
		over = true
		if err == nil {
			err = fmt.Errorf("the output ended by itself")
		}
		err = refuse("output", http.StatusConflict, "%s", sentence(err))
	case <-late.C:
		err = refuse("no_sound", http.StatusConflict, "Output or input does not run, so the loopback was not heard: see whether something else uses the device, and check again.")
	case <-ctx.Done():
		err = ctx.Err()
	case <-now.leave:
		err = refuse("occupied", http.StatusConflict, "The source changed meanwhile: check again.")
	}
	silence()
	if !over {
		if e := <-played; e != nil && err == nil {
			err = refuse("output", http.StatusConflict, "%s", sentence(e))
		}
	}
	deaf()
	switch {
	case err != nil:
		return wire.Loopback{}, err
	case r.broken.Load():
		return wire.Loopback{}, refuse("gap", http.StatusConflict, "Samples were lost while the test signal played: check again.")
	}
	found := wire.Loopback{At: s.now().UTC().Format(time.RFC3339), Output: c.LoopbackOutput}
	return found, r.find(&found)
}

// find looks for what was played in every channel. It came back where most of it did.
func (r *sent) find(v *wire.Loopback) error {
	v.RoundTripMs, v.LevelDBFS, v.WanderMs = wire.Unknown(), wire.Unknown(), wire.Unknown()
	n := min(len(r.played), len(r.back[0])) - r.lead()
	if n <= 0 {
		return nil
	}
	ahead := int(aheadS * float64(r.rateHz))
	x := r.played[r.lead():][:n]
	finder, err := arrival.NewFinder(arrival.Config{SampleRateHz: float64(r.rateHz), MaxDelayS: longestTripS + aheadS, Max: 1})
	if err != nil {
		return err
	}
	y := make([]float64, n)
	strongest, later := 0.0, 0
	for c, samples := range r.back {
		for i, z := range samples[r.lead()-ahead:][:n] {
			y[i] = float64(z)
		}
		finder.Reset()
		finder.Feed(x, y)
		list, _ := finder.Find(nil)
		if len(list) == 0 {
			continue
		}
		frames := int(math.Round(list[0].DelayMs / 1000 * float64(r.rateHz)))
		if g := gain(x, y, frames); math.Abs(g) > math.Abs(strongest) {
			strongest, later = g, frames-ahead
			v.Input = c + 1
		}
	}
	if v.Input == 0 {
		return nil
	}
	v.RoundTripMs, v.Inverted = r.trip(later), strongest < 0
	v.LevelDBFS = wire.Value(math.Round(10*(loopbackDBFS+20*math.Log10(math.Abs(strongest)))) / 10)
	return r.wander(v, later)
}

// trip is how long after it was given away a frame was there again, by the clock: the
// median over what was heard. Numbers of frames alone do not tell, since some may be
// missing before the signal had settled.
func (r *sent) trip(later int) wire.Value {
	var trips []float64
	for _, h := range r.hears {
		i := h.frames - 1 - later // the frame that came last
		k, _ := slices.BinarySearchFunc(r.fills, i+1, func(f moment, i int) int { return cmp.Compare(f.frames, i) })
		if h.frames > r.lead() && k > 0 && i < len(r.played) {
			trips = append(trips, h.at.Sub(r.fills[k-1].at).Seconds()*1000)
		}
	}
	if len(trips) == 0 {
		return wire.Unknown()
	}
	slices.Sort(trips)
	return wire.Value(math.Round(trips[len(trips)/2]*10) / 10)
}

// gain is what became of x in y, so many frames later.
func gain(x, y []float64, later int) float64 {
	var xy, xx float64
	for i := max(0, -later); i < len(x) && i+later < len(y); i++ {
		xy += x[i] * y[i+later]
		xx += x[i] * x[i]
	}
	return xy / xx
}

// wander compares the round trip of parts, each laid to what was found for the whole.
func (r *sent) wander(v *wire.Loopback, later int) error {
	part := int(partS * float64(r.rateHz))
	first, last := r.lead(), min(len(r.back[0])-later, len(r.played))-part
	if last <= first {
		return nil
	}
	finder, err := arrival.NewFinder(arrival.Config{SampleRateHz: float64(r.rateHz), MaxDelayS: 0.1, Max: 1})
	if err != nil {
		return err
	}
	y := make([]float64, part)
	low, high, sd := math.Inf(1), math.Inf(-1), 0.0
	for _, from := range []int{first, (first + last) / 2, last} {
		for i, z := range r.back[v.Input-1][from+later:][:part] {
			y[i] = float64(z)
		}
		finder.Reset()
		finder.Feed(r.played[from:from+part], y)
		list, _ := finder.Find(nil)
		if len(list) == 0 {
			return nil
		}
		low, high, sd = min(low, list[0].DelayMs), max(high, list[0].DelayMs), max(sd, list[0].DelaySDMs)
	}
	v.WanderMs = wire.Value(math.Round((high-low)*1000) / 1000)
	v.Wanders = high-low > max(wanderMs, 5*sd)
	return nil
}
