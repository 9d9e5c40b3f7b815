package stream

import (
	"bytes"
	"context"
	"fmt"
	"net/http"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// WatchOperator compares microphones with baselines. The rules are those of
// Operator.
type WatchOperator interface {
	Watches() wire.Watches
	// StartWatch learns the baseline and begins; it returns while it learns.
	StartWatch(ctx context.Context, r wire.WatchRequest, by string) (wire.Watches, error)
	// StopWatch ends the watch of a microphone, 0 all of them.
	StopWatch(ctx context.Context, microphone int, by string) (wire.Watches, error)
}

// WatchesChanged tells all clients, under the rule of StateChanged.
func (s *Server) WatchesChanged(v wire.Watches) {
	data := encode(wire.WatchMessage{Type: wire.TypeWatch, Watch: v})
	s.pin(func(b *board) {
		if b.watches == nil || v.Revision == 0 || v.Revision >= b.watches.revision {
			b.watches = &watchesDoc{v.Revision, data}
		}
	})
}

type watchesDoc struct {
	revision uint64
	data     []byte
}

// EventChanged tells all clients of an event: it is new, or something was added.
func (s *Server) EventChanged(e wire.Event) {
	data := encode(wire.EventMessage{Type: wire.TypeEvent, Event: e})
	for _, c := range *s.clients.Load() {
		c.notice(data)
	}
}

var errNoWatch = &Error{Code: "no_watch", Text: "this daemon has no show with takes to compare with: start it with --show FILE", Status: http.StatusNotFound}

func (s *Server) watchRoutes() []route {
	return []route{
		{"GET", "/api/v1/watch", s.watching(func(w http.ResponseWriter, r *http.Request, o WatchOperator, _ string) error {
			return reply(w, o.Watches())
		}), 0},
		{"POST", "/api/v1/watch", s.watching(s.startWatch), 0},
		{"POST", "/api/v1/watch/stop", s.watching(s.stopWatch), 0},
		{"GET", "/api/v1/events", s.onShow(s.events), 0},
		{"POST", "/api/v1/events/acknowledge", s.onShow(s.acknowledgeEvents), 0},
		{"PATCH", "/api/v1/events/{id}", s.onShow(s.patchEvent), 0},
		{"GET", "/api/v1/events/{id}/audio.wav", s.onShow(s.eventAudio), 0},
		{"DELETE", "/api/v1/events/{id}/audio.wav", s.onShow(s.deleteEventAudio), 0},
		{"PATCH", "/api/v1/events/audio", s.onShow(s.patchEventAudio), 0},
		{"DELETE", "/api/v1/events/audio", s.onShow(s.deleteAllEventAudio), 0},
	}
}

// watching serves a request about the watch on behalf of by.
func (s *Server) watching(h func(w http.ResponseWriter, r *http.Request, o WatchOperator, by string) error) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Watch == nil {
			return errNoWatch
		}
		by, err := changedBy(r)
		if err != nil {
			return err
		}
		return h(w, r, s.cfg.Watch, by)
	}
}

func (s *Server) startWatch(w http.ResponseWriter, r *http.Request, o WatchOperator, by string) error {
	var q wire.WatchRequest
	if err := readJSON(r, &q); err != nil {
		return err
	}
	return replyWith(w)(o.StartWatch(r.Context(), q, by))
}

func (s *Server) stopWatch(w http.ResponseWriter, r *http.Request, o WatchOperator, by string) error {
	var q wire.WatchStop
	if err := readJSON(r, &q); err != nil {
		return err
	}
	return replyWith(w)(o.StopWatch(r.Context(), q.Microphone, by))
}

func (s *Server) events(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	limit, before, err := stretch(r)
	if err != nil {
		return err
	}
	list, err := x.Events(limit, before)
	return replyWith(w)(wire.Events{Events: list}, err)
}

// acknowledgeEvents acknowledges all that are not.
func (s *Server) acknowledgeEvents(w http.ResponseWriter, _ *http.Request, x *show.Show, by string) error {
	list, err := x.AcknowledgeEvents(by)
	if err != nil {
		return err
	}
	for _, e := range list {
		s.EventChanged(e)
	}
	return reply(w, wire.Events{Events: list})
}

func (s *Server) patchEvent(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	var p wire.EventPatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	e, err := x.ChangeEvent(id, p, by)
	if err != nil {
		return err
	}
	s.EventChanged(e)
	return reply(w, e)
}

func (s *Server) deleteEventAudio(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	undo, err := x.DeleteEventAudio(id, by)
	return replyWith(w)(undoObject{undo}, err)
}

func (s *Server) patchEventAudio(w http.ResponseWriter, r *http.Request, x *show.Show, by string) error {
	var p wire.EventAudioPatch
	if err := readJSON(r, &p); err != nil {
		return err
	}
	if err := x.SetEventAudioMost(p.MostBytes, by); err != nil {
		return err
	}
	return replyWith(w)(x.Info())
}

func (s *Server) deleteAllEventAudio(w http.ResponseWriter, _ *http.Request, x *show.Show, by string) error {
	undo, err := x.DeleteEventAudio(0, by)
	return replyWith(w)(undoObject{undo}, err)
}

func (s *Server) eventAudio(w http.ResponseWriter, r *http.Request, x *show.Show, _ string) error {
	id, err := pathID(r)
	if err != nil {
		return err
	}
	audio, err := x.EventAudio(id)
	if err != nil {
		return err
	}
	if audio == nil {
		return &Error{Code: "no_audio", Text: fmt.Sprintf("no audio is kept of event %d, or not yet", id), Status: http.StatusNotFound}
	}
	var out bytes.Buffer
	if err := show.WriteWAV(&out, audio.SampleRateHz, len(audio.Channels), audio.Samples); err != nil {
		return err
	}
	attach(w, "audio/wav", fmt.Sprintf("event %d.wav", id))
	out.WriteTo(w) // an error means that the peer has gone
	return nil
}
