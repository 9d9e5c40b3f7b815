package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/air"
	"plumbline/analyze/room"
	"plumbline/analyze/setting"
	"plumbline/analyze/sweep"
	"plumbline/capture/signal"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

type roomFlags struct {
	channel     int
	sweep       string
	recording   recordingFlags
	fraction    int
	speech      string
	noise       string
	snr         string
	temperature float64
	json        bool
}

func newRoomCommand() *cobra.Command {
	var f roomFlags
	cmd := &cobra.Command{
		Use:     "room FILE.wav",
		GroupID: groupRecorded,
		Short:   "What the room does: decay times, clarity, speech, reflections, distortion",
		Long: `Says what a room does with sound, from one of three recordings:

  an impulse   a balloon, a clap, a starting pistol, or an impulse response, in
               --channel. One impulse a file, with a second of silence in front
               and all of its decay behind.
  a sweep      of plumbline signal, in --channel: --sweep LO:HI:SECONDS says what
               was played. Several sweeps in one file are averaged. The distortion
               of orders 2 to 5 comes with it.
  programme    what was sent and what a microphone hears of it, on --ref and --mic:
               music or noise, a minute or more. It reaches as far down as the
               noise lets it, and only as late as a quarter of its window.

EDT, T20, T30, C50, C80, D50 and Ts are those of ISO 3382-1, by octaves or third
octaves and over all. A time is told only where the decay goes 15 dB further down
than it needs, and T30 beside T20 says whether there are two slopes.

STI is that of IEC 60268-16 by the full method, of the room alone unless --speech,
--noise or --snr say what is heard in it. Reflections are those within 100 ms.`,
		Example: `  plumbline room balloon.wav
  plumbline signal sweep sweep.wav --seconds 5 --repeats 4
  plumbline room seat1.wav --sweep 20:20000:5 --fraction 3
  plumbline room seat1.wav --sweep 20:20000:5 --speech 65 --noise 50,46,42,38,35,32,30
  plumbline room show.wav --ref 1 --mic 2 --json`,
		Args: takes(1, 1, "one WAV file"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.ValidArgsFunction = completeWAV
	cmd.Flags().IntVar(&f.channel, "channel", 1, "`channel` of an impulse or a sweep, from 1")
	cmd.Flags().StringVar(&f.sweep, "sweep", "", "the sweep that was played, `LO:HI:SECONDS`, such as 20:20000:5")
	f.recording.references = channelList{1}
	cmd.Flags().Var(&f.recording.references, "ref", "`channel` of the reference of programme, from 1")
	cmd.Flags().StringVar(&f.recording.microphones, "mic", "2", "`channel` of the microphone of programme")
	cmd.Flags().IntVar(&f.fraction, "fraction", 1, "`part` of an octave: 1 for octaves, 3 for third octaves")
	cmd.Flags().StringVar(&f.speech, "speech", "", "`level` of speech in dB(A), or seven in dB re 20 µPa for the octaves from 125 Hz")
	cmd.Flags().StringVar(&f.noise, "noise", "", "seven `levels` of noise in dB re 20 µPa for the octaves from 125 Hz; with --speech")
	cmd.Flags().StringVar(&f.snr, "snr", "", "`dB` of speech over noise, one or seven, where the levels are not known")
	cmd.Flags().Float64Var(&f.temperature, "temperature", 20, "of the air in `degrees` Celsius, for the ways of reflections")
	cmd.Flags().BoolVar(&f.json, "json", false, "one JSON object instead of a table")
	cmd.RegisterFlagCompletionFunc("fraction", cobra.FixedCompletions([]string{"1", "3"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

// The ways in which a room is measured.
const (
	methodImpulse   = "impulse"
	methodSweep     = "sweep"
	methodProgramme = "programme"
)

// measuredRoom is what was found before it is written.
type measuredRoom struct {
	method   string
	channel  int // from 1
	h        []float64
	cfg      room.Config
	take     *sweep.Take
	cautions []wire.Caution
}

func (f *roomFlags) run(cmd *cobra.Command, path string) error {
	changed := cmd.Flags().Changed
	programme := changed("ref") || changed("mic")
	switch {
	case f.fraction != 1 && f.fraction != 3:
		return usagef("--fraction wants 1 or 3, not %d", f.fraction)
	case programme && f.sweep != "":
		return usagef("--sweep is heard in one --channel: leave --ref and --mic out")
	case programme && changed("channel"):
		return usagef("--channel is that of an impulse or a sweep: leave it out with --ref and --mic")
	}
	if err := misused(setting.CheckTemperature(f.temperature)); err != nil {
		return err
	}
	condition, err := f.condition()
	if err != nil {
		return err
	}
	measure := f.impulse
	switch {
	case programme:
		measure = f.programme
	case f.sweep != "":
		measure = f.swept
	}
	m, err := measure(cmd, path)
	if err != nil {
		return err
	}
	m.cfg.Fraction = f.fraction
	found, err := room.Analyze(m.h, m.cfg)
	if err != nil {
		return named(path, err)
	}
	early := room.Reflections(m.h, m.cfg.SampleRateHz, air.SpeedOfSound(f.temperature))
	report := newRoomReport(path, m, found, found.Speech(condition), condition, early)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), f.temperature)
}

// maxRoomS is how much of a recording is taken.
const maxRoomS = 300

// open reads the one channel of an impulse or a sweep.
func (f *roomFlags) open(cmd *cobra.Command, path string) (m *measuredRoom, err error) {
	file, err := wavfile.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	rate := file.Format().SampleRateHz
	if err := setting.CheckRate(float64(rate)); err != nil {
		return nil, fmt.Errorf("%s: %w: resample the recording", path, err)
	}
	if f.channel < 1 || f.channel > file.Format().Channels {
		return nil, fmt.Errorf("%s: there is no channel %d: choose --channel from 1 to %d", path, f.channel, file.Format().Channels)
	}
	noteLoss(cmd, path, file)
	x, err := offline.Channel(cmd.Context(), file, f.channel-1, min(maxRoomS, float64(1<<24)/2/float64(rate)))
	if err != nil {
		return nil, named(path, err)
	}
	return &measuredRoom{channel: f.channel, h: x, cfg: room.Config{SampleRateHz: float64(rate)}}, nil
}

func (f *roomFlags) impulse(cmd *cobra.Command, path string) (*measuredRoom, error) {
	m, err := f.open(cmd, path)
	if err != nil {
		return nil, err
	}
	m.method = methodImpulse
	if at, count := sweep.Clipped(m.h); count > 0 {
		return nil, fmt.Errorf("%s: the impulse is clipped at %.3f s: record it again with less gain", path, float64(at)/m.cfg.SampleRateHz)
	}
	mean := 0.0 // what an interface adds is no sound
	for _, v := range m.h {
		mean += v / float64(len(m.h))
	}
	for i := range m.h {
		m.h[i] -= mean
	}
	return m, nil
}

func (f *roomFlags) swept(cmd *cobra.Command, path string) (*measuredRoom, error) {
	at := strings.LastIndex(f.sweep, ":")
	if at < 0 {
		return nil, usagef("--sweep wants LO:HI:SECONDS such as 20:20000:5, not %q", f.sweep)
	}
	low, high, err := parseBand("--sweep", f.sweep[:at])
	seconds, errSeconds := strconv.ParseFloat(f.sweep[at+1:], 64)
	if err != nil || errSeconds != nil || !(seconds >= 0.1 && seconds <= 120) {
		return nil, usagef("--sweep wants LO:HI:SECONDS such as 20:20000:5, not %q", f.sweep)
	}
	m, err := f.open(cmd, path)
	if err != nil {
		return nil, err
	}
	rate := m.cfg.SampleRateHz
	chirp := signal.Chirp{LowHz: low, HighHz: high, DurationS: seconds}
	m.method, m.cfg.LowHz, m.cfg.HighHz = methodSweep, low, high
	m.take, err = sweep.Measure(m.h, sweep.Config{SampleRateHz: rate, LowHz: low, HighHz: high, Played: chirp.Samples(rate)})
	if err != nil {
		return nil, named(path, err)
	}
	m.h = m.take.Response
	return m, nil
}

func (f *roomFlags) programme(cmd *cobra.Command, path string) (*measuredRoom, error) {
	rec, err := f.recording.open(cmd, path)
	if err != nil {
		return nil, err
	}
	defer rec.File.Close()
	if len(rec.Microphones) != 1 {
		return nil, usagef("--mic wants one channel, not %q", f.recording.microphones)
	}
	rec, against, err := examine(cmd.Context(), rec, leastGoodS)
	if err != nil {
		return nil, err
	}
	if against[0].dead {
		return nil, fmt.Errorf("%s: %s", path, against[0].why)
	}
	m := &measuredRoom{method: methodProgramme, channel: rec.Microphones[0] + 1, cautions: cautionObjects(against[0].cautions)}
	line := newProgress(cmd.ErrOrStderr(), "measuring")
	defer line.end()
	measured, err := offline.ProgrammeImpulse(cmd.Context(), rec, line.at)
	if err != nil {
		return nil, named(path, err)
	}
	m.h = measured.Response
	m.cfg = room.Config{SampleRateHz: rec.RateHz(), LowHz: measured.LowHz, HighHz: measured.HighHz}
	return m, nil
}

// condition reads --speech, --noise and --snr; nil is the room alone.
func (f *roomFlags) condition() (*room.Condition, error) {
	var c room.Condition
	for k := range c.NoiseDB {
		c.NoiseDB[k] = math.Inf(-1)
	}
	switch {
	case f.snr != "" && (f.speech != "" || f.noise != ""):
		return nil, usagef("--snr is for levels that are not known: leave it out with --speech and --noise")
	case f.noise != "" && f.speech == "":
		return nil, usagef("--noise needs the level of the speech in it: add --speech, or give --snr")
	case f.snr != "":
		snr, err := sevenNumbers("--snr", f.snr, true)
		for k, v := range snr {
			c.NoiseDB[k] = -v
		}
		return &c, err
	case f.speech == "":
		return nil, nil
	}
	c.Absolute = true
	var err error
	if c.SpeechDB, err = sevenNumbers("--speech", f.speech, true); err != nil {
		return nil, err
	}
	if !strings.Contains(f.speech, ",") {
		c.SpeechDB = room.MaleSpeech(c.SpeechDB[0])
	}
	if f.noise != "" {
		c.NoiseDB, err = sevenNumbers("--noise", f.noise, false)
	}
	return &c, err
}

// sevenNumbers reads one for each octave from 125 Hz to 8 kHz, or, where that is allowed,
// one for all.
func sevenNumbers(flag, text string, one bool) (all [7]float64, err error) {
	words := strings.Split(text, ",")
	if len(words) != len(all) && !(one && len(words) == 1) {
		return all, usagef("%s wants seven numbers of decibels with commas between, for 125 Hz to 8 kHz, not %q", flag, text)
	}
	for k := range all {
		v, err := strconv.ParseFloat(strings.TrimSpace(words[k%len(words)]), 64)
		if err != nil || !(math.Abs(v) <= 200) {
			return all, usagef("%s wants decibels, not %q", flag, text)
		}
		all[k] = v
	}
	return all, nil
}
