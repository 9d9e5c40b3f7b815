package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Exit statuses.
const (
	exitDone        = 0
	exitBadInput    = 1
	exitUsage       = 2
	exitInterrupted = 130 // 128 + SIGINT, as shells count
)

// The headings under which --help lists the commands.
const (
	groupLive     = "live"
	groupRecorded = "recorded"
	groupVirtual  = "virtual"
)

// run is the program: it parses args, does what they say and returns the exit
// status. Results go to stdout, everything else to stderr.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(append([]string{}, args...)) // nil would mean os.Args
	root.SetOut(stdout)
	root.SetErr(stderr)
	completeKnownShells(root)
	helpOnKnownCommands(root)
	cmd, err := root.ExecuteContextC(ctx)
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &usage):
		fmt.Fprintf(stderr, "%s: %s (%s --help tells more)\n", cmd.CommandPath(), oneLine(err), cmd.CommandPath())
		return exitUsage
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		fmt.Fprintf(stderr, "%s: interrupted\n", cmd.CommandPath())
		return exitInterrupted
	}
	fmt.Fprintf(stderr, "%s: %s\n", cmd.CommandPath(), oneLine(err))
	return exitBadInput
}

func newRoot() *cobra.Command {
	var f openFlags
	root := &cobra.Command{
		Use:   "plumbline",
		Short: "Measure loudspeakers in a room: when, how loud, which way round, how sure",
		Long: `plumbline compares what was sent to the loudspeakers (the reference) with what
a microphone hears, and says when the sound arrives, how loud, which way round
the loudspeaker is wired, and how sure all of that is.

Without a command it opens a page where the device and its channels are chosen
and checked, one step after the other; the next time it begins with that
device. No hardware at hand: plumbline demo runs it all on a virtual rig with a
fault to find. With a recording: plumbline arrivals, then plumbline response.`,
		Example: `  plumbline                                       choose a device in the browser, and measure
  plumbline demo                                  look around, no hardware needed
  plumbline serve --device ID --ref 1 --mic 2     the device chosen by flags
  plumbline response seat1.wav                    the same from a recording
  plumbline response seat1.wav --json             for programs: units in the keys`,
		Version:           version(),
		SilenceUsage:      true,
		SilenceErrors:     true,
		Args:              knownCommand,
		PersistentPreRunE: fromLayers,
		RunE:              func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	f.addTo(root)
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return flagError(err) })
	root.SetUsageTemplate(root.UsageTemplate() + `{{if not .HasParent}}
Every flag can also be set by the environment: PLUMBLINE_LISTEN for --listen.
Those of the daemon can stand in a file too: plumbline config says which, where.
Exit status: 0 done, 1 bad input, 2 wrong usage, 130 interrupted.
Loud sound harms hearing, amplifier outputs and mains can kill, and what hangs
can fall: local codes and licensed practice decide.
{{end}}`)
	root.AddGroup(
		&cobra.Group{ID: groupLive, Title: "Live:"},
		&cobra.Group{ID: groupRecorded, Title: "From recordings:"},
		&cobra.Group{ID: groupVirtual, Title: "Sound to measure with:"},
	)
	root.AddCommand(commands()...)
	root.SuggestionsMinimumDistance = 2
	return root
}

// usageError marks an error in how the program was called: exit status 2.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// flagError says what a flag wants, and leaves the parser's own words out.
func flagError(err error) error {
	var bad *pflag.InvalidValueError
	if !errors.As(err, &bad) {
		return usageError{err}
	}
	kind, ok := map[string]string{"float64": "a number", "int": "a whole number", "uint": "a whole number from 0 up", "uint64": "a whole number from 0 up", "bool": "true or false", "channel": "channel numbers such as 1 or 1,2"}[bad.GetFlag().Value.Type()]
	if !ok {
		return usageError{err}
	}
	return usagef("--%s wants %s, not %q", bad.GetFlag().Name, kind, bad.GetValue())
}

// takes accepts min…max arguments, described by what for the error.
func takes(min, max int, what string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) < min || len(args) > max {
			return usagef("wants %s, got %d", what, len(args))
		}
		return nil
	}
}

// knownCommand refuses words that are no command of the root.
func knownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		return usagef("unknown command %q, did you mean %s?", args[0], strings.Join(near, " or "))
	}
	return usagef("unknown command %q", args[0])
}

// completeKnownShells adds the completion command, which writes to the root's
// output, and has it refuse other shells.
func completeKnownShells(root *cobra.Command) {
	root.InitDefaultCompletionCmd()
	for _, cmd := range root.Commands() {
		if cmd.Name() == "completion" {
			cmd.Args, cmd.RunE = knownCommand, func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
		}
	}
}

// helpOnKnownCommands has help refuse what is no command.
func helpOnKnownCommands(root *cobra.Command) {
	root.InitDefaultHelpCmd()
	for _, cmd := range root.Commands() {
		if cmd.Name() == "help" {
			cmd.Args = func(_ *cobra.Command, args []string) error {
				if at, rest, err := root.Find(args); err != nil || len(rest) > 0 && at.HasSubCommands() {
					return usagef("there is no help on %q: plumbline --help lists the commands", strings.Join(args, " "))
				}
				return nil
			}
		}
	}
}

// oneLine keeps the promise that an error is one line, whatever a library says.
func oneLine(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }
