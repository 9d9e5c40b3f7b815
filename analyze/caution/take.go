package caution

import (
	"fmt"
	"math"
	"slices"
)

// Take watches a reference and its microphones from beginning to end.
type Take struct {
	rateHz    float64
	reference *Channel
	mics      []*Channel
}

// NewTake wants the sample rate in hertz and the number of microphones.
func NewTake(rateHz float64, microphones int) *Take {
	t := &Take{rateHz: rateHz, reference: NewChannel(rateHz), mics: make([]*Channel, microphones)}
	for i := range t.mics {
		t.mics[i] = NewChannel(rateHz)
	}
	return t
}

// SegmentFrames is the number of samples that parts of a take for Join must be a
// multiple of.
func (t *Take) SegmentFrames() int64 { return int64(t.reference.perSegment) }

// Feed takes the next samples of all channels, equally many of each.
func (t *Take) Feed(ref []float64, mics [][]float64) {
	t.reference.Feed(ref)
	for i, c := range t.mics {
		c.Feed(mics[i])
	}
}

// Join goes on with a part that was watched on its own: the same channels, right
// behind what t has heard, which is whole segments.
func (t *Take) Join(next *Take) {
	t.reference.join(next.reference)
	for i, c := range t.mics {
		c.join(next.mics[i])
	}
}

// Stretch is a part of a take, seconds from the start of what was fed.
type Stretch struct{ FromS, ToS float64 }

// Clip says that a channel was clipped. The zero Clip says that it was not.
type Clip struct {
	Samples int64   // at the rails, two and more in a row; flat tops if Below
	FirstS  float64 // the first of them
	Below   bool    // under full scale: in front of a gain or another converter
}

// Facts are what the samples tell of one microphone and its reference.
type Facts struct {
	DurationS float64
	// ReferenceDBFS and MicrophoneDBFS are the loudest tenth of a second.
	ReferenceDBFS, MicrophoneDBFS       float64
	ReferenceSilent, MicrophoneSilent   bool      // all the time
	ReferenceStopsS                     float64   // silent from there to the end while the microphone goes on as loud; NaN: it is not
	Dead                                []Stretch // the microphone is silent, SilentForS and longer, while the reference plays
	Lost                                []Stretch // shorter runs of zeros where there was sound
	ReferenceClipped, MicrophoneClipped Clip
	// Good is the longest part in which both are alive.
	Good Stretch
}

// Facts of microphone i, from 0. No more may be fed afterwards.
func (t *Take) Facts(i int) Facts {
	ref, mic := t.reference, t.mics[i]
	ref.flush()
	mic.flush()
	n := min(len(ref.power), len(mic.power))
	f := Facts{
		DurationS: float64(mic.samples) / t.rateHz, ReferenceStopsS: math.NaN(),
		ReferenceDBFS: math.Inf(-1), MicrophoneDBFS: math.Inf(-1),
		// A programme may have flat tops of its own, a room does not.
		ReferenceClipped: t.clip(ref.clipped(false)), MicrophoneClipped: t.clip(mic.clipped(true)),
	}
	for k := range n {
		f.ReferenceDBFS, f.MicrophoneDBFS = max(f.ReferenceDBFS, ref.level(k)), max(f.MicrophoneDBFS, mic.level(k))
	}
	f.ReferenceSilent = n > 0 && f.ReferenceDBFS <= SilentReferenceDBFS
	f.MicrophoneSilent = n > 0 && f.MicrophoneDBFS <= SilentMicrophoneDBFS
	f.Good = Stretch{0, f.DurationS}
	if f.ReferenceSilent || f.MicrophoneSilent {
		f.Good = Stretch{}
		return f
	}
	f.Dead = t.dead(mic, n)
	f.ReferenceStopsS = t.stops(mic, n)
	f.Lost = t.lost(mic)
	end := f.DurationS
	if f.ReferenceStopsS < end {
		end = f.ReferenceStopsS - 1./segmentsPerS
	}
	if f.Good = (Stretch{0, end}); len(f.Dead) > 0 {
		f.Good = longestBetween(f.Dead, end)
	}
	return f
}

func (t *Take) clip(c clip) Clip {
	if c.first < 0 {
		return Clip{}
	}
	return Clip{Samples: c.count, FirstS: float64(c.first) / t.rateHz, Below: c.below}
}

// seconds is where segment k begins.
func (t *Take) seconds(k int) float64 { return float64(k*t.reference.perSegment) / t.rateHz }

const silentSegments = int(SilentForS * segmentsPerS)

// dead are the stretches in which the microphone is silent for so long while the
// reference plays for so long.
func (t *Take) dead(mic *Channel, n int) (out []Stretch) {
	for k := 0; k < n; {
		from, playing := k, 0
		for ; k < n && mic.level(k) <= SilentMicrophoneDBFS; k++ {
			if t.reference.level(k) > SilentReferenceDBFS {
				playing++
			}
		}
		if playing >= silentSegments {
			s := Stretch{t.seconds(from), t.seconds(k)}
			if k == n {
				s.ToS = float64(mic.samples) / t.rateHz
			}
			out = append(out, s)
		}
		k = max(k, from+1)
	}
	return out
}

