package alignment

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"plumbline/analyze/summation"
)

// How far efficiencies may be off is found by measuring again: from responses as they
// may be by what is believed, with errors as the takes have them, everything is found
// once more, so many times. What is found differs from what was there by as much as
// what is found from the takes differs from the truth (parametric bootstrap: Efron and
// Tibshirani, An Introduction to the Bootstrap, ch. 6).
const trials = 16

// Interval is a 95 % interval, dB.
type Interval struct{ LowDB, HighDB float64 }

// tried is what settings give at one seat in every trial, dB: [trial][setting].
type tried struct{ found, there [][]float64 }

// try measures seat i again under settings. Where noise is small its errors are those
// of errorSD, in every trial as many of them.
func (s *seat) try(i int, settings []Setting) tried {
	rng := rand.New(rand.NewPCG(uint64(i), 95))
	out := tried{make([][]float64, trials), make([][]float64, trials)}
	if s.belief.Clear {
		there := make([]float64, len(settings))
		for k, x := range settings {
			there[k] = s.efficiency(x)
		}
		for t := range trials {
			out.there[t], out.found[t] = there, slices.Clone(there)
			if t%2 > 0 { // an error and its opposite: no mean of their own
				for k := range settings {
					out.found[t][k] = 2*there[k] - out.found[t-1][k]
				}
				continue
			}
			z := rng.NormFloat64()
			for k, x := range settings {
				out.found[t][k] += z * s.errorSD(x, nil)
			}
		}
		return out
	}
	n := len(s.pair.FrequencyHz)
	a, b := make([]complex128, n), make([]complex128, n)
	deviates := s.pair.NewDeviates(rng.NormFloat64)
	var again summation.Pair
	values := func(belief *summation.Belief) []float64 {
		one := *s
		one.fill(belief)
		one.unlike1 = one.unlike(1)
		v := make([]float64, len(settings))
		for k, x := range settings {
			v[k] = one.efficiency(x)
		}
		return v
	}
	for t := range trials {
		s.belief.Draw(a, b, rng.NormFloat64)
		deviates.Again(&again, a, b)
		out.there[t] = values(summation.Exactly(a, b))
		out.found[t] = values(again.Belief(s.around))
	}
	return out
}

// debias takes off what the trials find too much with the delay about which the
// responses are believed: what is said of a plan is off by nothing on average.
func (s *seat) debias(i int) {
	if s.belief.Clear {
		return
	}
	best := Setting{DelayMs: -s.around.Ms, Sign: 1}
	if other := (Setting{DelayMs: best.DelayMs, Sign: -1}); s.efficiency(other) > s.efficiency(best) {
		best = other
	}
	t := s.try(i, []Setting{best})
	for n := range t.found {
		s.biasDB += (t.found[n][0] - t.there[n][0]) / trials
	}
	s.shift(s.biasDB)
}

func (s *seat) undoBias() {
	s.shift(-s.biasDB)
	s.biasDB = 0
}

// shift takes so many decibels off every efficiency.
func (s *seat) shift(db float64) {
	if s.less == nil {
		return
	}
	less := make([]float64, len(s.less)) // others may share the old ones
	for k, v := range s.less {
		less[k] = v * math.Pow(10, db/10)
	}
	s.less = less
	s.unlike1 = s.unlike(1)
}

// errorSD is the standard deviation of the efficiency under x, or of what it is more
// than under y, dB, by random errors that are small (delta method). Those of
// neighbouring points go together: Hann windows make two of one.
func (s *seat) errorSD(x Setting, y *Setting) float64 {
	sum := 0.0
	for n := 0; n < len(s.cells); {
		k, times := s.cells[n], 0.0
		for ; n < len(s.cells) && s.cells[n] == k; n++ {
			times++
		}
		ga, gb := s.gradient(k, x)
		if y != nil {
			ha, hb := s.gradient(k, *y)
			ga, gb = ga-ha, gb-hb
		}
		va, vb := s.pair.Variances(k)
		sum += times * times * (power(ga)*va + power(gb)*vb)
	}
	return math.Sqrt(sum) / float64(len(s.cells))
}

