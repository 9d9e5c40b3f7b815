package daemon

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"plumbline/capture/rig"
	"plumbline/stream/wire"
)

// way is one way of the sound from a loudspeaker to a microphone: straight or
// by walls. It follows from the scene alone (image sources, Allen and Berkley,
// JASA 65(4), 1979).
type way struct {
	ms      float64
	levelDB float64 // high frequencies, re 1 at 1 m
	sign    int     // of the highest frequencies, as of an arrival
	of      int     // loudspeaker
	direct  bool
	blurMs  float64 // how far off its time a box that plays low frequencies only may be heard
	thinDB  float64 // by how much less than its level its first lobe may be
}

// narrowHz is the upper edge below which a loudspeaker is not asked to be told
// apart from others: what it plays is no sharp arrival.
const narrowHz = 2000

// ways are all to microphone 0, of what is not muted.
func ways(s rig.Scene) (all []way) {
	r := s.Room
	wallDB := 0.0 // of a hit, at 2…8 kHz
	for _, a := range r.Absorption[5:] {
		wallDB += 10 * math.Log10(math.Max(1-a, 1e-6)) / 3
	}
	for i, l := range s.Loudspeakers {
		if l.Mute {
			continue
		}
		sign := 1
		if l.Polarity == rig.Opposite {
			sign = -sign
		}
		// The level of an arrival is that of its first lobe. A crossover of 24 or 48 dB an
		// octave leaves 0.4 of the pulse in that and more (computed from its all-pass sum).
		thin := 0.0
		if l.CrossoverHz > 0 && l.CrossoverOrder >= 4 {
			thin = 8
		}
		blur := 0.0
		if l.HighHz > 0 && l.HighHz < narrowHz {
			blur = 700 / l.HighHz
		}
		var images func(axis, hits int, at rig.Position)
		images = func(axis, hits int, at rig.Position) {
			if axis < 3 {
				for n := -r.Reflections; n <= r.Reflections; n++ {
					for q := range 2 {
						if h := hits + abs(n-q) + abs(n); h <= r.Reflections {
							next := at
							next[axis] = float64(1-2*q)*l.PositionM[axis] + 2*float64(n)*r.SizeM[axis]
							images(axis+1, h, next)
						}
					}
				}
				return
			}
			d := 0.0
			for a, v := range s.Microphones[0].PositionM {
				d += (v - at[a]) * (v - at[a])
			}
			d = math.Sqrt(d)
			all = append(all, way{
				ms: l.DelayMs + 1000*d/s.SpeedOfSound(), levelDB: l.GainDB - 20*math.Log10(max(d, 0.1)) + float64(hits)*wallDB,
				sign: sign, of: i, direct: hits == 0, blurMs: blur, thinDB: thin,
			})
		}
		images(0, 0, rig.Position{})
	}
	return all
}

func abs(n int) int { return max(n, -n) }

// top is the level of the strongest way.
func top(all []way) float64 {
	best := math.Inf(-1)
	for _, w := range all {
		if w.blurMs == 0 {
			best = max(best, w.levelDB)
		}
	}
	return best
}

const (
	timeMs = 0.15 // by how much an arrival may be off a way
	// Two that are no farther apart than this are told as one; the polarity is that of
	// either, unless it is 6 dB down.
	oneMs = 0.3
	// One that comes while a stronger one still rings is off by as much as the pulses
	// of the two pull each other's peaks: half a period of where a crossover rings.
	crowdedMs = 0.3
	// An arrival's level is of what it plays, a way's of its high frequencies, and
	// ways within blurMs are heard as one.
	levelOff = 4.5
)

