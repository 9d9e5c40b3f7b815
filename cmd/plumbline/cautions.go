package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

// examined is what speaks against one microphone of a recording.
type examined struct {
	facts    caution.Facts
	cautions []caution.Caution // the most urgent first
	cut      bool              // it is dead for part of the time
	dead     bool              // for too much of it: nothing can be said of it
	// aheadMs is the delay, negative, of a microphone that hears it before the
	// reference; NaN for one that does not.
	aheadMs, aheadSDMs float64
	// knownToHz is up to where anything is known of a path that was followed.
	knownToHz float64
	why       string // it is dead, if not for silence
}

func (e *examined) swapped() bool { return e.aheadMs < 0 }

// tooDead is why there is nothing to tell of a microphone that is dead for too
// long; silence has its own reason.
const tooDead = "too little of the recording is alive"

// leastGoodS of a recording are worth measuring when the rest is dead.
const leastGoodS = 2.0

// examine looks at all samples for what is wrong with them. Where a channel is
// dead for part of the time, good is the part in which all that play are alive,
// and the cautions say so; without one of leastS seconds it is all of rec.
func examine(ctx context.Context, rec offline.Recording, leastS float64) (good offline.Recording, out []examined, err error) {
	take, err := offline.Inspect(ctx, rec)
	if err != nil {
		return rec, nil, err
	}
	good, out = judge(take, rec, leastS)
	good.Leaks, err = offline.Crosstalk(ctx, good)
	leaking(good.Leaks, good, out)
	return good, out, err
}

// judge is examine but for what leaks, of what was heard of all samples.
func judge(take *caution.Take, rec offline.Recording, leastS float64) (good offline.Recording, out []examined) {
	out = make([]examined, len(rec.Microphones))
	offset := float64(rec.From) / rec.RateHz()
	part := caution.Stretch{FromS: 0, ToS: rec.DurationS()}
	for i := range out {
		f := take.Facts(i)
		if !f.ReferenceSilent && !f.MicrophoneSilent {
			part = caution.Stretch{FromS: max(part.FromS, f.Good.FromS), ToS: min(part.ToS, f.Good.ToS)}
		}
		out[i] = examined{facts: f, dead: f.ReferenceSilent || f.MicrophoneSilent, aheadMs: math.NaN(), aheadSDMs: math.NaN(), knownToHz: math.Inf(1), why: tooDead, cautions: f.Cautions(caution.At(rec.Reference+1), caution.At(rec.Microphones[i]+1), offset)}
	}
	length := part.ToS - part.FromS
	if length == rec.DurationS() {
		return rec, out
	}
	good = rec
	for i := range out {
		e := &out[i]
		e.cut = !e.dead && e.facts.Good.ToS-e.facts.Good.FromS < e.facts.DurationS
		e.dead = e.dead || e.cut && length < leastS
		for k := range e.cautions {
			c := &e.cautions[k]
			if !e.cut || c.Code != caution.SilentMicrophone && c.Code != caution.SilentReference {
				continue
			}
			if e.dead {
				c.After = " Too little is left to measure."
			} else {
				c.After = fmt.Sprintf(" Used is %.1f s to %.1f s.", offset+part.FromS, offset+part.ToS)
			}
		}
	}
	if length >= leastS {
		good.From = rec.From + int64(part.FromS*rec.RateHz())
		good.To = rec.From + int64(part.ToS*rec.RateHz())
	}
	return good, out
}

// leaking adds what is said against microphones that crosstalk reaches.
func leaking(leaks []crosstalk.Leak, rec offline.Recording, out []examined) {
	for i, l := range leaks {
		if l.Into != crosstalk.None {
			out[i].cautions = append(out[i].cautions, caution.Leaks(l, caution.At(rec.Reference+1), caution.At(rec.Microphones[i]+1)))
			caution.Sort(out[i].cautions)
		}
	}
}

// arrived adds what the arrivals tell against each microphone of a recording.
func arrived(ctx context.Context, rec offline.Recording, against []examined, found []offline.Found) error {
	for i := range against {
		e := &against[i]
		if e.dead {
			if e.cut {
				found[i] = offline.Found{Reason: e.why}
			}
			continue // that is said, and explains that there is no delay
		}
		reference, microphone := caution.At(rec.Reference+1), caution.At(rec.Microphones[i]+1)
		ms, sd, ahead, err := offline.Ahead(ctx, rec, i, found[i])
		if err != nil {
			return err
		}
		if ahead {
			e.aheadMs, e.aheadSDMs = ms, sd
			c := caution.Ahead(-ms, reference, microphone)
			c.Next = fmt.Sprintf("Use --ref %d --mic %d, or take the reference from behind what delays it.", microphone.Number, reference.Number)
			e.cautions = append(e.cautions, c)
		} else if len(found[i].Arrivals) == 0 {
			e.cautions = append(e.cautions, caution.WithoutDelay(microphone, found[i].Reason))
		} else if err := e.linear(ctx, rec, i, found[i]); err != nil {
			return err
		}
		if p := found[i].PeriodS; p > 0 {
			e.cautions = append(e.cautions, caution.Repeats(reference, 1000*p, len(found[i].Arrivals) > 0))
		}
		caution.Sort(e.cautions)
	}
	return nil
}

// linear says so where the gain of microphone i goes with the level.
func (e *examined) linear(ctx context.Context, rec offline.Recording, i int, found offline.Found) error {
	if caution.Has(e.cautions, caution.Clipped) {
		return nil // that is why, and is said
	}
	main, _ := found.Main()
	fit, not, err := offline.Linearity(ctx, rec, i, main.DelayMs)
	if not { // a gain that was seen to ride goes with the level
		e.cautions = slices.DeleteFunc(e.cautions, func(c caution.Caution) bool { return c.Code == caution.NotLinear })
	}
	switch {
	case err != nil || !not:
		return err
	case fit.Kind == linearity.Clipping:
		e.cautions = append(e.cautions, caution.PeaksCut(caution.At(rec.Microphones[i]+1)))
	default:
		e.cautions = append(e.cautions, caution.GainFollows(caution.At(rec.Microphones[i]+1)))
	}
	return nil
}

// cautionObjects are cautions for JSON, never nil.
func cautionObjects(list []caution.Caution) []wire.Caution {
	out := []wire.Caution{}
	for _, c := range list {
		out = append(out, wire.Caution{Code: string(c.Code), Text: c.Text()})
	}
	return out
}

// printCautions writes them for people, one a line.
func printCautions(out io.Writer, indent string, list []wire.Caution) {
	for _, c := range list {
		fmt.Fprintf(out, "%s▲ %s\n", indent, c.Text)
	}
}
