package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"plumbline/analyze/air"
	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// responseReport is the JSON of response.
type responseReport struct {
	File       string               `json:"file"`
	RateHz     int                  `json:"sample_rate_hz"`
	DurationS  wire.Value           `json:"duration_s"`
	Reference  int                  `json:"reference"`
	Window     any                  `json:"window"` // "multi" or samples
	Overlap    wire.Value           `json:"overlap"`
	UsedS      wire.Value           `json:"used_s"`
	Until      *untilReport         `json:"until,omitempty"`
	Microphone []responseMicrophone `json:"microphones"`
}

type untilReport struct {
	WithinDB   wire.Value `json:"within_db"`
	LowHz      wire.Value `json:"low_hz"`
	HighHz     wire.Value `json:"high_hz"`
	Reached    bool       `json:"reached"`
	Part       wire.Value `json:"part"`        // 0…1 of the way to 95 % of the points asked for
	RemainingS wire.Value `json:"remaining_s"` // predicted; null when no time will do
}

type responseMicrophone struct {
	Channel int `json:"channel"`
	responseCurve
}

// responseCurve is what is told of the path from one reference to one microphone.
type responseCurve struct {
	Headline          string              `json:"headline"`
	DelayMs           wire.Value          `json:"delay_ms"`
	DelaySDMs         wire.Value          `json:"delay_sd_ms"`
	Reason            reason              `json:"reason"` // why there is no delay
	Cautions          []wire.Caution      `json:"cautions"`
	Polarity          wire.PolarityObject `json:"polarity"`
	FrequencyHz       numbers             `json:"frequency_hz"`
	MagnitudeDB       numbers             `json:"magnitude_db"`
	MagnitudeLowDB    numbers             `json:"magnitude_low_db"`
	MagnitudeHighDB   numbers             `json:"magnitude_high_db"`
	PhaseDeg          numbers             `json:"phase_deg"`
	PhaseErrorDeg     numbers             `json:"phase_error_deg"`
	Coherence         numbers             `json:"coherence"`
	Threshold         numbers             `json:"threshold"`
	EffectiveAverages numbers             `json:"effective_averages"`
}

// tableFraction is how fine the table is: 1/3 octave.
const tableFraction = 3

// print writes the report as a table for people; spectra are those it was made of.
func (r *responseReport) print(w io.Writer, temperatureC float64, spectra []response.Spectra) error {
	out := newTypeset(w)
	fmt.Fprintf(out, "%s: %.1f s at %d Hz, reference on channel %d, ", r.File, float64(r.DurationS), r.RateHz, r.Reference)
	if n, ok := r.Window.(int); ok {
		fmt.Fprintf(out, "window of %d samples, overlap %.0f %%\n", n, 100*float64(r.Overlap))
	} else {
		fmt.Fprintf(out, "window multi, overlap %.0f %%\n", 100*float64(r.Overlap))
	}
	if r.Until != nil {
		fmt.Fprintln(out, r.Until.sentence(float64(r.UsedS)))
	}
	for i := range r.Microphone {
		m := &r.Microphone[i]
		fmt.Fprintf(out, "\nChannel %d: %s\n", m.Channel, m.Headline)
		printCautions(out, "  ", m.Cautions)
		m.print(out, temperatureC, &spectra[i])
	}
	return out.Flush()
}

// print writes all but the headline; spectra are those it was made of.
func (m *responseCurve) print(out io.Writer, temperatureC float64, spectra *response.Spectra) {
	fmt.Fprintf(out, "  delay     %s\n  polarity  %s\n", m.delayText(temperatureC), polarityText(m.Polarity))
	if !slices.ContainsFunc(m.MagnitudeDB, func(db float64) bool { return !math.IsNaN(db) }) {
		return // there is no curve
	}
	var smooth response.Spectra
	var curve response.Curve
	fmt.Fprintln(out)
	response.Smooth(&smooth, spectra, tableFraction)
	smooth.Curve(&curve)
	printCurve(out, &curve)
}

