package caution

import (
	"fmt"
	"strconv"
	"strings"
)

// Input is a channel, from 1, and what hangs on it: the seat of a microphone. Without a
// name, its number says which.
type Input struct {
	Number int
	Name   string
}

// At is a channel without a name.
func At(channel int) Input { return Input{Number: channel} }

// Feed is the reference on a channel: it comes from no seat, so that of its names only
// that of a socket counts.
func Feed(channel int, name string) Input {
	if i := (Input{channel, name}); i.isSocket() {
		return i
	}
	return At(channel)
}

// Where says which input it is, behind a noun: "at balcony", "on input 3", "on channel 3".
func (i Input) Where() string {
	if i.hasSeat() {
		return "at " + i.Name
	}
	return "on " + i.Socket()
}

func (i Input) hasSeat() bool { return i.Name != "" && !i.isSocket() }

// Socket is where the cable is plugged in: "input 3", "channel 3".
func (i Input) Socket() string {
	if i.isSocket() {
		return i.Name
	}
	return fmt.Sprintf("channel %d", i.Number)
}

// isSocket says that the name is the one that a device or a file gives by itself.
func (i Input) isSocket() bool {
	kind, number, _ := strings.Cut(i.Name, " ")
	if kind != "input" && kind != "channel" {
		return false
	}
	_, err := strconv.Atoi(number)
	return err == nil
}
