package daemon

import (
	"context"
	"errors"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// Seat is a place that somebody walked to with the microphone.
type Seat struct {
	Name      string
	PositionM [3]float64
}

// surveyBefore fills the show with a survey of the rig as it was when the program started,
// in the background: what is live begins at once.
func (d *Daemon) surveyBefore(ctx context.Context) {
	if d.cfg.Rig == nil || d.cfg.Shelf == nil || len(d.cfg.Surveyed) == 0 {
		return
	}
	x, err := d.cfg.Shelf.Current()
	if err == nil {
		err = SurveyScene(ctx, x, d.cfg.Rig.Scene(), d.cfg.Surveyed)
	}
	if err != nil && ctx.Err() == nil {
		d.log.Warn("the rig was not surveyed", "err", err)
	}
}

// SurveyScene enters a survey of the first two loudspeakers of a scene into a show: its
// first microphone goes from seat to seat, new ones are added. The sound is rendered, so
// that it takes as long as the reckoning; the same scene gives the same takes.
func SurveyScene(ctx context.Context, x *show.Show, scene rig.Scene, seats []Seat) error {
	speakers, err := x.Loudspeakers()
	if err != nil {
		return err
	}
	if len(speakers) < 2 || len(scene.Microphones) == 0 {
		return errors.New("the scene has no two loudspeakers and a microphone: there is nothing to survey")
	}
	dialled := map[string]wire.Dial{}
	for _, l := range scene.Loudspeakers {
		dialled[l.Name] = wire.Dial{DelayMs: l.DelayMs, Polarity: l.Polarity, GainDB: l.GainDB}
	}
	for _, seat := range seats {
		id, err := seatOf(x, seat)
		if err != nil {
			return err
		}
		there := scene
		there.Microphones = []rig.Microphone{scene.Microphones[0]}
		there.Microphones[0].PositionM = seat.PositionM
		if err := ctx.Err(); err != nil {
			return err
		}
		err = survey.Rendered{
			Setup: survey.Setup{
				Source: scene.Name, SampleRateHz: scene.RateHz, Channels: []string{"reference", seat.Name}, Reference: 1, Microphones: []int{2}, TemperatureC: scene.TemperatureC,
			},
			Show: x, Main: speakers[0], Fill: speakers[1], Seats: map[int]int64{2: id}, Goal: wire.DefaultGoal, LevelDBFS: scene.Programme.LevelDBFS, Dialled: dialled,
			Sound: func(ctx context.Context, playing []show.Loudspeaker, hear func([]float32) bool) error {
				return renderUntil(ctx, there, playing, hear)
			},
		}.Survey(ctx, "plumbline")
		if err != nil {
			return err
		}
	}
	return nil
}

// seatOf is the seat of that name in the show, which is added if there is none.
func seatOf(x *show.Show, seat Seat) (id int64, err error) {
	all, err := x.Seats()
	if err != nil {
		return 0, err
	}
	for _, s := range all {
		if s.Name == seat.Name {
			return s.ID, nil
		}
	}
	place := wire.Position(seat.PositionM)
	s, err := x.PutSeat(show.Seat{Name: seat.Name, PositionM: &place}, "plumbline")
	return s.ID, err
}

// longestRender is how much of a scene is rendered at most, seconds.
const longestRender = 120

var errEnough = errors.New("heard enough")

// renderUntil renders these loudspeakers of a scene alone.
func renderUntil(ctx context.Context, scene rig.Scene, playing []show.Loudspeaker, hear func([]float32) bool) error {
	names := make([]string, len(playing))
	for i, l := range playing {
		names[i] = l.Name
	}
	solo, err := scene.Solo(names...)
	if err != nil {
		return err
	}
	err = rig.Render(ctx, solo, int64(longestRender*scene.RateHz), func(block []float32) error {
		if hear(block) {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}
