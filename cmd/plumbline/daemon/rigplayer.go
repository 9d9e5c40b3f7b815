package daemon

import (
	"context"
	"errors"
	"net/http"
	"time"

	"plumbline/cmd/plumbline/survey"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// rampStep is how often the level of a virtual rig follows a ramp.
const rampStep = 100 * time.Millisecond

// silentDBFS is the programme's level while nothing is to sound.
const silentDBFS = -80

// rigPlayer sounds the test signal in a virtual rig, by its mutes and the level
// of its programme. It implements survey.Player.
type rigPlayer struct{ o *rigOperator }

// Has implements survey.Player.
func (p rigPlayer) Has() []show.Loudspeaker {
	var out []show.Loudspeaker
	for _, l := range p.o.Rig().Loudspeakers {
		out = append(out, show.Loudspeaker{Name: l.Name, Role: l.Role})
	}
	return out
}

// Plays implements survey.Player.
func (p rigPlayer) Plays([]show.Loudspeaker) (names []string, reason string) {
	for _, l := range p.o.Rig().Loudspeakers {
		names = append(names, l.Name)
	}
	return names, ""
}

// dialled is what is set for each loudspeaker of the scene.
func (p rigPlayer) dialled() map[string]wire.Dial {
	m := map[string]wire.Dial{}
	for _, l := range p.o.Rig().Loudspeakers {
		m[l.Name] = wire.Dial{DelayMs: l.DelayMs, Polarity: l.Polarity, GainDB: l.GainDB}
	}
	return m
}

// places is where the loudspeakers stand.
func (p rigPlayer) places() map[string]wire.Position {
	m := map[string]wire.Position{}
	for _, l := range p.o.Rig().Loudspeakers {
		m[l.Name] = wire.Position(l.PositionM)
	}
	return m
}

// dial sets loudspeakers of the scene.
func (p rigPlayer) dial(ctx context.Context, to map[string]wire.Dial, by string) error {
	patch := wire.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{}}
	for name, d := range to {
		patch.Loudspeakers[name] = wire.LoudspeakerPatch{DelayMs: &d.DelayMs, Polarity: &d.Polarity, GainDB: &d.GainDB}
	}
	scene, err := p.o.ChangeRig(ctx, patch, by)
	if err == nil {
		p.o.d.server.RigChanged(scene)
	}
	return err
}

// rigSession remembers what to put back.
type rigSession struct {
	o      *rigOperator
	by     string
	before stream.RigScene
}

var errHeld = &stream.Error{Code: "held", Text: "a survey plays, and has the rig to itself: change it when that has ended", Status: http.StatusConflict}

// Claim implements survey.Player.
func (p rigPlayer) Claim(by string) (survey.Session, error) {
	p.o.mu.Lock()
	held := p.o.held
	p.o.held = true
	s := &rigSession{o: p.o, by: by, before: p.o.scene}
	p.o.mu.Unlock()
	if held {
		return nil, errHeld
	}
	if err := s.set(nil, silentDBFS); err != nil {
		return nil, errors.Join(err, s.Release())
	}
	return s, nil
}

// set mutes all but the playing and sets the level.
func (s *rigSession) set(playing []show.Loudspeaker, levelDBFS float64) error {
	pink := "pink"
	patch := wire.RigPatch{
		Programme:    &wire.RigProgrammePatch{Kind: &pink, LevelDBFS: &levelDBFS},
		Loudspeakers: map[string]wire.LoudspeakerPatch{},
	}
	for _, l := range s.before.Loudspeakers {
		mute := true
		for _, p := range playing {
			mute = mute && p.Name != l.Name
		}
		patch.Loudspeakers[l.Name] = wire.LoudspeakerPatch{Mute: &mute}
	}
	return s.impose(patch)
}

// Play implements survey.Session.
func (s *rigSession) Play(ctx context.Context, playing []show.Loudspeaker, ramp survey.Ramp, began func()) (err error) {
	defer func() { err = errors.Join(err, s.set(nil, silentDBFS)) }()
	tick := time.NewTicker(rampStep)
	defer tick.Stop()
	begun := time.Now()
	began()
	for {
		level := ramp.At(time.Since(begun))
		if err := s.set(playing, level); err != nil {
			return err
		}
		if level == ramp.ToDBFS {
			<-ctx.Done()
			return nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// Underruns implements survey.Session: the virtual rig is never late.
func (s *rigSession) Underruns() uint64 { return 0 }

// Release implements survey.Session.
func (s *rigSession) Release() error {
	defer func() {
		s.o.mu.Lock()
		s.o.held = false
		s.o.mu.Unlock()
	}()
	p := s.before.Programme
	patch := wire.RigPatch{
		Programme:    &wire.RigProgrammePatch{Kind: &p.Kind, LevelDBFS: &p.LevelDBFS},
		Loudspeakers: map[string]wire.LoudspeakerPatch{},
	}
	for _, l := range s.before.Loudspeakers {
		patch.Loudspeakers[l.Name] = wire.LoudspeakerPatch{Mute: &l.Mute}
	}
	return s.impose(patch)
}

// impose puts in force what no client asked for by itself, and tells everybody.
func (s *rigSession) impose(p stream.RigPatch) error {
	s.o.mu.Lock()
	defer s.o.mu.Unlock()
	scene, err := s.o.change(context.Background(), p, s.by)
	if err == nil {
		s.o.d.server.RigChanged(scene)
	}
	return err
}
