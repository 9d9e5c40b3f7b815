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

	"plumbline/analyze/crosstalk"
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
		feed(b.view[r.Reference][:n], b.mics)
		at += int64(n)
	}
	return nil
}

// shortRead is why frames that were there when the file was opened did not come.
func shortRead(err error, frame int64) error {
	if err == nil || err == io.EOF {
		return fmt.Errorf("frame %d is gone: the file has become shorter while it was read", frame)
	}
	return err // says what is wrong with which file
}
