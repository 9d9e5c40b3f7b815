package main

import (
	"fmt"
	"io"
	"math"
	"strconv"

	"plumbline/analyze/room"
	"plumbline/stream/wire"
)

// roomReport is the JSON of room.
type roomReport struct {
	File        string             `json:"file"`
	Method      string             `json:"method"` // impulse, sweep or programme
	Channel     int                `json:"channel"`
	KnownS      wire.Value         `json:"response_s"` // how much of the response is known behind the direct sound
	Cautions    []wire.Caution     `json:"cautions"`
	Bands       []roomBand         `json:"bands"`
	Broadband   roomBand           `json:"broadband"`
	STI         wire.Value         `json:"sti"`
	STIReason   reason             `json:"sti_reason"`
	STIOf       string             `json:"sti_of"` // what is heard: the room alone, levels, or a ratio
	MTI         numbers            `json:"mti"`    // of the octaves from 125 Hz to 8 kHz
	Reflections []reflectionObject `json:"reflections"`
	Sweep       *sweepObject       `json:"sweep,omitempty"`
	secondS     float64
}

type roomBand struct {
	MidHz        wire.Value `json:"mid_hz"` // null broadband
	NominalHz    wire.Value `json:"nominal_hz"`
	EDTS         wire.Value `json:"edt_s"`
	T20S         wire.Value `json:"t20_s"`
	T30S         wire.Value `json:"t30_s"`
	EDTSDS       wire.Value `json:"edt_sd_s"` // of one recording in a diffuse room
	T20SDS       wire.Value `json:"t20_sd_s"`
	T30SDS       wire.Value `json:"t30_sd_s"`
	C50DB        wire.Value `json:"c50_db"`
	C80DB        wire.Value `json:"c80_db"`
	D50          wire.Value `json:"d50"`
	TsMs         wire.Value `json:"ts_ms"`
	DecayRangeDB wire.Value `json:"decay_range_db"`
	Curvature    wire.Value `json:"curvature_percent"`
	Reason       reason     `json:"reason"`
	Remark       reason     `json:"remark"`
}

type reflectionObject struct {
	DelayMs wire.Value `json:"delay_ms"` // behind the direct sound
	LevelDB wire.Value `json:"level_db"` // re it
	PathM   wire.Value `json:"path_difference_m"`
}

type sweepObject struct {
	Sweeps     int          `json:"averaged"`
	NoiseDB    wire.Value   `json:"noise_db"`  // in front of the first sweep, re the sweep
	SpreadDB   wire.Value   `json:"spread_db"` // from sweep to sweep, re the response
	Distortion []distortion `json:"distortion"`
}

type distortion struct {
	Order       int     `json:"order"`
	FrequencyHz numbers `json:"frequency_hz"` // as played
	LevelDB     numbers `json:"level_db"`     // re the linear response; null where noise hides it
}

func newRoomReport(path string, m *measuredRoom, found *room.Room, speech room.Speech, c *room.Condition, early []room.Reflection) *roomReport {
	r := &roomReport{
		File: path, Method: m.method, Channel: m.channel, Cautions: m.cautions, secondS: found.SecondS,
		KnownS:    wire.Value(float64(len(m.h))/m.cfg.SampleRateHz - found.OnsetS),
		Broadband: newRoomBand(found.Broadband), STI: wire.Value(speech.STI), STIReason: reason(speech.Reason),
		STIOf: "the room alone", MTI: speech.MTI[:], Reflections: []reflectionObject{},
	}
	if r.Cautions == nil {
		r.Cautions = []wire.Caution{}
	}
	switch {
	case c != nil && c.Absolute:
		r.STIOf = "speech and noise of the levels given"
	case c != nil:
		r.STIOf = "speech over noise by the ratio given"
	}
	for _, b := range found.Bands {
		r.Bands = append(r.Bands, newRoomBand(b))
	}
	for _, e := range early {
		r.Reflections = append(r.Reflections, reflectionObject{wire.Value(e.DelayMs), wire.Value(e.LevelDB), wire.Value(e.PathM)})
	}
	if t := m.take; t != nil {
		r.Sweep = &sweepObject{Sweeps: t.Sweeps, NoiseDB: wire.Value(t.NoiseDB), SpreadDB: wire.Value(t.SpreadDB)}
		for _, o := range t.Orders {
			r.Sweep.Distortion = append(r.Sweep.Distortion, distortion{o.N, o.FrequencyHz, o.LevelDB})
		}
	}
	return r
}

func newRoomBand(b room.Band) roomBand {
	mid, nominal := b.MidHz, b.NominalHz
	if mid == 0 {
		mid, nominal = math.NaN(), math.NaN()
	}
	return roomBand{
		MidHz: wire.Value(mid), NominalHz: wire.Value(nominal),
		EDTS: wire.Value(b.EDTS), T20S: wire.Value(b.T20S), T30S: wire.Value(b.T30S),
		EDTSDS: wire.Value(b.EDTSDS), T20SDS: wire.Value(b.T20SDS), T30SDS: wire.Value(b.T30SDS),
		C50DB: wire.Value(b.C50DB), C80DB: wire.Value(b.C80DB), D50: wire.Value(b.D50), TsMs: wire.Value(b.TsMs),
		DecayRangeDB: wire.Value(b.DecayRangeDB), Curvature: wire.Value(b.CurvaturePercent),
		Reason: reason(b.Reason), Remark: reason(b.Remark),
	}
}

