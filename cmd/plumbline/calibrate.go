package main

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"time"

	"plumbline/analyze/level"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/cmd/plumbline/daemon"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

// longestCalibrationS of a calibrator is plenty.
const longestCalibrationS = 300

// readCalibration reads CAL.wav=LEVEL. Channels count from 0; a recording of one channel
// stands for any.
func readCalibration(ctx context.Context, text string, channel int) (c level.Calibration, err error) {
	at := strings.LastIndexByte(text, '=')
	if at <= 0 {
		return c, usagef("--calibration wants CAL.wav=LEVEL such as calibrator.wav=94, not %q", text)
	}
	path := text[:at]
	levelDB, err := strconv.ParseFloat(text[at+1:], 64)
	if err != nil {
		return c, usagef("--calibration wants CAL.wav=LEVEL such as calibrator.wav=94, not %q", text)
	}
	file, err := wavfile.Open(path)
	if err != nil {
		return c, err
	}
	defer file.Close()
	if file.More() > 0 { // which of them holds the tone, nobody knows
		return c, fmt.Errorf("%s holds its sound in several data chunks: export it again", path)
	}
	if n := file.Format().Channels; n == 1 {
		channel = 0
	} else if channel >= n {
		return c, fmt.Errorf("%s has no channel %d: record the calibrator on the channel that is measured", path, channel+1)
	}
	x, err := offline.Channel(ctx, file, channel, longestCalibrationS)
	if err == nil {
		c, err = level.Calibrate(x, float64(file.Format().SampleRateHz), levelDB)
	}
	if err != nil {
		return c, named(path, err)
	}
	return c, nil
}

// calibrations opens those of this user, and adds what the flags say for this
// run. Without them levels are measured re full scale: that is no reason not to start.
func (f *daemonFlags) calibrations(ctx context.Context, cfg *daemon.Config, log *slog.Logger) error {
	path, err := calibration.Path()
	if err != nil {
		log.Warn("calibrations are not kept", "err", err)
	}
	if cfg.Calibrations, err = calibration.Open(path); err != nil {
		log.Warn("calibrations", "err", err)
	}
	if cfg.Source == nil { // none of the flags is offered where it is chosen later
		return nil
	}
	info := cfg.Source.Info()
	give := func(channel int, offset float64, c level.Calibration) {
		e := calibration.Entry{Device: info.Key(), Channel: channel, OffsetDB: offset, At: time.Now().UTC().Truncate(time.Second), By: "command line",
			LevelDB: wire.Unknown(), ToneDBFS: wire.Unknown(), FrequencyHz: wire.Unknown(), ScatterDB: wire.Unknown()}
		if c.SteadyS > 0 {
			e.LevelDB, e.ToneDBFS = wire.Value(math.Round((c.OffsetDB+c.ToneDB)*10)/10), wire.Value(c.ToneDB)
			e.FrequencyHz, e.ScatterDB = wire.Value(c.FrequencyHz), wire.Value(c.ScatterDB)
		}
		cfg.Calibrations.Give(e)
	}
	microphones := cfg.Microphones
	for c := 1; microphones == nil && c <= len(info.Channels); c++ {
		if c != max(cfg.Reference, 1) {
			microphones = append(microphones, c)
		}
	}
	switch {
	case f.calibration != "" && f.sensitivity != 0:
		return usagef("--calibration and --sensitivity say the same: give one of them")
	case !(math.Abs(f.sensitivity) <= 250):
		return usagef("--sensitivity wants decibels, not %g", f.sensitivity)
	case f.sensitivity != 0:
		for _, m := range microphones {
			give(m, f.sensitivity, level.Calibration{})
		}
	case f.calibration != "":
		// The calibrator sat on one microphone, or on one after the other.
		var first error
		heard := 0
		for _, m := range microphones {
			c, err := readCalibration(ctx, f.calibration, m-1)
			if err != nil {
				if first == nil {
					first = err
				}
				continue
			}
			heard++
			give(m, c.OffsetDB, c)
		}
		if heard == 0 {
			return first
		}
	}
	return nil
}
