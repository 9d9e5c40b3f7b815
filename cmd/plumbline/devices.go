package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"plumbline/capture/device"
)

func newDevicesCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "devices",
		GroupID: groupLive,
		Short:   "What can be captured here, with channels and rates",
		Long: `Lists the audio devices of this computer. The ID is what plumbline serve --device
takes; it stays the same when the program starts again.

Reference and microphone have to be channels of one device, because two devices
have two clocks, and drift apart.`,
		Example: `  plumbline devices
  plumbline devices --json
  plumbline serve --device ID --ref 1 --mic 2`,
		Args: takes(0, 0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			all, err := device.List()
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), newDevicesReport(all))
			}
			return printDevices(cmd.OutOrStdout(), all)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "one JSON object instead of a table")
	return cmd
}

// devicesReport is the JSON of devices.
type devicesReport struct {
	Devices []deviceReport `json:"devices"`
}

type deviceReport struct {
	ID            string `json:"id"`
	Name          string `json:"name"`
	Host          string `json:"host"`
	Inputs        int    `json:"inputs"`
	Outputs       int    `json:"outputs"`
	DefaultRateHz int    `json:"default_rate_hz"`
	DefaultInput  bool   `json:"default_input"`
	DefaultOutput bool   `json:"default_output"`
}

func newDevicesReport(all []device.Device) devicesReport {
	r := devicesReport{Devices: []deviceReport{}}
	for _, d := range all {
		r.Devices = append(r.Devices, deviceReport{d.ID, d.Name, d.Host, d.Inputs, d.Outputs, d.DefaultRateHz, d.DefaultInput, d.DefaultOutput})
	}
	return r
}

func printDevices(w io.Writer, all []device.Device) error {
	if len(all) == 0 {
		_, err := fmt.Fprintln(w, "No audio device is here: connect one, or start the sound server. plumbline demo needs none.")
		return err
	}
	id, name := len("ID"), len("name")
	for _, d := range all {
		id, name = max(id, utf8.RuneCountInString(d.ID)), max(name, utf8.RuneCountInString(d.Name))
	}
	out := bufio.NewWriter(w)
	fmt.Fprintf(out, "%-*s  %-*s  inputs  outputs  rate Hz\n", id, "ID", name, "name")
	for _, d := range all {
		var notes []string
		if d.DefaultInput {
			notes = append(notes, "default input")
		}
		if d.Inputs < 2 {
			notes = append(notes, "too few inputs to measure with")
		}
		line := fmt.Sprintf("%-*s  %-*s  %6d  %7d  %7d  %s", id, d.ID, name, d.Name, d.Inputs, d.Outputs, d.DefaultRateHz, strings.Join(notes, ", "))
		fmt.Fprintln(out, strings.TrimRight(line, " "))
	}
	return out.Flush()
}

// completeDevices offers the IDs of the devices that can be captured.
func completeDevices(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	all, err := device.List()
	if err != nil {
		return nil, cobra.ShellCompDirectiveError
	}
	var words []string
	for _, d := range all {
		if d.Inputs > 0 {
			words = append(words, d.ID+"\t"+d.Name)
		}
	}
	return words, cobra.ShellCompDirectiveNoFileComp
}
