package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/capture/signal"
	"plumbline/capture/wavfile"
)

type signalFlags struct {
	seconds   float64
	level     float64
	rate      int
	seed      uint64
	frequency float64
	band      string
	period    float64
	ramp      float64
	repeats   int
	pause     float64
}

func newSignalCommand() *cobra.Command {
	var f signalFlags
	var kinds []string
	for _, k := range signal.Kinds {
		kinds = append(kinds, string(k))
	}
	cmd := &cobra.Command{
		Use:     "signal KIND OUT.wav",
		GroupID: groupVirtual,
		Short:   "Write a test signal into a WAV file",
		Long: `Writes a test signal, 24 bits and one channel:

  pink, white           Gaussian noise; pink within 0.2 dB of equal power an octave
                        from 20 Hz to 20 kHz
  octave, third-octave  noise of the one band that --frequency lies in
  sine                  a sine wave
  sweep                 an exponential sweep over --band, --repeats times with a
                        --pause behind each: measure it with plumbline room
  pulse                 single cycles of a sine, the positive half first: polarity
                        by ear and eye

With --period noise repeats itself exactly, and a window of that length sees no
leakage. What it is, its crest factor and its band are printed. Noise and sine
waves rise from silence and sink back into it; the same seed makes the same file.

Levels are in dB re the RMS of a full-scale sine wave (AES17); the default is a
quiet one, and nothing that would clip is written. How loud it gets is up to
what is behind it: begin with the amplifier turned down and raise it slowly. Loud
sound harms hearing at once and for good, and sine waves, sweeps and noise in the
highs destroy drivers long before they sound loud.`,
		Example: `  plumbline signal pink pink.wav --seconds 60
  plumbline signal sweep sweep.wav --band 20:20000 --seconds 5 --repeats 4
  plumbline signal third-octave band.wav --frequency 63
  plumbline signal white periodic.wav --period 1.36533 --rate 48000
  plumbline signal pulse pulse.wav --frequency 100 --period 0.5`,
		Args: takes(2, 2, "a kind of signal and the WAV file to write"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0], args[1]) },
	}
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return kinds, cobra.ShellCompDirectiveNoFileComp
		}
		return completeWAV(cmd, args, word)
	}
	cmd.Flags().Float64Var(&f.seconds, "seconds", 20, "`length`; of one sweep, where it is 5 unless given")
	cmd.Flags().Float64Var(&f.level, "level", -30, "RMS in `dBFS`, below 0; of pulse its peak")
	cmd.Flags().IntVar(&f.rate, "rate", 48000, "sample rate in `Hz`")
	cmd.Flags().Uint64Var(&f.seed, "seed", 1, "`number` that noise is made from")
	cmd.Flags().Float64Var(&f.frequency, "frequency", 0, "`Hz` of sine (997), octave and third-octave (1000), pulse (200)")
	cmd.Flags().StringVar(&f.band, "band", "20:20000", "`LO:HI` of sweep in Hz")
	cmd.Flags().Float64Var(&f.period, "period", 0, "`seconds` after which noise repeats itself, or from pulse to pulse (1)")
	cmd.Flags().Float64Var(&f.ramp, "ramp", 0.5, "`seconds` of fade at both ends of noise and sine")
	cmd.Flags().IntVar(&f.repeats, "repeats", 1, "`number` of sweeps")
	cmd.Flags().Float64Var(&f.pause, "pause", 3, "`seconds` of silence behind each sweep, for the room to fade in")
	cmd.RegisterFlagCompletionFunc("rate", cobra.FixedCompletions([]string{"44100", "48000", "96000"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func (f *signalFlags) run(cmd *cobra.Command, kind, path string) error {
	cfg, err := f.config(cmd, signal.Kind(kind))
	if err != nil {
		return err
	}
	generator, err := signal.New(cfg)
	if err != nil {
		return usageError{err}
	}
	frames := int(math.Round(cfg.LengthS * float64(f.rate)))
	if cfg.Kind == signal.Sweep {
		frames = f.repeats * int(math.Round(cfg.PeriodS*float64(f.rate)))
	}
	peak, rms, err := writeSignal(cmd.Context(), generator, frames, path, f.rate, newProgress(cmd.ErrOrStderr(), "writing"))
	if err != nil {
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "Protect your hearing and the loudspeakers: turn the amplifier down before %s is played, and raise it slowly.\n", path)
	low, high := cfg.Band()
	out := newTypeset(cmd.OutOrStdout())
	fmt.Fprintf(out, "%s: %s, %s s at %d Hz, %s\n", path, kind, strconv.FormatFloat(float64(frames)/float64(f.rate), 'f', -1, 64), f.rate, hertz(low, high))
	fmt.Fprintf(out, "peak %s dBFS, crest factor of the whole %.1f dB\n", signed(20*math.Log10(peak), 1), 20*math.Log10(peak/rms))
	if cfg.Kind == signal.Sweep {
		fmt.Fprintf(out, "record it whole, with 1 s before and %g s behind, then: plumbline room TAKE.wav --sweep %g:%g:%g\n", f.pause, low, high, cfg.DurationS)
	}
	return out.Flush()
}

// hertz names a band for people.
func hertz(low, high float64) string {
	word := func(f float64) string { return strconv.FormatFloat(f, 'g', 5, 64) }
	if low == high {
		return word(low) + " Hz"
	}
	return word(low) + " Hz to " + word(high) + " Hz"
}

// config is what the flags ask for. A flag that the kind has no use for is refused.
func (f *signalFlags) config(cmd *cobra.Command, kind signal.Kind) (cfg signal.Config, err error) {
	noise := []signal.Kind{signal.Pink, signal.White, signal.Octave, signal.ThirdOctave}
	for flag, use := range map[string][]signal.Kind{
		"frequency": {signal.Sine, signal.Octave, signal.ThirdOctave, signal.Pulse},
		"band":      {signal.Sweep}, "repeats": {signal.Sweep}, "pause": {signal.Sweep},
		"period": append(slices.Clone(noise), signal.Pulse),
		"ramp":   append(slices.Clone(noise), signal.Sine),
		"seed":   noise,
	} {
		if slices.Contains(signal.Kinds, kind) && cmd.Flags().Changed(flag) && !slices.Contains(use, kind) {
			return cfg, usagef("--%s is nothing that %s has: leave it out", flag, kind)
		}
	}
	cfg = signal.Config{
		Kind: kind, SampleRateHz: f.rate, LevelDBFS: f.level, Seed: f.seed, RampS: f.ramp,
		LengthS: f.seconds, FrequencyHz: f.frequency, PeriodS: f.period,
	}
	if !(f.level >= -120 && f.level < 0) {
		return cfg, usagef("--level wants −120 to below 0, not %g", f.level)
	}
	if !(f.ramp >= 0.01 && f.ramp <= 60) {
		return cfg, usagef("--ramp wants 0.01 to 60, not %g", f.ramp)
	}
	if !(f.seconds >= 0.1 && f.seconds <= maxRenderS) {
		return cfg, usagef("--seconds wants 0.1 to %d, not %g", maxRenderS, f.seconds)
	}
	if kind != signal.Sweep {
		return cfg, nil
	}
	if cfg.LowHz, cfg.HighHz, err = parseBand("--band", f.band); err != nil {
		return cfg, err
	}
	switch cfg.DurationS, cfg.LengthS = f.seconds, 0; {
	case !cmd.Flags().Changed("seconds"):
		cfg.DurationS = 5
	case f.seconds > 120:
		return cfg, usagef("--seconds of a sweep wants 0.1 to 120, not %g", f.seconds)
	}
	if !(f.repeats >= 1 && f.repeats <= 100) {
		return cfg, usagef("--repeats wants 1 to 100, not %d", f.repeats)
	}
	if !(f.pause >= 0 && f.pause <= 60) {
		return cfg, usagef("--pause wants 0 to 60, not %g", f.pause)
	}
	cfg.PeriodS = cfg.DurationS + f.pause
	return cfg, nil
}

// parseBand reads LO:HI in Hz.
func parseBand(flag, text string) (low, high float64, err error) {
	a, b, ok := strings.Cut(text, ":")
	low, errLow := strconv.ParseFloat(a, 64)
	high, errHigh := strconv.ParseFloat(b, 64)
	if !ok || errLow != nil || errHigh != nil || !(low > 0 && low < high) {
		return 0, 0, usagef("%s wants LO:HI in Hz such as 20:20000, not %q", flag, text)
	}
	return low, high, nil
}

// writeSignal writes so many frames, or nothing if one of them would clip.
func writeSignal(ctx context.Context, g *signal.Generator, frames int, path string, rateHz int, line *progress) (peak, rms float64, err error) {
	defer line.end()
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: rateHz, Channels: 1, Encoding: wavfile.PCM24})
	if err != nil {
		return 0, 0, err
	}
	defer func() {
		if err != nil {
			w.Abort()
		}
	}()
	x, y := make([]float64, 1<<14), make([]float32, 1<<14)
	sum := 0.0
	for done := 0; done < frames; done += len(x) {
		if err := ctx.Err(); err != nil {
			return 0, 0, err
		}
		x = x[:min(len(x), frames-done)]
		g.Fill(x)
		for i, v := range x {
			peak = max(peak, math.Abs(v))
			sum += v * v
			y[i] = float32(v)
		}
		if peak > 1-1.0/(1<<23) {
			return 0, 0, fmt.Errorf("%s would clip (the peaks of noise lie 12 to 15 dB above its level): lower --level", path)
		}
		if err := w.Write(y[:len(x)]); err != nil {
			return 0, 0, err
		}
		line.at(float64(done)/float64(rateHz), float64(frames)/float64(rateHz))
	}
	return peak, math.Sqrt(sum / float64(frames)), w.Close()
}
