package daemon

import (
	"context"
	"strconv"
	"sync"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/watching"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// rigOperator implements stream.RigOperator: it holds the scene as clients see
// it and hands changes to the rig. The rig crosses over to the new scene by
// itself and marks the place in the ring.
type rigOperator struct {
	d   *Daemon
	rig *rig.Rig

	mu    sync.Mutex // serializes changes
	held  bool       // by a survey, which has the rig to itself
	scene stream.RigScene
}

func newRigOperator(d *Daemon, r *rig.Rig) *rigOperator {
	return &rigOperator{d: d, rig: r, scene: sceneToWire(r.Scene())}
}

// Rig implements stream.RigOperator.
func (o *rigOperator) Rig() stream.RigScene {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.scene
}

// place is where the microphone on a channel of the source stands: the reference is the first.
func (o *rigOperator) place(channel int) (wire.Position, bool) {
	all := o.Rig().Microphones
	if channel < 2 || channel-2 >= len(all) {
		return wire.Position{}, false
	}
	return all[channel-2].PositionM, true
}

// ChangeRig implements stream.RigOperator. While a survey plays it refuses: its
// takes are compared with each other, and all are of the rig as it was.
func (o *rigOperator) ChangeRig(ctx context.Context, p stream.RigPatch, by string) (stream.RigScene, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.held {
		return stream.RigScene{}, errHeld
	}
	return o.change(ctx, p, by)
}

// change puts a patch in force. mu is held.
func (o *rigOperator) change(ctx context.Context, p stream.RigPatch, by string) (stream.RigScene, error) {
	next, err := o.scene.Apply(p)
	if err != nil {
		return stream.RigScene{}, err
	}
	scene := sceneFromWire(next)
	for i, l := range o.rig.Scene().Loudspeakers { // what no page shows stays
		scene.Loudspeakers[i].SecondOrderDB, scene.Loudspeakers[i].ThirdOrderDB = l.SecondOrderDB, l.ThirdOrderDB
	}
	if err := o.rig.Apply(scene); err != nil {
		return stream.RigScene{}, &stream.Error{Code: "rig", Text: err.Error(), Cause: err}
	}
	next.Revision++
	next.ChangedBy = by
	o.scene = next
	o.d.tellMuted(next)
	if p.TemperatureC != nil { // distances are read at the room's temperature
		if _, err := o.d.Change(ctx, stream.SettingsPatch{TemperatureC: p.TemperatureC}, by); err != nil {
			return stream.RigScene{}, err
		}
	}
	return next, nil
}

// tellMuted has the watch know which loudspeakers sound and which are muted on purpose.
func (d *Daemon) tellMuted(scene stream.RigScene) {
	if d.room.watch == nil {
		return
	}
	var muted, sounding []string
	for _, l := range scene.Loudspeakers {
		if l.Mute {
			muted = append(muted, l.Name)
		} else {
			sounding = append(sounding, l.Name)
		}
	}
	d.room.watch.SetPlaying(func(p *watching.Playing) { p.Muted, p.Sounding = muted, sounding })
}

func sceneToWire(s rig.Scene) stream.RigScene {
	out := stream.RigScene{
		Name:         s.Name,
		TemperatureC: s.TemperatureC,
		RateHz:       s.RateHz,
		Seed:         s.Seed,
		Room:         wire.RigRoom{SizeM: s.Room.SizeM, Reflections: s.Room.Reflections, Absorption: map[string]float64{}},
		Programme:    wire.RigProgramme{Kind: s.Programme.Kind, File: s.Programme.File, LevelDBFS: s.Programme.LevelDBFS},
		Noise:        wire.RigNoise{LevelDBFS: s.Noise.LevelDBFS},
	}
	for i, hz := range rig.BandsHz {
		out.Room.Absorption[band(hz)] = s.Room.Absorption[i]
	}
	for _, l := range s.Loudspeakers {
		out.Loudspeakers = append(out.Loudspeakers, wire.RigLoudspeaker{
			Name: l.Name, Role: l.Role, PositionM: l.PositionM, DelayMs: l.DelayMs, GainDB: l.GainDB,
			Polarity: l.Polarity, Mute: l.Mute, LowHz: l.LowHz, HighHz: l.HighHz,
			CrossoverHz: l.CrossoverHz, CrossoverOrder: l.CrossoverOrder, HighReversed: l.HighReversed,
		})
	}
	for _, m := range s.Microphones {
		out.Microphones = append(out.Microphones, wire.RigMicrophone{Name: m.Name, PositionM: m.PositionM})
	}
	return out
}

func sceneFromWire(s stream.RigScene) rig.Scene {
	out := rig.Scene{
		Name:         s.Name,
		TemperatureC: s.TemperatureC,
		RateHz:       s.RateHz,
		Seed:         s.Seed,
		Room:         rig.Room{SizeM: s.Room.SizeM, Reflections: s.Room.Reflections},
		Programme:    rig.Programme{Kind: s.Programme.Kind, File: s.Programme.File, LevelDBFS: s.Programme.LevelDBFS, Alike: rig.DefaultAlike}, // one reference: of several only rig render makes takes
		Noise:        rig.Noise{LevelDBFS: s.Noise.LevelDBFS},
	}
	for i, hz := range rig.BandsHz {
		out.Room.Absorption[i] = s.Room.Absorption[band(hz)]
	}
	for _, l := range s.Loudspeakers {
		out.Loudspeakers = append(out.Loudspeakers, rig.Loudspeaker{
			Name: l.Name, Role: l.Role, PositionM: l.PositionM, DelayMs: l.DelayMs, GainDB: l.GainDB,
			Polarity: l.Polarity, Mute: l.Mute, LowHz: l.LowHz, HighHz: l.HighHz,
			CrossoverHz: l.CrossoverHz, CrossoverOrder: l.CrossoverOrder, HighReversed: l.HighReversed,
		})
	}
	for _, m := range s.Microphones {
		out.Microphones = append(out.Microphones, rig.Microphone{Name: m.Name, PositionM: m.PositionM})
	}
	return out
}

// band is the key of an octave band: "63" … "8000".
func band(hz float64) string { return strconv.FormatFloat(hz, 'f', -1, 64) }
