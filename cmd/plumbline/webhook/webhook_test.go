package webhook

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// receiver answers without a socket.
type receiver struct {
	mu     sync.Mutex
	answer func(n int) (int, error) // to the n-th request, from 1
	bodies []string
	at     []time.Time
}

func (r *receiver) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.bodies, r.at = append(r.bodies, req.Method+" "+req.Header.Get("Content-Type")+" "+string(body)), append(r.at, time.Now())
	status, err := r.answer(len(r.bodies))
	if err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: status, Status: http.StatusText(status), Body: io.NopCloser(strings.NewReader("")), Request: req}, nil
}

// running runs a hook in a bubble until the test ends.
func running(t *testing.T, answer func(n int) (int, error)) (*Hook, *receiver) {
	r := &receiver{answer: answer}
	h, err := New(Config{URL: "https://desk.example/hook?key=secret", Transport: r})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); h.Run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return h, r
}

func TestATroubledReceiverGetsTheEventLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, r := running(t, func(n int) (int, error) {
			switch n {
			case 1:
				return 0, errors.New("no route")
			case 2:
				return http.StatusServiceUnavailable, nil
			}
			return http.StatusNoContent, nil
		})
		h.Post(map[string]int{"id": 7})
		time.Sleep(time.Minute) // of the bubble's clock
		synctest.Wait()
		if want := slices.Repeat([]string{`POST application/json {"id":7}`}, 3); !slices.Equal(r.bodies, want) {
			t.Fatalf("%q", r.bodies)
		}
		if a, b := r.at[1].Sub(r.at[0]), r.at[2].Sub(r.at[1]); a != time.Second || b != 2*time.Second {
			t.Errorf("pauses of %v and %v", a, b)
		}
		if sent, failed := h.Counts(); sent != 1 || failed != 0 {
			t.Errorf("%d sent, %d failed", sent, failed)
		}
	})
}

func TestARefusalIsNotRepeated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, r := running(t, func(int) (int, error) { return http.StatusForbidden, nil })
		h.Post(1)
		h.Post(2)
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(r.bodies) != 2 {
			t.Errorf("%q", r.bodies)
		}
		if sent, failed := h.Counts(); sent != 0 || failed != 2 {
			t.Errorf("%d sent, %d failed", sent, failed)
		}
	})
}

// What the answers mean (RFC 9110, section 15): delivered, wrong for good, or
// worth another try.
func TestAnswers(t *testing.T) {
	for status, c := range map[int]struct {
		tries int
		sent  uint64
	}{
		200: {1, 1}, 204: {1, 1}, 299: {1, 1}, 302: {1, 0}, 400: {1, 0}, 404: {1, 0},
		408: {tries, 0}, 429: {tries, 0}, 500: {tries, 0}, 503: {tries, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			h, r := running(t, func(int) (int, error) { return status, nil })
			h.Post(1)
			time.Sleep(time.Hour)
			synctest.Wait()
			if sent, failed := h.Counts(); len(r.bodies) != c.tries || sent != c.sent || failed != 1-c.sent {
				t.Errorf("%d: %d tries, %d sent, %d failed", status, len(r.bodies), sent, failed)
			}
		})
	}
}

// The address may hold a secret, which is none of the log's business.
func TestTheLogKeepsTheAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, _ := running(t, func(int) (int, error) { return 0, errors.New("no route") })
		var out strings.Builder
		h.log = slog.New(slog.NewTextHandler(&out, nil))
		h.Post(1)
		time.Sleep(time.Hour)
		synctest.Wait()
		if text := out.String(); !strings.Contains(text, "no route") || strings.Contains(text, "secret") {
			t.Errorf("logged: %s", text)
		}
	})
}

func TestADeadReceiverHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, r := running(t, func(int) (int, error) { return 0, errors.New("no route") })
		begun := time.Now()
		for i := range 2 * waitMost {
			h.Post(i)
		}
		if time.Since(begun) != 0 {
			t.Error("Post waited")
		}
		if _, failed := h.Counts(); failed < waitMost-1 {
			t.Errorf("%d given up", failed)
		}
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		sent, failed := h.Counts()
		if sent != 0 || failed != 2*waitMost || len(r.bodies)%tries != 0 {
			t.Errorf("%d sent, %d failed, %d tries", sent, failed, len(r.bodies))
		}
	})
}

func TestOnlyWebAddresses(t *testing.T) {
	for _, url := range []string{"", "desk", "ftp://desk/x", "file:///etc/passwd", "https://", "http:desk", "https//desk/k3y", "https://[k3y", "https://desk:k3y/"} {
		if _, err := New(Config{URL: url}); err == nil || strings.Contains(err.Error(), "\n") || strings.Contains(err.Error(), "k3y") { // which may be a secret
			t.Errorf("%q: %v", url, err)
		}
	}
}