// gradient of the efficiency of a cell, dB: δ = Re(ga·δA + gb·δB). A cell that
// cancels has no say of its own.
func (s *seat) gradient(k int, x Setting) (ga, gb complex128) {
	const perNeper, leastSum = 20 / math.Ln10, 0.05
	omega := 2 * math.Pi * s.pair.FrequencyHz[k]
	turn := cmplx.Rect(float64(x.Sign)*math.Pow(10, x.GainDB/20), -omega*x.DelayMs/1e3)
	a, b := s.pair.A[k], s.pair.B[k]*turn
	ra, rb := cmplx.Abs(a), cmplx.Abs(b)
	z := a + b
	one := cmplx.Conj(z) / complex(max(power(z), leastSum*(ra+rb)*(ra+rb)), 0)
	spread := omega * s.spreadS
	one *= complex(math.Exp(-spread*spread/2), 0)
	ga = one - cmplx.Conj(a)/complex(ra*(ra+rb), 0)
	gb = (one - cmplx.Conj(b)/complex(rb*(ra+rb), 0)) * turn
	return ga * perNeper, gb * perNeper
}

// doubt is how far off what is said of settings may be.
type doubt struct {
	seats [][]Interval // [seat][setting]
	aim   []Interval   // by the aim
	off   [][]float64  // [trial][setting]: found less there, by the aim

	unlike float64 // how many times larger errors are by the aim
}

// doubts finds it.
func (p *Problem) doubts(settings []Setting) doubt {
	if p.clear() {
		return p.clearDoubts(settings)
	}
	all := make([]tried, len(p.seats))
	p.cfg.Each(len(p.seats), func(i int) { all[i] = p.seats[i].try(i, settings) })
	d := doubt{seats: make([][]Interval, len(p.seats)), aim: make([]Interval, len(settings)), off: make([][]float64, trials)}
	for t := range d.off {
		d.off[t] = make([]float64, len(settings))
	}
	unlike := make([]float64, len(p.seats))
	for i := range p.seats {
		unlike[i] = p.seats[i].unlikeDeviates()
		d.unlike += unlike[i] / float64(len(p.seats))
	}
	found, there := make([]float64, len(p.seats)), make([]float64, len(p.seats))
	for k, x := range settings {
		off := make([]float64, trials)
		seats, aim := p.Efficiency(nil, x)
		for i := range p.seats {
			for t := range off {
				off[t] = all[i].found[t][k] - all[i].there[t][k] - p.seats[i].biasDB
			}
			d.seats[i] = append(d.seats[i], within(seats[i], off, unlike[i]))
		}
		for t := range off {
			for i := range all {
				found[i], there[i] = all[i].found[t][k]-p.seats[i].biasDB, all[i].there[t][k]
			}
			off[t] = p.aim(found) - p.aim(there)
			d.off[t][k] = off[t]
		}
		d.aim[k] = within(aim, off, d.unlike)
	}
	return d
}

// within is the interval of a value whose trials were that far off, with errors so many
// times larger; an efficiency is never above 0 dB.
func within(db float64, off []float64, unlike float64) Interval {
	mean, sd := meanSD(off)
	half := student * math.Hypot(unlike*sd*math.Sqrt(1+1.0/trials), gridDB)
	return Interval{db - mean - half, min(db-mean+half, 0)}
}

// gridDB is what a mean over so many points of a window's lines is off that over all
// frequencies, standard deviation (own simulation).
const gridDB = 0.01

// unlikeDeviates is how many times larger errors are than the trials', for rooms are not
// quite the normal deviates that these draw: the more, the more of the responses noise
// leaves open. 1.1 with no noise to speak of, 1.5 where it leaves a quarter open (own
// simulation, on other rooms than those of the proof).
func (s *seat) unlikeDeviates() float64 {
	const closed, each = 1.1, 1.7
	b, open := s.belief, 0.0
	for _, k := range s.cells {
		open += b.VarA[k]/(power(b.A[k])+b.VarA[k]) + b.VarB[k]/(power(b.B[k])+b.VarB[k])
	}
	return closed + each*open/float64(2*len(s.cells))
}

// student is the 97.5 % quantile of Student's t of trials − 1 degrees of freedom.
const student = 2.131