func (u *untilReport) sentence(usedS float64) string {
	asked := fmt.Sprintf("±%g dB from %g Hz to %g Hz", float64(u.WithinDB), float64(u.LowHz), float64(u.HighHz))
	switch {
	case u.Reached:
		return fmt.Sprintf("Known within %s after %.1f s.", asked, usedS)
	case math.IsInf(float64(u.RemainingS), 1):
		return fmt.Sprintf("Not known within %s: %.0f %% of the way, and no time will do for the rest: nothing to be measured there.", asked, 100*float64(u.Part))
	}
	return fmt.Sprintf("Not known within %s: %.0f %% of the way; about %.0f s more would do.", asked, 100*float64(u.Part), math.Ceil(float64(u.RemainingS)))
}

func (m *responseCurve) delayText(temperatureC float64) string {
	ms := float64(m.DelayMs)
	switch {
	case math.IsNaN(ms):
		return "none found: " + string(m.Reason)
	case math.IsNaN(float64(m.DelaySDMs)):
		return fmt.Sprintf("%.3f ms as asked for", ms)
	}
	return fmt.Sprintf("%.4f ms %s (%.2f m at %g °C), compensated", ms, plusMinus(float64(m.DelaySDMs)), ms/1000*air.SpeedOfSound(temperatureC), temperatureC)
}

func polarityText(p wire.PolarityObject) string {
	text := p.Verdict
	if c := float64(p.Confidence); !math.IsNaN(c) {
		text += fmt.Sprintf(" (%.4g %% sure)", 100*c)
	}
	if p.OfArrivalMs != nil {
		text += fmt.Sprintf(", for the arrival at %.2f ms", float64(*p.OfArrivalMs))
	}
	if p.Reason != "" {
		text += ": " + p.Reason
	}
	return text
}

// printCurve writes one row a third octave, at the exact mid-band frequencies
// of IEC 61260-1 nearest to which the curve has a point.
func printCurve(out io.Writer, c *response.Curve) {
	fmt.Fprintln(out, "  frequency  magnitude     95 % interval    phase        ±  coherence")
	fmt.Fprintln(out, "         Hz         dB                dB      deg      deg")
	k := 0
	for n := 13; n <= 43; n++ { // 20 Hz … 20 kHz
		mid := math.Pow(10, float64(n)/10)
		for k+1 < len(c.FrequencyHz) && math.Abs(c.FrequencyHz[k+1]-mid) <= math.Abs(c.FrequencyHz[k]-mid) {
			k++
		}
		if k >= len(c.FrequencyHz) || math.Abs(math.Log2(c.FrequencyHz[k]/mid)) > 1./(2*tableFraction) {
			continue
		}
		if math.IsNaN(c.MagnitudeDB[k]) {
			fmt.Fprintln(out, strings.TrimRight(fmt.Sprintf("%11s %57s", nominal(n), cell(c.Coherence[k], 3)), " "))
			continue
		}
		fmt.Fprintf(out, "%11s %10s %8s …%8s %8s %8s %10s\n", nominal(n),
			cell(c.MagnitudeDB[k], 2), cell(c.MagnitudeLowDB[k], 2), cell(c.MagnitudeHighDB[k], 2),
			cell(c.PhaseDeg[k], 1), cell(c.PhaseErrorDeg[k], 1), cell(c.Coherence[k], 3))
	}
}

// cell is a number in a table; blank when it is unknown.
func cell(x float64, decimals int) string {
	switch {
	case math.IsNaN(x):
		return ""
	case math.IsInf(x, 0):
		return "?"
	}
	return fmt.Sprintf("%.*f", decimals, rounded(x, decimals))
}

// signed is a number with its sign.
func signed(x float64, decimals int) string {
	return fmt.Sprintf("%+.*f", decimals, rounded(x, decimals))
}

// rounded has no zero below zero.
func rounded(x float64, decimals int) float64 {
	unit := math.Pow10(decimals)
	if math.Round(x*unit) == 0 {
		return 0
	}
	return x
}

// nominal is the name of the third octave around 10^(n/10) Hz, n > 9: the
// preferred numbers of IEC 61260-1, annex E, repeat every decade.
func nominal(n int) string {
	hz := [10]float64{10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80}[n%10] * math.Pow10(n/10-1)
	return strconv.FormatFloat(hz, 'f', -1, 64)
}
