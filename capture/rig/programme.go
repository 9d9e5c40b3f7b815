package rig

import (
	"errors"
	"fmt"
	"io"
	"math"

	"plumbline/capture/signal"
	"plumbline/capture/wavfile"
)

// programme is an endless sound of unit level (0 dBFS RMS after AES17).
type programme struct {
	cfg    Programme
	seed   uint64
	rateHz int
	noise  *signal.Generator
	scale  float64

	middle      *signal.Generator // that others have too; nil for none
	own, common float64           // what is played of noise and middle
	work        []float64
	channel     int // of a file

	file  *wavfile.File // of a file; opened by the first fill
	at    int64
	block [][]float64
}

// unitDBFS is what noise is made at before it gets its level.
const unitDBFS = -20

func newNoise(kind signal.Kind, seed uint64, rateHz int) (*signal.Generator, error) {
	return signal.New(signal.Config{Kind: kind, SampleRateHz: rateHz, LevelDBFS: unitDBFS, Seed: seed, RampS: 0.01})
}

var kinds = map[string]signal.Kind{Pink: signal.Pink, White: signal.White}

// newProgramme checks the programme and measures a file.
func newProgramme(cfg Programme, seed uint64, rateHz int) (*programme, error) {
	p := &programme{cfg: cfg, seed: seed, rateHz: rateHz, scale: math.Pow(10, -unitDBFS/20.0)}
	var err error
	switch cfg.Kind {
	case Pink, White:
		p.noise, err = newNoise(kinds[cfg.Kind], seed, rateHz)
	case File:
		var rms float64
		rms, err = measure(cfg.File, rateHz)
		p.scale = 1 / (rms * math.Sqrt2)
	}
	return p, err
}

// same says that a scene may go on with this programme.
func (p *programme) same(cfg Programme, seed uint64) bool {
	a, b := p.cfg, cfg
	a.LevelDBFS, b.LevelDBFS = 0, 0
	return a == b && p.seed == seed
}

// measure reads the first channel of a file for its RMS value.
func measure(path string, rateHz int) (rms float64, err error) {
	f, err := wavfile.Open(path)
	if err != nil {
		return 0, fmt.Errorf("programme file: %w", err)
	}
	defer f.Close()
	if got := f.Format().SampleRateHz; got != rateHz {
		if got < 44100 || got > 192000 {
			return 0, fmt.Errorf("programme file: %s has %d Hz and the scene %d: convert it", path, got, rateHz)
		}
		return 0, fmt.Errorf("programme file: %s has %d Hz and the scene %d: convert it or set rate_hz = %d",
			path, got, rateHz, got)
	}
	sum := 0.0
	block := make([]float64, 1<<15)
	for at := int64(0); at < f.Frames(); {
		n, err := f.ReadFrames([][]float64{block}, at)
		if err != nil && !errors.Is(err, io.EOF) {
			return 0, fmt.Errorf("programme file: %w", err)
		}
		for _, v := range block[:n] {
			sum += v * v
		}
		at += int64(n)
	}
	if sum == 0 {
		return 0, fmt.Errorf("programme file: %s is silent on its first channel: choose one with sound in it", path)
	}
	return math.Sqrt(sum / float64(f.Frames())), nil
}

// fill writes the next samples.
func (p *programme) fill(dst []float64) error {
	if p.noise != nil {
		p.noise.Fill(dst)
		p.blend(dst)
	} else if err := p.read(dst); err != nil {
		return err
	}
	for i := range dst {
		dst[i] *= p.scale
	}
	return nil
}

// blend mixes what others have too into dst.
func (p *programme) blend(dst []float64) {
	if p.middle == nil {
		return
	}
	if p.work == nil {
		p.work = make([]float64, len(dst))
	}
	p.middle.Fill(p.work[:len(dst)])
	for i := range dst {
		dst[i] = p.own*dst[i] + p.common*p.work[i]
	}
}

// extent is that of the file.
func (p *programme) extent() (channels int, frames int64, err error) {
	f, err := wavfile.Open(p.cfg.File)
	if err != nil {
		return 0, 0, fmt.Errorf("programme file: %w", err)
	}
	defer f.Close()
	return f.Format().Channels, f.Frames(), nil
}

// read goes through the file in a circle.
func (p *programme) read(dst []float64) (err error) {
	if p.file == nil {
		if p.file, err = wavfile.Open(p.cfg.File); err != nil {
			return fmt.Errorf("programme file: %w", err)
		}
		p.block = make([][]float64, p.channel+1)
	}
	for len(dst) > 0 {
		p.block[p.channel] = dst
		n, err := p.file.ReadFrames(p.block, p.at)
		if err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("programme file: %w", err)
		}
		dst = dst[n:]
		p.at = (p.at + int64(n)) % p.file.Frames()
	}
	return nil
}

// close gives the file back; a later fill goes on where it was.
func (p *programme) close() {
	if p.file != nil {
		p.file.Close()
		p.file = nil
	}
}