func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// clearDoubts is doubts where no seat has noise that matters.
func (p *Problem) clearDoubts(settings []Setting) doubt {
	d := doubt{seats: make([][]Interval, len(p.seats))}
	sd := make([][]float64, len(p.seats))
	p.cfg.Each(len(p.seats), func(i int) {
		for _, x := range settings {
			sd[i] = append(sd[i], p.seats[i].errorSD(x, nil))
		}
	})
	small := func(db, sd float64) Interval {
		half := 1.96 * math.Hypot(sd, gridDB)
		return Interval{db - half, min(db+half, 0)}
	}
	for k, x := range settings {
		seats, aim := p.Efficiency(nil, x)
		total, worst := 0.0, 0
		for i, v := range seats {
			d.seats[i] = append(d.seats[i], small(v, sd[i][k]))
			total += sd[i][k] * sd[i][k]
			if v < seats[worst] {
				worst = i
			}
		}
		total = math.Sqrt(total) / float64(len(seats))
		if p.cfg.Aim == Worst {
			total = sd[worst][k]
		}
		d.aim = append(d.aim, small(aim, total))
	}
	return d
}

// between is the standard deviation of the difference of two settings, by the aim.
func (d doubt) between(x, y int) float64 {
	off := make([]float64, len(d.off))
	for t, v := range d.off {
		off[t] = v[x] - v[y]
	}
	_, sd := meanSD(off)
	return d.unlike * sd
}

// sdBetween is between, or what small errors make of it.
func (p *Problem) sdBetween(d doubt, settings []Setting, x, y int) float64 {
	if d.off == nil {
		return p.differenceSD(settings[x], settings[y])
	}
	return d.between(x, y)
}

// clear says whether no seat has noise that matters.
func (p *Problem) clear() bool {
	return !slices.ContainsFunc(p.seats, func(s seat) bool { return !s.belief.Clear })
}

// The plan leaves the arrivals where the phases do better by followSD standard
// deviations, or may at least lose no more than mayLoseDB.
const (
	followSD  = 3
	mayLoseDB = 0.05
)

// judge gives the result its intervals, and the plan to the arrivals where the phases
// cannot tell.
func (p *Problem) judge(r *Result, g grid) {
	by, sdMs, ok := p.byArrivals(r.Plan.GainDB)
	step := max(r.FlatnessMs/4, g.step*250)
	for again := true; again; {
		again = false
		near := func(ms float64) Setting { x := r.Plan; x.DelayMs += ms; return x }
		settings := []Setting{{Sign: 1}, r.Plan, near(-step), near(step)}
		last := func(x Setting) int { settings = append(settings, x); return len(settings) - 1 }
		second, arrivals := -1, -1
		if r.RunnerUp.Sign != 0 {
			second = last(r.RunnerUp)
		}
		if ok && !r.Follows {
			arrivals = last(by.Setting)
		}
		d := p.doubts(settings)
		if ok && !r.Follows {
			value := p.value(make([]float64, len(p.seats)), r.Plan)
			if !p.clear() && followSD*d.between(1, arrivals)-(value-by.valueDB) > mayLoseDB {
				r.Plan, r.Follows, again = by.Setting, true, true
				continue
			}
		}
		r.Today, r.PlanIn = d.aim[0], d.aim[1]
		_, at := p.Efficiency(nil, r.Plan)
		_, before := p.Efficiency(nil, settings[2])
		_, after := p.Efficiency(nil, settings[3])
		bend := (2*at - before - after) / (step * step)
		if r.DelaySDMs = p.sdBetween(d, settings, 3, 2) / (2 * step) / bend; !(bend > 0) {
			r.DelaySDMs = math.Inf(1)
		}
		if r.Follows {
			r.DelaySDMs = sdMs
		}
		for i := range r.Seats {
			r.Seats[i].Today, r.Seats[i].Plan = d.seats[i][0], d.seats[i][1]
		}
		if second >= 0 {
			r.RunnerUpIn = d.aim[second]
			for i := range r.Seats {
				r.Seats[i].RunnerUp = d.seats[i][second]
			}
		}
	}
}

// Interval is that of the efficiency under x by the aim, and those of the seats.
func (p *Problem) Interval(x Setting) (aim Interval, seats []Interval) {
	d := p.doubts([]Setting{x})
	for _, s := range d.seats {
		seats = append(seats, s[0])
	}
	return d.aim[0], seats
}
