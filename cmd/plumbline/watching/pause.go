package watching

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/stream/wire"
)

// Playing is what the daemon knows of what plays, because it has set it itself.
type Playing struct {
	// Survey: a test signal sounds, and loudspeakers take turns.
	Survey bool
	// Muted are the names of the loudspeakers that were muted on purpose, Sounding
	// those of the others; both empty: nothing is known.
	Muted, Sounding []string
}

// settleS is how long after a pause what is heard counts for nothing: fades, and
// what was on its way.
const settleS = 1.0

// SetPlaying says what plays from now on. What is changed on purpose is no fault:
// a microphone is not compared while a survey plays, or while a loudspeaker of its
// baseline is muted.
func (w *Watcher) SetPlaying(change func(*Playing)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	next := w.playing
	change(&next)
	if next.Survey == w.playing.Survey && slices.Equal(next.Muted, w.playing.Muted) && slices.Equal(next.Sounding, w.playing.Sounding) {
		return
	}
	w.playing = next
	told := false
	for _, s := range w.sessions {
		told = w.hold(s) || told
	}
	if told {
		w.publish()
	}
}

// hold pauses a session, or lets it go on; true: that has changed. mu is held.
func (w *Watcher) hold(s *session) bool {
	why := ""
	several := func(names []string, one, more string) string {
		if len(names) > 1 {
			return more
		}
		return one
	}
	out, in := w.silenced(s), w.added(s)
	switch {
	case w.playing.Survey:
		why = "Paused while a survey plays: nothing is compared until it has ended."
	case len(out) > 0:
		why = fmt.Sprintf("Paused: %s %s muted. Nothing is compared until %s again.", strings.Join(out, " and "),
			several(out, "is", "are"), several(out, "it plays", "they play"))
	case len(in) > 0 && s.complete:
		why = fmt.Sprintf("Paused: %s %s, and did not in the baseline. Mute %s, or take a new baseline.",
			strings.Join(in, " and "), several(in, "plays", "play"), several(in, "it", "them"))
	}
	if why == s.paused {
		return false
	}
	if s.paused = why; why == "" {
		// What waits in the ring was heard before.
		s.skip = w.ring.Len() + int(settleS*float64(w.cfg.SampleRateHz))
	}
	return true
}

// silenced are the loudspeakers that a baseline holds and that are muted now.
func (w *Watcher) silenced(s *session) (out []string) {
	for _, name := range s.playing {
		if slices.Contains(w.playing.Muted, name) {
			out = append(out, name)
		}
	}
	return out
}

// added are the loudspeakers that sound now and are not in a baseline.
func (w *Watcher) added(s *session) (in []string) {
	for _, name := range w.playing.Sounding {
		if !slices.Contains(s.playing, name) {
			in = append(in, name)
		}
	}
	return in
}

// skips tells whether a session must not hear a block of so many frames.
func (s *session) skips(frames int) bool {
	switch {
	case s.paused != "":
	case s.skip > 0:
		s.skip -= frames
	default:
		return false
	}
	s.watch.Break()
	return true
}

// waits says that a session is paused.
func (s *session) waits(v wire.Watch) wire.Watch {
	v.State, v.Text, v.Mark, v.Certainty = wire.WatchPaused, s.paused, wire.Steady, wire.CannotTell
	return v
}
