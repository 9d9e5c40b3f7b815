package main

import (
	"github.com/spf13/cobra"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/daemon"
)

func newDemoCommand() *cobra.Command {
	var f daemonFlags
	cmd := &cobra.Command{
		Use:     "demo",
		GroupID: groupLive,
		Short:   "Look around: live pages on a virtual rig with a fault in it",
		Long: `Runs everything on a virtual rig: a room with a main loudspeaker, a fill and a
microphone, and something wrong with the fill. Open the address it prints; the
page called Rig lets you move, flip, delay and mute, and the others follow.

No hardware and no sound is involved. It opens nothing by itself. ^C ends it.
What you survey is gone then, unless --show names a file to keep it in.`,
		Example: `  plumbline demo
  plumbline demo --listen 127.0.0.1:0      on any free port
  plumbline demo --show practice           keep what is surveyed`,
		Args:              takes(0, 0, "no arguments"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := rig.New(rig.Demo(), rig.Config{Pace: true, Patient: patient})
			if err != nil {
				return err
			}
			return f.serve(cmd, begin{Config: daemon.Config{Source: src, Rig: src}, fresh: true})
		},
	}
	f.add(cmd)
	return cmd
}
