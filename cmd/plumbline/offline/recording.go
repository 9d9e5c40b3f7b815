// Package offline runs the analyses over recordings: it streams a WAV file of
// any length through the packages of analyze on all cores, with memory that
// does not grow with the file.
//
// Channels and microphones count from 0 here, frames from the start of the file.
package offline

import (
	"context"
	"fmt"
	"io"
	"slices"

	"plumbline/analyze/crosstalk"
	"plumbline/analyze/stationarity"
	"plumbline/capture/wavfile"
)

// blockFrames is how many frames are read at a time.
const blockFrames = 1 << 15

// Recording is the part of a WAV file that is analysed.
type Recording struct {
	File        *wavfile.File
	Reference   int
	Microphones []int
	From, To    int64 // frames From ≤ i < To
	// Leaks is the crosstalk of each microphone, which arrivals are looked for
	// without; nil: none.
	Leaks []crosstalk.Leak
	// Paths are followed: what a microphone hears is moved to where it would have
	// been heard had its path stood still. One a microphone, nil for one that did;
	// nil for all.
	Paths []*stationarity.Path
}

// leak is that of microphone i.
func (r Recording) leak(i int) crosstalk.Leak {
	if r.Leaks == nil {
		return crosstalk.Leak{}
	}
	return r.Leaks[i]
}

// RateHz is the sample rate.
func (r Recording) RateHz() float64 { return float64(r.File.Format().SampleRateHz) }

// DurationS is the length of the part in seconds.
func (r Recording) DurationS() float64 { return float64(r.To-r.From) / r.RateHz() }

// block holds what a worker has read: one slice a channel.
type block struct {
	channels [][]float64 // as File.ReadFrames fills them
	view     [][]float64 // the same, cut to the frames read
	mics     [][]float64
	retimer  *stationarity.Retimer
	moved    [][]float64 // microphones, where paths are followed
}

func (r Recording) newBlock() *block {
	b := &block{
		channels: make([][]float64, r.File.Format().Channels),
		view:     make([][]float64, r.File.Format().Channels),
		mics:     make([][]float64, len(r.Microphones)),
	}
	for _, c := range append([]int{r.Reference}, r.Microphones...) {
		b.channels[c] = make([]float64, blockFrames)
	}
	if r.follows() {
		b.retimer, b.moved = stationarity.NewRetimer(), make([][]float64, len(r.Microphones))
		for i := range b.moved {
			b.moved[i] = make([]float64, blockFrames)
		}
	}
	return b
}

// each reads the frames from ≤ i < to, relative to r.From, and hands them to
// feed block by block. The slices are good until feed returns.
func (r Recording) each(ctx context.Context, b *block, from, to int64, feed func(ref []float64, mics [][]float64)) error {
	for at := r.From + from; at < r.From+to; {
		if err := ctx.Err(); err != nil {
			return err
		}
		want := min(blockFrames, r.From+to-at)
		for c, samples := range b.channels {
			if samples != nil {
				b.view[c] = samples[:want]
			}
		}
		n, err := r.File.ReadFrames(b.view, at)
		if n == 0 {
			return shortRead(err, at)
		}
		for i, c := range r.Microphones {
			b.mics[i] = b.view[c][:n]
		}
		ref := b.view[r.Reference][:n]
		if b.retimer != nil {
			if ref, err = r.atRest(b, at, n); err != nil {
				return err
			}
		}
		feed(ref, b.mics)
		at += int64(n)
	}
	return nil
}

// follows says whether the path to any microphone is followed.
func (r Recording) follows() bool {
	return slices.ContainsFunc(r.Paths, func(p *stationarity.Path) bool { return p != nil })
}

// atRest makes the microphones of the n frames at at, which b holds, what they would
// be with their paths at rest, and returns the reference of those frames.
func (r Recording) atRest(b *block, at int64, n int) ([]float64, error) {
	ref := append([]float64(nil), b.view[r.Reference][:n]...)
	rate := r.RateHz()
	for i, p := range r.Paths {
		if p == nil {
			copy(b.moved[i], b.mics[i])
		}
	}
	for i, p := range r.Paths {
		if p == nil {
			b.mics[i] = b.moved[i][:n]
			continue
		}
		// A path goes on as it was between two moments so near to each other.
		begin, end := rate*p.OffsetS(float64(at)/rate), rate*p.OffsetS(float64(at+int64(n))/rate)
		const slack = stationarity.Margin + 64
		from := max(0, at+int64(min(begin, end))-slack)
		to := min(r.File.Frames(), at+int64(n)+int64(max(begin, end))+slack)
		src := make([][]float64, len(b.view))
		c := r.Microphones[i]
		src[c] = make([]float64, max(0, to-from))
		for got := 0; got < len(src[c]); {
			view := make([][]float64, len(src))
			view[c] = src[c][got:]
			k, err := r.File.ReadFrames(view, from+int64(got))
			if k == 0 {
				return nil, shortRead(err, from+int64(got))
			}
			got += k
		}
		b.retimer.Retime(b.moved[i][:n], at, src[c], from, p, rate)
		b.mics[i] = b.moved[i][:n]
	}
	return ref, nil
}

// shortRead is why frames that were there when the file was opened did not come.
func shortRead(err error, frame int64) error {
	if err == nil || err == io.EOF {
		return fmt.Errorf("frame %d is gone: the file has become shorter while it was read", frame)
	}
	return err // says what is wrong with which file
}