// stops is when the reference falls silent for good while the microphone goes on
// at half its median level before and more: a programme that has ended leaves a
// room that is quieter.
func (t *Take) stops(mic *Channel, n int) float64 {
	k := n
	for k > 0 && t.reference.level(k-1) <= SilentReferenceDBFS {
		k--
	}
	if n-k < silentSegments || k == 0 {
		return math.NaN()
	}
	before := make([]float64, 0, k)
	for j := range k {
		before = append(before, mic.level(j))
	}
	slices.Sort(before)
	after := make([]float64, 0, n-k)
	for j := k; j < n; j++ {
		after = append(after, mic.level(j))
	}
	slices.Sort(after)
	if after[len(after)/2] < before[len(before)/2]-6 {
		return math.NaN()
	}
	return t.seconds(k)
}

// longestPauseS: what the reference does so long before a pause of a microphone
// may be its cause.
const longestPauseS = 1.5

// lost are runs of exact zeros that no sound has: at the same samples in both
// channels, or in the microphone while the reference has none to be heard.
func (t *Take) lost(mic *Channel) (out []Stretch) {
	ref := t.reference
	least := 0.1 * mic.rms()
	long := int64(SilentForS * t.rateHz)
	reach := int64(longestPauseS * t.rateHz)
	for _, h := range mic.holes {
		if h.step < least || h.to-h.from >= long && !both(ref.holes, h) {
			continue // begins and ends as sound does, or is told as silence
		}
		caused := slices.ContainsFunc(ref.holes, func(r hole) bool {
			return r.from < h.to && r.to > h.from-reach && 2*(r.to-r.from) > h.to-h.from
		})
		if caused && !both(ref.holes, h) {
			continue
		}
		out = append(out, Stretch{float64(h.from) / t.rateHz, float64(h.to) / t.rateHz})
	}
	return out
}

// both: is there a hole at the same samples?
func both(list []hole, h hole) bool {
	return slices.ContainsFunc(list, func(r hole) bool {
		return max(r.from-h.from, h.from-r.from, r.to-h.to, h.to-r.to) <= 1
	})
}

// longestBetween is the longest part of 0…end that none of the stretches touches.
func longestBetween(dead []Stretch, end float64) (best Stretch) {
	const margin = 1. / segmentsPerS // a segment may be dead for part of its time
	from := 0.0
	for _, d := range dead {
		if to := min(d.FromS-margin, end); to-from > best.ToS-best.FromS {
			best = Stretch{from, to}
		}
		from = d.ToS + margin
	}
	if end-from > best.ToS-best.FromS {
		best = Stretch{from, end}
	}
	return best
}

// Cautions puts the facts into words, the most urgent first. offsetS is where in the file the take begins.
func (f Facts) Cautions(reference, microphone Input, offsetS float64) (out []Caution) {
	at := func(s float64) string { return fmt.Sprintf("%.1f s", s+offsetS) }
	if f.ReferenceSilent {
		out = append(out, NothingOnReference(reference))
	}
	if f.MicrophoneSilent {
		out = append(out, NothingOnMicrophone(microphone))
	}
	if s := f.ReferenceStopsS; s < f.DurationS {
		c := NothingOnReference(reference)
		c.Finding = fmt.Sprintf(" from %s on, while the microphone %s goes on as loud. ", at(s), microphone.Where())
		c.Next = fmt.Sprintf("Has the programme ended, or the cable of %s come off?", reference.Socket())
		out = append(out, c)
	}
	for _, d := range f.Dead {
		c := NothingOnMicrophone(microphone)
		switch {
		case d.ToS >= f.DurationS:
			c.Finding = fmt.Sprintf(" from %s on, while the reference plays. ", at(d.FromS))
		case d.FromS == 0:
			c.Finding = fmt.Sprintf(" until %s, while the reference plays. ", at(d.ToS))
		default:
			c.Finding = fmt.Sprintf(" from %s to %s, while the reference plays. ", at(d.FromS), at(d.ToS))
		}
		c.Next = "Is its cable loose, or was it muted?"
		out = append(out, c)
	}
	for _, k := range []struct {
		Clip
		reference bool
		channel   Input
	}{{f.ReferenceClipped, true, reference}, {f.MicrophoneClipped, false, microphone}} {
		if k.Samples == 0 {
			continue
		}
		c := Clips(k.reference, k.channel)
		if k.Below {
			c.Finding = fmt.Sprintf(" %s clips under full scale (%s, first at %s): ", k.channel.Where(), count(k.Samples, "flat top"), at(k.FirstS))
			c.Next = "turn down what comes before the recorder."
		} else {
			c.Finding = fmt.Sprintf(" %s clips (%s at full scale, first at %s): ", k.channel.Where(), count(k.Samples, "sample"), at(k.FirstS))
		}
		out = append(out, c)
	}
	if len(f.Lost) > 0 {
		total := 0.0
		for _, l := range f.Lost {
			total += l.ToS - l.FromS
		}
		out = append(out, Caution{Code: LostSamples, Subject: "The microphone", Next: "Samples were lost, or a gate is on: record again.",
			Finding: fmt.Sprintf(" %s is exactly zero %s, %.3g ms in all, first at %s. ", microphone.Where(), count(int64(len(f.Lost)), "time"), 1000*total, at(f.Lost[0].FromS))})
	}
	Sort(out)
	return out
}

func count(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
