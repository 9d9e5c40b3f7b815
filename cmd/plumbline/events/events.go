// Package events takes in what the watch finds and the limits that are crossed:
// it stores each in the open show, tells the pages and the webhook, and keeps
// the audio around it once that has been heard.
package events

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"sync/atomic"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	beforeS, afterS = 10, 5 // of audio around an event, seconds
	waitMost        = 256   // events that wait for the disk
	lookEvery       = 500 * time.Millisecond
	// patience is how long the audio behind an event is waited for: the source may have ended.
	patience = 3 * afterS * time.Second
)

// Clip is audio of the reference and a microphone, interleaved.
type Clip struct {
	Channels [2]int // of the source
	Samples  []float32
	From     uint64 // sample index of the first frame
}

// Config of a Keeper.
type Config struct {
	SampleRateHz int
	Shelf        *show.Shelf // nil: nothing is kept
	// Audio copies what was heard from one sample index to another. When the end was
	// not heard yet it copies nothing, or, at once, what there is.
	Audio func(ctx context.Context, microphone int, from, to uint64, atOnce bool) (c Clip, heard bool, err error)
	// Changed is told of every event, and again when its audio is there.
	Changed func(wire.Event)
	// Post is told of every event, once; nil: nobody is.
	Post   func(wire.Event)
	Logger *slog.Logger
}

// Keeper keeps events.
type Keeper struct {
	cfg    Config
	queue  chan found
	counts atomic.Pointer[map[Kind]uint64] // changed by Run's goroutine only
	lost   atomic.Uint64
}

// Kind says of which microphone how many events of a kind there were.
type Kind struct {
	Microphone int
	Kind       string
}

type found struct {
	event  wire.Event
	sample uint64
	since  time.Time  // when it was taken in
	show   *show.Show // where it is stored

	refused bool // there is a show, and it did not take it
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Keeper, error) {
	if cfg.Audio == nil || cfg.Changed == nil || cfg.SampleRateHz < 1 {
		return nil, errors.New("events: Config needs Audio, Changed and SampleRateHz")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	k := &Keeper{cfg: cfg, queue: make(chan found, waitMost)}
	k.counts.Store(&map[Kind]uint64{})
	return k, nil
}

// Add takes an event that was found at a sample index. It does not wait: with
// too many on their way the event is dropped, and counted.
func (k *Keeper) Add(e wire.Event, sample uint64) {
	select {
	case k.queue <- found{event: e, sample: sample}:
	default:
		k.lost.Add(1)
	}
}

// Counts are the events since the start, and how many of them found no room.
// The map is not to be changed.
func (k *Keeper) Counts() (byKind map[Kind]uint64, lost uint64) {
	return *k.counts.Load(), k.lost.Load()
}

// Run keeps events until ctx is done, and stores those that were found by then.
func (k *Keeper) Run(ctx context.Context) error {
	var listening []found // whose audio is still to come
	var unstored []found  // that the show did not take: tried again
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			for len(k.queue) > 0 {
				if f := k.take(<-k.queue); f.refused {
					unstored = append(unstored, f)
				}
			}
			k.again(unstored)
			return nil
		case f := <-k.queue:
			switch f = k.take(f); {
			case f.event.ID != 0:
				listening = append(listening, f)
			case f.refused:
				unstored = append(unstored, f)
				if len(unstored) > waitMost {
					unstored = unstored[1:]
					k.lost.Add(1)
				}
			}
		case <-tick.C:
			var stored []found
			stored, unstored = k.again(unstored)
			listening = append(listening, stored...)
			var later []found
			for _, f := range listening {
				if !k.listen(ctx, f) {
					later = append(later, f)
				}
			}
			listening = later
		}
	}
}

// take counts, stores and tells of an event.
func (k *Keeper) take(f found) found {
	counts := map[Kind]uint64{}
	for kind, n := range *k.counts.Load() {
		counts[kind] = n
	}
	counts[Kind{f.event.Microphone, f.event.Kind}]++
	k.counts.Store(&counts)

	k.cfg.Logger.Warn("event", "microphone", f.event.Microphone, "text", f.event.Text)
	f.since = time.Now()
	if err := k.store(&f); err != nil {
		k.cfg.Logger.Error("event is not stored yet", "err", err)
	}
	k.cfg.Changed(f.event)
	if k.cfg.Post != nil {
		k.cfg.Post(f.event)
	}
	return f
}

// store puts an event into the open show, if there is one.
func (k *Keeper) store(f *found) error {
	x := k.show()
	if x == nil {
		f.refused = false
		return nil
	}
	e, err := x.AddEvent(f.event)
	if f.refused = err != nil; err == nil {
		f.event, f.show = e, x
	}
	return err
}

// again tries to store, in their order, what a show did not take: its file may be
// back, or there is room on the disk. Pages hear of an event once more then.
func (k *Keeper) again(unstored []found) (stored, left []found) {
	for i := range unstored {
		f := unstored[i]
		if err := k.store(&f); err != nil {
			return stored, unstored[i:]
		}
		if f.show == nil {
			continue // no show is open any more
		}
		k.cfg.Logger.Info("event is stored after all", "event", f.event.ID)
		k.cfg.Changed(f.event)
		stored = append(stored, f)
	}
	return stored, nil
}

func (k *Keeper) show() *show.Show {
	if k.cfg.Shelf == nil {
		return nil
	}
	x, err := k.cfg.Shelf.Current()
	if err != nil {
		return nil
	}
	return x
}

// listen stores the audio around an event if it is there; false: not yet.
func (k *Keeper) listen(ctx context.Context, f found) bool {
	rate := uint64(k.cfg.SampleRateHz)
	from, to := uint64(0), f.sample+afterS*rate
	if f.sample > beforeS*rate {
		from = f.sample - beforeS*rate
	}
	// Without a word in the log: the pages say how much is kept, and that it is full.
	if fits, err := f.show.EventAudioFits((beforeS + afterS) * k.cfg.SampleRateHz); err == nil && !fits {
		return true
	}
	late := time.Since(f.since) > patience
	c, heard, err := k.cfg.Audio(ctx, f.event.Microphone, from, to, late)
	if err == nil && !heard && !late {
		return false
	}
	if k.show() != f.show {
		return true // another show is open
	}
	if err != nil || len(c.Samples) == 0 {
		k.cfg.Logger.Warn("no audio is kept of an event", "event", f.event.ID, "err", err)
		return true
	}
	at := math.Max(0, float64(f.sample)-float64(c.From)) / float64(rate)
	e, err := f.show.AddEventAudio(f.event.ID, &show.Audio{SampleRateHz: k.cfg.SampleRateHz, Channels: c.Channels[:], Samples: c.Samples}, at)
	if err != nil {
		k.cfg.Logger.Error("audio of an event is not stored", "event", f.event.ID, "err", err)
		return true
	}
	k.cfg.Changed(e)
	return true
}
