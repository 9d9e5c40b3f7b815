package stream

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
)

// Who sends too much reads why, also when it goes on sending before it reads: the
// connection is not cut under it.
func TestTooMuchIsAnsweredBeforeTheConnectionEnds(t *testing.T) {
	s := serve(t)
	conn, err := net.Dial("tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	const much = 8 << 20
	fmt.Fprintf(conn, "PATCH /api/v1/settings HTTP/1.1\r\nHost: %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n", s.addr, much)
	if _, err := io.WriteString(conn, strings.Repeat(" ", bodyLimit+1)); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(conn)
	if _, err := r.Peek(1); err != nil { // it has answered
		t.Fatal(err)
	}
	if _, err := io.WriteString(conn, strings.Repeat(" ", 1<<20)); err != nil {
		t.Errorf("cut while sending: %v", err)
	}
	res, err := http.ReadResponse(r, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if res.StatusCode != http.StatusRequestEntityTooLarge || err != nil || !strings.Contains(string(body), "too_large") {
		t.Errorf("%d %s %v", res.StatusCode, body, err)
	}
}
