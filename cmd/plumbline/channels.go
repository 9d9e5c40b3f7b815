package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// maxMicrophones is how many microphones one reference serves.
const maxMicrophones = 32

// pickChannels reads --ref and --mic for a source of that many channels.
// Channels count from 1. "all" is every channel but the reference.
func pickChannels(reference int, microphones string, channels int) (ref int, mics []int, err error) {
	if channels < 2 {
		return 0, nil, fmt.Errorf("there is only %d channel: a reference and a microphone are needed, as channels of one recording or device", channels)
	}
	if reference < 1 || reference > channels {
		return 0, nil, fmt.Errorf("there is no channel %d for the reference: choose --ref from 1 to %d", reference, channels)
	}
	if microphones == "all" {
		if channels-1 > maxMicrophones {
			return 0, nil, fmt.Errorf("there are %d channels beside the reference, and at most %d can be microphones: choose them with --mic", channels-1, maxMicrophones)
		}
		for c := 1; c <= channels; c++ {
			if c != reference {
				mics = append(mics, c)
			}
		}
		return reference, mics, nil
	}
	for word := range strings.SplitSeq(microphones, ",") {
		c, err := strconv.Atoi(strings.TrimSpace(word))
		switch {
		case err != nil:
			return 0, nil, usagef("--mic wants channel numbers such as 2,3 or all, not %q", microphones)
		case c < 1 || c > channels:
			return 0, nil, fmt.Errorf("there is no channel %d for a microphone: choose --mic from 1 to %d", c, channels)
		case c == reference:
			return 0, nil, fmt.Errorf("channel %d is the reference and cannot be a microphone too: change --ref or --mic", c)
		case slices.Contains(mics, c):
			return 0, nil, fmt.Errorf("channel %d is named twice in --mic", c)
		}
		mics = append(mics, c)
	}
	if len(mics) > maxMicrophones {
		return 0, nil, fmt.Errorf("%d microphones are too many: at most %d", len(mics), maxMicrophones)
	}
	return reference, mics, nil
}
