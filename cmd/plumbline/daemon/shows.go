package daemon

import (
	"context"

	"plumbline/cmd/plumbline/planning"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// keepShows wires what works on the open show: takes, surveys, plans.
func (d *Daemon) keepShows(serve *stream.Config) error {
	if d.cfg.Shelf == nil {
		return nil
	}
	player, none := d.cfg.Player, "This daemon was started without an output, so the test signal must come from elsewhere."
	plan := planning.Config{Shelf: d.cfg.Shelf}
	if d.rig != nil && player == nil {
		virtual := rigPlayer{d.rig}
		player, plan.Rig, plan.Dial = virtual, virtual.dialled, virtual.dial
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
	d.survey, err = survey.New(survey.Config{
		Bench: bench{d}, Player: player, NoPlayer: none, Shelf: d.cfg.Shelf,
		Hold:    d.hold,
		Changed: func(v wire.Survey) { d.server.SurveyChanged(v) },
		Dialled: planner.Dialled, Prove: planner.Prove, Logger: d.log,
	})
	if err != nil {
		return err
	}
	serve.Shelf, serve.Takes, serve.Survey, serve.Align = d.cfg.Shelf, d.survey, d.survey, planner
	return nil
}

// hold takes the handle of a client that is connected.
func (d *Daemon) hold(client string) (survey.Hand, bool) {
	link, ok := d.server.Link(client)
	return link, ok
}

// Furnish enters the loudspeakers and seats of a virtual rig into an empty show.
func Furnish(x *show.Show, scene stream.RigScene) error {
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
		if _, err := x.PutSeat(show.Seat{Name: m.Name, PositionM: &m.PositionM}, "plumbline"); err != nil {
			return err
		}
	}
	return nil
}
