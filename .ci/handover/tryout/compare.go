package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"sort"
	"strings"
)

// tolerance is how far two numbers may be apart: that much, or of numbers beyond 1 that
// part of them. Last digits differ between processors: one multiplies and adds in one
// rounding, and each has its own assembly for an exponential.
const tolerance = 1e-9

// comparison counts what was compared and keeps what differs too much.
type comparison struct {
	count    int
	worst    float64 // the largest difference, in the measure of tolerance
	at       string
	failures []string
}

func (c *comparison) fail(format string, args ...any) {
	c.failures = append(c.failures, fmt.Sprintf(format, args...))
}

func (c *comparison) err() error {
	if len(c.failures) == 0 {
		return nil
	}
	shown := c.failures[:min(len(c.failures), 10)]
	return errors.New(fmt.Sprintf("%d differences: ", len(c.failures)) + strings.Join(shown, "; "))
}

func (c *comparison) summary() string {
	if c.worst == 0 {
		return fmt.Sprintf("%d numbers, each the same to the last digit", c.count)
	}
	return fmt.Sprintf("%d numbers, at most %.1e apart (%s)", c.count, c.worst, c.at)
}

func (c *comparison) number(at string, a, b float64) {
	c.count++
	d := math.Abs(a-b) / max(1, math.Abs(a))
	if a != b && !(d <= tolerance) { // so that NaN fails as well
		c.fail("%s is %v and %v", at, a, b)
	}
	if d > c.worst {
		c.worst, c.at = d, at
	}
}

func (c *comparison) numbers(at string, a, b []float64) {
	if len(a) != len(b) {
		c.fail("%d and %d %s", len(a), len(b), at)
		return
	}
	for i := range a {
		c.number(at, a[i], b[i])
	}
}

// values compares what JSON holds, numbers within the tolerance, all else exactly.
func (c *comparison) values(at string, a, b any) {
	switch a := a.(type) {
	case map[string]any:
		b, ok := b.(map[string]any)
		if !ok || len(a) != len(b) {
			c.fail("%s has other keys", at)
			return
		}
		keys := make([]string, 0, len(a))
		for key := range a {
			keys = append(keys, key)
		}
		sort.Strings(keys)
		for _, key := range keys {
			if _, ok := b[key]; !ok {
				c.fail("%s has no %q", at, key)
				continue
			}
			c.values(strings.TrimPrefix(at+"."+key, "."), a[key], b[key])
		}
	case []any:
		b, ok := b.([]any)
		if !ok || len(a) != len(b) {
			c.fail("%s has another length", at)
			return
		}
		for i := range a {
			c.values(at, a[i], b[i])
		}
	case float64:
		b, ok := b.(float64)
		if !ok {
			c.fail("%s is %v and %v", at, a, b)
			return
		}
		c.number(at, a, b)
	default:
		if a != b {
			c.fail("%s is %v and %v", at, a, b)
		}
	}
}

// readSamples gives the samples of a WAV file as rig render writes it: 32-bit float,
// whatever the channels, interleaved.
func readSamples(path string) ([]float64, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	if len(data) < 12 || string(data[:4]) != "RIFF" || string(data[8:12]) != "WAVE" {
		return nil, fmt.Errorf("%s is no WAV file", path)
	}
	for at := 12; at+8 <= len(data); {
		size := int(binary.LittleEndian.Uint32(data[at+4:]))
		if at+8+size > len(data) {
			return nil, fmt.Errorf("%s is cut short", path)
		}
		body := data[at+8 : at+8+size]
		switch string(data[at : at+4]) {
		case "fmt ":
			bits := 0
			if len(body) >= 16 {
				bits = int(binary.LittleEndian.Uint16(body[14:]))
			}
			if bits != 32 {
				return nil, fmt.Errorf("%s has %d bits a sample, not 32", path, bits)
			}
		case "data":
			samples := make([]float64, size/4)
			for i := range samples {
				samples[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(body[4*i:])))
			}
			return samples, nil
		}
		at += 8 + size + size%2
	}
	return nil, fmt.Errorf("%s has no samples", path)
}
