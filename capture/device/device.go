package device

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"plumbline/capture"
)

// Device is an audio device as the host lists it.
type Device struct {
	ID            string // "host/name" in lower case; survives a restart and a change of socket where the name does
	Name          string // for people
	Host          string // the host's sound system: "ALSA", "Core Audio", …
	Inputs        int    // channels that can be captured
	Outputs       int    // channels that can be played
	DefaultRateHz int    // what the host proposes; no promise that the device runs at it
	DefaultInput  bool   // the host's choice when nobody chooses
	DefaultOutput bool

	twins []string // what the host calls all devices of this name, this one too, in its order
	index int      // into PortAudio's list, valid until Terminate
}

// The rates a source may have, which a refused one is told.
const (
	minRateHz = 44100
	maxRateHz = 192000
)

var commonRatesHz = []int{44100, 48000, 88200, 96000, 176400, 192000}

// List finds the devices that are there now.
func List() ([]Device, error) { return list(system) }

func list(h host) ([]Device, error) {
	if err := h.acquire(); err != nil {
		return nil, err
	}
	defer h.release()
	return h.devices()
}

func rates(h host, d Device, dir direction, channels int) []int {
	var ok []int
	for _, hz := range commonRatesHz {
		if h.supports(streamParams{device: d, dir: dir, channels: channels, rateHz: hz}) == nil {
			ok = append(ok, hz)
		}
	}
	return ok
}

// direction says whether a stream is heard or played.
type direction int

const (
	input direction = iota
	output
)

func (d direction) String() string {
	if d == input {
		return "input"
	}
	return "output"
}

func (d direction) channels(dev Device) int {
	if d == input {
		return dev.Inputs
	}
	return dev.Outputs
}

func (d direction) isDefault(dev Device) bool {
	return d == input && dev.DefaultInput || d == output && dev.DefaultOutput
}

// find resolves an ID, or a name that only one device has, to a device with
// channels in the direction. "" is the host's default. The host is acquired.
func find(h host, id string, dir direction) (Device, error) {
	all, err := h.devices()
	if err != nil {
		return Device{}, err
	}
	var ids []string
	var named []Device
	for _, d := range all {
		if dir.channels(d) == 0 {
			if d.ID == id {
				return Device{}, fmt.Errorf("%s has no %s: %w", strconv.Quote(id), dir, capture.ErrNoDevice)
			}
			continue
		}
		if d.ID == id || id == "" && dir.isDefault(d) {
			return d, nil
		}
		if d.Name == id {
			named = append(named, d)
		}
		ids = append(ids, d.ID)
	}
	switch {
	case len(named) == 1:
		return named[0], nil
	case len(ids) == 0:
		return Device{}, fmt.Errorf("the host has no audio %s: connect one, or start the sound server (%w)", dir, capture.ErrNoDevice)
	case id == "":
		return Device{}, fmt.Errorf("the host has no default %s: choose one of %s (%w)", dir, strings.Join(ids, ", "), capture.ErrNoDevice)
	}
	return Device{}, fmt.Errorf("%w: %s %q; there are %s", capture.ErrNoDevice, dir, id, strings.Join(ids, ", "))
}

// findAgain finds a device that has gone, among others of its name too: a number
// in the host's order is another device's while one of them is away. The host is
// acquired.
func findAgain(h host, gone Device, dir direction) (Device, error) {
	if len(gone.twins) < 2 {
		return find(h, gone.ID, dir)
	}
	all, err := h.devices()
	if err != nil {
		return Device{}, err
	}
	var there, strange []Device
	for _, d := range all {
		if alone(d) != alone(gone) || dir.channels(d) == 0 {
			continue
		}
		if d.Name == gone.Name && withoutAddress(d.Name) != d.Name {
			return d, nil
		}
		there = append(there, d)
		if !slices.Contains(gone.twins, d.Name) {
			strange = append(strange, d)
		}
	}
	switch {
	case len(there) > 0 && len(there[0].twins) < len(gone.twins):
		return Device{}, fmt.Errorf("%w: one of %d devices called %q is away and cannot be told from what is there", capture.ErrNoDevice, len(gone.twins), withoutAddress(gone.Name))
	case len(strange) == 1: // it came back under another address
		return strange[0], nil
	}
	return find(h, gone.ID, dir)
}

// name gives every device its ID. Twins are numbered in the host's order, with
// numbers that no other device bears as a part of its name.
func name(all []Device) {
	kin := map[string][]string{} // names by the ID that they would have alone
	for i := range all {
		id := alone(all[i])
		kin[id] = append(kin[id], all[i].Name)
	}
	taken := map[string]bool{}
	for i := range all {
		d := &all[i]
		base := alone(*d)
		d.twins = kin[base]
		d.ID = base
		for n := 2; taken[d.ID] || d.ID != base && kin[d.ID] != nil; n++ {
			d.ID = base + "-" + strconv.Itoa(n)
		}
		taken[d.ID] = true
	}
}

// alone is the ID of a device without twins.
func alone(d Device) string { return slug(d.Host) + "/" + slug(withoutAddress(d.Name)) }

// withoutAddress drops the "(hw:2,0)" that ALSA adds: the first number is the
// order of plugging in, and an ID must not change with that.
func withoutAddress(name string) string {
	if i := strings.LastIndex(name, "(hw:"); i > 0 && strings.HasSuffix(name, ")") {
		return name[:i]
	}
	return name
}

// slug keeps letters and digits in lower case and joins the rest to dashes.
func slug(s string) string {
	words := strings.FieldsFunc(strings.ToLower(s), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	})
	if len(words) == 0 {
		return "unnamed"
	}
	return strings.Join(words, "-")
}