// judge holds a frame against the scene: what it claims and is not so, and what
// it should tell and does not.
func judge(s rig.Scene, m *wire.Microphone) (wrong, missing []string) {
	all := ways(s)
	loud := top(all)
	claim := func(ok bool, format string, a ...any) {
		if !ok {
			wrong = append(wrong, fmt.Sprintf(format, a...))
		}
	}
	if len(all) == 0 {
		claim(len(m.Arrivals) == 0, "%d arrivals, all is muted", len(m.Arrivals))
		claim(math.IsNaN(float64(m.DelayMs)), "delay %.2f ms, all is muted", float64(m.DelayMs))
		claim(!strings.Contains(m.Verdict, "hears the loudspeaker ") && !strings.Contains(m.Verdict, "rrival "), "all is muted: %s", m.Verdict)
		claim(m.Polarity.Verdict == "undecided", "polarity %s, all is muted", m.Polarity.Verdict)
		return wrong, nil
	}
	for _, a := range m.Arrivals {
		checkArrival(all, loud, a, claim)
	}
	if d := float64(m.DelayMs); !math.IsNaN(d) {
		claim(len(near(all, d, timeMs)) > 0, "delay of %.2f ms, where nothing arrives", d)
	}
	checkPolarity(s, all, m, claim)
	checkSentence(all, m, claim)
	for i, l := range s.Loudspeakers {
		if there, _ := listed(all, i, m.Arrivals); due(all, loud, i) && !there {
			missing = append(missing, fmt.Sprintf("%s is missing: %s", l.Name, list(m.Arrivals)))
		}
	}
	if named := strings.Contains(m.Verdict, "hears the loudspeaker ") || strings.Contains(m.Verdict, "rrival "); !named {
		missing = append(missing, "nothing is said: "+m.Verdict)
	}
	return wrong, missing
}

// near are the ways that are heard at ms, give or take.
func near(all []way, ms, within float64) (some []way) {
	for _, w := range all {
		if math.Abs(w.ms-ms) <= within+w.blurMs {
			some = append(some, w)
		}
	}
	return some
}

func checkArrival(all []way, loud float64, a wire.ArrivalObject, claim func(bool, string, ...any)) {
	ms, db := float64(a.DelayMs), float64(a.LevelDB)
	some := near(all, ms, timeMs)
	if len(some) == 0 {
		for _, w := range near(all, ms, crowdedMs) {
			for _, v := range all {
				if off := w.ms - v.ms; off > 0 && off < blurMs && v.levelDB > w.levelDB && len(some) == 0 {
					some = append(some, w)
				}
			}
		}
	}
	text := fmt.Sprintf("arrival at %.2f ms, %.1f dB, %s", ms, db, a.Polarity)
	claim(len(some) > 0, "%s: nothing arrives then", text)
	if len(some) == 0 {
		return
	}
	sum, blurred, signed := 0.0, false, a.Polarity == "undecided"
	loudest := math.Inf(-1)
	for _, w := range near(all, ms, timeMs+oneMs) {
		if w.blurMs == 0 {
			loudest = max(loudest, w.levelDB)
		}
	}
	for _, w := range near(all, ms, blurMs) {
		sum += math.Pow(10, w.levelDB/20)
		blurred = blurred || w.blurMs > 0
	}
	for _, w := range near(all, ms, timeMs+oneMs) {
		// Of two at once the stronger tells the sign.
		signed = signed || (w.sign > 0) == (a.Polarity == "same") && (w.levelDB > loudest-6 || w.blurMs > 0)
	}
	claim(signed, "%s: of the other polarity", text)
	if !blurred && !math.IsInf(loud, -1) {
		most := 20*math.Log10(sum) - loud + thinnest(all, loud)
		claim(db < most+levelOff, "%s: %.1f dB at most", text, most)
		if n := near(all, ms, blurMs); len(n) == 1 && n[0].levelDB > loud-10 {
			least := n[0].levelDB - loud - n[0].thinDB
			claim(db > least-levelOff, "%s: %.1f dB at least", text, least)
		}
	}
}

