package main

import (
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/setting"
)

// pickChannels reads --ref and --mic for a source of that many channels.
// Channels count from 1. "all" is every channel but the reference.
func pickChannels(reference int, microphones string, channels int) (ref int, mics []int, err error) {
	if microphones == "all" {
		for c := 1; c <= channels; c++ {
			if c != reference {
				mics = append(mics, c)
			}
		}
	} else {
		for word := range strings.SplitSeq(microphones, ",") {
			c, err := strconv.Atoi(strings.TrimSpace(word))
			if err != nil {
				return 0, nil, usagef("--mic wants channel numbers such as 2,3 or all, not %q", microphones)
			}
			mics = append(mics, c)
		}
	}
	chosen := setting.Default(reference, slices.Sorted(slices.Values(mics)))
	if err := chosen.Check(channels); err != nil {
		return 0, nil, flagged(err)
	}
	return reference, mics, nil
}
