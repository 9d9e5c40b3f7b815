package stream

import (
	"net/http"
	"strings"
	"testing"
)

// The report of an open show is a page of its own policy; who measured is
// escaped, and what is no line of text is refused.
func TestReportOverHTTP(t *testing.T) {
	s := serveShows(t)
	call[struct{}](t, s, http.StatusNotFound, "GET", "/api/v1/show/report", "")
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/shows", `{"name":"hall <1>"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/seats", `{"name":"seat & desk"}`)
	call[struct{}](t, s, http.StatusOK, "POST", "/api/v1/show/takes", `{"seat":1}`)
	status, page, header := s.do(t, "GET", "/api/v1/show/report?operator=A%3Cb%3E&remark=at+seven", "")
	if status != http.StatusOK || header.Get("Content-Type") != "text/html; charset=utf-8" {
		t.Fatalf("%d %s: %.300s", status, header.Get("Content-Type"), page)
	}
	if policy := header.Get("Content-Security-Policy"); !strings.HasPrefix(policy, reportPolicy+"; script-src 'sha256-") || strings.Contains(policy, "script-src 'unsafe") {
		t.Errorf("policy %q", policy)
	}
	for _, want := range []string{"hall &lt;1&gt;", "A&lt;b&gt;", "at seven", "seat &amp; desk", "small hall", "1 take at 1 seat, 0 loudspeakers"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	call[struct{}](t, s, http.StatusBadRequest, "GET", "/api/v1/show/report?operator="+strings.Repeat("x", 81), "")
	call[struct{}](t, s, http.StatusBadRequest, "GET", "/api/v1/show/report?remark=a%0Ab", "")
}
