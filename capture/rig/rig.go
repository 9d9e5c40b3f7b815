package rig

import (
	"context"
	"errors"
	"slices"
	"sync"
	"sync/atomic"

	"plumbline/capture"
)

// Config says how to play a scene.
type Config struct {
	Pace bool // at the pace of the clock, else as fast as the ring takes it
	// Patient has the clock wait for who is late, as that of no device does: on a busy
	// machine the sound comes late then, and none is lost.
	Patient bool
}

// Rig plays a scene. It implements capture.Source: channel 1 is the programme
// as sent, the others are the microphones. Apply changes the scene while it
// runs. Seed and scene determine every sample.
type Rig struct {
	cfg    Config
	info   capture.Info
	state  atomic.Int32
	full   atomic.Uint64 // frames that did not fit the ring
	stalls atomic.Uint64 // times that the rig stood still,
	lost   atomic.Uint64 // and frames of that
	engine *engine       // of Run alone, but for what does not change

	wait func(ctx context.Context, frames int) (lost uint64, err error) // for tests; nil: a Pacer's

	next atomic.Pointer[compiled] // waits for Run
	turn atomic.Uint64            // counts calls of Apply

	applying sync.Mutex // held while a scene is compiled
	newest   *compiled

	mu    sync.Mutex
	scene Scene
}

// New checks a scene and makes it ready; it starts nothing.
func New(scene Scene, cfg Config) (*Rig, error) {
	scene = scene.clone().withDefaults()
	if err := scene.Validate(); err != nil {
		return nil, err
	}
	if scene.several() {
		return nil, &SceneError{"programme.each", scene.Programme.Each, "only rig render makes several references: leave it out to play the scene"}
	}
	r := &Rig{cfg: cfg, scene: scene, info: capture.Info{
		Kind:         "rig",
		Name:         scene.Name,
		SampleRateHz: scene.RateHz,
		Channels:     []string{"programme"},
	}}
	for _, m := range scene.Microphones {
		r.info.Channels = append(r.info.Channels, m.Name)
	}
	var err error
	if r.engine, err = newEngine(scene); err != nil {
		return nil, err
	}
	if r.engine.now, err = compile(scene, r.engine.history, r.engine.orders, nil); err != nil {
		return nil, err
	}
	r.newest = r.engine.now
	return r, nil
}

// Scene is the newest one, as it plays or is about to.
func (r *Rig) Scene() Scene {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.scene.clone()
}

// Apply changes the scene, from any goroutine. What is heard follows within
// 0.1 s: the rig fades over and marks both ends of the fade as a change. When
// calls come faster than that, the newest wins. Sample rate and the names of the
// microphones stay; an error leaves the scene as it was.
func (r *Rig) Apply(scene Scene) error {
	scene = scene.clone().withDefaults()
	if err := scene.Validate(); err != nil {
		return err
	}
	if scene.RateHz != r.info.SampleRateHz {
		return &SceneError{"rate_hz", scene.RateHz, "cannot change while the rig plays: start it again"}
	}
	if !slices.EqualFunc(scene.Microphones, r.info.Channels[1:], func(m Microphone, name string) bool { return m.Name == name }) {
		return &SceneError{"microphone", len(scene.Microphones), "number and names cannot change while the rig plays: start it again"}
	}
	if scene.distorts() && r.engine.orders == nil {
		return &SceneError{"loudspeaker", "distortion", "cannot begin while the rig plays: start it again"}
	}
	turn := r.turn.Add(1)
	r.applying.Lock()
	defer r.applying.Unlock()
	if r.turn.Load() != turn {
		return nil // a newer one waits already
	}
	if !scene.soundsLike(r.newest.scene) { // a new name is no reason to fade
		c, err := compile(scene, r.engine.history, r.engine.orders, r.newest)
		if err != nil {
			return err
		}
		r.newest = c
		r.next.Store(c)
	}
	r.mu.Lock()
	r.scene = scene
	r.mu.Unlock()
	return nil
}

// Info implements capture.Source.
func (r *Rig) Info() capture.Info { return r.info }

// Status implements capture.Source.
func (r *Rig) Status() capture.Status {
	return capture.Status{State: capture.State(r.state.Load())}
}

// Counters implements capture.Source.
func (r *Rig) Counters() capture.Counters {
	return capture.Counters{DroppedRing: r.full.Load(), Stalls: r.stalls.Load(), LostFrames: r.lost.Load()}
}

// Run implements capture.Source. Out must have a channel more than there are
// microphones.
func (r *Rig) Run(ctx context.Context, out *capture.Ring) error {
	defer out.Close()
	defer r.state.Store(int32(capture.Ended))
	pacer := capture.NewPacer(r.info.SampleRateHz)
	pacer.Patient = r.cfg.Patient
	wait := pacer.Wait
	if r.wait != nil {
		wait = r.wait
	}
	err := r.play(func(block []float32, changed bool) error {
		if changed {
			out.Mark(capture.Gap{Changed: true})
		}
		if r.cfg.Pace {
			lost, err := wait(ctx, r.engine.block)
			if err != nil {
				return err
			}
			if lost > 0 {
				r.stalls.Add(1)
				r.lost.Add(lost)
				out.Mark(capture.Gap{Cause: capture.Stall, LostFrames: lost})
			}
		}
		if !r.cfg.Pace || r.cfg.Patient {
			if err := out.Offer(ctx, block); err != nil {
				return err
			}
		} else if !out.Write(block) {
			r.full.Add(uint64(r.engine.block))
		}
		r.state.Store(int32(capture.Running))
		return nil
	})
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		return nil
	}
	return err
}

// play hands block after block to deliver until that ends it with an error.
// changed: it is the first of a fade or the first behind one.
func (r *Rig) play(deliver func(block []float32, changed bool) error) error {
	defer r.engine.close()
	for faded := false; ; {
		changed := faded
		if r.engine.next == nil {
			if c := r.next.Swap(nil); c != nil {
				r.engine.change(c)
				changed = true
			}
		}
		fading := r.engine.next != nil
		block, err := r.engine.play()
		if err != nil {
			return err
		}
		faded = fading && r.engine.next == nil
		if err := deliver(block, changed); err != nil {
			return err
		}
	}
}

// Render plays a scene as fast as it goes and hands the given number of frames
// to sink in interleaved blocks, each valid until sink returns. It ends with
// the first error of ctx, scene or sink.
//
// Where each loudspeaker has a reference of its own, those come first: References of them.
func Render(ctx context.Context, scene Scene, frames int64, sink func(interleaved []float32) error) error {
	if scene.several() {
		return renderSeveral(ctx, scene, frames, sink)
	}
	r, err := New(scene, Config{})
	if err != nil {
		return err
	}
	left := frames * int64(len(r.info.Channels))
	err = r.play(func(block []float32, _ bool) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		block = block[:min(int64(len(block)), left)]
		left -= int64(len(block))
		if err := sink(block); err != nil {
			return err
		}
		if left == 0 {
			return errDone
		}
		return nil
	})
	if err == errDone {
		return nil
	}
	return err
}

var errDone = errors.New("done")
