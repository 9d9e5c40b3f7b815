package main

import (
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"plumbline/analyze/air"
	"plumbline/analyze/arrival"
	"plumbline/analyze/setting"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

type arrivalsFlags struct {
	recordingFlags
	max         int
	temperature float64
	json        bool
}

func newArrivalsCommand() *cobra.Command {
	var f arrivalsFlags
	cmd := &cobra.Command{
		Use:     "arrivals FILE.wav",
		GroupID: groupRecorded,
		Short:   "When the sound reaches each microphone, how loud, which way round",
		Long: `Looks for the sound of the reference in each microphone, up to 1.5 s late: the
loudspeaker itself, other loudspeakers with the same signal, strong reflections.

Each arrival has its delay with a standard deviation, the distance that sound
goes in that time, its level relative to the strongest arrival, and how its
loudspeaker is wired: undecided where its sound does not tell. When nothing can be
told it says why, and names no delay. Broadband sound is best: pink noise, music
with everything in it.

With several references (--ref 1,2) all loudspeakers may play at once, each with its
own channel: the arrivals of each are looked for in what the others do not play.`,
		Example: `  plumbline arrivals seat1.wav
  plumbline arrivals seat1.wav --max 2 --temperature 28
  plumbline arrivals all.wav --ref 1 --mic 2,3 --json
  plumbline arrivals seat1.wav --ref 1,2`,
		Args: takes(1, 1, "one WAV file"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	f.add(cmd)
	cmd.Flags().IntVar(&f.max, "max", 5, "most `arrivals` to report, 1 to 5")
	cmd.Flags().Float64Var(&f.temperature, "temperature", 20, "of the air in `degrees` Celsius, for distances")
	cmd.Flags().BoolVar(&f.json, "json", false, "one JSON object instead of a table")
	return cmd
}

func (f *arrivalsFlags) run(cmd *cobra.Command, path string) error {
	if f.max < 1 || f.max > 5 {
		return usagef("--max wants 1 to 5, not %d", f.max)
	}
	if err := misused(setting.CheckTemperature(f.temperature)); err != nil {
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
	rec, against, err := examine(cmd.Context(), rec, leastGoodS)
	if err != nil {
		return err
	}
	rec, found, err := findAtRest(cmd.Context(), rec, against, arrivalsOf(cmd, offline.ArrivalsConfig{Max: f.max}))
	if err != nil {
		return err
	}
	if _, err := judgePolarity(cmd, rec, found); err != nil {
		return err
	}
	if err := arrived(cmd.Context(), rec, against, found); err != nil {
		return err
	}
	report := newArrivalsReport(rec, found, against, f.temperature)
	if f.json {
		return printJSON(cmd.OutOrStdout(), report)
	}
	return report.print(cmd.OutOrStdout(), f.temperature)
}

// arrivalsReport is the JSON of arrivals.
type arrivalsReport struct {
	Microphones []arrivalsMicrophone `json:"microphones"`
}

type arrivalsMicrophone struct {
	Channel  int                  `json:"channel"`
	Reason   reason               `json:"reason"` // why there is none
	Cautions []wire.Caution       `json:"cautions"`
	Arrivals []wire.ArrivalObject `json:"arrivals"`
}

func newArrivalsReport(rec offline.Recording, found []offline.Found, against []examined, temperatureC float64) *arrivalsReport {
	r := &arrivalsReport{}
	for i, at := range found {
		if e := &against[i]; e.swapped() { // what lies within reach need not be it
			at = offline.Found{Arrivals: []arrival.Arrival{{DelayMs: e.aheadMs, DelaySDMs: e.aheadSDMs}}}
		}
		m := arrivalsMicrophone{
			Channel: rec.Microphones[i] + 1, Reason: reason(at.Reason),
			Cautions: cautionObjects(against[i].cautions), Arrivals: arrivalObjects(at.Arrivals, temperatureC),
		}
		r.Microphones = append(r.Microphones, m)
	}
	return r
}

// arrivalObjects are arrivals for JSON, never nil.
func arrivalObjects(list []arrival.Arrival, temperatureC float64) []wire.ArrivalObject {
	out := []wire.ArrivalObject{}
	for _, a := range list {
		out = append(out, wire.ArrivalObject{
			DelayMs: wire.Value(a.DelayMs), DelaySDMs: wire.Value(a.DelaySDMs),
			DistanceM: wire.Value(a.DelayMs / 1000 * air.SpeedOfSound(temperatureC)),
			LevelDB:   wire.Value(a.LevelDB), Polarity: signWord(a.Sign),
		})
	}
	return out
}

func (r *arrivalsReport) print(w io.Writer, temperatureC float64) error {
	out := newTypeset(w)
	for i, m := range r.Microphones {
		if i > 0 {
			fmt.Fprintln(out)
		}
		if len(m.Arrivals) == 0 {
			fmt.Fprintf(out, "Channel %d: no arrival: %s\n", m.Channel, string(m.Reason))
			printCautions(out, "  ", m.Cautions)
			continue
		}
		fmt.Fprintf(out, "Channel %d (distances at %g °C)\n", m.Channel, temperatureC)
		printCautions(out, "  ", m.Cautions)
		printArrivals(out, m.Arrivals)
	}
	return out.Flush()
}

func printArrivals(out io.Writer, list []wire.ArrivalObject) {
	fmt.Fprintln(out, "     delay      95 %  distance   level  polarity")
	fmt.Fprintln(out, "        ms        ms         m      dB")
	for _, a := range list {
		fmt.Fprintf(out, "%10s %9s %9s %7s  %s\n", cell(float64(a.DelayMs), 4), plusMinus(float64(a.DelaySDMs)),
			cell(float64(a.DistanceM), 2), cell(float64(a.LevelDB), 1), a.Polarity)
	}
}

// plusMinus is two standard deviations, as the pages have them: half the width of the
// 95 % interval of a normal distribution. It is rounded up, never to claim more than is
// known.
func plusMinus(sd float64) string {
	if math.IsNaN(sd) {
		return ""
	}
	return fmt.Sprintf("±%.4f", math.Ceil(2*sd*1e4)/1e4)
}
