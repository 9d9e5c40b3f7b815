package caution

// lanes are how many samples a survey looks at in one step: a sum or an extreme
// waits for the one before it.
const lanes = 8

// surveyed is what a survey found, lane by lane.
type surveyed struct {
	squares, low, high [lanes]float64
	equal              [lanes / 2]float64 // how many; two lanes each
}

// survey is the sum of the squares of x, its least and greatest sample, and how
// many are equal to the one in front, the first to last. It skips what is no number
// but for the sum.
func survey(x []float64, last float64) (sum, low, high float64, equal int) {
	low, high = x[0], x[0]
	n := (len(x) - 1) / lanes * lanes // those that lanes of a step have one in front of
	if n > 0 {
		var s surveyed
		steps(x[:n+1], &s)
		for i := range lanes {
			sum += s.squares[i]
			if s.low[i] < low {
				low = s.low[i]
			}
			if s.high[i] > high {
				high = s.high[i]
			}
		}
		equal = int(s.equal[0] + s.equal[1] + s.equal[2] + s.equal[3])
	}
	if x[0] == last {
		equal++
	}
	sum += x[0] * x[0]
	for i, v := range x[n+1:] {
		sum += v * v
		if v == x[n+i] {
			equal++
		}
		if v > high {
			high = v
		} else if v < low {
			low = v
		}
	}
	return sum, low, high, equal
}

// stepsGo surveys whole steps behind the first sample.
func stepsGo(x []float64, s *surveyed) {
	*s = surveyed{}
	for i := range lanes {
		s.low[i], s.high[i] = x[0], x[0]
	}
	for ; len(x) > lanes; x = x[lanes:] {
		for i, v := range x[1 : lanes+1] {
			s.squares[i] += v * v
			if v == x[i] {
				s.equal[i%len(s.equal)]++
			}
			if v < s.low[i] {
				s.low[i] = v
			}
			if v > s.high[i] {
				s.high[i] = v
			}
		}
	}
}
