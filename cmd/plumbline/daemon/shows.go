package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"plumbline/capture/rig"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/planning"
	"plumbline/cmd/plumbline/survey"
	"plumbline/cmd/plumbline/watching"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// keepShows wires what works on the open show: takes, surveys, plans.
func (d *Daemon) keepShows(serve *stream.Config) error {
	if d.cfg.Shelf == nil {
		return nil
	}
	player, none := d.cfg.Player, d.cfg.NoPlayer
	if none == "" {
		none = "This daemon was started without an output, so the test signal must come from elsewhere."
	}
	plan := planning.Config{Shelf: d.cfg.Shelf}
	if d.rig != nil && player == nil {
		virtual := rigPlayer{d.rig}
		player, plan.Rig, plan.Dial, plan.Places = virtual, virtual.dialled, virtual.dial, virtual.places
	}
	// The surveyor needs the planner and the other way round.
	plan.Measure = func(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error) {
		return d.survey.StartVerify(ctx, r, main, fill, by)
	}
	plan.ByHand = func(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error) {
		return d.survey.VerifyByHand(ctx, r, main, fill, by)
	}
	planner, err := planning.New(plan)
	if err != nil {
		return err
	}
	var place func(int) (wire.Position, bool)
	if d.rig != nil {
		place = d.rig.place
	}
	d.survey, err = survey.New(survey.Config{
		Bench: bench{d}, Player: player, NoPlayer: none, Shelf: d.cfg.Shelf,
		Hold: d.hold,
		Changed: func(v wire.Survey) {
			d.room.watch.SetPlaying(func(p *watching.Playing) { p.Survey = v.Running() })
			d.server.SurveyChanged(v)
		},
		Dialled: planner.Dialled, Place: place, Prove: planner.Prove, Logger: d.log,
	})
	if err != nil {
		return err
	}
	serve.Shelf, serve.Takes, serve.Survey, serve.Align, serve.DecodeWAV = d.cfg.Shelf, d.survey, d.survey, planner, decodeWAV
	return nil
}

// hold takes the handle of a client that is connected.
func (d *Daemon) hold(client string) (survey.Hand, bool) {
	link, ok := d.server.Link(client)
	return link, ok
}

// Furnish enters the loudspeakers and seats of a virtual rig into an empty show.
func Furnish(x *show.Show, scene rig.Scene) error {
	info, err := x.Info()
	if err != nil || info.Loudspeakers+info.Seats > 0 {
		return err
	}
	for _, l := range scene.Loudspeakers {
		if _, err := x.PutLoudspeaker(show.Loudspeaker{Name: l.Name, Role: l.Role}, "plumbline"); err != nil {
			return err
		}
	}
	for _, m := range scene.Microphones {
		position := wire.Position(m.PositionM)
		if _, err := x.PutSeat(show.Seat{Name: m.Name, PositionM: &position}, "plumbline"); err != nil {
			return err
		}
	}
	return nil
}

// decodeWAV reads the first channel of a WAV file in memory.
func decodeWAV(data []byte) (sampleRateHz float64, samples []float64, err error) {
	f, err := os.CreateTemp("", "plumbline-*.wav")
	if err != nil {
		return 0, nil, err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err = errors.Join(err, f.Close()); err != nil {
		return 0, nil, err
	}
	wav, err := wavfile.Open(f.Name())
	if err != nil {
		return 0, nil, errors.New(strings.ReplaceAll(err.Error(), f.Name(), "the file"))
	}
	defer wav.Close()
	if wav.Frames() > longestImpulse {
		return 0, nil, fmt.Errorf("%d samples are no impulse response: send at most %d", wav.Frames(), longestImpulse)
	}
	samples = make([]float64, wav.Frames())
	if _, err := wav.ReadFrames([][]float64{samples}, 0); err != nil {
		return 0, nil, errors.New(strings.ReplaceAll(err.Error(), f.Name(), "the file"))
	}
	return float64(wav.Format().SampleRateHz), samples, nil
}

// longestImpulse is the longest impulse response that is read, samples.
const longestImpulse = 1 << 21
