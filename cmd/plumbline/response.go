package main

import (
	"context"
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze"
	"plumbline/analyze/caution"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
	"plumbline/analyze/setting"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

type responseFlags struct {
	recordingFlags
	window      string
	overlap     float64
	delay       string
	until       string
	temperature float64
	json        bool

	windowSamples int            // 0: multi-resolution
	delayMs       float64        // NaN: find it
	sure          *offline.Until // nil: the whole recording
	periodS       float64        // of the reference; 0: it does not repeat itself
}

func newResponseCommand() *cobra.Command {
	var f responseFlags
	cmd := &cobra.Command{
		Use:     "response FILE.wav",
		GroupID: groupRecorded,
		Short:   "Transfer function, certainty, delay and polarity of a recording",
		Long: `Compares each microphone with the reference: magnitude in dB and phase in
degrees against frequency, each with its 95 % interval, and the coherence, which
says how much of what the microphone hears comes from the reference.

The reference is delayed by the arrival that was found (--delay auto) or by what
you say, so that the phase shows the loudspeaker and not the distance.

What is wrong with the recording comes first: swapped channels, an input that is
dead or dies half way, clipping, limiters, crosstalk, lost samples, clocks that
drift, a microphone that moves, a gain that changes. A path that moved is followed
where it can be, else the part in which it stood still is used. Without a delay
there is no curve.

With several references (--ref 1,2) all loudspeakers may play at once, each with
its own channel: each microphone has the path from every reference by itself. Where
references are too alike to be told apart it says so, and nothing is shown there.

--window multi takes long windows for low frequencies and short ones for high
frequencies, 48 points an octave. --window N takes one window of N samples: bins
k·rate/N, Hann window, every whole segment averaged.

The table shows third octaves; --json has every point. What is not known is
blank in the table and null in JSON.`,
		Example: `  plumbline response seat1.wav
  plumbline response seat1.wav --until 1:100:8000       stop when known within ±1 dB
  plumbline response all.wav --ref 1 --mic 2,3 --from 10 --to 40
  plumbline response seat1.wav --ref 1,2                  each loudspeaker while both play
  plumbline response seat1.wav --window 16384 --overlap 0.75 --delay 0 --json`,
		Args: takes(1, 1, "one WAV file"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	f.add(cmd)
	cmd.Flags().StringVar(&f.window, "window", "multi", "multi, or `samples`: a power of two")
	cmd.Flags().Float64Var(&f.overlap, "overlap", 0.75, "`part` of a window that the next one shares, 0 to 0.999")
	cmd.Flags().StringVar(&f.delay, "delay", "auto", "auto, or `milliseconds` to delay the reference by")
	cmd.Flags().StringVar(&f.until, "until", "", "stop when sure: `DB:LOW:HIGH` is ±DB from LOW to HIGH hertz")
	cmd.Flags().Float64Var(&f.temperature, "temperature", 20, "of the air in `degrees` Celsius, for distances")
	cmd.Flags().BoolVar(&f.json, "json", false, "one JSON object instead of a table")
	cmd.RegisterFlagCompletionFunc("window", cobra.FixedCompletions(
		[]string{"multi", "4096", "8192", "16384", "32768", "65536"}, cobra.ShellCompDirectiveNoFileComp))
	cmd.RegisterFlagCompletionFunc("delay", cobra.FixedCompletions([]string{"auto", "0"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

// mostOverlap costs 250 times as much as the usual 0.75: enough for comparison with
// whatever other programs do. The effective averages of a Hann window hardly grow
// (Welch 1967).
const mostOverlap = 0.999

// parse checks what pflag cannot.
func (f *responseFlags) parse() error {
	if f.window != "multi" {
		n, err := strconv.Atoi(f.window)
		if err != nil || n < 16 || n > 1<<20 || bits.OnesCount(uint(n)) != 1 {
			return usagef("--window wants multi or a power of two from 16 to 1048576, not %q", f.window)
		}
		f.windowSamples = n
	}
	if !(f.overlap >= 0 && f.overlap <= mostOverlap) {
		return usagef("--overlap wants 0 to %g, not %g: more takes longer and tells no more", mostOverlap, f.overlap)
	}
	f.delayMs = math.NaN()
	if f.delay != "auto" {
		ms, err := strconv.ParseFloat(f.delay, 64)
		if err != nil || !(ms >= 1000*response.MinDelayS && ms <= 1000*response.MaxDelayS) {
			return usagef("--delay wants auto or milliseconds from %g to %g, not %q", 1000*response.MinDelayS, 1000*response.MaxDelayS, f.delay)
		}
		f.delayMs = ms
	}
	if f.until != "" {
		var u [3]float64
		words := strings.Split(f.until, ":")
		for i := range u {
			if len(words) != len(u) {
				return usagef("--until wants DB:LOW:HIGH such as 1:100:8000, not %q", f.until)
			}
			var err error
			if u[i], err = strconv.ParseFloat(words[i], 64); err != nil {
				return usagef("--until wants DB:LOW:HIGH such as 1:100:8000, not %q", f.until)
			}
		}
		if setting.CheckBand("", u[1], u[2]) != nil {
			return usagef("--until wants its band to ascend within %d to %d Hz, not %g to %g Hz", setting.MinBandHz, setting.MaxBandHz, u[1], u[2])
		}
		if err := setting.CheckGoal("until.", u[0], u[1], u[2]); err != nil {
			return misused(err)
		}
		f.sure = &offline.Until{WithinDB: u[0], LowHz: u[1], HighHz: u[2]}
	}
	return misused(setting.CheckTemperature(f.temperature))
}

// checkUntil refuses a band that the response has no points in.
func (f *responseFlags) checkUntil(rateHz float64) error {
	if f.sure == nil {
		return nil
	}
	low, high := 20.0, 20000.0
	if n := f.windowSamples; n > 0 {
		low, high = rateHz/float64(n), rateHz/2
	}
	if f.sure.LowHz < low || f.sure.HighHz > high {
		return usagef("--until wants a band within %.4g to %.5g Hz with this --window, not %g to %g Hz", low, high, f.sure.LowHz, f.sure.HighHz)
	}
	return nil
}

func (f *responseFlags) run(cmd *cobra.Command, path string) error {
	if err := f.parse(); err != nil {
		return err
	}
	if len(f.references) > 1 {
		return f.runPaths(cmd, path)
	}
	rec, err := f.open(cmd, path)
	if err != nil {
		return err
	}
	defer rec.File.Close()
	if err := f.checkUntil(rec.RateHz()); err != nil {
		return err
	}
	if n := int64(f.windowSamples); n > rec.To-rec.From {
		return fmt.Errorf("%s: %.3g s are shorter than one window of %d samples: choose a smaller --window", path, rec.DurationS(), n)
	}
	line := newProgress(cmd.ErrOrStderr(), "averaging")
	defer line.end()
	cfg := offline.ResponseConfig{
		Window: f.windowSamples, Overlap: f.overlap, Until: f.sure, Progress: line.at,
		DelayS: make([]float64, len(rec.Microphones)),
	}
	var ahead *early
	if f.plain() && offline.CanWatch(rec, cfg) {
		for i := range cfg.DelayS {
			cfg.DelayS[i] = f.delayMs / 1000
		}
		ahead = startEarly(cmd.Context(), rec, cfg)
		defer ahead.stop()
	}
	take, err := ahead.inspect(cmd.Context(), rec)
	if err != nil {
		return err
	}
	good, against := judge(take, rec, max(leastGoodS, float64(f.windowSamples)/rec.RateHz()))
	ahead = ahead.of(good, against)
	leaks, err := ahead.crosstalk(cmd.Context(), good)
	if err != nil {
		return err
	}
	good.Leaks = leaks
	leaking(leaks, good, against)
	good, delays, found, err := f.delays(cmd, good, against, ahead.stillness)
	if err != nil {
		return err
	}
	cfg.PeriodS = f.periodS
	for i, d := range delays {
		if cfg.DelayS[i] = d.ms / 1000; math.IsNaN(d.ms) {
			cfg.DelayS[i] = 0
		}
	}
	result, err := ahead.response(cmd.Context(), good, cfg)
	if err != nil {
		return err
	}
	line.end()
	for i := range result.Spectra {
		against[i].unknown(&result.Spectra[i])
	}
	verdicts, err := f.verdicts(cmd, good, found, result)
	if err != nil {
		return err
	}
	report := f.report(path, rec, delays, against, found, result, verdicts)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), f.temperature, result.Spectra)
}

// plain says that nothing has to be known of what is played, nor of when it arrives.
func (f *responseFlags) plain() bool { return !math.IsNaN(f.delayMs) && f.windowSamples > 0 }

// delay is what the reference is delayed by for one microphone.
type delay struct {
	ms, sdMs float64 // NaN: none found
	reason   string
}

// verdicts are the polarity at every microphone. Where the delay was found they are
// those that arrivals tells, whatever part and window the curve is of.
func (f *responseFlags) verdicts(cmd *cobra.Command, rec offline.Recording, found []offline.Found, result *offline.Responses) ([]polarity.Verdict, error) {
	switch {
	case found == nil:
		list := make([]polarity.Verdict, len(result.Spectra))
		for i := range list {
			polarity.JudgeInto(&list[i], &result.Spectra[i])
		}
		return list, nil
	case f.windowSamples == 0 && f.sure == nil && f.overlap == offline.PolarityOverlap:
		return offline.Judge(result.Spectra, found), nil
	}
	return judgePolarity(cmd, rec, found)
}

func judgePolarity(cmd *cobra.Command, rec offline.Recording, found []offline.Found) ([]polarity.Verdict, error) {
	line := newProgress(cmd.ErrOrStderr(), "judging polarity")
	defer line.end()
	return offline.Polarity(cmd.Context(), rec, found, line.at)
}

// delays are what the reference is delayed by; found is nil when that was set by
// hand. It adds what they tell against a microphone, and returns the recording to
// measure: of paths that did not stand still, only a part, or followed.
func (f *responseFlags) delays(cmd *cobra.Command, rec offline.Recording, against []examined, still stillness) (good offline.Recording, delays []delay, found []offline.Found, err error) {
	delays = make([]delay, len(rec.Microphones))
	if !math.IsNaN(f.delayMs) {
		given := make([]float64, len(delays))
		for i := range delays {
			delays[i] = delay{ms: f.delayMs, sdMs: math.NaN()}
			given[i] = f.delayMs / 1000
		}
		if good, _, err = atRest(cmd.Context(), rec, against, given, still); err != nil || f.plain() {
			return good, delays, nil, err
		}
		one := good
		one.Microphones, one.Paths, one.Leaks = []int{rec.Reference}, nil, nil
		if found, err = findArrivals(cmd.Context(), cmd, one, offline.ArrivalsConfig{ExcerptsS: delayExcerptsS}); err == nil {
			f.periodS = found[0].PeriodS
		}
		return good, delays, nil, err
	}
	rec, found, err = findAtRest(cmd.Context(), rec, against, arrivalsOf(cmd, offline.ArrivalsConfig{ExcerptsS: delayExcerptsS}))
	if err != nil {
		return rec, nil, nil, err
	}
	if err := arrived(cmd.Context(), rec, against, found); err != nil {
		return rec, nil, nil, err
	}
	for i, at := range found {
		f.periodS = max(f.periodS, at.PeriodS)
		delays[i] = delay{ms: math.NaN(), sdMs: math.NaN(), reason: at.Reason}
		if a, ok := at.Main(); ok {
			delays[i] = delay{ms: a.DelayMs, sdMs: a.DelaySDMs}
		}
		if e := &against[i]; e.swapped() {
			delays[i] = delay{ms: e.aheadMs, sdMs: e.aheadSDMs}
		}
	}
	return rec, delays, found, nil
}

// delayExcerptsS of a long recording tell the delay to compensate well enough:
// its standard deviation is far under what the response can show.
const delayExcerptsS = 30

func findArrivals(ctx context.Context, cmd *cobra.Command, rec offline.Recording, cfg offline.ArrivalsConfig) ([]offline.Found, error) {
	line := newProgress(cmd.ErrOrStderr(), "looking for arrivals")
	defer line.end()
	cfg.Progress = line.at
	return offline.Arrivals(ctx, rec, cfg)
}

func (f *responseFlags) report(path string, rec offline.Recording, delays []delay, against []examined, found []offline.Found, result *offline.Responses, verdicts []polarity.Verdict) *responseReport {
	r := &responseReport{
		File:       path,
		RateHz:     rec.File.Format().SampleRateHz,
		DurationS:  wire.Value(rec.DurationS()),
		Reference:  rec.Reference + 1,
		Window:     windowName(f.windowSamples),
		Overlap:    wire.Value(f.overlap),
		UsedS:      wire.Value(result.UsedS),
		Microphone: make([]responseMicrophone, len(delays)),
	}
	if f.sure != nil {
		r.Until = &untilReport{
			WithinDB: wire.Value(f.sure.WithinDB), LowHz: wire.Value(f.sure.LowHz), HighHz: wire.Value(f.sure.HighHz),
			Reached: result.Sure, Part: wire.Value(result.SurePart), RemainingS: wire.Value(result.RemainingS),
		}
	}
	for i := range delays {
		var c response.Curve
		result.Spectra[i].Curve(&c)
		judged := verdicts[i]
		switch {
		case against[i].swapped():
			judged = polarity.Verdict{Reason: caution.WhyNoPolarity}
		case math.IsNaN(delays[i].ms):
			blank(&c)
		case against[i].dead: // with a delay that was given
			judged = polarity.Verdict{Reason: against[i].why}
			blank(&c)
		}
		m := analyze.Microphone{
			Input: analyze.Input{Channel: rec.Microphones[i] + 1}, DelayMs: delays[i].ms, DelaySDMs: delays[i].sdMs,
			DelayFixed: found == nil, DelayReason: delays[i].reason, PeriodMs: 1000 * f.periodS, Polarity: judged, Curve: c,
		}
		if found != nil && !against[i].swapped() {
			m.Arrivals = found[i].Arrivals
		}
		r.Microphone[i] = responseMicrophone{
			Channel:       rec.Microphones[i] + 1,
			responseCurve: newResponseCurve(&m, against[i].cautions, rec.Reference+1, f.temperature),
		}
	}
	return r
}

// newResponseCurve reports a path that was measured.
func newResponseCurve(m *analyze.Microphone, against []caution.Caution, reference int, temperatureC float64) responseCurve {
	c := &m.Curve
	return responseCurve{
		Headline:    headline(against, m, reference, temperatureC),
		DelayMs:     wire.Value(m.DelayMs),
		DelaySDMs:   wire.Value(m.DelaySDMs),
		Reason:      reason(m.DelayReason),
		Cautions:    cautionObjects(against),
		Polarity:    newPolarityObject(m.Polarity),
		FrequencyHz: c.FrequencyHz,
		MagnitudeDB: c.MagnitudeDB, MagnitudeLowDB: c.MagnitudeLowDB, MagnitudeHighDB: c.MagnitudeHighDB,
		PhaseDeg: c.PhaseDeg, PhaseErrorDeg: c.PhaseErrorDeg,
		Coherence: c.Coherence, Threshold: c.Threshold, EffectiveAverages: c.EffectiveAverages,
	}
}

// headline is what happened and what to do, in a line: first what spoils the rest.
func headline(against []caution.Caution, m *analyze.Microphone, reference int, temperatureC float64) string {
	if len(against) > 0 {
		return verdict.Lead(against[0].Text())
	}
	return verdict.Recorded(m, reference, verdict.Options{TemperatureC: temperatureC}).Headline
}

// blank makes a curve unknown: at no delay the windows hold unlike stretches of
// sound, and what comes out is too quiet by as much as they differ (Seybert and
// Hamilton 1978).
func blank(c *response.Curve) {
	for _, x := range [][]float64{c.MagnitudeDB, c.MagnitudeLowDB, c.MagnitudeHighDB, c.PhaseDeg, c.PhaseErrorDeg, c.Coherence} {
		for k := range x {
			x[k] = math.NaN()
		}
	}
}

func newPolarityObject(v polarity.Verdict) wire.PolarityObject {
	o := wire.PolarityObject{Verdict: v.Word(), Confidence: confidence(v.Sign, v.Confidence), Reason: v.Reason, Bands: []wire.BandObject{}}
	if v.Several {
		o.OfArrivalMs = (*wire.Value)(&v.DelayMs)
	}
	for _, b := range v.Bands {
		o.Bands = append(o.Bands, wire.BandObject{
			LowHz: wire.Value(b.LowHz), HighHz: wire.Value(b.HighHz),
			Verdict: signWord(b.Sign), Confidence: confidence(b.Sign, b.Confidence),
		})
	}
	return o
}

// confidence is unknown while the sign is undecided.
func confidence(sign int, c float64) wire.Value {
	if sign == 0 {
		return wire.Value(math.NaN())
	}
	return wire.Value(c)
}

func signWord(sign int) string { return polarity.Verdict{Sign: sign}.Word() }

func windowName(samples int) any {
	if samples == 0 {
		return "multi"
	}
	return samples
}
