package alignment

import "math"

// The worst of several seats is a minimum of smooth functions of delay and gain: at
// its best two or three of them meet, in a ridge or a corner, and searching along one
// of the two alone stops on the way there. Other gains have other seats as the worst,
// with their best elsewhere.

// gainStepDB is how far apart the gains are that the whole range of delays is searched with.
const gainStepDB = 3

// worstWithGain is the best setting for the worst seat with a free gain, and the grid
// of the gain nearest to it; best, list and total are those without a gain.
func (p *Problem) worstWithGain(best candidate, list []candidate, total [2][]float64, g grid) (candidate, [2][]float64) {
	const keep, finest = 24, 12
	grids := map[float64][2][]float64{0: total}
	all := list[:min(keep, len(list))]
	for db := gainStepDB; float64(db) <= p.cfg.MaxGainDB; db += gainStepDB {
		for _, gain := range []float64{float64(db), -float64(db)} {
			grids[gain], _ = p.scan(g, gain)
			more := p.maxima(grids[gain], g, gain)
			all = append(all[:len(all):len(all)], more[:min(keep, len(more))]...)
		}
	}
	bestFirst(all)
	var apart []candidate // neither along the ridge of another
	for _, c := range all {
		near := false
		for _, o := range apart {
			near = near || o.Sign == c.Sign && math.Abs(o.DelayMs-c.DelayMs) < 2e3*g.step && math.Abs(o.GainDB-c.GainDB) <= gainStepDB
		}
		if !near && len(apart) < finest {
			apart = append(apart, c)
		}
	}
	apart = append(apart, best)
	p.cfg.Each(len(apart), func(i int) { p.ridge(&apart[i], g) })
	bestFirst(apart)
	best = apart[0]
	nearest := 0.0
	for gain := range grids {
		if math.Abs(gain-best.GainDB) < math.Abs(nearest-best.GainDB) {
			nearest = gain
		}
	}
	return best, grids[nearest]
}

// ridge climbs in gain, and at every gain in delay.
func (p *Problem) ridge(c *candidate, g grid) {
	var w sweep
	line := func(dst []float64, x Setting, fromMs, stepMs float64) { p.line(&w, dst, x, fromMs, stepMs) }
	at := func(from candidate, gainDB float64) candidate {
		from.GainDB = min(max(gainDB, -p.cfg.MaxGainDB), p.cfg.MaxGainDB)
		from.valueDB = math.Inf(-1)
		from.climb(4e3*g.step, line)
		from.climb(1e3*g.step, line)
		from.DelayMs = min(max(from.DelayMs, -p.cfg.MaxDelayMs), p.cfg.MaxDelayMs)
		from.valueDB = p.value(make([]float64, len(p.seats)), from.Setting)
		return from
	}
	*c = at(*c, c.GainDB)
	for step := gainStepDB / 2.0; step > 0.02; {
		better := false
		for _, side := range []float64{step, -step} {
			if o := at(*c, c.GainDB+side); o.valueDB > c.valueDB {
				*c, better = o, true
				break
			}
		}
		if !better {
			step /= 2
		}
	}
}
