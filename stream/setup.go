package stream

import (
	"context"
	"net/http"

	"plumbline/stream/wire"
)

// SetupOperator chooses what is measured with. The rules of Operator hold. A change of
// source comes after its request was answered: this server ends, and another one takes
// over its address.
type SetupOperator interface {
	Setup() wire.Setup
	// LookForDevices is Setup with the devices that are there now.
	LookForDevices(ctx context.Context) (wire.Setup, error)
	// ChooseSource has capture begin with what is chosen, and keeps the choice.
	ChooseSource(ctx context.Context, c wire.SourceChoice, by string) (wire.Setup, error)
	// LeaveSource lets the device go.
	LeaveSource(ctx context.Context, by string) (wire.Setup, error)
	// CheckLoopback plays on the loopback output for some seconds and listens on all
	// inputs. It is silent when ctx is done.
	CheckLoopback(ctx context.Context, by string) (wire.Setup, error)
}

var errNoSetup = &Error{Code: "no_setup", Text: "this daemon has its source once and for all: start plumbline again to measure with another", Status: http.StatusNotFound}

func (s *Server) setupRoutes() []route {
	return []route{
		{"GET", "/api/v1/setup", s.setup(func(o SetupOperator, _ *http.Request, _ string) (wire.Setup, error) { return o.Setup(), nil }), 0},
		{"POST", "/api/v1/setup/devices", s.setup(func(o SetupOperator, r *http.Request, _ string) (wire.Setup, error) {
			return o.LookForDevices(r.Context())
		}), 0},
		{"POST", "/api/v1/setup/source", s.setup(func(o SetupOperator, r *http.Request, by string) (wire.Setup, error) {
			var c wire.SourceChoice
			if _, err := command(r, &c); err != nil {
				return wire.Setup{}, err
			}
			return o.ChooseSource(r.Context(), c, by)
		}), 0},
		{"POST", "/api/v1/setup/leave", s.setup(func(o SetupOperator, r *http.Request, by string) (wire.Setup, error) {
			return o.LeaveSource(r.Context(), by)
		}), 0},
		{"POST", "/api/v1/setup/loopback", s.setup(func(o SetupOperator, r *http.Request, by string) (wire.Setup, error) {
			return o.CheckLoopback(r.Context(), by)
		}), 0},
	}
}

func (s *Server) setup(ask func(o SetupOperator, r *http.Request, by string) (wire.Setup, error)) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.cfg.Setup == nil {
			return errNoSetup
		}
		by, err := changedBy(r)
		if err != nil {
			return err
		}
		return replyWith(w)(ask(s.cfg.Setup, r, by))
	}
}
