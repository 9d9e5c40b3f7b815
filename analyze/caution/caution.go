package caution

import (
	"fmt"
	"math"
	"slices"
)

// Code is the stable word for a caution.
type Code string

// The codes, the most urgent first: what makes all the rest meaningless, then
// what spoils part of it.
const (
	SilentReference  Code = "silent_reference"  // nothing on the reference, at all or for a part
	SilentMicrophone Code = "silent_microphone" // nothing on the microphone, at all or for a part
	Swapped          Code = "swapped"           // the reference hears the microphone's sound later than it
	Clipped          Code = "clipped"           // samples at the rails
	LostSamples      Code = "lost_samples"      // stretches that never came
	NotLinear        Code = "not_linear"        // limiter, compressor, gain that rides
	Moving           Code = "moving"            // the path did not stand still
	Crosstalk        Code = "crosstalk"         // one input leaks into the other
	Periodic         Code = "periodic"          // what is played repeats itself
	Alike            Code = "alike"             // references that cannot be told apart
	NoDelay          Code = "no_delay"          // none could be told: neither curve nor polarity
)

// order of urgency.
var order = []Code{SilentReference, SilentMicrophone, Swapped, Clipped, LostSamples, NotLinear, Moving, Crosstalk, Periodic, Alike, NoDelay}

// Caution is one thing that is wrong, as a sentence in parts: what it is about
// and what to do can be pointed at.
type Caution struct {
	Code Code
	// Lead, Subject, Finding, Next and After make the sentence in this order.
	// Subject names the channel, Next says what to do.
	Lead, Subject, Finding, Next, After string
}

// Text is the whole sentence.
func (c Caution) Text() string { return c.Lead + c.Subject + c.Finding + c.Next + c.After }

// Sort puts the most urgent first and keeps the order of equals.
func Sort(list []Caution) {
	slices.SortStableFunc(list, func(a, b Caution) int { return slices.Index(order, a.Code) - slices.Index(order, b.Code) })
}

// Has reports whether a caution of that code is among them.
func Has(list []Caution, code Code) bool {
	return slices.ContainsFunc(list, func(c Caution) bool { return c.Code == code })
}

// Thresholds. A channel under its limit carries nothing but the converter's own
// noise (common practice, no source: 16 bit resolve −98 dBFS, microphone
// preamplifiers hiss near −90).
const (
	SilentReferenceDBFS  = -80.0
	SilentMicrophoneDBFS = -90.0
	// SilentForS is how long a channel must be silent before anybody says so.
	SilentForS = 1.0
	// FullScale is the largest magnitude that a 16-bit converter delivers on its
	// positive side; a sample at or over it is at the rail.
	FullScale = 32767.0 / 32768.0
	// LeastAheadMs: a microphone that is ahead by less is together with the
	// reference. Converters of one interface differ by less (common practice, no
	// source); no sound arrives before it is sent.
	LeastAheadMs = 0.1
)

const distrust = " What is measured while it clips cannot be trusted."

// Clips says that a channel is at its rails.
func Clips(reference bool, channel Input) Caution {
	c := Caution{Code: Clipped, Subject: "The microphone", Next: "turn its input down.", After: distrust}
	if reference {
		c.Subject = "The reference"
	}
	c.Finding = " " + channel.Where() + " clips: "
	return c
}

// NothingOnReference says that the reference is silent.
func NothingOnReference(reference Input) Caution {
	return Caution{Code: SilentReference, Lead: "Nothing on the ", Subject: "reference channel", Finding: ". ",
		Next: fmt.Sprintf("Is the signal on, is %s the right one?", reference.Socket())}
}

// NothingOnMicrophone says that a microphone is silent.
func NothingOnMicrophone(microphone Input) Caution {
	lead := "Nothing on "
	if !microphone.hasSeat() {
		lead = "Nothing from " // it is “on” its channel
	}
	return Caution{Code: SilentMicrophone, Lead: lead, Subject: "the microphone " + microphone.Where(), Finding: ". ",
		Next: "Is the microphone plugged in and fed, and the loudspeaker on?"}
}

// Ahead says that the microphone hears it aheadMs before the reference. No
// sound does: the channels are swapped, or the reference comes late.
func Ahead(aheadMs float64, reference, microphone Input) Caution {
	return Caution{Code: Swapped, Subject: "The microphone", Finding: fmt.Sprintf(" %s hears the sound %.2f ms before the reference: the channels are swapped, or something delays the reference. ", microphone.Where(), aheadMs),
		Next: fmt.Sprintf("Take channel %d as reference and channel %d as microphone, or the reference from behind what delays it.", microphone.Number, reference.Number)}
}

// IsAhead: is a delay with this standard deviation (NaN: none is known) one
// that no sound has?
func IsAhead(delayMs, sdMs float64) bool {
	return delayMs < -LeastAheadMs && !(-delayMs < 5*sdMs)
}

// IsLate: is a delay so long, over 34 m, that it may be a note that comes again, while
// the sound itself is ahead?
func IsLate(delayMs float64) bool { return delayMs > 100 }

// WhyNoPolarity is why a microphone that is ahead has no polarity.
const WhyNoPolarity = "the microphone hears the sound before the reference, so that this is no loudspeaker's response"

// WithoutDelay says that no delay was found, and why.
func WithoutDelay(microphone Input, reason string) Caution {
	return Caution{Code: NoDelay, Lead: "No delay found for ", Subject: "the microphone " + microphone.Where(),
		Finding: ": " + reason + ". ", Next: "Without a delay there is neither curve nor polarity: play broadband sound, louder or longer, or set the delay by hand."}
}

// dbfs is the level of a mean square; a full-scale sine wave has one half.
func dbfs(meanSquare float64) float64 { return 10 * math.Log10(2*meanSquare) }
