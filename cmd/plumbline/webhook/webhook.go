// Package webhook posts events to an address that the operator has given. What
// cannot be delivered is tried again for a while and then given up; nobody
// waits for it.
package webhook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"
)

const (
	waitMost = 64 // events on their way; more are given up
	tries    = 6  // of one event
	// firstPause doubles with every try: all tries take about half a minute.
	firstPause = time.Second
	timeout    = 10 * time.Second // of one try
)

// Config of a Hook.
type Config struct {
	URL       string            // http or https
	Transport http.RoundTripper // nil: the usual one
	Logger    *slog.Logger
}

// Hook posts. Its methods may be called from any goroutine.
type Hook struct {
	url    string
	client http.Client
	log    *slog.Logger
	queue  chan []byte

	sent, failed atomic.Uint64
}

// New checks cfg and starts nothing.
func New(cfg Config) (*Hook, error) {
	u, err := url.Parse(cfg.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, errors.New("the webhook's address is none: it begins with http:// or https:// and a host, as https://host/path does") // and may hold a secret
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	return &Hook{
		url: cfg.URL, log: cfg.Logger, queue: make(chan []byte, waitMost),
		client: http.Client{
			Transport: cfg.Transport,
			// A redirect would turn the POST into a GET of something else.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

// Post sends v as JSON, some time soon. It does not wait; false: too many wait already.
func (h *Hook) Post(v any) bool {
	body, err := json.Marshal(v)
	if err == nil {
		select {
		case h.queue <- body:
			return true
		default:
			err = fmt.Errorf("%d wait already", waitMost)
		}
	}
	h.giveUp(err)
	return false
}

// Counts are how many events were delivered and given up.
func (h *Hook) Counts() (sent, failed uint64) { return h.sent.Load(), h.failed.Load() }

// Run delivers until ctx is done.
func (h *Hook) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case body := <-h.queue:
			h.deliver(ctx, body)
		}
	}
}

func (h *Hook) deliver(ctx context.Context, body []byte) {
	pause := firstPause
	for try := 1; ; try++ {
		again, err := h.try(ctx, body)
		if err == nil {
			h.sent.Add(1)
			return
		}
		if try == tries || !again {
			h.giveUp(err)
			return
		}
		select {
		case <-time.After(pause):
			pause *= 2
		case <-ctx.Done():
			return
		}
	}
}

// try posts once; again: it may help to try again.
func (h *Hook) try(ctx context.Context, body []byte) (again bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, h.url, bytes.NewReader(body))
	if err != nil {
		return false, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "plumbline")
	res, err := h.client.Do(req)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err // without the address, which may hold a secret
		}
		return true, err
	}
	res.Body.Close()
	if res.StatusCode >= 200 && res.StatusCode < 300 {
		return false, nil
	}
	// What is wrong with the request stays wrong.
	again = res.StatusCode >= 500 || res.StatusCode == http.StatusTooManyRequests || res.StatusCode == http.StatusRequestTimeout
	return again, fmt.Errorf("the answer was %s", res.Status)
}

func (h *Hook) giveUp(err error) {
	h.failed.Add(1)
	h.log.Error("webhook: an event was not delivered", "err", err)
}