// thinnest is by how much less than its level the strongest way may be told.
func thinnest(all []way, loud float64) (db float64) {
	for _, w := range all {
		if w.levelDB > loud-levelOff {
			db = max(db, w.thinDB)
		}
	}
	return db
}

// blurMs is within what time ways make one arrival, unless they are alike.
const blurMs = 1.2

// due says whether the direct sound of loudspeaker i must be told: within 8 dB
// of the strongest (two less than a sentence names, since levels are known to
// about that), apart from others that are not much weaker, one of the strongest
// four, and not of low frequencies only.
func due(all []way, loud float64, i int) bool {
	for _, d := range all {
		if d.of != i || !d.direct {
			continue
		}
		if d.blurMs > 0 || d.levelDB < loud-8 {
			return false
		}
		stronger := 0
		for _, w := range all {
			if w == d || w.blurMs > 0 {
				continue
			}
			if math.Abs(w.ms-d.ms) < blurMs && w.levelDB > d.levelDB-8 {
				return false
			}
			if w.levelDB > d.levelDB-1 {
				stronger++
			}
		}
		return stronger < 4
	}
	return false
}

// listed says whether loudspeaker i is in the list, and whether its polarity is
// told: where its own sound does not tell it, undecided is right.
func listed(all []way, i int, arrivals []wire.ArrivalObject) (there, told bool) {
	for _, d := range all {
		if d.of != i || !d.direct {
			continue
		}
		for _, a := range arrivals {
			if math.Abs(float64(a.DelayMs)-d.ms) < timeMs {
				switch a.Polarity {
				case "undecided":
					there = true
				case "same", "opposite":
					if (a.Polarity == "same") == (d.sign > 0) {
						there, told = true, true
					}
				}
			}
		}
	}
	return there, told
}

// signs counts the loudspeakers that are due, and those whose polarity is told.
func signs(s rig.Scene, m *wire.Microphone) (told, asked int) {
	all := ways(s)
	loud := top(all)
	for i := range s.Loudspeakers {
		if due(all, loud, i) {
			asked++
			if _, ok := listed(all, i, m.Arrivals); ok {
				told++
			}
		}
	}
	return told, asked
}

func list(arrivals []wire.ArrivalObject) string {
	var b strings.Builder
	for _, a := range arrivals {
		fmt.Fprintf(&b, "[%.2f ms %.1f dB %s]", float64(a.DelayMs), float64(a.LevelDB), a.Polarity)
	}
	return b.String()
}

// wired is how the loudspeakers that play are wired: 0 where they differ.
func wired(s rig.Scene) (sign int) {
	for i, l := range s.Loudspeakers {
		if l.Mute {
			continue
		}
		v := polarityOf(s, i)
		if sign != 0 && v != sign {
			return 0
		}
		sign = v
	}
	return sign
}

func polarityOf(s rig.Scene, i int) int {
	if s.Loudspeakers[i].Polarity == rig.Opposite {
		return -1
	}
	return 1
}

// checkPolarity: where all are wired alike, no verdict says otherwise; where
// they are not, it is that of the one whose delay is compensated.
func checkPolarity(s rig.Scene, all []way, m *wire.Microphone, claim func(bool, string, ...any)) {
	says := func(what, word string) {
		if word == "undecided" {
			return
		}
		said := 1
		if word == "opposite" {
			said = -1
		}
		if sign := wired(s); sign != 0 {
			claim(said == sign, "%s %s, none is: %s", what, word, m.Polarity.Reason)
			return
		}
		if what != "polarity" {
			return
		}
		ok, any := false, false
		for _, w := range near(all, float64(m.DelayMs), timeMs+oneMs) {
			any = true
			ok = ok || polarityOf(s, w.of) == said
		}
		claim(ok || !any, "%s %s, what arrives at %.2f ms is not: %s", what, word, float64(m.DelayMs), m.Polarity.Reason)
	}
	says("polarity", m.Polarity.Verdict)
	turned := false
	for _, l := range s.Loudspeakers {
		turned = turned || !l.Mute && l.CrossoverHz > 0 && l.CrossoverOrder == 2
	}
	for _, b := range m.Polarity.Bands {
		if !turned { // by design
			says(fmt.Sprintf("band %.0f…%.0f Hz", float64(b.LowHz), float64(b.HighHz)), b.Verdict)
		}
	}
	switch {
	case strings.Contains(m.Verdict, "Opposite polarity to the reference"):
		says("sentence:", "opposite")
	case strings.Contains(m.Verdict, "Same polarity"):
		says("sentence:", "same")
	}
}

