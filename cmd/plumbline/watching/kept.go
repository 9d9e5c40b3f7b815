package watching

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// kept is a watch as the show keeps it: it goes on when the show is opened again.
type kept struct {
	Microphone int    `json:"microphone"`
	Take       int64  `json:"take"`
	Source     string `json:"source"` // Config.Source then
}

const keptKey = "watches"

// keep changes what a show keeps; text says so in its log. Where nothing
// changes nothing is written.
func (w *Watcher) keep(x *show.Show, change func([]kept) []kept, text, by string) error {
	w.keeping.Lock()
	defer w.keeping.Unlock()
	var old []kept
	if err := x.Setting(keptKey, &old); err != nil {
		return err
	}
	next := change(slices.Clone(old))
	if slices.Equal(next, old) {
		return nil
	}
	return x.PutSetting(keptKey, next, text, by)
}

// put keeps a watch in place of any other of its microphone.
func put(k kept) func([]kept) []kept {
	return func(list []kept) []kept { return append(drop(k.Microphone)(list), k) }
}

// drop forgets the watch of a microphone, 0 all of them.
func drop(microphone int) func([]kept) []kept {
	return func(list []kept) []kept {
		return slices.DeleteFunc(list, func(k kept) bool { return microphone == 0 || k.Microphone == microphone })
	}
}

// follow looks which show is open, on the learner's goroutine: watches of another
// one have ended, and those that this one keeps go on.
func (w *Watcher) follow(ctx context.Context) {
	x, err := w.cfg.Shelf.Current()
	if err != nil {
		x = nil
	}
	if x == w.show {
		return
	}
	w.show = x
	var back []*session
	if x != nil {
		var list []kept
		if err := x.Setting(keptKey, &list); err != nil {
			w.cfg.Logger.Error("which microphones were watched cannot be read", "err", err)
		}
		for _, k := range list {
			back = append(back, w.resume(x, k))
		}
	}
	w.mu.Lock()
	w.sessions = slices.DeleteFunc(w.sessions, func(s *session) bool { return s.show != x })
	back = slices.DeleteFunc(back, func(s *session) bool { // somebody was faster
		return slices.ContainsFunc(w.sessions, func(o *session) bool { return o.view.Microphone == s.view.Microphone })
	})
	for _, s := range back {
		w.add(s)
	}
	w.publish()
	w.mu.Unlock()
	for _, s := range back {
		if s.view.State == wire.WatchLearning {
			w.learn(ctx, s)
		}
		if ctx.Err() != nil {
			return
		}
		w.sayResumed(s)
	}
}

// resume is a watch as it was, or one that says why it cannot be.
func (w *Watcher) resume(x *show.Show, k kept) *session {
	take, err := x.Take(k.Take)
	switch gone := (*wire.Error)(nil); {
	case errors.As(err, &gone) && gone.Status == http.StatusNotFound:
		err = refuse("take", "take %d is deleted: bring it back on the Show page, or choose another baseline", k.Take)
	case err != nil:
	case k.Source != w.cfg.Source:
		err = refuse("source", "it was heard through %s, and this is %s: watch it again if it is the same microphone at the same place, or take the baseline anew", k.Source, w.cfg.Source)
	default:
		err = w.check(wire.WatchRequest{Microphone: k.Microphone, Take: k.Take}, &take)
	}
	if err != nil {
		take = show.Take{ID: k.Take, Name: take.Name, Seat: take.Seat}
	}
	s := newSession(x, take, k.Microphone, "plumbline")
	s.view.Resumed = true
	s.view.Text = fmt.Sprintf("Learning again from take %d, as before the restart: some seconds.", take.ID)
	if err != nil {
		s.view.State, s.view.Mark = wire.WatchFailed, wire.Attention
		s.view.Text = fmt.Sprintf("Not watched any more: %v.", err)
	}
	return s
}

// sayResumed tells the log and the show what became of a watch.
func (w *Watcher) sayResumed(s *session) {
	w.mu.Lock()
	v := s.view
	w.mu.Unlock()
	text := fmt.Sprintf("microphone %d is watched again, against take %d", v.Microphone, v.Take)
	if v.State == wire.WatchFailed {
		text = fmt.Sprintf("microphone %d: %s", v.Microphone, v.Text)
		w.cfg.Logger.Warn("a watch does not go on", "microphone", v.Microphone, "take", v.Take, "text", v.Text)
	} else {
		w.cfg.Logger.Info("a watch goes on", "microphone", v.Microphone, "take", v.Take)
	}
	if err := s.show.Log(text, "plumbline"); err != nil {
		w.cfg.Logger.Error("the show's log is not written", "err", err)
	}
}

// newSession is one that is still to learn.
func newSession(x *show.Show, take show.Take, microphone int, by string) *session {
	s := &session{show: x, take: take, view: wire.Watch{
		Microphone: microphone, State: wire.WatchLearning, Take: take.ID, TakeName: take.Name, Seat: take.Seat,
		Since: stamp(time.Now()), By: by, Text: fmt.Sprintf("Learning from take %d: some seconds.", take.ID), Certainty: wire.CannotTell, Mark: wire.Steady,
		Loudspeakers: []wire.WatchedPart{}, BaselineTemperatureC: wire.Value(take.TemperatureC),
	}}
	if names, err := namesOf(x); err == nil {
		for _, id := range take.Loudspeakers {
			s.playing = append(s.playing, names[id])
		}
	}
	if seats, err := x.Seats(); err == nil {
		if i := slices.IndexFunc(seats, func(s show.Seat) bool { return s.ID == take.Seat }); i >= 0 {
			s.view.SeatName = seats[i].Name
		}
	}
	return s
}

// add puts a session in place of any other of its microphone. mu is held.
func (w *Watcher) add(s *session) {
	w.sessions = slices.DeleteFunc(w.sessions, func(old *session) bool { return old.view.Microphone == s.view.Microphone })
	w.sessions = append(w.sessions, s)
	slices.SortFunc(w.sessions, func(a, b *session) int { return a.view.Microphone - b.view.Microphone })
}
