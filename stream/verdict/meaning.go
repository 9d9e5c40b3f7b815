package verdict

import (
	"math"

	"plumbline/analyze"
	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/linearity"
	"plumbline/analyze/response"
	"plumbline/analyze/stationarity"
	"plumbline/stream/wire"
)

// The kinds of meaning, the most urgent first.
type kind int

const (
	clippedInput kind = iota + 1
	silentReference
	silentMicrophone
	averaging
	ahead
	noDelay
	tooQuiet
	heard
)

// Thresholds; those of what is wrong with the channels are caution's.
const (
	clipShownS          = 3.0
	leastAveragedS      = 0.4
	arrivalWithinDB     = 10   // a weaker second arrival ripples by less than ±3 dB (comb.csv)
	leastOffsetMs       = 0.1  // nearer ones are one arrival to the eye
	leastTrustedOctaves = 1.0  // a narrower band supports no sentence
	knownDB             = 1.0  // half an interval that is good enough to equalise by (common practice, no source)
	sureAbove           = 0.99 // confidence of polarity
	maxArrivals         = 5
)

// meaning is what a sentence says, in numbers. It is comparable with same.
type meaning struct {
	kind        kind
	microphone  caution.Input
	reference   caution.Input
	several     bool
	onReference bool // what clips
	held        bool
	temperature float64

	delayMs, sdMs float64
	fixed         bool
	periodMs      float64                      // of the reference; 0: it does not repeat itself
	arrivals      [maxArrivals]arrival.Arrival // those that matter, earliest first
	index         [maxArrivals]int             // their places in the frame's list, from 1
	n             int
	sign          int
	certainty     string
	low, high     float64 // where the coherence is above chance, Hz; 0 when it is nowhere
	knownLow      float64 // where the magnitude is known to ±knownDB, Hz; 0 when it is nowhere
	knownHigh     float64
	signLow       float64 // band that sign is about, Hz; 0 when none is named
	signHigh      float64
	oddLow        float64 // band whose polarity differs from the rest; 0 when there is none
	oddHigh       float64
	fault         bool // … and it is not by design

	movement stationarity.Movement

	snrDB  float64
	waitS  float64
	grows  bool
	reason string // why there is no delay, or no polarity

	delayReason, polarityReason string

	// What was found beside, whatever the kind.
	notLinear linearity.Kind
	leak      crosstalk.Leak
}

// read finds the meaning of microphone i of a frame, leaning to what is shown
// where a number lies on a border.
func (k *Keeper) read(f *analyze.Frame, i int, o Options) meaning {
	mic := &f.Microphones[i]
	now := float64(f.Sample) / f.SampleRateHz
	m := meaning{
		microphone: o.input(mic.Channel), reference: caution.Feed(f.Reference.Channel, o.name(f.Reference.Channel)), several: len(f.Microphones) > 1,
		held: f.Hold, temperature: o.TemperatureC,
		delayMs: mic.DelayMs, sdMs: mic.DelaySDMs, fixed: mic.DelayFixed,
		periodMs: mic.PeriodMs, sign: mic.Polarity.Sign, grows: o.Grows,
		delayReason: mic.DelayReason, polarityReason: mic.Polarity.Reason,
		notLinear: mic.NotLinear, leak: mic.Leak,
	}
	k.reference.note(&f.Reference, caution.SilentReferenceDBFS, now)
	k.microphone.note(&mic.Input, caution.SilentMicrophoneDBFS, now)
	switch {
	case now-k.reference.clippedAt < clipShownS:
		m.kind, m.onReference, m.certainty = clippedInput, true, wire.Sure
		return m
	case now-k.microphone.clippedAt < clipShownS:
		m.kind, m.certainty = clippedInput, wire.Sure
		return m
	case now-k.reference.loudAt >= caution.SilentForS:
		m.kind, m.certainty = silentReference, wire.Sure
		return m
	case now-k.microphone.loudAt >= caution.SilentForS:
		m.kind, m.certainty = silentMicrophone, wire.Sure
		return m
	case f.AveragedS < leastAveragedS:
		m.kind, m.certainty = averaging, wire.CannotTell
		return m
	case math.IsNaN(mic.DelayMs):
		m.kind, m.certainty, m.reason = noDelay, wire.CannotTell, mic.DelayReason
		return m
	case !mic.DelayFixed && caution.IsAhead(mic.DelayMs, mic.DelaySDMs):
		m.kind, m.certainty, m.polarityReason = ahead, wire.Likely, caution.WhyNoPolarity
		return m
	}
	m.low, m.high = heardBand(&mic.Curve)
	if m.high == 0 || math.Log2(m.high/m.low) < leastTrustedOctaves {
		m.kind, m.certainty = tooQuiet, wire.CannotTell
		m.snrDB, m.waitS = shortfall(&mic.Curve, f.AveragedS)
		return m
	}
	m.kind = heard
	m.knownLow, m.knownHigh = knownBand(&mic.Curve)
	m.movement = mic.Movement
	m.pickArrivals(mic.Arrivals, &k.shown)
	limit := sureAbove
	if k.shown.certainty == wire.Sure && k.shown.sign == m.sign {
		limit = 1 - 3*(1-sureAbove)
	}
	switch {
	case m.sign == 0:
		m.certainty, m.reason = wire.CannotTell, mic.Polarity.Reason
	case mic.Polarity.Confidence >= limit:
		m.certainty = wire.Sure
	default:
		m.certainty = wire.Likely
	}
	m.fault = mic.Polarity.Fault
	for _, b := range mic.Polarity.Bands {
		switch {
		case m.sign == 0 || b.Confidence < limit:
		case b.Sign == m.sign:
			if m.signLow == 0 {
				m.signLow = b.LowHz
			}
			m.signHigh = b.HighHz
		case b.Sign == -m.sign:
			if m.oddLow == 0 {
				m.oddLow = b.LowHz
			}
			m.oddHigh = b.HighHz
		}
	}
	return m
}