// print writes the room as tables for people.
func (r *roomReport) print(w io.Writer, temperatureC float64) error {
	out := newTypeset(w)
	how := map[string]string{methodImpulse: "an impulse", methodProgramme: "running programme"}[r.Method]
	if r.Sweep != nil {
		how = "one sweep"
		if r.Sweep.Sweeps > 1 {
			how = fmt.Sprintf("%d sweeps", r.Sweep.Sweeps)
		}
		if text := cell(float64(r.Sweep.NoiseDB), 0); text != "" {
			how += ", noise at " + text + " dB re it"
		}
	}
	fmt.Fprintf(out, "%s, channel %d: %s; %.2f s of the response are known\n", r.File, r.Channel, how, float64(r.KnownS))
	printCautions(out, "", r.Cautions)
	if !math.IsNaN(r.secondS) {
		fmt.Fprintf(out, "Another impulse begins at %.2f s: what follows is left out.\n", r.secondS)
	}
	fmt.Fprintln(out, "\n   band     EDT     T20     T30     ±     C50     C80    D50      Ts   range")
	fmt.Fprintln(out, "     Hz       s       s       s     s      dB      dB             ms      dB")
	for _, b := range r.Bands {
		b.row(out, b.name())
	}
	r.Broadband.row(out, "all")
	fmt.Fprintln(out, "± is the 95 % interval of T30 by the chance in one recording; that of EDT is three times as wide.")
	fmt.Fprintln(out, "One just notices 5 % of EDT, 1 dB of C80, 0.05 of D50, 10 ms of Ts (ISO 3382-1).")
	for _, b := range append(r.Bands, r.Broadband) {
		for _, text := range []reason{b.Reason, b.Remark} {
			if text != "" {
				fmt.Fprintf(out, "  %s: %s\n", b.name(), string(text))
			}
		}
	}
	if r.STIReason != "" {
		fmt.Fprintf(out, "\nSTI: none: %s\n", string(r.STIReason))
	} else {
		fmt.Fprintf(out, "\nSTI %s of %s; by octaves from 125 Hz:", cell(float64(r.STI), 2), r.STIOf)
		for _, v := range r.MTI {
			fmt.Fprintf(out, " %s", cell(v, 2))
		}
		fmt.Fprintln(out)
	}
	if len(r.Reflections) > 0 {
		fmt.Fprintf(out, "\nEarly reflections, re the direct sound (at %g °C)\n     delay   level  longer by\n        ms      dB          m\n", temperatureC)
		for _, e := range r.Reflections {
			fmt.Fprintf(out, "%10s %7s %10s\n", cell(float64(e.DelayMs), 2), cell(float64(e.LevelDB), 1), cell(float64(e.PathM), 2))
		}
	}
	if r.Sweep != nil {
		r.Sweep.print(out)
	}
	return out.Flush()
}

func (b *roomBand) name() string {
	if math.IsNaN(float64(b.NominalHz)) {
		return "all"
	}
	return strconv.FormatFloat(float64(b.NominalHz), 'f', -1, 64) + " Hz"
}

func (b *roomBand) row(out io.Writer, name string) {
	if hz := float64(b.NominalHz); !math.IsNaN(hz) {
		name = strconv.FormatFloat(hz, 'f', -1, 64)
	}
	fmt.Fprintf(out, "%7s %7s %7s %7s %5s %7s %7s %6s %7s %7s\n", name,
		cell(float64(b.EDTS), 2), cell(float64(b.T20S), 2), cell(float64(b.T30S), 2), cell(2*float64(b.T30SDS), 2),
		cell(float64(b.C50DB), 1), cell(float64(b.C80DB), 1), cell(float64(b.D50), 2), cell(float64(b.TsMs), 0), cell(float64(b.DecayRangeDB), 0))
}

// print shows the curves of distortion at octaves.
func (s *sweepObject) print(out io.Writer) {
	fmt.Fprintln(out, "\nDistortion in dB re the linear response, at the frequency played; blank where noise hides it")
	fmt.Fprint(out, "     Hz")
	for _, d := range s.Distortion {
		fmt.Fprintf(out, "%9s", "order "+strconv.Itoa(d.Order))
	}
	fmt.Fprintln(out)
	for _, hz := range []float64{31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000} {
		line, any := fmt.Sprintf("%7s", strconv.FormatFloat(hz, 'f', -1, 64)), false
		for _, d := range s.Distortion {
			text, nearest := "", 1.06 // half a step of the curve and a little
			for k, f := range d.FrequencyHz {
				if ratio := max(f/hz, hz/f); ratio < nearest {
					text, nearest = cell(d.LevelDB[k], 1), ratio
				}
			}
			any = any || text != ""
			line += fmt.Sprintf("%9s", text)
		}
		if any {
			fmt.Fprintln(out, line)
		}
	}
}
