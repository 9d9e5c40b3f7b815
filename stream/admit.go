package stream

import (
	"context"
	"fmt"
	"html"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"plumbline/stream/access"
)

// cookieAge is how long a browser keeps a token that came with a link.
const cookieAge = 30 * 24 * time.Hour

type whoKey struct{}

// whoAsks is who was admitted with this request.
func whoAsks(r *http.Request) access.Who {
	who, _ := r.Context().Value(whoKey{}).(access.Who)
	return who
}

// here is whoever asks a daemon that asks for no token: somebody at this computer.
var here = access.Who{Role: access.Operator}

// admit finds out who asks. A request without a token that is known, and one with a link,
// is answered here.
func (s *Server) admit(w http.ResponseWriter, r *http.Request) (*http.Request, bool) {
	if s.cfg.Gate == nil {
		return r.WithContext(context.WithValue(r.Context(), whoKey{}, here)), true
	}
	if header := r.Header.Get("Authorization"); header != "" {
		secret, ok := strings.CutPrefix(header, "Bearer ")
		if !ok {
			s.ask(w, r, false)
			return r, false
		}
		return s.enter(w, r, secret)
	}
	link := ""
	if forPages(r) {
		link = r.URL.Query().Get("token")
	}
	if link != "" {
		if _, known := s.know(link); known {
			s.keep(w, r, link)
			return r, false
		}
	}
	cookie, err := r.Cookie(cookieName(r))
	switch {
	case err != nil && link == "":
		s.ask(w, r, false)
		return r, false
	case err != nil:
		s.ask(w, r, true)
		return r, false
	case link != "": // an old link, opened by who has been here since
		if _, known := s.know(cookie.Value); known {
			s.keep(w, r, cookie.Value)
			return r, false
		}
	}
	return s.enter(w, r, cookie.Value)
}

// enter admits whose token is known.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, secret string) (*http.Request, bool) {
	who, known := s.know(secret)
	if !known {
		s.ask(w, r, true)
		return r, false
	}
	return r.WithContext(context.WithValue(r.Context(), whoKey{}, who)), true
}

func (s *Server) know(secret string) (access.Who, bool) {
	who, known, err := s.cfg.Gate.Know(secret)
	if err != nil {
		s.log.Error("tokens cannot be read: only those of this run are known", "err", err)
	}
	return who, known
}

// keep puts the token of a link into a cookie and leads to the same page without it, so
// that it stays in no address bar, history or bookmark.
func (s *Server) keep(w http.ResponseWriter, r *http.Request, secret string) {
	http.SetCookie(w, &http.Cookie{
		Name: cookieName(r), Value: secret, Path: "/", MaxAge: int(cookieAge.Seconds()),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
	})
	query := r.URL.Query()
	query.Del("token")
	to := (&url.URL{Path: "/" + strings.TrimLeft(r.URL.Path, "/"), RawQuery: query.Encode()}).String()
	w.Header().Set("Cache-Control", "no-store")
	if r.Header.Get("Sec-Fetch-Site") != "cross-site" {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	// A browser that came by another site's link does not send the cookie along with a
	// redirect, but does when this page goes on by itself.
	w.Header().Set("Refresh", "0; url="+to)
	writePage(w, http.StatusOK, "Welcome.", to, "Go on")
}

// ask says that a token is wanted. Wrong ones wait for that longer and longer.
func (s *Server) ask(w http.ResponseWriter, r *http.Request, wrong bool) {
	e := &Error{Code: "token", Text: "this daemon asks for a token: open the link or scan the code that its terminal shows, or send Authorization: Bearer TOKEN", Status: http.StatusUnauthorized}
	if wrong {
		e.Code, e.Text = "wrong_token", "this token is not known here, or not any more: open the link or scan the code that the daemon's terminal shows, or ask for a new one"
		if hold := s.cfg.Gate.Wrong(address(r)); hold > 0 {
			s.hold(r, hold)
			w.Header().Set("Retry-After", fmt.Sprint(int(hold/time.Second)+1))
			e = &Error{Code: "guesses", Text: "too many wrong tokens came from your address: wait a little, or send the right one", Status: http.StatusTooManyRequests}
		}
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="plumbline"`)
	if !forPages(r) || !strings.Contains(r.Header.Get("Accept"), "text/html") {
		fail(w, e)
		return
	}
	note(w, e)
	writePage(w, e.Status, strings.ToUpper(e.Text[:1])+e.Text[1:]+".", (&url.URL{Path: "/" + strings.TrimLeft(r.URL.Path, "/")}).String(), "I have opened a link before: try again")
}

// hold keeps an answer back.
func (s *Server) hold(r *http.Request, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-r.Context().Done():
	case <-s.ending:
	}
}

// writePage is a page that needs no other file.
func writePage(w http.ResponseWriter, status int, text, to, label string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	fmt.Fprintf(w, `<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="dark light"><title>plumbline</title><h1>plumbline</h1><p>%s</p><p><a href="%s">%s</a></p></html>
`, html.EscapeString(text), html.EscapeString(to), html.EscapeString(label))
}

// forPages says whether a request is one for a page or a file of it, which links lead to.
func forPages(r *http.Request) bool {
	return (r.Method == http.MethodGet || r.Method == http.MethodHead) && !programs(r.URL.Path)
}

// programs says whether an address is for programs and not for people.
func programs(path string) bool { return strings.HasPrefix(path, "/api/") || path == "/metrics" }

// cookieName is of this port: a browser gives a cookie to all ports of a machine.
func cookieName(r *http.Request) string {
	_, port, _ := net.SplitHostPort(r.Host)
	if r.TLS != nil {
		return "__Host-plumbline-" + port // no other page may set it (RFC 6265bis)
	}
	return "plumbline-" + port
}

// address is where a request comes from.
func address(r *http.Request) netip.Addr {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil { // no socket
		return netip.Addr{}
	}
	return at.Addr()
}