// pickArrivals keeps the arrivals that are loud enough to matter, with a decibel
// of favour for one that is shown, and the louder one of two at the same time.
func (m *meaning) pickArrivals(all []arrival.Arrival, shown *meaning) {
	for i, a := range all {
		limit := -float64(arrivalWithinDB)
		for _, s := range shown.arrivals[:shown.n] {
			if math.Abs(s.DelayMs-a.DelayMs) < leastOffsetMs {
				limit--
			}
		}
		if a.LevelDB < limit {
			continue
		}
		if last := m.n - 1; last >= 0 && math.Abs(a.DelayMs-m.arrivals[last].DelayMs) < leastOffsetMs {
			if a.LevelDB > m.arrivals[last].LevelDB {
				m.arrivals[last], m.index[last] = a, i+1
			}
		} else if m.n < maxArrivals {
			m.arrivals[m.n], m.index[m.n] = a, i+1
			m.n++
		}
	}
}

// same: would a sentence about b say the same as one about a? Numbers may move
// as far as their own uncertainty, and as far as nobody would act on.
func same(a, b *meaning) bool {
	if a.kind != b.kind || a.microphone != b.microphone || a.reference != b.reference || a.several != b.several ||
		a.onReference != b.onReference || a.held != b.held || a.temperature != b.temperature ||
		!sameWords(a.delayReason, b.delayReason) || !sameWords(a.polarityReason, b.polarityReason) ||
		(a.notLinear == linearity.Clipping) != (b.notLinear == linearity.Clipping) || (a.notLinear == 0) != (b.notLinear == 0) ||
		a.leak.Into != b.leak.Into || math.Abs(a.leak.BelowDB-b.leak.BelowDB) > 3 {
		return false
	}
	if !near(a.periodMs, b.periodMs, 1.01) {
		return false
	}
	switch a.kind {
	case noDelay:
		return sameWords(a.reason, b.reason)
	case ahead:
		return sameDelay(a.delayMs, b.delayMs, b.sdMs)
	case tooQuiet:
		return math.Abs(a.snrDB-b.snrDB) < 2 && a.grows == b.grows && near(a.waitS, b.waitS, 1.5)
	case heard:
	default:
		return true
	}
	if a.movement.Kind != b.movement.Kind || !near(math.Abs(a.movement.PPM), math.Abs(b.movement.PPM), 1.5) || !near(a.movement.RangeS, b.movement.RangeS, 2) {
		return false
	}
	if a.fixed != b.fixed || a.sign != b.sign || a.certainty != b.certainty || a.n != b.n ||
		!sameDelay(a.delayMs, b.delayMs, b.sdMs) ||
		!near(a.low, b.low, 1.25) || !near(a.high, b.high, 1.25) ||
		!near(a.knownLow, b.knownLow, 2) || !near(a.knownHigh, b.knownHigh, 2) ||
		a.fault != b.fault || !near(a.signLow, b.signLow, 1.7) || !near(a.signHigh, b.signHigh, 1.7) ||
		!near(a.oddLow, b.oddLow, 1.5) || !near(a.oddHigh, b.oddHigh, 1.5) {
		return false
	}
	for i := range a.n {
		x, y := a.arrivals[i], b.arrivals[i]
		if a.index[i] != b.index[i] { // its flag has another number
			return false
		}
		if x.Sign != y.Sign || math.Abs(x.LevelDB-y.LevelDB) >= 1 || !sameDelay(x.DelayMs, y.DelayMs, y.DelaySDMs) {
			return false
		}
	}
	return true
}

