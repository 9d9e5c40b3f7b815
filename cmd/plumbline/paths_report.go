package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/caution"
	"plumbline/analyze/setting"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// pathsReport is the JSON of response with several references.
type pathsReport struct {
	File       string            `json:"file"`
	RateHz     int               `json:"sample_rate_hz"`
	DurationS  wire.Value        `json:"duration_s"`
	References []int             `json:"references"`
	Window     any               `json:"window"`
	Overlap    wire.Value        `json:"overlap"`
	Microphone []pathsMicrophone `json:"microphones"`
}

type pathsMicrophone struct {
	Channel  int            `json:"channel"`
	Headline string         `json:"headline"`
	Cautions []wire.Caution `json:"cautions"`
	Paths    []pathsPath    `json:"paths"`
	Multiple numbers        `json:"multiple_coherence"` // at the frequencies of the paths
}

type pathsPath struct {
	Reference int           `json:"reference"`
	Alike     []alikeReport `json:"alike"` // where it cannot be told from the others
	responseCurve
}

type alikeReport struct {
	LowHz  wire.Value `json:"low_hz"`
	HighHz wire.Value `json:"high_hz"`
	Part   wire.Value `json:"part"` // 0…1 of the reference's power that the others have too
}

// headline is what is wrong, or else when each loudspeaker arrives.
func (m *pathsMicrophone) headline(against []caution.Caution) string {
	if len(against) > 0 {
		return verdict.Lead(against[0].Text())
	}
	var list []string
	for i := range m.Paths {
		list = append(list, fmt.Sprintf("reference %d after %.2f ms", m.Paths[i].Reference, float64(m.Paths[i].DelayMs)))
	}
	return "The microphone hears " + strings.Join(list, ", ") + "."
}

// print writes the report for people; measured is what it was made of.
func (r *pathsReport) print(w io.Writer, temperatureC float64, measured []offline.Paths) error {
	out := newTypeset(w)
	list := channelList(r.References)
	fmt.Fprintf(out, "%s: %.1f s at %d Hz, references on channels %s, window %v, overlap %.0f %%\n",
		r.File, float64(r.DurationS), r.RateHz, strings.ReplaceAll(list.String(), ",", ", "), r.Window, 100*float64(r.Overlap))
	for i := range r.Microphone {
		m := &r.Microphone[i]
		fmt.Fprintf(out, "\nChannel %d: %s\n", m.Channel, m.Headline)
		printCautions(out, "  ", m.Cautions)
		for p := range m.Paths {
			fmt.Fprintf(out, "\nReference %d at channel %d: %s\n", m.Paths[p].Reference, m.Channel, m.Paths[p].Headline)
			m.Paths[p].print(out, temperatureC, &measured[i].Spectra[p])
		}
	}
	return out.Flush()
}

// arrivalsPaths is the JSON of arrivals with several references.
type arrivalsPaths struct {
	References  []int                     `json:"references"`
	Microphones []arrivalsPathsMicrophone `json:"microphones"`
}

type arrivalsPathsMicrophone struct {
	Channel  int            `json:"channel"`
	Cautions []wire.Caution `json:"cautions"`
	Paths    []arrivalsPath `json:"paths"`
}

type arrivalsPath struct {
	Reference int                  `json:"reference"`
	Reason    reason               `json:"reason"` // why there is none
	Cautions  []wire.Caution       `json:"cautions"`
	Arrivals  []wire.ArrivalObject `json:"arrivals"`
}

// runPaths is run with several references.
func (f *arrivalsFlags) runPaths(cmd *cobra.Command, path string) error {
	if err := misused(setting.CheckTemperature(f.temperature)); err != nil {
		return err
	}
	rec, err := f.openSeveral(cmd, path)
	if err != nil {
		return err
	}
	defer rec.File.Close()
	rec, against, err := examineSeveral(cmd.Context(), rec, leastGoodS)
	if err != nil {
		return err
	}
	found, err := findPaths(cmd, rec, against, offline.ArrivalsConfig{Max: f.max})
	if err != nil {
		return err
	}
	if err := judgePaths(cmd, rec, found); err != nil {
		return err
	}
	r := &arrivalsPaths{}
	for _, c := range rec.References {
		r.References = append(r.References, c+1)
	}
	for m := range found {
		mic := arrivalsPathsMicrophone{Channel: rec.Microphones[m] + 1, Cautions: cautionObjects(against[m].cautions)}
		for p, at := range found[m] {
			mic.Paths = append(mic.Paths, arrivalsPath{
				Reference: rec.References[p] + 1, Reason: reason(at.Reason),
				Cautions: cautionObjects(against[m].paths[p].cautions), Arrivals: arrivalObjects(at.Arrivals, f.temperature),
			})
		}
		r.Microphones = append(r.Microphones, mic)
	}
	if f.json {
		return printJSON(cmd.OutOrStdout(), r)
	}
	return r.print(cmd.OutOrStdout(), f.temperature)
}

// judgePaths lets the polarity of each path be told by its response, as with one
// reference.
func judgePaths(cmd *cobra.Command, rec offline.Several, found [][]offline.PathFound) error {
	line := newProgress(cmd.ErrOrStderr(), "judging polarity")
	defer line.end()
	f := responseFlags{delayMs: math.NaN()}
	cfg := offline.PathsConfig{Overlap: offline.PolarityOverlap, Progress: line.at}
	for m := range found {
		cfg.DelayS = append(cfg.DelayS, f.compensated(found[m]))
	}
	measured, err := offline.Measure(cmd.Context(), rec, cfg)
	if err != nil {
		return err
	}
	for m := range found {
		list := make([]offline.Found, len(found[m]))
		for p := range list {
			list[p] = found[m][p].Found
		}
		offline.Judge(measured[m].Spectra, list)
	}
	return nil
}

func (r *arrivalsPaths) print(w io.Writer, temperatureC float64) error {
	out := newTypeset(w)
	for i, m := range r.Microphones {
		if i > 0 {
			fmt.Fprintln(out)
		}
		fmt.Fprintf(out, "Channel %d (distances at %g °C)\n", m.Channel, temperatureC)
		printCautions(out, "  ", m.Cautions)
		for _, p := range m.Paths {
			if len(p.Arrivals) == 0 {
				fmt.Fprintf(out, "  Reference %d: no arrival: %s\n", p.Reference, string(p.Reason))
				printCautions(out, "    ", p.Cautions)
				continue
			}
			fmt.Fprintf(out, "  Reference %d\n", p.Reference)
			printCautions(out, "    ", p.Cautions)
			printArrivals(out, p.Arrivals)
		}
	}
	return out.Flush()
}
