package daemon

import (
	"context"
	"errors"
	"testing"

	"plumbline/capture/rig"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// idleRig is the rig of a daemon that does not run, as the demo has it.
func idleRig(t *testing.T) *rigOperator {
	t.Helper()
	r, err := rig.New(rig.Demo(), rig.Config{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(Config{Source: r, Rig: r})
	if err != nil {
		t.Fatal(err)
	}
	return d.rig
}

// While a survey has the rig every patch is refused, a plan's too, and the rig is
// as it was afterwards.
func TestARigThatASurveyHolds(t *testing.T) {
	o := idleRig(t)
	before := o.Rig()
	session, err := rigPlayer{o}.Claim("c1")
	if err != nil {
		t.Fatal(err)
	}
	silent := o.Rig()
	over, end := context.WithCancel(t.Context()) // nobody waits for a pump that does not run
	end()
	ms, db, level, c, yes, no := 3.0, -6.0, -30.0, 25.0, "opposite", false
	at := wire.Position{1, 1, 1}
	box := func(p wire.LoudspeakerPatch) stream.RigPatch {
		return stream.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{"fill": p}}
	}
	for name, p := range map[string]stream.RigPatch{
		"mute":        box(wire.LoudspeakerPatch{Mute: &no}),
		"delay":       box(wire.LoudspeakerPatch{DelayMs: &ms}),
		"gain":        box(wire.LoudspeakerPatch{GainDB: &db}),
		"polarity":    box(wire.LoudspeakerPatch{Polarity: &yes}),
		"place":       box(wire.LoudspeakerPatch{PositionM: &at}),
		"microphone":  {Microphones: map[string]wire.MicrophonePatch{before.Microphones[0].Name: {PositionM: &at}}},
		"programme":   {Programme: &wire.RigProgrammePatch{LevelDBFS: &level}},
		"noise":       {Noise: &wire.RigNoisePatch{LevelDBFS: &level}},
		"temperature": {TemperatureC: &c},
	} {
		if _, err := o.ChangeRig(over, p, "c2"); !errors.Is(err, errHeld) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := (rigPlayer{o}).dial(t.Context(), map[string]wire.Dial{"fill": {DelayMs: 3, Polarity: "same"}}, "c2"); !errors.Is(err, errHeld) {
		t.Errorf("a plan: %v", err)
	}
	if _, err := (rigPlayer{o}).Claim("c2"); !errors.Is(err, errHeld) {
		t.Errorf("another survey: %v", err)
	}
	if !equalJSON(t, o.Rig(), silent) {
		t.Errorf("the survey's rig was changed to %+v", o.Rig())
	}
	if err := session.Release(); err != nil {
		t.Fatal(err)
	}
	after := o.Rig()
	after.Revision, after.ChangedBy = before.Revision, before.ChangedBy
	if !equalJSON(t, after, before) {
		t.Errorf("it was left as %+v", after)
	}
	if _, err := o.ChangeRig(t.Context(), box(wire.LoudspeakerPatch{DelayMs: &ms}), "c2"); err != nil {
		t.Errorf("after the survey: %v", err)
	}
}

// A patch that comes as a survey begins or ends is in force when the survey is
// over, or was refused, and never sounds in it.
func TestAPatchAsASurveyBegins(t *testing.T) {
	o := idleRig(t)
	muted := func() bool { return o.Rig().Loudspeakers[1].Mute }
	for round := range 20 {
		was, mute := muted(), round%2 == 0
		const patches = 8 // that wait for each other
		patched := make(chan error, patches)
		for range patches {
			go func() {
				_, err := o.ChangeRig(t.Context(), stream.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{"fill": {Mute: &mute}}}, "c2")
				patched <- err
			}()
		}
		session, err := rigPlayer{o}.Claim("c1")
		if err != nil {
			t.Fatal(err)
		}
		want := was
		for range patches {
			if <-patched == nil {
				want = mute
			}
		}
		if s := o.Rig(); !s.Loudspeakers[0].Mute || !s.Loudspeakers[1].Mute || s.Programme.LevelDBFS != silentDBFS {
			t.Fatalf("round %d: it sounds while it is held: %+v", round, s)
		}
		if err := session.Release(); err != nil {
			t.Fatal(err)
		}
		if muted() != want {
			t.Fatalf("round %d: the fill is left muted: %v, want %v", round, muted(), want)
		}
	}
}

// What a loudspeaker distorts is on no page, and stays whatever a page changes.
func TestAChangedRigDistortsAsBefore(t *testing.T) {
	s := rig.Demo()
	s.Loudspeakers[0].SecondOrderDB, s.Loudspeakers[1].ThirdOrderDB = -40, -50
	r, err := rig.New(s, rig.Config{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(Config{Source: r, Rig: r})
	if err != nil {
		t.Fatal(err)
	}
	ms := 3.0
	patch := stream.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{s.Loudspeakers[1].Name: {DelayMs: &ms}}}
	if _, err := d.rig.ChangeRig(t.Context(), patch, "c1"); err != nil {
		t.Fatal(err)
	}
	now := r.Scene().Loudspeakers
	if now[1].DelayMs != 3 || now[0].SecondOrderDB != -40 || now[0].ThirdOrderDB != 0 || now[1].ThirdOrderDB != -50 {
		t.Errorf("it is %+v", now)
	}
}
