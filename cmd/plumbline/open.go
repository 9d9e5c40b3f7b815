package main

import (
	"fmt"
	"os"
	"os/exec"
	"runtime"

	"github.com/spf13/cobra"

	"plumbline/cmd/plumbline/network"
)

// openFlags are those of plumbline without a command.
type openFlags struct {
	daemonFlags
	open bool
}

func (f *openFlags) addTo(cmd *cobra.Command) {
	f.addCommon(cmd)
	cmd.Flags().BoolVar(&f.open, "open", true, "open the page where there is a desktop")
}

// run starts the daemon on the device of last time, or on none yet, and opens the page
// where one is chosen.
func (f *openFlags) run(cmd *cobra.Command) error {
	return f.serve(cmd, begin{said: func(front *network.Front) error {
		page := front.URL() + "/setup"
		if _, err := fmt.Fprintf(cmd.OutOrStdout(), "Set up at %s: choose the device, and see that all of it works. ^C ends it.\n", page); err != nil {
			return err
		}
		if f.open && front.Gate == nil { // others on this computer could read a token off the command line
			openPage(page)
		}
		return nil
	}})
}

// openPage shows an address in the browser of the desktop. Without one, or where nobody
// sits at it, nothing happens: the terminal says the address too. Tests have another one.
var openPage = func(address string) {
	opener := desktopOpener(runtime.GOOS, os.Getenv, terminal(os.Stdout))
	if opener == nil {
		return
	}
	cmd := exec.Command(opener[0], append(opener[1:], address)...)
	if cmd.Start() == nil {
		go cmd.Wait() // so that it leaves nothing behind; how it ends says nothing
	}
}

// desktopOpener is the command that opens an address, or nil.
func desktopOpener(system string, env func(string) string, atTerminal bool) []string {
	if !atTerminal || env("SSH_CONNECTION") != "" {
		return nil
	}
	switch system {
	case "darwin":
		return []string{"open"}
	case "windows":
		return []string{"rundll32", "url.dll,FileProtocolHandler"}
	}
	if env("DISPLAY") == "" && env("WAYLAND_DISPLAY") == "" {
		return nil
	}
	return []string{"xdg-open"}
}

// terminal says whether somebody reads a file as it is written.
func terminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