var (
	minusHz  = regexp.MustCompile(`[-−]\d[\d.]* k?Hz|0 Hz, 0 Hz`)
	inMs     = regexp.MustCompile(`(\d+\.?\d*) ms`)
	twoTimes = regexp.MustCompile(`rrival \d+ at (\d+\.\d) ms; arrival \d+ at (\d+\.\d) ms`)
	oneTime  = regexp.MustCompile(`rrival (\d+) at (\d+\.\d) ms`)
	whose    = regexp.MustCompile(`Arrival (\d+) (is inverted|has the polarity of the reference)`)
	combAt   = regexp.MustCompile(`comb at (\d+\.?\d*) (k?)Hz`)
)

// checkSentence: times are those of ways, two that it calls opposite are, and
// the comb is that of their distance.
func checkSentence(all []way, m *wire.Microphone, claim func(bool, string, ...any)) {
	text := m.Verdict
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return math.NaN()
		}
		return v
	}
	claim(!minusHz.MatchString(text), "no such frequency: %s", text)
	for _, found := range inMs.FindAllStringSubmatch(text, -1) {
		claim(len(near(all, number(found[1]), timeMs+0.05)) > 0, "nothing arrives at %s: %s", found[0], text)
	}
	two := twoTimes.FindStringSubmatch(text)
	if two == nil {
		return
	}
	if one := whose.FindStringSubmatch(text); one != nil {
		for _, named := range oneTime.FindAllStringSubmatch(text, -1) {
			if named[1] != one[1] {
				continue
			}
			ok := false
			for _, w := range near(all, number(named[2]), timeMs+oneMs) {
				ok = ok || w.sign == 0 || w.sign < 0 == (one[2] == "is inverted")
			}
			claim(ok, "arrival %s has the other polarity: %s", one[1], text)
		}
	}
	opposite := strings.Contains(text, "dB down, opposite polarity") || strings.Contains(text, "dB up, opposite polarity") || strings.Contains(text, "as loud, opposite polarity")
	a, b := near(all, number(two[1]), timeMs+oneMs), near(all, number(two[2]), timeMs+oneMs)
	differ, alike, least, most := false, false, math.Inf(1), 0.0
	for _, x := range a {
		for _, y := range b {
			alike = alike || x.sign*y.sign >= 0
			differ = differ || x.sign*y.sign <= 0
			d := math.Abs(y.ms-x.ms) + x.blurMs + y.blurMs
			least, most = min(least, max(d-2*timeMs-2*x.blurMs-2*y.blurMs, 1e-3)), max(most, d+2*timeMs)
		}
	}
	if opposite {
		claim(differ, "not opposite: %s", text)
	} else {
		// "They comb every …" says nothing of polarity.
		claim(alike || !strings.Contains(text, "comb at"), "opposite: %s", text)
	}
	if comb := combAt.FindStringSubmatch(text); comb != nil && most > 0 {
		hz := number(comb[1])
		if comb[2] != "" {
			hz *= 1000
		}
		notch := 500.0
		if opposite {
			notch = 1000
		}
		// Hertz are told to three figures, and whole above 10.
		claim(hz > notch/most*0.98-0.5 && hz < notch/least*1.02+0.5, "a comb from %g Hz, not %.1f…%.1f Hz: %s", hz, notch/most, notch/least, text)
	}
}
