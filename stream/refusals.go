package stream

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"github.com/gorilla/websocket"
)

// What is refused is in the log once, without query, header or body, where tokens are.
// An address that has filled its share of lines is summed up in the next one.
const (
	refusalsPerSecond = 1
	refusalsAtOnce    = 100
)

// logRefusal writes the line of a refusal.
func (s *Server) logRefusal(from netip.Addr, why string, more ...any) {
	s.logRefusalAt(slog.LevelWarn, from, why, more...)
}

func (s *Server) logRefusalAt(level slog.Level, from netip.Addr, why string, more ...any) {
	if !s.log.Enabled(context.Background(), level) {
		return
	}
	if !s.said.Under(from, refusalsAtOnce) {
		s.unsaid.Add(1)
		return
	}
	more = append([]any{"address", from.Unmap().String(), "why", why}, more...)
	if n := s.unsaid.Swap(0); n > 0 {
		more = append(more, "others_unsaid", n)
	}
	s.log.Log(context.Background(), level, "refused", more...)
}

// tellRefusal logs what a request was refused for. Mistakes of people at this computer
// are answered, and no matter for its log.
func (s *Server) tellRefusal(a *answer, r *http.Request) {
	e := a.refusal
	if e == nil {
		return
	}
	level := slog.LevelDebug
	switch e.Status {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusRequestTimeout, http.StatusRequestEntityTooLarge, http.StatusTooManyRequests:
		level = slog.LevelWarn
	case http.StatusInternalServerError:
		return // logged where it was found
	default:
		if s.cfg.Gate != nil {
			level = slog.LevelInfo
		}
	}
	s.logRefusalAt(level, address(r), e.Code, "method", r.Method, "path", r.URL.Path, "who", a.who.Name)
}

// misspoken is the error of a peer that breaks the protocol, and nil where it or the
// network just went.
func misspoken(err error) error {
	var network net.Error
	var closed *websocket.CloseError
	switch {
	case errors.Is(err, websocket.ErrReadLimit):
		return errors.New("a message is too large")
	case errors.As(err, &closed), errors.As(err, &network), !strings.HasPrefix(err.Error(), "websocket: "):
		return nil
	}
	return err
}

// tellMisspoken logs why a live connection was ended.
func (s *Server) tellMisspoken(c *client, err error) {
	if err == nil {
		return
	}
	from := netip.Addr{}
	if at, e := netip.ParseAddrPort(c.conn.RemoteAddr().String()); e == nil {
		from = at.Addr()
	}
	s.logRefusal(from, err.Error(), "client", c.name, "who", c.who.Name)
}
