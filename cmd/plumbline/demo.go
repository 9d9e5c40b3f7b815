package main

import (
	"github.com/spf13/cobra"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/daemon"
)

func newDemoCommand() *cobra.Command {
	var f daemonFlags
	var empty bool
	cmd := &cobra.Command{
		Use:     "demo",
		GroupID: groupLive,
		Short:   "Look around: live pages on a virtual rig with a fault in it",
		Long: `Runs everything on a virtual rig: a room with a main loudspeaker, a fill and a
microphone, and something wrong with the fill. Open the address it prints; the
page called Rig lets you move, flip, delay and mute, and the others follow.

Its show holds a survey of three seats, made in its first seconds, so that Align
and Show have something to look at; with --empty there is none, nor with --show,
which names a file to keep what you survey in. Without it that is gone when the
demo ends.

With --listen 0.0.0.0:8737 phones on this network can join: scan the code that
the terminal shows. No hardware and no sound is involved. It opens nothing by itself. ^C ends it.`,
		Example: `  plumbline demo
  plumbline demo --listen 127.0.0.1:0      on any free port
  plumbline demo --listen 0.0.0.0:8737     for the phones on this network
  plumbline demo --empty                   nothing surveyed yet
  plumbline demo --show practice           keep what is surveyed`,
		Args:              takes(0, 0, "no arguments"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := rig.New(rig.Demo(), rig.Config{Pace: true, Patient: patient})
			if err != nil {
				return err
			}
			return f.serve(cmd, begin{Config: daemon.Config{Source: src, Rig: src, Surveyed: demoSeats(src.Scene(), empty || f.show != "")}, fresh: true})
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&empty, "empty", false, "begin with an empty show")
	// What is practised here must not get among what was measured there.
	for _, name := range []string{"show", "record", "webhook", "calibration", "sensitivity"} {
		annotate(cmd.Flags().Lookup(name), notFromFile)
	}
	return cmd
}

// demoSeats are where the demo's show has been surveyed: where its microphone stands, and
// two other places of the hall.
func demoSeats(scene rig.Scene, none bool) []daemon.Seat {
	if none {
		return nil
	}
	m := scene.Microphones[0]
	return []daemon.Seat{
		{Name: m.Name, PositionM: m.PositionM}, {Name: "seat 2", PositionM: [3]float64{12, 9, 1.2}}, {Name: "seat 3", PositionM: [3]float64{7, 11, 1.2}},
	}
}