// sameDelay: within 0.02 ms (1 sample at 48 kHz) or three standard deviations.
func sameDelay(a, b, sd float64) bool {
	return math.Abs(a-b) <= max(0.02, 3*sd) // false for NaN sd only if a and b differ
}

func near(a, b, factor float64) bool {
	if a == 0 || b == 0 {
		return a == b
	}
	return a < b*factor && b < a*factor
}

// sameWords compares two reasons and leaves their digits out.
func sameWords(a, b string) bool {
	digit := func(c byte) bool { return c >= '0' && c <= '9' || c == '.' }
	for {
		for len(a) > 0 && digit(a[0]) {
			a = a[1:]
		}
		for len(b) > 0 && digit(b[0]) {
			b = b[1:]
		}
		if len(a) == 0 || len(b) == 0 {
			return len(a) == len(b)
		}
		if a[0] != b[0] {
			return false
		}
		a, b = a[1:], b[1:]
	}
}

// heardBand is where the coherence is above what chance gives. 0, 0 if it is nowhere.
func heardBand(c *response.Curve) (low, high float64) {
	return widest(c, func(i int) bool { return c.Coherence[i] > c.Threshold[i] })
}

// knownBand is where the magnitude is known to ±knownDB. 0, 0 if it is nowhere.
func knownBand(c *response.Curve) (low, high float64) {
	return widest(c, func(i int) bool { return c.MagnitudeHighDB[i]-c.MagnitudeLowDB[i] <= 2*knownDB })
}

// widest is the widest band, in octaves, in which at least 60 % of the points within a
// third of an octave below or above are good: narrow notches of a room do not end it.
// 0, 0 if there is none.
func widest(c *response.Curve, isGood func(i int) bool) (low, high float64) {
	const third = 1.259921049894873 // 2^(1/3)
	n := len(c.FrequencyHz)
	counts := func(i int) int {
		if isGood(i) {
			return 1
		}
		return 0
	}
	// Points [from, i] lie below and [i, to) above; below and above count the good.
	var from, to, below, above int
	first, last := -1, -1 // good points at the ends of the run so far
	for i := range n + 1 {
		good := false
		if i < n {
			f := c.FrequencyHz[i]
			below += counts(i)
			for ; c.FrequencyHz[from] < f/third; from++ {
				below -= counts(from)
			}
			for ; to < n && c.FrequencyHz[to] <= f*third; to++ {
				above += counts(to)
			}
			good = f > 0 && (5*below >= 3*(i+1-from) || 5*above >= 3*(to-i))
			above -= counts(i)
		}
		if good {
			if counts(i) == 1 {
				if first < 0 {
					first = i
				}
				last = i
			}
			continue
		}
		if first >= 0 && (low == 0 || c.FrequencyHz[last]/c.FrequencyHz[first] > high/low) {
			low, high = c.FrequencyHz[first], c.FrequencyHz[last]
		}
		first, last = -1, -1
	}
	return low, high
}

// shortfall is the signal-to-noise ratio in dB from the mean coherence between
// 100 Hz and 10 kHz, SNR = γ²/(1−γ²) (Bendat and Piersol, Random Data, 4th ed.,
// ch. 6), after the bias 1/n of unrelated channels was taken off (ch. 9), and how
// long an average would have to be for that coherence to pass the 1 % threshold
// 1 − 0.01^(1/(n−1)) twice over. 0 s when no time would do.
func shortfall(c *response.Curve, averagedS float64) (snrDB, waitS float64) {
	var sum, averages, weight float64
	for i, f := range c.FrequencyHz {
		n := c.EffectiveAverages[i]
		if f < 100 || f > 10000 || math.IsNaN(c.Coherence[i]) || !(n > 1) {
			continue
		}
		w := 1 / f // a linear grid has more points at the top
		sum += w * max(0, (c.Coherence[i]-1/n)/(1-1/n))
		averages += w * n
		weight += w
	}
	if weight == 0 || sum == 0 {
		return math.Inf(-1), 0
	}
	g, n := min(sum/weight, 1-1e-9), averages/weight
	needed := 1 + math.Log(0.01)/math.Log(1-g/2)
	waitS = averagedS * needed / n
	if waitS > 600 {
		waitS = 0
	}
	return 10 * math.Log10(g/(1-g)), waitS
}
