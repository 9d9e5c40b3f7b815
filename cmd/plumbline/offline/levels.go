package offline

import (
	"context"
	"fmt"
	"math"
	"runtime"

	"plumbline/analyze/exposure"
	"plumbline/analyze/level"
	"plumbline/capture/wavfile"
)

// LevelsConfig says what Levels measures.
type LevelsConfig struct {
	Channels []int   // from 0
	OffsetDB float64 // level re 20 µPa of a full-scale sine wave; 0: re full scale
	Bands    int     // 1 or 3; 0: none
	Exposure *exposure.Config
	Workers  int // 0 is one a core
	Progress func(doneS, ofS float64)
}

// Levels are what was measured of one channel.
type Levels struct {
	level.Reading
	Bands []level.Band
	// Reason and BandsReason are why levels, and levels of bands, are unknown:
	// the recording is shorter than they need. Empty: all are known.
	Reason, BandsReason string
	Exposure            exposure.Status // when asked for
}

// MeasureLevels measures whole channels of a recording, each on a core of its own.
func MeasureLevels(ctx context.Context, file *wavfile.File, cfg LevelsConfig) ([]Levels, error) {
	out := make([]Levels, len(cfg.Channels))
	errs := make([]error, len(cfg.Channels))
	workers := cfg.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	share(len(out), workers, func(i int) {
		progress := cfg.Progress
		if i > 0 {
			progress = nil // the first stands for all
		}
		errs[i] = measureChannel(ctx, file, cfg, cfg.Channels[i], &out[i], progress)
	})
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

func measureChannel(ctx context.Context, file *wavfile.File, cfg LevelsConfig, channel int, dst *Levels, progress func(doneS, ofS float64)) error {
	rate := float64(file.Format().SampleRateHz)
	meter, err := level.NewMeter(level.Config{SampleRateHz: rate, OffsetDB: cfg.OffsetDB, Bands: cfg.Bands})
	if err != nil {
		return err
	}
	var tracker *exposure.Tracker
	if cfg.Exposure != nil {
		if tracker, err = exposure.NewTracker(*cfg.Exposure); err != nil {
			return err
		}
	}
	second := int64(math.Round(rate))
	var row level.Reading
	err = eachOf(ctx, file, channel, second, func(x []float64, done int64) {
		meter.Feed(x)
		if tracker != nil && done%second == 0 {
			meter.Take(&row)
			leq := row.LAeqDB
			if cfg.Exposure.Profile.Quantity == exposure.LCeq {
				leq = row.LCeqDB
			}
			tracker.Add(leq, row.LCPeakDB)
		}
		if progress != nil {
			progress(float64(done)/rate, float64(file.Frames())/rate)
		}
	})
	if err != nil {
		return err
	}
	meter.Read(&dst.Reading)
	dst.Bands = meter.Bands()
	dst.Reason, dst.BandsReason = dst.HideUnsettled(dst.Bands)
	if tracker != nil {
		dst.Exposure = tracker.Status()
	}
	return nil
}

// Channel reads one whole channel, at most limitS seconds of it.
func Channel(ctx context.Context, file *wavfile.File, channel int, limitS float64) ([]float64, error) {
	rate := float64(file.Format().SampleRateHz)
	if s := float64(file.Frames()) / rate; s > limitS {
		return nil, fmt.Errorf("%.0f s are more than the %.0f s that are of use here: cut the recording", s, limitS)
	}
	all := make([]float64, 0, file.Frames())
	err := eachOf(ctx, file, channel, blockFrames, func(x []float64, _ int64) { all = append(all, x...) })
	return all, err
}

// eachOf hands one channel to feed, block frames at a time, with the frames done.
func eachOf(ctx context.Context, file *wavfile.File, channel int, block int64, feed func(x []float64, done int64)) error {
	channels := make([][]float64, file.Format().Channels)
	buffer := make([]float64, block)
	for at := int64(0); at < file.Frames(); {
		if err := ctx.Err(); err != nil {
			return err
		}
		channels[channel] = buffer[:min(block, file.Frames()-at)]
		n, err := file.ReadFrames(channels, at)
		if n < len(channels[channel]) {
			return shortRead(err, at+int64(n))
		}
		at += int64(n)
		feed(channels[channel], at)
	}
	return nil
}
