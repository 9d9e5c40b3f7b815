package polarity_test

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/polarity"
)

// audible is how far below the loudest in a band another loudspeaker of a pair may
// play and still have to be spoken of, dB.
const audible = 12

// asOneS is how near two sounds are one.
const asOneS = 8e-5

// hushed is what a verdict on an aligned pair names and another loudspeaker, within
// 12 dB of the loudest there, contradicts; "" if nothing is. Half an octave about a
// crossover that turns the sign of either by design is left out. A verdict that says
// that it is about one arrival of several answers for that one, if the other is in the
// list as an arrival of its own.
func hushed(s programme.Scene, v polarity.Verdict, list []arrival.Arrival) string {
	pair := []*programme.Loudspeaker{&s.Main, &s.Partner}
	if v.Several && len(list) > 1 && listed(list, s.Main.DelayS) != listed(list, s.Partner.DelayS) {
		about := pair[0]
		if math.Abs(v.DelayMs/1000-s.Main.DelayS) > math.Abs(v.DelayMs/1000-s.Partner.DelayS) {
			about = pair[1]
		}
		pair = []*programme.Loudspeaker{about}
	}
	for _, b := range v.Bands {
		if b.Sign == 0 {
			continue
		}
		for n := 14; n < 43; n++ {
			hz := math.Pow(10, float64(n)/10)
			if hz < b.LowHz || hz > b.HighHz {
				continue
			}
			loudest := math.Inf(-1)
			for _, l := range pair {
				loudest = max(loudest, l.LevelDB(hz))
			}
			for _, l := range pair {
				turns := l.Heard(1e9) != l.Heard(1)
				if turns && math.Abs(math.Log2(hz/l.Box.CrossoverHz)) <= 0.5 || l.LevelDB(hz) < loudest-audible {
					continue
				}
				if l.Heard(hz) == -b.Sign {
					return fmt.Sprintf("%.0f to %.0f Hz %+d: at %.0f Hz one at %.2f ms is %+d, %.1f dB below the loudest",
						b.LowHz, b.HighHz, b.Sign, hz, 1000*l.DelayS, l.Heard(hz), loudest-l.LevelDB(hz))
				}
			}
		}
	}
	return ""
}

// listed is the index of the arrival nearest to a time within 0.15 ms, −1 if none is.
func listed(list []arrival.Arrival, seconds float64) int {
	best := -1
	for i, a := range list {
		if off := math.Abs(a.DelayMs - 1000*seconds); off < 0.15 && (best < 0 || off < math.Abs(list[best].DelayMs-1000*seconds)) {
			best = i
		}
	}
	return best
}

// An aligned pair: main and fill within half a millisecond at the microphone, the fill
// 0 to 12 dB weaker, both, one or none reversed. No band may be named in which the other
// has another sign. Nearer than the band resolves, one over its 2.5 to 16 kHz, the sum
// of the two is the response of one box, softer or equalised otherwise: that there are two
// is in nothing that one microphone hears, and those are counted by themselves.
func TestPairsAreNeverWrong(t *testing.T) {
	n := 8
	if truth.Thorough {
		n = 300
	}
	type outcome struct {
		wrong                string
		one, named, opposite bool
	}
	results := make([]outcome, n)
	truth.Trials(n, func(i int) {
		s := programme.RandomPair(truth.From + uint64(i))
		x, y := s.Render(48000, 4.9)
		spectra, list := measureAll(t, x, y, 48000)
		v := polarity.Judge(spectra)
		arrival.Agree(list, &v)
		out := outcome{wrong: hushed(s, v, list), named: names(v), opposite: s.Main.Sign != s.Partner.Sign}
		out.one = math.Abs(s.Main.DelayS-s.Partner.DelayS) < asOneS
		for _, a := range list {
			if math.Abs(a.DelayMs-v.DelayMs) < 0.01 && a.Sign != v.Sign {
				out.wrong += " two answers"
			}
		}
		if out.wrong != "" {
			out.wrong = fmt.Sprintf("%d: %s: %v: %+v %+v", i, out.wrong, s, v, list)
		}
		results[i] = out
	})
	wrong, one, oneWrong, named, alike := 0, 0, 0, 0, 0
	for _, r := range results {
		if r.one {
			one++
		}
		if !r.opposite {
			alike++
			if r.named {
				named++
			}
		}
		switch {
		case r.wrong == "":
		case r.one:
			oneWrong++
			t.Logf("as one: %s", r.wrong)
		default:
			wrong++
			t.Error(r.wrong)
		}
	}
	truth.Claim(t, "polarity of a pair aligned within ±0.5 ms, 0 to 12 dB apart, both, one or none reversed: 0 wrong in 300 in any band that is named, by any loudspeaker within 12 dB of the loudest there, of those 0.08 ms apart and more", "own simulation; crossovers after Linkwitz 1976, Butterworth 1930",
		fmt.Sprintf("%.0f wrong in %.0f; of the other %.0f, that are as one, %.0f; told of %.0f of %.0f wired alike", float64(wrong), float64(n-one), float64(one), float64(oneWrong), float64(named), float64(alike)), truth.AtMost(float64(wrong), "0"))
}
