package daemon

import (
	"errors"
	"strings"
	"testing"

	"plumbline/analyze"
	"plumbline/analyze/setting"
	"plumbline/capture/rig"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// What cannot be set is refused in the same words by the analysis, by a patch and by
// a daemon that begins with it, and nothing of the patch comes into force.
func TestASettingIsRefusedAlikeEverywhere(t *testing.T) {
	r, err := rig.New(rig.Demo(), rig.Config{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(Config{Source: r, Rig: r})
	if err != nil {
		t.Fatal(err)
	}
	inForce := d.State().Settings
	channels := len(r.Info().Channels)
	five, hot, zero, never, early := 5, 99.0, 0.0, "never", -1.0
	long := setting.Window(1000)
	for _, p := range []stream.SettingsPatch{
		{Reference: &five},
		{Microphones: []int{1}},
		{Window: &long},
		{Averaging: &wire.AveragingPatch{Seconds: &zero}},
		{Averaging: &wire.AveragingPatch{HighHz: &zero}},
		{Smoothing: new(int)},
		{Delay: []wire.DelayPatch{{Microphone: 2, Mode: &never}}},
		{Delay: []wire.DelayPatch{{Microphone: 2, Ms: &early}}},
		{Delay: []wire.DelayPatch{{Microphone: 9}}},
		{TemperatureC: &hot},
	} {
		_, err := d.pump.change(p, "c1")
		var mine *stream.Error
		var cause *setting.Error
		if !errors.As(err, &mine) || !errors.As(err, &cause) || mine.Text != cause.Error() || !strings.HasPrefix(cause.Field, mine.Code) {
			t.Errorf("%+v: %v", p, err)
			continue
		}
		if !equalJSON(t, d.State().Settings, inForce) {
			t.Fatalf("%+v: came into force", p)
		}
		// The same from the settings as they would be.
		s := inForce.Clone()
		if p.Reference != nil {
			s.Reference = *p.Reference
		}
		if p.Microphones != nil {
			s.Microphones = p.Microphones
		}
		if p.TemperatureC != nil {
			s.TemperatureC = *p.TemperatureC
		}
		if p.Window != nil {
			s.Window = *p.Window
		}
		if a := p.Averaging; a != nil && a.Seconds != nil {
			s.Averaging.Seconds = *a.Seconds
		} else if a != nil {
			s.Averaging.HighHz = *a.HighHz
		}
		if p.Smoothing != nil {
			s.Smoothing = *p.Smoothing
		}
		for _, x := range p.Delay {
			s.Delay[0] = setting.Delay{Microphone: x.Microphone, Mode: setting.DelayAuto}
			if x.Mode != nil {
				s.Delay[0].Mode = *x.Mode
			}
			if x.Ms != nil {
				s.Delay[0].Ms = *x.Ms
			}
		}
		if _, err := analyze.NewLive(analyze.LiveConfig{SampleRateHz: 48000, Channels: channels, Settings: s}); err == nil || err.Error() != mine.Text {
			t.Errorf("the analysis says  %v\nand the patch said %s", err, mine.Text)
		}
	}
	for want, cfg := range map[string]Config{
		"reference must be one of the channels 1 to 2, not 3": {Source: r, Reference: 3},
		"each once and not the reference 1, not 7":            {Source: r, Microphones: []int{7}},
	} {
		if _, err := New(cfg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// What the rig cannot be is for the rig to say, and the scene stays as it was.
func TestTheRigRefusesWhatItCannotBe(t *testing.T) {
	o := idleRig(t)
	before := o.Rig()
	far, loud, early, high, odd := wire.Position{99, 1, 1}, 99.0, -1.0, 800.0, 3
	low, c, word, file := 900.0, 1000.0, "reversed", "file"
	for want, p := range map[string]stream.RigPatch{
		"outside the room of":           {Microphones: map[string]wire.MicrophonePatch{before.Microphones[0].Name: {PositionM: &far}}},
		`polarity = "reversed": choose`: speaker("fill", wire.LoudspeakerPatch{Polarity: &word}),
		"gain_db = 99: choose":          speaker("fill", wire.LoudspeakerPatch{GainDB: &loud}),
		"delay_ms = -1: choose":         speaker("fill", wire.LoudspeakerPatch{DelayMs: &early}),
		"low_hz = 900: choose":          speaker("fill", wire.LoudspeakerPatch{LowHz: &low, HighHz: &high}),
		"crossover_order = 3: choose":   speaker("main", wire.LoudspeakerPatch{CrossoverOrder: &odd}),
		"name the WAV file to play":     {Programme: &wire.RigProgrammePatch{Kind: &file}},
		"programme.level_dbfs = 99":     {Programme: &wire.RigProgrammePatch{LevelDBFS: &loud}},
		"noise.level_dbfs = 99":         {Noise: &wire.RigNoisePatch{LevelDBFS: &loud}},
		"temperature_c = 1000":          {TemperatureC: &c},
	} {
		_, err := o.ChangeRig(t.Context(), p, "c1")
		var mine *stream.Error
		if !errors.As(err, &mine) || mine.Code != "rig" || !strings.Contains(mine.Text, want) || strings.Contains(mine.Text, "\n") {
			t.Errorf("%v, want a line with %q", err, want)
		}
		if !equalJSON(t, o.Rig(), before) {
			t.Fatalf("%q: the scene was changed", want)
		}
	}
}
