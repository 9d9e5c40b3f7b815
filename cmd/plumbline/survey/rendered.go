package survey

import (
	"context"
	"errors"
	"fmt"
	"math"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// Rendered is a survey of sound that nobody has to wait for: that of a virtual rig, as
// fast as it can be reckoned. Equal sound gives equal takes.
type Rendered struct {
	Setup      Setup
	Show       *show.Show
	Main, Fill show.Loudspeaker
	Seats      map[int]int64 // by channel
	Goal       wire.Goal
	LevelDBFS  float64              // that of the sound, for the record
	Dialled    map[string]wire.Dial // what is set for the loudspeakers, for the record
	// Sound has hear called with blocks of interleaved samples of all channels, of these
	// loudspeakers alone, until it says that it has heard enough.
	Sound func(ctx context.Context, playing []show.Loudspeaker, hear func(block []float32) (enough bool)) error
}

// lookRenderedS is between two looks at what was rendered, seconds of audio.
const lookRenderedS = 0.5

// Survey stores takes of main alone, fill alone and both, as StartSurvey does, and
// returns when all are stored.
func (r Rendered) Survey(ctx context.Context, by string) error {
	j := &job{
		by: by, show: r.Show, main: r.Main, fill: r.Fill, seats: r.Seats, setup: r.Setup, goal: r.Goal, level: r.LevelDBFS, delays: map[int]float64{},
		steps: [][]show.Loudspeaker{{r.Main}, {r.Fill}, {r.Main, r.Fill}},
	}
	settings := wire.TakeSettings{LevelDBFS: wire.Value(j.level), Dialled: r.Dialled}
	for step := range j.steps {
		m, err := j.render(ctx, step, r.Sound)
		if err != nil {
			return err
		}
		for i := range m.microphones {
			if _, err := j.keep(step, i, m, settings); err != nil {
				return err
			}
		}
	}
	return nil
}

// render measures one step until it is sure, or as sure as it gets.
func (j *job) render(ctx context.Context, step int, sound func(context.Context, []show.Loudspeaker, func([]float32) bool) error) (*measurement, error) {
	playing := j.steps[step]
	m, err := newMeasurement(j.setup, j.microphones(), j.goal, j.known(step))
	if err != nil {
		return nil, err
	}
	m.names = j.seated()
	all := float64(len(j.setup.Channels) * j.setup.SampleRateHz)
	var sure bool
	var wrong error
	heardS, lookAtS := 0.0, lookRenderedS
	err = sound(ctx, playing, func(block []float32) bool {
		m.hear(block, false)
		if heardS += float64(len(block)) / all; heardS < lookAtS {
			return false
		}
		lookAtS = heardS + lookRenderedS
		m.leftS = math.Max(0, patience.Seconds()-heardS)
		sure, wrong = m.look(j.sayPlaying(playing))
		return sure || wrong != nil || m.leftS == 0
	})
	switch {
	case errors.Join(err, wrong) != nil:
		return nil, fmt.Errorf("survey %s: %w", j.sayPlaying(playing), errors.Join(err, wrong))
	case !sure && !m.worth():
		return nil, m.notSure(patience)
	}
	return m, nil
}
