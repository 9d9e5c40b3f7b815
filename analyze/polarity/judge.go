package polarity

import (
	"math"

	"plumbline/analyze/response"
)

// lowestHz must be trusted for a verdict on one loudspeaker by itself.
const lowestHz = 450

// highestHz must be played for the same: half a period of lower frequencies is as
// long as the time by which a box's own edges move the arrival, and a delay that
// is off by that much is as good as the other sign.
const highestHz = 560

// floorHz is the lowest frequency that is ever judged for one loudspeaker: below
// play subwoofers, whose delay is another and as good as their sign. Up to rise
// third octaves above it what is heard may still be theirs.
const (
	floorHz = 200
	rise    = 4
)

// sure is the confidence that a verdict needs.
const sure = 0.99

// Judge tells whether a loudspeaker is wired the same way round as the electrical
// reference. s should be compensated to the arrival; up to 10 ms off are found.
//
// The sign is that of the low-frequency driver: a second-order crossover has the
// other one reversed by design. When the sign turns on the way up, Bands are
// split there, and Reason says whether it looks like design or like a mistake.
//
// Where a second sound arrives 0.05 to 0.7 ms away, 12 dB or less down, as that of two
// loudspeakers that are aligned, the verdict is undecided with Beside as its Reason.
func Judge(s *response.Spectra) Verdict {
	var v Verdict
	JudgeInto(&v, s)
	return v
}

// JudgeInto is Judge into dst, whose Bands and Reason are used again where they
// can be, so that a steady verdict allocates nothing.
func JudgeInto(dst *Verdict, s *response.Spectra) {
	dst.judge(s)
	dst.Heard = dst.Sign
}

func (v *Verdict) judge(s *response.Spectra) {
	r := scratches.Get().(*scratch)
	defer scratches.Put(r)
	r.points = points(r.points, s)
	var c cells
	r.centre(&c)
	v.DelayMs = 1000 * (s.DelayS + c.delay)
	v.TrustedToHz, v.Crowded = 0, false
	if c.last >= c.first {
		v.TrustedToHz = cellHz(c.last)
	}
	v.Low = c.octaves() < 1 || cellHz(c.top()) < highestHz
	if c.octaves() < 1 {
		v.Undecide("too little of the band is trusted to tell")
		return
	}
	if cellHz(c.lowest()) > lowestHz {
		v.Undecide("nothing below 450 Hz is trusted: a crossover there may have turned the sign")
		return
	}
	if v.Low {
		v.Undecide("only low frequencies are played, where delay and sign look alike: compare it with the main")
		return
	}
	delay := c.delay + c.late()
	v.DelayMs = 1000 * (s.DelayS + delay)
	floor := cellOf(floorHz)
	phase, slope := c.minimumPhase(0)
	c.gather(r.points, delay, &phase)
	var w ways
	w.fill(&c, floor, &phase, slope)
	f := c.judge(task{turns: boxTurns, ways: w.list[:w.n], sd: c.spread(), floor: floor, rise: rise})
	if f.score < alike {
		v.Undecide("the sound of the room hides the phase of the loudspeaker")
		return
	}
	v.conclude(&c, &f)
	// A delay that is off by more takes of the highs what it is the means of.
	if v.Sign == 0 || math.Abs(c.delay) > besideOffS {
		return
	}
	if besides(r.points, delay, &f).stands() {
		v.Undecide(Beside)
		v.Crowded = true
	}
}

// alike is the mean agreement, −1…1, below which a response is not taken for that
// of a box, nor two loudspeakers for ones of one kind.
const alike = 0.4
