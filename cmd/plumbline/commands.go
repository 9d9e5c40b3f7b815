package main

import "github.com/spf13/cobra"

// commands lists the subcommands, one file each.
func commands() []*cobra.Command {
	return []*cobra.Command{
		newDemoCommand(),
		newServeCommand(),
		newDevicesCommand(),
		newConfigCommand(),
		newTokenCommand(),
		newFollowCommand(),
		newResponseCommand(),
		newArrivalsCommand(),
		newSumCommand(),
		newAlignCommand(),
		newLevelsCommand(),
		newRoomCommand(),
		newSignalCommand(),
		newRigCommand(),
	}
}
