package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbline/analyze/exposure"
	"plumbline/analyze/setting"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

type levelsFlags struct {
	channel     string
	calibration string
	sensitivity float64
	bands       int
	limit       string
	correction  float64
	json        bool
}

// The units of levels.
const (
	unitFullScale = "dB re FS"
	unitPascal    = "dB re 20 uPa"
)

func newLevelsCommand() *cobra.Command {
	var f levelsFlags
	var ids []string
	for _, p := range exposure.Profiles {
		ids = append(ids, p.ID)
	}
	cmd := &cobra.Command{
		Use:     "levels FILE.wav",
		GroupID: groupRecorded,
		Short:   "Weighted levels, bands and exposure of a recording",
		Long: `Measures levels as a sound level meter does: A, C and Z weighting, time
weightings F and S, equivalent, exposure, statistical and peak levels by
IEC 61672-1, octave or third-octave bands by IEC 61260-1. The arithmetic keeps
the limits of class 1; a microphone and an interface have their own.

Uncalibrated levels are in dB re the RMS of a full-scale sine wave (AES17), whose
peak therefore reads +3.01 dB, as it does above its level on any meter. With
--calibration CAL.wav=94 they are dB re 20 µPa: the recording of an acoustic
calibrator through the same microphone, input and gain, and the level printed on
it. --sensitivity DB says directly which level a full-scale sine wave stands for.

--limit follows the recording against a published limit, as if it were the whole
day so far. That is information only: local codes and licensed practice decide,
and a limit holds where it is loudest, which --correction DB stands for.`,
		Example: `  plumbline levels show.wav
  plumbline levels show.wav --calibration calibrator.wav=94 --bands 1
  plumbline levels show.wav --sensitivity 128.4 --limit who --correction 3
  plumbline levels show.wav --channel 1,2 --json`,
		Args: takes(1, 1, "one WAV file"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.ValidArgsFunction = completeWAV
	cmd.Flags().StringVar(&f.channel, "channel", "1", "`channels` to measure, such as 1 or 1,2; or all")
	cmd.Flags().StringVar(&f.calibration, "calibration", "", "recording of a calibrator and its level in dB, such as `CAL.wav=94`")
	cmd.Flags().Float64Var(&f.sensitivity, "sensitivity", 0, "level in `dB` re 20 µPa that a full-scale sine wave stands for")
	cmd.Flags().IntVar(&f.bands, "bands", 3, "`part` of an octave: 1 for octaves, 3 for third octaves")
	cmd.Flags().StringVar(&f.limit, "limit", "", "a `limit` to follow: "+strings.Join(ids, ", "))
	cmd.Flags().Float64Var(&f.correction, "correction", 0, "how many `dB` louder the loudest place is than the microphone")
	cmd.Flags().BoolVar(&f.json, "json", false, "one JSON object instead of a table")
	cmd.RegisterFlagCompletionFunc("limit", cobra.FixedCompletions(ids, cobra.ShellCompDirectiveNoFileComp))
	cmd.RegisterFlagCompletionFunc("bands", cobra.FixedCompletions([]string{"1", "3"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func (f *levelsFlags) run(cmd *cobra.Command, path string) error {
	calibrated := cmd.Flags().Changed("sensitivity")
	cfg := offline.LevelsConfig{Bands: f.bands, OffsetDB: f.sensitivity}
	switch {
	case f.bands != 1 && f.bands != 3:
		return usagef("--bands wants 1 or 3, not %d", f.bands)
	case f.calibration != "" && calibrated:
		return usagef("--calibration and --sensitivity say the same: give one of them")
	case !(math.Abs(f.sensitivity) <= 250):
		return usagef("--sensitivity wants decibels, not %g", f.sensitivity)
	}
	if err := setting.CheckCorrection(f.correction); err != nil {
		return misused(err)
	}
	if f.limit != "" {
		profile, ok := exposure.Lookup(f.limit)
		if !ok {
			return usagef("--limit knows no %q: see levels --help", f.limit)
		}
		if f.calibration == "" && !calibrated {
			return usagef("--limit needs levels re 20 µPa: add --calibration or --sensitivity")
		}
		cfg.Exposure = &exposure.Config{Profile: profile, CorrectionDB: f.correction}
	}
	file, err := wavfile.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := setting.CheckRate(float64(file.Format().SampleRateHz)); err != nil {
		return fmt.Errorf("%s: %w: resample the recording", path, err)
	}
	if cfg.Channels, err = levelChannels(f.channel, file.Format().Channels); err != nil {
		return err
	}
	if f.calibration != "" {
		c, err := readCalibration(cmd.Context(), f.calibration, cfg.Channels[0])
		if err != nil {
			return err
		}
		calibrated, cfg.OffsetDB = true, c.OffsetDB
	}
	noteLoss(cmd, path, file)
	line := newProgress(cmd.ErrOrStderr(), "measuring")
	defer line.end()
	cfg.Progress = line.at
	measured, err := offline.MeasureLevels(cmd.Context(), file, cfg)
	if err != nil {
		return named(path, err)
	}
	line.end()
	report := newLevelsReport(f, cfg, measured, calibrated)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), path)
}

// levelChannels reads --channel; channels count from 0 in what it returns.
func levelChannels(text string, channels int) ([]int, error) {
	var picked []int
	if text == "all" {
		for c := range channels {
			picked = append(picked, c)
		}
		return picked, nil
	}
	for word := range strings.SplitSeq(text, ",") {
		c, err := strconv.Atoi(strings.TrimSpace(word))
		switch {
		case err != nil:
			return nil, usagef("--channel wants channel numbers such as 1,2 or all, not %q", text)
		case c < 1 || c > channels:
			return nil, fmt.Errorf("there is no channel %d: choose --channel from 1 to %d", c, channels)
		case slices.Contains(picked, c-1):
			return nil, usagef("channel %d is named twice in --channel", c)
		}
		picked = append(picked, c-1)
	}
	return picked, nil
}

// levelsReport is the JSON of levels.
type levelsReport struct {
	Channels []levelsChannel `json:"channels"`
}

type levelsChannel struct {
	Channel     int             `json:"channel"`
	Unit        string          `json:"unit"`
	OffsetDB    wire.Value      `json:"full_scale_sine_db"` // the level it stands for
	DurationS   wire.Value      `json:"duration_s"`
	LAeqDB      wire.Value      `json:"laeq_db"`
	LCeqDB      wire.Value      `json:"lceq_db"`
	LZeqDB      wire.Value      `json:"lzeq_db"`
	LAFMaxDB    wire.Value      `json:"lafmax_db"`
	LASMaxDB    wire.Value      `json:"lasmax_db"`
	LCFMaxDB    wire.Value      `json:"lcfmax_db"`
	LCSMaxDB    wire.Value      `json:"lcsmax_db"`
	LAEDB       wire.Value      `json:"lae_db"`
	LCPeakDB    wire.Value      `json:"lcpeak_db"`
	LZPeakDB    wire.Value      `json:"lzpeak_db"`
	L10DB       wire.Value      `json:"l10_db"`
	L50DB       wire.Value      `json:"l50_db"`
	L90DB       wire.Value      `json:"l90_db"`
	Clipped     uint64          `json:"clipped_samples"`
	Reason      reason          `json:"reason"` // why levels are null
	Bands       levelsBands     `json:"bands"`
	Exposure    *exposureObject `json:"exposure,omitempty"`
	description exposure.Profile
}

type levelsBands struct {
	Fraction  int     `json:"fraction"`
	MidHz     numbers `json:"mid_hz"`
	NominalHz numbers `json:"nominal_hz"`
	LeqDB     numbers `json:"leq_db"`
	Reason    reason  `json:"reason"` // why some are null
}

type exposureObject struct {
	Limit        string     `json:"limit"`
	Source       string     `json:"source"`
	LimitDB      wire.Value `json:"limit_db"`
	OverS        wire.Value `json:"over_s"`
	CorrectionDB wire.Value `json:"correction_db"`
	LevelDB      wire.Value `json:"level_db"`
	UsedPart     wire.Value `json:"used_part"` // 1 is all of the budget
	Exceeded     bool       `json:"exceeded"`
	PaceDB       wire.Value `json:"pace_db"`
	CrossedInS   wire.Value `json:"crossed_in_s"` // null: never at this pace
	PeakDB       wire.Value `json:"peak_db"`
	PeakExceeded bool       `json:"peak_exceeded"`
	Information  string     `json:"information"`
}

const exposureInformation = "Information only; your local rules and a qualified person decide."

func newLevelsReport(f *levelsFlags, cfg offline.LevelsConfig, measured []offline.Levels, calibrated bool) *levelsReport {
	r := &levelsReport{}
	for i, m := range measured {
		c := levelsChannel{
			Channel: cfg.Channels[i] + 1, Unit: unitFullScale, OffsetDB: wire.Value(math.NaN()), DurationS: wire.Value(m.DurationS),
			LAeqDB: wire.Value(m.LAeqDB), LCeqDB: wire.Value(m.LCeqDB), LZeqDB: wire.Value(m.LZeqDB),
			LAFMaxDB: wire.Value(m.LAFMaxDB), LASMaxDB: wire.Value(m.LASMaxDB), LCFMaxDB: wire.Value(m.LCFMaxDB), LCSMaxDB: wire.Value(m.LCSMaxDB),
			LAEDB: wire.Value(m.LAEDB), LCPeakDB: wire.Value(m.LCPeakDB), LZPeakDB: wire.Value(m.LZPeakDB),
			L10DB: wire.Value(m.L10DB), L50DB: wire.Value(m.L50DB), L90DB: wire.Value(m.L90DB), Clipped: m.Clipped,
			Bands: levelsBands{Fraction: f.bands, LeqDB: append(numbers{}, m.BandLeqDB...)},
		}
		if calibrated {
			c.Unit, c.OffsetDB = unitPascal, wire.Value(cfg.OffsetDB)
		}
		switch {
		case m.DurationS == 0:
			c.Reason = "the recording is empty"
		case math.IsInf(m.LZeqDB, -1):
			c.Reason = "the channel is silent"
		default:
			c.Reason = reason(m.Reason)
		}
		c.Bands.Reason = reason(m.BandsReason)
		for _, b := range m.Bands {
			c.Bands.MidHz = append(c.Bands.MidHz, b.MidHz)
			c.Bands.NominalHz = append(c.Bands.NominalHz, b.NominalHz)
		}
		if cfg.Exposure != nil {
			p, s := cfg.Exposure.Profile, m.Exposure
			c.description = p
			c.Exposure = &exposureObject{
				Limit: p.Name, Source: p.Source, LimitDB: wire.Value(p.LimitDB), OverS: wire.Value(p.OverS),
				CorrectionDB: wire.Value(s.CorrectionDB), LevelDB: wire.Value(s.LevelDB), UsedPart: wire.Value(s.Used),
				Exceeded: s.Exceeded, PaceDB: wire.Value(s.PaceDB), CrossedInS: wire.Value(s.CrossedInS),
				PeakDB: wire.Value(s.PeakDB), PeakExceeded: s.PeakExceeded, Information: exposureInformation,
			}
		}
		r.Channels = append(r.Channels, c)
	}
	return r
}

// print writes the levels as tables for people.
func (r *levelsReport) print(w io.Writer, path string) error {
	out := newTypeset(w)
	for i := range r.Channels {
		if i > 0 {
			fmt.Fprintln(out)
		}
		r.Channels[i].print(out, path)
	}
	return out.Flush()
}

// unitNames is how people write what JSON has in ASCII.
var unitNames = map[string]string{unitFullScale: "dBFS", unitPascal: "dB re 20 µPa"}

func (c *levelsChannel) print(out io.Writer, path string) {
	fmt.Fprintf(out, "%s, channel %d: %.1f s, %s", path, c.Channel, float64(c.DurationS), unitNames[c.Unit])
	if c.Unit == unitFullScale {
		fmt.Fprint(out, " (not calibrated)")
	}
	fmt.Fprintln(out)
	if c.Clipped > 0 {
		fmt.Fprintf(out, "Clipped: %d samples at full scale; levels and peaks are too low.\n", c.Clipped)
	}
	db := func(v wire.Value) string {
		if text := cell(float64(v), 1); text != "?" {
			return text
		}
		return "silent"
	}
	fmt.Fprintln(out, "            A        C        Z")
	fmt.Fprintf(out, "  Leq  %8s %8s %8s\n", db(c.LAeqDB), db(c.LCeqDB), db(c.LZeqDB))
	fmt.Fprintf(out, "  Fmax %8s %8s\n", db(c.LAFMaxDB), db(c.LCFMaxDB))
	fmt.Fprintf(out, "  Smax %8s %8s\n", db(c.LASMaxDB), db(c.LCSMaxDB))
	fmt.Fprintf(out, "  peak %8s %8s %8s\n", "", db(c.LCPeakDB), db(c.LZPeakDB))
	fmt.Fprintf(out, "  LE   %8s\n", db(c.LAEDB))
	fmt.Fprintf(out, "  LAF exceeded in 10, 50, 90 %% of the time: %s, %s, %s\n\n", orNone(db(c.L10DB)), orNone(db(c.L50DB)), orNone(db(c.L90DB)))
	if c.Reason != "" {
		fmt.Fprintf(out, "Blank above: %s.\n", string(c.Reason))
	}
	if c.Bands.Reason != "" {
		fmt.Fprintf(out, "Blank below: %s.\n", string(c.Bands.Reason))
	}
	name := "third octave"
	if c.Bands.Fraction == 1 {
		name = "octave"
	}
	fmt.Fprintf(out, "%14s      Leq\n", name)
	for k, f := range c.Bands.NominalHz {
		fmt.Fprintf(out, "%11s Hz %8s\n", strconv.FormatFloat(f, 'f', -1, 64), db(wire.Value(c.Bands.LeqDB[k])))
	}
	if c.Exposure != nil {
		c.Exposure.print(out, c.description)
	}
}

// orNone keeps a sentence whole where a number is not known.
func orNone(text string) string {
	if text == "" {
		return "–"
	}
	return text
}

func (e *exposureObject) print(out io.Writer, p exposure.Profile) {
	fmt.Fprintf(out, "\n%s: %s %g dB over %s (%s; %s)\n", p.Name, p.Quantity, p.LimitDB, span(p.OverS), p.Source, p.Note)
	fmt.Fprintf(out, "  now %s dB, with %+.1f dB for the loudest place; %.0f %% of the budget is used\n", cell(float64(e.LevelDB), 1), float64(e.CorrectionDB), 100*float64(e.UsedPart))
	switch s := float64(e.CrossedInS); {
	case e.Exceeded:
		fmt.Fprintln(out, "  the limit is exceeded")
	case math.IsInf(s, 1):
		fmt.Fprintln(out, "  at the pace of the last minute it is not reached")
	default:
		fmt.Fprintf(out, "  at the pace of the last minute, %s dB, it is reached in %s\n", cell(float64(e.PaceDB), 1), span(s))
	}
	if e.PeakExceeded {
		fmt.Fprintf(out, "  the peak of %s dB exceeds %g dB\n", cell(float64(e.PeakDB), 1), p.PeakDB)
	}
	fmt.Fprintf(out, "  %s\n", exposureInformation)
}

// span is a time for people.
func span(seconds float64) string {
	switch d := time.Duration(seconds * float64(time.Second)).Round(time.Second); {
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d >= time.Hour:
		return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d >= time.Minute:
		return fmt.Sprintf("%d min %d s", d/time.Minute, d%time.Minute/time.Second)
	default:
		return fmt.Sprintf("%d s", d/time.Second)
	}
}
