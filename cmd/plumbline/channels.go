package main

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/response"
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

// channelList is a flag of one channel or several, from 1.
type channelList []int

// Set reads it.
func (l *channelList) Set(text string) error {
	var list channelList
	for word := range strings.SplitSeq(text, ",") {
		c, err := strconv.Atoi(strings.TrimSpace(word))
		if err != nil {
			return errors.New("write channel numbers such as 1 or 1,2")
		}
		list = append(list, c)
	}
	*l = list
	return nil
}

func (l *channelList) String() string {
	var words []string
	for _, c := range *l {
		words = append(words, strconv.Itoa(c))
	}
	return strings.Join(words, ",")
}

// Type is what pflag calls it.
func (l *channelList) Type() string { return "channel" }

// pickSeveral is pickChannels for any number of references; "all" microphones are then
// the channels that are none.
func pickSeveral(references channelList, microphones string, channels int) (refs, mics []int, err error) {
	if len(references) == 1 {
		ref, mics, err := pickChannels(references[0], microphones, channels)
		return []int{ref}, mics, err
	}
	if len(references) > response.MaxReferences {
		return nil, nil, usagef("--ref wants at most %d channels, not %d", response.MaxReferences, len(references))
	}
	for i, r := range references {
		if slices.Contains(references[:i], r) {
			return nil, nil, usagef("--ref has channel %d twice", r)
		}
	}
	if microphones == "all" {
		var rest []string
		for c := 1; c <= channels; c++ {
			if !slices.Contains(references, c) {
				rest = append(rest, strconv.Itoa(c))
			}
		}
		if microphones = strings.Join(rest, ","); len(rest) == 0 {
			return nil, nil, fmt.Errorf("all of its %d channels are references: leave one for a microphone", channels)
		}
	}
	for _, r := range references {
		if _, mics, err = pickChannels(r, microphones, channels); err != nil {
			return nil, nil, err
		}
	}
	return references, mics, nil
}
