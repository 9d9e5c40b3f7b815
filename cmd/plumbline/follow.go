package main

import (
	"github.com/spf13/cobra"

	"plumbline/stream/client"
)

type followFlags struct {
	token       string
	fingerprint string
	frames      uint
}

func newFollowCommand() *cobra.Command {
	var f followFlags
	cmd := &cobra.Command{
		Use:     "follow URL",
		GroupID: groupLive,
		Short:   "Print what a running plumbline sees, one JSON object a line",
		Long: `Connects to a running plumbline and prints each frame as a JSON object on a line
of its own: the verdict, and for each microphone the delay, polarity, response
and levels. Keys end in their units; what is not known is null. A reader that is
slow gets fewer frames, always the newest.

It ends after --frames, or at ^C. When the other end goes away it waits for it
to come back.`,
		Example: `  plumbline follow http://127.0.0.1:8737 --frames 1
  plumbline follow http://127.0.0.1:8737 >log.jsonl
  plumbline follow https://192.0.2.7:8737 --token TOKEN --fingerprint AB:CD:…`,
		Args:              takes(1, 1, "the address of a running plumbline, such as http://127.0.0.1:8737"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE:              func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.Flags().StringVar(&f.token, "token", "", "`token` of a daemon on a network; better as PLUMBLINE_TOKEN, which others on this computer do not see")
	cmd.Flags().StringVar(&f.fingerprint, "fingerprint", "", "SHA-256 of the daemon's own certificate, in `hex` as its terminal shows it")
	cmd.Flags().UintVar(&f.frames, "frames", 0, "end after this `number` of frames; 0 is never")
	return cmd
}

func (f *followFlags) run(cmd *cobra.Command, address string) error {
	ctx := cmd.Context()
	c, err := client.Dial(ctx, client.Config{URL: address, Token: f.token, Fingerprint: f.fingerprint})
	if err != nil {
		return err
	}
	defer c.Close()
	for printed := uint(0); f.frames == 0 || printed < f.frames; printed++ {
		frame, err := c.Next(ctx)
		if ctx.Err() != nil {
			return nil // the one way that following without end ends well
		}
		if err != nil {
			return err
		}
		if err := printJSON(cmd.OutOrStdout(), frame.Object()); err != nil {
			return err
		}
	}
	return nil
}
