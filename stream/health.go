package stream

import (
	"cmp"
	"net/http"
	"time"

	"plumbline/stream/wire"
)

// healthObject is the answer of GET /api/v1/health.
type healthObject struct {
	Status     string       `json:"status"` // "ok", "faulty" while the source runs nevertheless, else the source's state
	Text       string       `json:"text"`   // of the first fault; empty while all is well
	Faults     []wire.Fault `json:"faults"` // what comes first is to be mended first; empty: all is well
	Clients    int          `json:"clients"`
	Frames     uint64       `json:"frames"`
	LastFrameS wire.Value   `json:"last_frame_s"` // age of the newest frame
	UptimeS    float64      `json:"uptime_s"`
}

// health answers 503 while something is wrong that somebody has to mend, for what
// watches daemons. A source that is starting is no fault yet: it says so itself when
// that takes too long.
func (s *Server) health(w http.ResponseWriter, r *http.Request) error {
	state := s.cfg.Operator.State()
	h := healthObject{
		Status:     state.Source.State,
		Text:       state.Source.Text,
		Faults:     s.faults(state),
		Clients:    len(*s.clients.Load()),
		Frames:     s.published.Load(),
		LastFrameS: wire.Unknown(),
		UptimeS:    s.elapsed().Seconds(),
	}
	if age, some := s.sinceFrame(); some {
		h.LastFrameS = wire.Value(age.Seconds())
	}
	running := h.Status == "running"
	if len(h.Faults) == 0 {
		if running {
			h.Status = "ok"
		}
		return reply(w, h)
	}
	h.Text = h.Faults[0].Text
	if running {
		h.Status = "faulty"
	}
	return replyAs(w, http.StatusServiceUnavailable, h)
}

// faults is what is wrong now: with the sound, then with what is made of it.
func (s *Server) faults(state State) []wire.Fault {
	faults := []wire.Fault{}
	say := func(code, text, otherwise string) {
		faults = append(faults, wire.Fault{Code: code, Text: cmp.Or(text, otherwise)})
	}
	src := state.Source
	age, some := s.sinceFrame()
	switch {
	case src.Kind == wire.SourceNone:
		say(wire.FaultNoSource, src.Text, "No source is chosen: open the page Set up.")
	case src.State == "stalled":
		say(wire.FaultStalled, src.Text, src.Name+" delivers nothing.")
	case src.State == "lost":
		say(wire.FaultLost, src.Text, src.Name+" is gone.")
	case src.State == "ended" && src.Kind != "file": // a recording ends, and all of it was heard
		say(wire.FaultEnded, src.Text, src.Name+" has ended.")
	case src.State == "failed":
		say(wire.FaultFailed, src.Text, src.Name+" could not go on.")
	case src.State == "running" && src.Text != "":
		say(wire.FaultDoubtful, src.Text, "")
	case src.State == "running" && some && age >= staleAfter:
		say(wire.FaultNoFrames, "", "No data since "+s.now().Add(-age).Format(time.TimeOnly)+" from "+src.Name+".")
	}
	if r := state.Recording; r != nil && r.State == wire.RecordingStopped {
		say(wire.FaultRecording, r.Text, "The recording has stopped.")
	}
	if s.cfg.Levels != nil {
		if l := s.cfg.Levels.Levels().Log; l.State == wire.LogFailed {
			say(wire.FaultLevelLog, l.Text, "Levels are not being logged.")
		}
	}
	return faults
}
