package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/air"
	"plumbline/analyze/alignment"
	"plumbline/analyze/response"
	"plumbline/analyze/setting"
	"plumbline/cmd/plumbline/offline"
	"plumbline/cmd/plumbline/planning"
	"plumbline/stream/wire"
)

type alignFlags struct {
	takesFlags
	pairs   []string
	aim     string
	gain    bool
	rangeMs float64
	spreadM float64
}

func newAlignCommand() *cobra.Command {
	var f alignFlags
	cmd := &cobra.Command{
		Use:     "align --pair A.wav,B.wav …",
		GroupID: groupRecorded,
		Short:   "The delay, polarity and gain to dial in, over all seats",
		Long: `Chooses the delay and the polarity with which two loudspeakers add up best at
several seats at once.

Give one --pair a seat: two recordings at that seat, each with the reference on
channel 1 and the microphone on channel 2, the first with only loudspeaker A
playing, the second with only B. Name the loudspeakers in the same order for
every seat.

The efficiency of a seat is how much of the sum |A| + |B| arrives, in dB, mean
over log frequency: 0 dB where nothing is lost. --aim mean looks for the best
mean over the seats, --aim worst for the best worst seat. Every delay within
±range is tried, in steps finer than an eighth of the shortest period, with both
polarities. --gain lets B's gain change too; it is chosen for efficiency plus what
unequal levels cost.

Where two overlap by an octave or two, as a main and its sub do, a cycle more or
less gives nearly the same sum. Cycles within 0.5 dB are named; the plan is then the
one whose phase slopes agree or, where these do not tell, the smaller step.

Heads are not where the microphone stood. --spread says how far about it they are,
standard deviation along each axis; everything is averaged over that, with the two
loudspeakers seen 45° apart. The plan then holds where heads are, and the answer
says up to which frequency the two add up there. --spread 0 plans for the very
points of the microphone.`,
		Example: `  plumbline align --pair main1.wav,fill1.wav --pair main2.wav,fill2.wav
  plumbline align --pair m1.wav,f1.wav --pair m2.wav,f2.wav --aim worst --band 80:4000
  plumbline align --pair m1.wav,f1.wav --pair m2.wav,f2.wav --spread 0.2
  plumbline align --pair main.wav,sub.wav --temperature 28 --json`,
		Args: takes(0, 0, "no arguments beside --pair A.wav,B.wav"),
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	f.add(cmd)
	cmd.Flags().StringArrayVar(&f.pairs, "pair", nil, "recordings of A and B at a seat, `A.wav,B.wav`; once for every seat")
	cmd.Flags().StringVar(&f.aim, "aim", "mean", "`what` to make best: the mean of the seats, or worst for the worst seat")
	cmd.Flags().BoolVar(&f.gain, "gain", false, "choose the gain of B as well")
	cmd.Flags().Float64Var(&f.rangeMs, "range", 50, "longest delay to try, `milliseconds`")
	cmd.Flags().Float64Var(&f.spreadM, "spread", alignment.DefaultSpreadM, "how far heads are about the microphone, `metres`; 0 for its very point")
	cmd.RegisterFlagCompletionFunc("aim", cobra.FixedCompletions([]string{"mean", "worst"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func (f *alignFlags) run(cmd *cobra.Command) error {
	if err := f.parse(); err != nil {
		return err
	}
	cfg := alignment.Config{Band: f.bandHz, Gain: f.gain, Each: offline.Each}
	switch f.aim {
	case "mean":
	case "worst":
		cfg.Aim = alignment.Worst
	default:
		return usagef("--aim wants mean or worst, not %q", f.aim)
	}
	if !(f.rangeMs > 0 && f.rangeMs <= 1000) {
		return usagef("--range wants milliseconds up to 1000, not %g", f.rangeMs)
	}
	if err := setting.CheckSpread(f.spreadM); err != nil {
		return misused(err)
	}
	if cmd.Flags().Changed("range") { // otherwise no more than short recordings can tell
		cfg.MaxDelayMs = f.rangeMs
	}
	if len(f.pairs) == 0 {
		return usagef("wants --pair A.wav,B.wav, once for every seat")
	}
	var paths []string
	for _, pair := range f.pairs {
		a, b, ok := strings.Cut(pair, ",")
		if !ok || a == "" || b == "" || strings.Contains(b, ",") {
			return usagef("--pair wants two files such as main.wav,fill.wav, not %q", pair)
		}
		if a == b {
			return fmt.Errorf("%s is both A and B of a seat: record each loudspeaker alone", a)
		}
		paths = append(paths, a, b)
	}
	takes, closeAll, err := f.open(cmd, paths)
	if err != nil {
		return err
	}
	defer closeAll()
	spectra, err := f.spectra(cmd, paths, takes, -1)
	if err != nil {
		return err
	}
	spreadMs := alignment.SpreadMs(f.spreadM, alignment.Apart(alignment.UnknownAngleDeg), air.SpeedOfSound(f.temperature))
	seats := make([]alignment.Seat, len(f.pairs))
	for i := range seats {
		seats[i] = alignment.Seat{A: spectra[2*i], B: spectra[2*i+1], SpreadMs: spreadMs, Arrivals: f.arrivals(spectra, 2*i)}
	}
	problem, err := alignment.New(cfg, seats)
	if err != nil {
		return f.because(paths, err)
	}
	result := problem.Solve()
	report := newAlignReport(f, result)
	report.Cautions = f.cautions(paths)
	today, then := problem.Gains(nil, alignment.Setting{Sign: 1}), problem.Gains(nil, result.Plan)
	for i := range report.Seats {
		report.Seats[i].HeadsDB, report.Seats[i].HeadsPlanDB = wire.Value(today[i]), wire.Value(then[i])
		report.Seats[i].ChangeDB = wire.Value(then[i] - today[i])
	}
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), f.temperature)
}

// arrivals is what the arrivals in take i and the next say of these two loudspeakers.
func (f *takesFlags) arrivals(spectra []*response.Spectra, i int) alignment.Arrivals {
	return alignment.Arrivals{
		OffsetMs: 1e3 * (spectra[i+1].DelayS - spectra[i].DelayS),
		SDMs:     math.Hypot(f.sdMs[i], f.sdMs[i+1]),
		Sign:     f.signs[i] * f.signs[i+1],
	}
}

// alignReport is the JSON of align.
type alignReport struct {
	Cautions   []fileCaution    `json:"cautions"`
	BandHz     numbers          `json:"band_hz"`
	Window     any              `json:"window"`
	Aim        string           `json:"aim"`
	Plan       plannedObject    `json:"plan"`
	RunnerUp   *runnerUpObject  `json:"runner_up"` // null: there is no other
	Efficiency efficiencyObject `json:"efficiency_db"`
	FlatnessMs wire.Value       `json:"flatness_ms"`
	Certainty  string           `json:"certainty"` // sure, likely, cannot tell
	Reason     string           `json:"reason"`
	Cycles     []cycleObject    `json:"cycles"` // that are as good as the plan's
	SpreadM    float64          `json:"spread_m"`
	AddsUpTo   wire.Value       `json:"adds_up_to_hz"`   // where heads are; null without a spread
	Nothing    wire.Value       `json:"nothing_from_hz"` // from there on nothing is to be aligned
	Seats      []seatObject     `json:"seats"`
}

// cycleObject is another setting that is as good.
type cycleObject struct {
	planObject
	LessDB  wire.Value `json:"less_db"`  // than the plan
	SlopeMs wire.Value `json:"slope_ms"` // group delay of B after A's that it leaves
}

type planObject struct {
	Wait      string     `json:"wait"` // the loudspeaker that gets the delay
	DelayMs   wire.Value `json:"delay_ms"`
	DistanceM wire.Value `json:"distance_m"`
	PolarityB string     `json:"polarity_b"`
	GainBDB   wire.Value `json:"gain_b_db"`
}

// plannedObject is the plan and how well it is known.
type plannedObject struct {
	planObject
	LowDB     wire.Value `json:"low_db"` // 95 % interval of its efficiency
	HighDB    wire.Value `json:"high_db"`
	DelaySDMs wire.Value `json:"delay_sd_ms"`
	Follows   bool       `json:"follows_arrivals"` // the phases tell no better delay than the arrivals do
}

type runnerUpObject struct {
	planObject
	LowDB  wire.Value `json:"low_db"`
	HighDB wire.Value `json:"high_db"`
}

type efficiencyObject struct {
	Today    wire.Value `json:"today"`
	Plan     wire.Value `json:"plan"`
	RunnerUp wire.Value `json:"runner_up"`
}

type seatObject struct {
	Seat       int        `json:"seat"`
	TodayDB    wire.Value `json:"today_db"`
	PlanDB     wire.Value `json:"plan_db"`
	LowDB      wire.Value `json:"low_db"` // 95 % interval of plan_db
	HighDB     wire.Value `json:"high_db"`
	RunnerUpDB wire.Value `json:"runner_up_db"`
	OffsetMs   wire.Value `json:"offset_ms"` // B's arrival minus A's
	// Level of the sum over the louder one where heads are, predicted, and what the
	// plan changes of it.
	HeadsDB     wire.Value `json:"heads_db"`
	HeadsPlanDB wire.Value `json:"heads_plan_db"`
	ChangeDB    wire.Value `json:"change_db"`
}

func newAlignReport(f *alignFlags, r *alignment.Result) *alignReport {
	plan := func(s alignment.Setting) planObject {
		wait, ms := s.Wait()
		return planObject{
			Wait: wait, DelayMs: wire.Value(ms), DistanceM: wire.Value(ms / 1000 * air.SpeedOfSound(f.temperature)),
			PolarityB: signWord(s.Sign), GainBDB: wire.Value(s.GainDB),
		}
	}
	report := &alignReport{
		BandHz: numbers{r.Band.LowHz, r.Band.HighHz}, Window: windowName(f.windowSamples), Aim: f.aim,
		Plan:       plannedObject{plan(r.Plan), wire.Value(r.PlanIn.LowDB), wire.Value(r.PlanIn.HighDB), wire.Value(r.DelaySDMs), r.Follows},
		Efficiency: efficiencyObject{Today: wire.Value(r.TodayDB), Plan: wire.Value(r.PlanDB), RunnerUp: wire.Value(r.RunnerUpDB)},
		FlatnessMs: wire.Value(r.FlatnessMs), Cycles: []cycleObject{},
		SpreadM: f.spreadM, AddsUpTo: wire.Unknown(), Nothing: wire.Unknown(),
	}
	report.Certainty, report.Reason = planning.SayCertainty(r, "A", "B")
	for _, c := range r.Cycles.Alike {
		report.Cycles = append(report.Cycles, cycleObject{plan(c.Setting), wire.Value(c.LessDB), wire.Value(c.SlopeMs)})
	}
	if f.spreadM > 0 {
		report.AddsUpTo, report.Nothing = wire.Value(r.AddsUpToHz), wire.Value(r.NothingHz)
	}
	if r.RunnerUp.Sign != 0 {
		report.RunnerUp = &runnerUpObject{plan(r.RunnerUp), wire.Value(r.RunnerUpIn.LowDB), wire.Value(r.RunnerUpIn.HighDB)}
	}
	for i, s := range r.Seats {
		report.Seats = append(report.Seats, seatObject{
			Seat: i + 1, TodayDB: wire.Value(s.TodayDB), PlanDB: wire.Value(s.PlanDB), LowDB: wire.Value(s.Plan.LowDB), HighDB: wire.Value(s.Plan.HighDB),
			RunnerUpDB: wire.Value(s.RunnerUpDB), OffsetMs: wire.Value(s.OffsetMs),
		})
	}
	return report
}

// print writes the plan for people: first what to dial in.
func (r *alignReport) print(w io.Writer, temperatureC float64) error {
	out := newTypeset(w)
	printFileCautions(out, r.Cautions)
	fmt.Fprintf(out, "Plan       %s\n", r.Plan.text(temperatureC))
	if r.RunnerUp != nil {
		fmt.Fprintf(out, "Runner-up  %s\n", r.RunnerUp.text(temperatureC))
	}
	if r.Certainty != alignment.Sure.String() {
		fmt.Fprintf(out, "\n%s\n", r.Reason)
	}
	aim := "mean of the seats"
	if r.Aim == "worst" {
		aim = "worst seat"
	}
	fmt.Fprintf(out, "\nThe delay may move by %.3f ms before %g dB are lost. Band %.0f Hz to %.0f Hz.\n",
		float64(r.FlatnessMs), alignment.FlatDB, r.BandHz[0], r.BandHz[1])
	if reach := planning.Reach(float64(r.AddsUpTo), float64(r.Nothing), "A", "B", r.BandHz[0], r.BandHz[1]); reach != "" {
		fmt.Fprintf(out, "Mean over heads %.0f cm about the microphone. %s\n", 100*r.SpreadM, reach)
	}
	fmt.Fprintf(out, "Efficiency, dB of the ideal sum, %s: today %s, plan %s (95 %%: %s to %s), runner-up %s.\n\n", aim,
		loss(r.Efficiency.Today), loss(r.Efficiency.Plan), loss(r.Plan.LowDB), loss(r.Plan.HighDB), loss(r.Efficiency.RunnerUp))
	fmt.Fprintln(out, "       efficiency, dB of the ideal                      level of the sum, dB over the louder one")
	fmt.Fprintln(out, "  seat   today    plan       95 % from     to  runner-up     today    plan  change   B after A, ms")
	for _, s := range r.Seats {
		fmt.Fprintf(out, "%6d %7s %7s %15s %6s %10s %9s %7s %7s %15s\n", s.Seat, loss(s.TodayDB), loss(s.PlanDB), loss(s.LowDB), loss(s.HighDB), loss(s.RunnerUpDB),
			cell(float64(s.HeadsDB), 2), cell(float64(s.HeadsPlanDB), 2), signed(float64(s.ChangeDB), 2), cell(float64(s.OffsetMs), 3))
	}
	return out.Flush()
}

// sayCycles is how sure the cycle of a plan is, in words.
func sayCycles(c alignment.Cycles) string { return planning.SayCycles(c, "B") }

// loss is an efficiency, at most 0 dB, without a rounding error's sign.
func loss(db wire.Value) string {
	if math.Abs(float64(db)) < 0.005 {
		return "0.00"
	}
	if text := cell(float64(db), 2); text != "" {
		return text
	}
	return "none"
}

func (p planObject) text(temperatureC float64) string {
	text := fmt.Sprintf("%s waits %.3f ms (%.2f m at %g °C), polarity of B ", p.Wait, float64(p.DelayMs), float64(p.DistanceM), temperatureC)
	if p.PolarityB == signWord(-1) {
		text += "turned"
	} else {
		text += "as it is"
	}
	if p.GainBDB != 0 {
		text += fmt.Sprintf(", gain of B %+.1f dB", float64(p.GainBDB))
	}
	return text
}
