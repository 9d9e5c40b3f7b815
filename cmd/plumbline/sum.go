package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/air"
	"plumbline/analyze/alignment"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

func newSumCommand() *cobra.Command {
	var f takesFlags
	cmd := &cobra.Command{
		Use:     "sum A.wav B.wav [BOTH.wav]",
		GroupID: groupRecorded,
		Short:   "Where the decibels of a sum went",
		Long: `Accounts for every decibel between what two loudspeakers could give together at
a seat, 6.02 dB more than the louder one, and what they do give.

Each recording has the reference on channel 1 and the microphone, which stays
where it is, on channel 2. In A.wav only the first loudspeaker plays, in B.wav
only the second, in BOTH.wav both; without BOTH.wav their sum is predicted.

The rows add up exactly: level (one is louder), spectrum (they are loud at
different frequencies), phase (which no delay mends), time (the delay is not the
best), polarity, and the rest (measured against predicted: noise, movement, a
limiter). Levels are of the response re the reference, power means over log
frequency, where both play, are trusted and lie within 10 dB of each other. The
offset is the one that plumbline align undoes.`,
		Example: `  plumbline sum main.wav fill.wav
  plumbline sum main.wav fill.wav both.wav --band 80:8000
  plumbline sum main.wav fill.wav both.wav --json`,
		Args: takes(2, 3, "two or three WAV files"),
		RunE: func(cmd *cobra.Command, args []string) error { return runSum(cmd, &f, args) },
	}
	f.add(cmd)
	return cmd
}

func runSum(cmd *cobra.Command, f *takesFlags, paths []string) error {
	if err := f.parse(); err != nil {
		return err
	}
	takes, closeAll, err := f.open(cmd, paths)
	if err != nil {
		return err
	}
	defer closeAll()
	spectra, err := f.spectra(cmd, paths, takes, 2)
	if err != nil {
		return err
	}
	var both *response.Spectra
	if len(spectra) == 3 {
		both = spectra[2]
	}
	cfg, cycles := aligned(spectra[0], spectra[1], f.bandHz)
	ledger, err := summation.Account(spectra[0], spectra[1], both, cfg)
	if err != nil {
		return f.because(paths, fmt.Errorf("%s: %w", strings.Join(paths, ", "), err))
	}
	report := newSumReport(f, ledger)
	report.Cautions = f.cautions(paths)
	report.Certainty, report.Reason = cycles.Certainty.String(), sayCycles(cycles)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), paths, f.temperature)
}

// aligned is what the ledger of a seat is to be drawn up with: the offset and the
// band that an alignment of this seat alone finds, so that both say the same.
// What it cannot align, the ledger will say why.
func aligned(a, b *response.Spectra, band summation.Band) (summation.Config, alignment.Cycles) {
	cfg := summation.Config{Band: band}
	reachMs := max(50, 1.25e3*math.Abs(b.DelayS-a.DelayS))
	if a.Window > 0 {
		reachMs = min(reachMs, 500*float64(a.Window)/a.SampleRateHz)
	}
	problem, err := alignment.New(alignment.Config{Band: band, MaxDelayMs: min(reachMs, 1000), Each: offline.Each}, []alignment.Seat{{A: a, B: b}})
	if err != nil {
		return cfg, alignment.Cycles{}
	}
	r := problem.Solve()
	cfg.Band, cfg.MaxOffsetMs = r.Band, reachMs
	cfg.Offset = &summation.Offset{Ms: r.Seats[0].OffsetMs, Sign: r.Seats[0].OffsetSign}
	return cfg, r.Cycles
}

// sumReport is the JSON of sum.
type sumReport struct {
	Cautions         []fileCaution  `json:"cautions"`
	BandHz           numbers        `json:"band_hz"`
	Window           any            `json:"window"`
	LevelADB         wire.Value     `json:"level_a_db"`
	LevelBDB         wire.Value     `json:"level_b_db"`
	LevelBothDB      wire.Value     `json:"level_both_db"`
	Predicted        bool           `json:"predicted"`
	GainOverLouderDB wire.Value     `json:"gain_over_louder_db"`
	GainLowDB        wire.Value     `json:"gain_low_db"`
	GainHighDB       wire.Value     `json:"gain_high_db"`
	IdealGainDB      wire.Value     `json:"ideal_gain_db"`
	OffsetMs         wire.Value     `json:"offset_ms"`
	OffsetSDMs       wire.Value     `json:"offset_sd_ms"`
	Polarity         string         `json:"polarity"`
	Certainty        string         `json:"certainty"` // of the offset's cycle
	Reason           string         `json:"reason"`
	Ledger           []ledgerObject `json:"ledger"`
	Comb             combObject     `json:"comb"`
}

type ledgerObject struct {
	Cause    string     `json:"cause"`
	ChangeDB wire.Value `json:"change_db"`
	LowDB    wire.Value `json:"low_db"` // null: it may be a complete loss
	HighDB   wire.Value `json:"high_db"`
	Sentence string     `json:"sentence"`
}

type combObject struct {
	NotchHz numbers    `json:"notch_hz"`
	PeakHz  numbers    `json:"peak_hz"`
	NotchDB wire.Value `json:"notch_db"` // re the louder; null: complete
	PeakDB  wire.Value `json:"peak_db"`
}

