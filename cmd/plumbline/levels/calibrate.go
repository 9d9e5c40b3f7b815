package levels

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"plumbline/analyze/level"
	"plumbline/cmd/plumbline/calibration"
	"plumbline/stream/wire"
)

const (
	// strangeDB is by how much a calibration may differ from the one before,
	// unless somebody insists.
	strangeDB = 3
	// A full-scale sine wave stands for a level within these at any input there is
	// (common practice, no source): beyond them the calibrator stands at another
	// level, or is not on this microphone.
	lowestOffsetDB, highestOffsetDB = 75, 165
)

// recording collects a channel for a calibration.
type recording struct {
	channel int
	samples []float64
	want    int
	broken  bool
	done    chan struct{}
}

func (c *recording) take(block []float32, channels int, broken bool) {
	c.broken = c.broken || broken && len(c.samples) > 0
	for i := c.channel - 1; i < len(block) && len(c.samples) < c.want; i += channels {
		c.samples = append(c.samples, float64(block[i]))
	}
	if c.full() {
		close(c.done)
	}
}

func (c *recording) full() bool { return len(c.samples) >= c.want }

// Calibrate implements stream.LevelOperator.
func (l *Levels) Calibrate(ctx context.Context, r wire.CalibrationRequest, by string) (wire.Calibration, error) {
	if !slices.Contains(*l.wanted.Load(), r.Microphone) {
		return wire.Calibration{}, &wire.Error{Code: "microphone", Text: fmt.Sprintf("channel %d is no microphone here: choose among those that are measured", r.Microphone)}
	}
	samples, err := l.record(ctx, r.Microphone, r.Seconds)
	if err != nil {
		return wire.Calibration{}, err
	}
	c, err := level.Calibrate(samples, float64(l.cfg.SampleRateHz), r.LevelDB)
	if err != nil {
		return wire.Calibration{}, &wire.Error{Code: "calibrator", Text: sentence(err), Cause: err}
	}
	inForce, _, err := l.cfg.Calibrations.Of(l.cfg.Device)
	if err != nil {
		return wire.Calibration{}, err
	}
	if err := plausible(c, r, inForce[r.Microphone]); err != nil {
		return wire.Calibration{}, err
	}
	wall, _ := l.cfg.Now()
	err = l.cfg.Calibrations.Add(calibration.Entry{
		Device: l.cfg.Device, Channel: r.Microphone, OffsetDB: math.Round(c.OffsetDB*100) / 100, LevelDB: wire.Value(r.LevelDB),
		ToneDBFS: wire.Value(c.ToneDB), FrequencyHz: wire.Value(c.FrequencyHz), ScatterDB: wire.Value(c.ScatterDB),
		At: wall.UTC().Truncate(time.Second), By: by,
	})
	if err != nil {
		return wire.Calibration{}, err
	}
	l.log.mark(wall, r.Microphone, wire.MarkCalibration, fmt.Sprintf("Microphone %d was calibrated with %g dB: full scale is %.1f dB.", r.Microphone, r.LevelDB, c.OffsetDB))
	if err := l.recalibrate(); err != nil {
		return wire.Calibration{}, err
	}
	all := l.Calibrations().Calibrations
	i := slices.IndexFunc(all, func(x wire.Calibration) bool { return x.Microphone == r.Microphone })
	if i < 0 {
		return wire.Calibration{}, errors.New("the calibration that was stored is not there")
	}
	return all[i], nil
}