func newSumReport(f *takesFlags, l *summation.Ledger) *sumReport {
	r := &sumReport{
		BandHz: numbers{l.Band.LowHz, l.Band.HighHz}, Window: windowName(f.windowSamples),
		LevelADB: wire.Value(l.LevelADB), LevelBDB: wire.Value(l.LevelBDB), LevelBothDB: wire.Value(l.LevelBothDB),
		Predicted: l.Predicted, GainOverLouderDB: wire.Value(l.GainOverLouderDB),
		GainLowDB: wire.Value(l.GainLowDB), GainHighDB: wire.Value(l.GainHighDB), IdealGainDB: wire.Value(l.IdealGainDB),
		OffsetMs: wire.Value(l.OffsetMs), OffsetSDMs: wire.Value(l.OffsetSDMs), Polarity: signWord(l.Sign),
	}
	for _, row := range l.Rows {
		r.Ledger = append(r.Ledger, ledgerObject{
			Cause: string(row.Cause), ChangeDB: wire.Value(row.ChangeDB),
			LowDB: wire.Value(row.LowDB), HighDB: wire.Value(row.HighDB), Sentence: row.Sentence,
		})
	}
	comb := summation.NewComb(l.OffsetMs, l.LevelADB-l.LevelBDB, l.Sign, l.Band)
	r.Comb = combObject{
		NotchHz: append(numbers{}, comb.NotchHz...), PeakHz: append(numbers{}, comb.PeakHz...),
		NotchDB: wire.Value(comb.NotchDB), PeakDB: wire.Value(comb.PeakDB),
	}
	return r
}

// print writes the ledger as a table for people.
func (r *sumReport) print(w io.Writer, paths []string, temperatureC float64) error {
	out := newTypeset(w)
	printFileCautions(out, r.Cautions)
	fmt.Fprintf(out, "%s\n\n", r.headline())
	fmt.Fprintf(out, "From %.0f Hz to %.0f Hz, re the reference:\n", r.BandHz[0], r.BandHz[1])
	names := []string{"A", "B", "both"}
	for i, level := range []wire.Value{r.LevelADB, r.LevelBDB, r.LevelBothDB} {
		what := "predicted"
		if i < len(paths) {
			what = paths[i]
		}
		fmt.Fprintf(out, "  %-5s%8s dB  %s\n", names[i], cell(float64(level), 2), what)
	}
	ms := float64(r.OffsetMs)
	if math.Abs(ms) < 0.0005 {
		fmt.Fprintf(out, "B arrives together with A, polarity %s.\n\n", r.Polarity)
	} else {
		fmt.Fprintf(out, "B arrives %.3f ms %s A (%.2f m at %g °C), polarity %s.\n\n", math.Abs(ms), earlier(ms),
			math.Abs(ms)/1000*air.SpeedOfSound(temperatureC), temperatureC, r.Polarity)
	}
	if r.Certainty != alignment.Sure.String() {
		fmt.Fprintf(out, "%s\n\n", r.Reason)
	}
	fmt.Fprintln(out, "                dB       95 % interval")
	fmt.Fprintf(out, "  %-9s %7s\n", "ideal", signed(float64(r.IdealGainDB), 2))
	for _, row := range r.Ledger {
		fmt.Fprintf(out, "  %-9s %7s %9s …%7s   %s\n", row.Cause, signed(float64(row.ChangeDB), 2),
			cell(float64(row.LowDB), 2), cell(float64(row.HighDB), 2), row.Sentence)
	}
	fmt.Fprintf(out, "  %-9s %7s %9s …%7s   over the louder one\n", "gain", signed(float64(r.GainOverLouderDB), 2),
		cell(float64(r.GainLowDB), 2), cell(float64(r.GainHighDB), 2))
	if n := r.Comb.NotchHz; len(n) > 0 {
		fmt.Fprintf(out, "\nNotches at %s.\n", frequencies(n))
	}
	return out.Flush()
}

// headline is what the two do together, and what costs most of the rest.
func (r *sumReport) headline() string {
	text := "A and B gain " + cell(float64(r.GainOverLouderDB), 1) + " of " + cell(float64(r.IdealGainDB), 1) + " dB"
	if r.GainOverLouderDB < 0 {
		text = "A and B lose " + cell(-float64(r.GainOverLouderDB), 1) + " dB against the louder one"
	}
	if len(r.Ledger) > 0 {
		worst := slices.MinFunc(r.Ledger, func(a, b ledgerObject) int { return cmp.Compare(a.ChangeDB, b.ChangeDB) })
		if worst.ChangeDB < -0.1 {
			return fmt.Sprintf("%s: %s costs %s dB.", text, worst.Cause, cell(-float64(worst.ChangeDB), 1))
		}
	}
	return text + "."
}

func earlier(ms float64) string {
	if ms < 0 {
		return "before"
	}
	return "after"
}

// frequencies names the first few.
func frequencies(hz []float64) string {
	const most = 6
	var words []string
	for _, f := range hz[:min(most, len(hz))] {
		words = append(words, fmt.Sprintf("%.0f", f))
	}
	text := strings.Join(words, ", ") + " Hz"
	if len(hz) > most {
		text += fmt.Sprintf(" and %d more", len(hz)-most)
	}
	return text
}