// record waits for seconds of a channel.
func (l *Levels) record(ctx context.Context, channel int, seconds float64) ([]float64, error) {
	n := int(seconds * float64(l.cfg.SampleRateHz))
	c := &recording{channel: channel, want: n, samples: make([]float64, 0, n), done: make(chan struct{})}
	l.mu.Lock()
	l.captures = append(l.captures, c)
	l.mu.Unlock()
	late := time.NewTimer(time.Duration((seconds + 3) * float64(time.Second)))
	defer late.Stop()
	var err error
	select {
	case <-c.done:
	case <-late.C:
		err = &wire.Error{Code: "no_sound", Text: "The source gives no sound, so the calibrator was not heard: see that it runs, and try again.", Status: http.StatusConflict}
	case <-ctx.Done():
		err = ctx.Err()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.captures = slices.DeleteFunc(l.captures, func(x *recording) bool { return x == c })
	if err == nil && c.broken {
		err = &wire.Error{Code: "gap", Text: "Samples were lost while the calibrator was heard: try again.", Status: http.StatusConflict}
	}
	return c.samples, err
}

// plausible refuses what cannot be, or differs from the last time.
func plausible(c level.Calibration, r wire.CalibrationRequest, before calibration.Entry) error {
	if r.Force {
		return nil
	}
	if !(c.OffsetDB >= lowestOffsetDB && c.OffsetDB <= highestOffsetDB) {
		return &wire.Error{Code: "wrong_level", Text: fmt.Sprintf("The tone reads %.1f dB re full scale, which would make full scale %.0f dB: see that the calibrator stands at %g dB and sits on microphone %d.",
			c.ToneDB, c.OffsetDB, r.LevelDB, r.Microphone)}
	}
	if before.Channel == 0 || math.Abs(c.OffsetDB-before.OffsetDB) <= strangeDB {
		return nil
	}
	off := c.OffsetDB - before.OffsetDB
	text := fmt.Sprintf("The tone is %.1f dB %s than at the calibration of %s. If the gain was changed since, calibrate again and insist.",
		math.Abs(off), map[bool]string{true: "quieter", false: "louder"}[off > 0], before.At.Format("2006-01-02"))
	if math.Abs(math.Abs(off)-20) < strangeDB {
		text = fmt.Sprintf("The tone is 20 dB off what %g dB was on %s: see whether the calibrator stands at 94 or 114 dB. If the gain was changed since, calibrate again and insist.",
			r.LevelDB, before.At.Format("2006-01-02"))
	}
	return &wire.Error{Code: "gain_changed", Text: text}
}

// sentence makes a sentence of an error.
func sentence(err error) string {
	text := []rune(err.Error())
	if len(text) > 0 && text[0] >= 'a' && text[0] <= 'z' {
		text[0] -= 'a' - 'A'
	}
	return string(text) + "."
}

// UndoCalibration implements stream.LevelOperator.
func (l *Levels) UndoCalibration(_ context.Context, microphone int, by string) (wire.Calibrations, error) {
	ok, err := l.cfg.Calibrations.Undo(l.cfg.Device, microphone)
	if err != nil {
		return wire.Calibrations{}, err
	}
	if !ok {
		return wire.Calibrations{}, &wire.Error{Code: "not_found", Text: fmt.Sprintf("microphone %d has no calibration that could be taken back", microphone), Status: http.StatusNotFound}
	}
	wall, _ := l.cfg.Now()
	l.log.mark(wall, microphone, wire.MarkCalibration, fmt.Sprintf("The calibration of microphone %d was taken back by %s.", microphone, by))
	if err := l.recalibrate(); err != nil {
		return wire.Calibrations{}, err
	}
	return l.Calibrations(), nil
}

// recalibrate puts the stored calibrations in force. What was measured with another
// one stays the sound it was, as in the log; what was measured with none is known now.
func (l *Levels) recalibrate() error {
	entries, _, err := l.cfg.Calibrations.Of(l.cfg.Device)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, in := range l.inputs {
		before := in.offset
		in.offset, in.at = nan, ""
		if e, ok := entries[in.channel]; ok {
			in.offset, in.at = e.OffsetDB, stamp(e.At)
		}
		if by := before - in.offset; by != 0 && !math.IsNaN(by) {
			in.meter.Regain(by)
		}
	}
	l.publish()
	return nil
}

// Calibrations implements stream.LevelOperator.
func (l *Levels) Calibrations() wire.Calibrations {
	v := wire.Calibrations{Device: l.cfg.Device, File: l.cfg.Calibrations.Path(), Calibrations: []wire.Calibration{}}
	entries, earlier, err := l.cfg.Calibrations.Of(l.cfg.Device)
	if err != nil {
		l.cfg.Logger.Warn("calibrations", "err", err)
	}
	for channel, e := range entries {
		v.Calibrations = append(v.Calibrations, wire.Calibration{
			Microphone: channel, OffsetDB: wire.Value(e.OffsetDB), LevelDB: e.LevelDB, ToneDBFS: e.ToneDBFS,
			FrequencyHz: e.FrequencyHz, ScatterDB: e.ScatterDB, At: stamp(e.At), By: e.By, Earlier: earlier[channel],
		})
	}
	slices.SortFunc(v.Calibrations, func(a, b wire.Calibration) int { return a.Microphone - b.Microphone })
	return v
}
