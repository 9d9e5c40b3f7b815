package room

import "math"

// decay is the squared response of one band and what there is to say of its end.
type decay struct {
	rateHz float64
	p2     []float64 // squared response, from some way in front of the direct sound
	zero   int       // index of the direct sound
	noise  float64   // mean square of what is no decay
	end    int       // index at which the decay sinks into the noise, or ends
	rate   float64   // of the late decay, p² ~ e^(−rate·t), 1/s; NaN: no decay was found
	tail   float64   // ∫ p² dt behind end, as the late decay goes on
	energy []float64 // E at each index up to end, p² s, noise taken off
}

const (
	lundebyRounds = 8
	aboveNoiseDB  = 7  // the late slope is fitted down to this far above the noise,
	slopeDB       = 20 // over so much of the decay if there is as much,
	leastSlopeDB  = 8  // and not over less
	behindDB      = 10 // noise is measured so much of decay behind the crossing,
	lastPart      = 0.1
	blocksPer10DB = 5
	gapS          = 0.1
)

// newDecay finds noise, late slope and crossing by turns (Lundeby, Vigran, Bietz and
// Vorländer, Acustica 81, 1995), and integrates backwards with the noise subtracted, up
// to the crossing, and the tail that the late slope has behind it (ISO 3382-1:2009,
// 5.3.3). What the late decay still has where the noise is measured is taken off the
// noise, so that a response that ends before it sinks into any has none. widthHz is
// that of the band.
func newDecay(p2 []float64, zero int, rateHz, widthHz float64) *decay {
	d := &decay{rateHz: rateHz, p2: p2, zero: zero, rate: math.NaN()}
	last := len(p2) - int(0.5/widthHz*rateHz) // what the filter smears over the end is left out
	for last > zero && p2[last-1] == 0 {
		last-- // digital silence is no noise
	}
	if last-zero < int(0.02*rateHz) {
		return d
	}
	from := last - int(lastPart*float64(last-zero))
	d.noise = mean(p2[from:last])
	block := max(int(0.01*rateHz), int(1.5/widthHz*rateHz))
	crossing := math.NaN()
	for range lundebyRounds {
		levels := blocks(p2[zero:last], block)
		slope, at, ok := lateSlope(levels, float64(block)/rateHz, d.noise)
		if !ok {
			break
		}
		d.rate = slope
		fit := func(t float64) float64 { return math.Exp(at - slope*t) } // t from the direct sound
		total := float64(last-zero) / rateHz
		before := crossing
		crossing = total
		if d.noise > 0 {
			crossing = min(total, (at-math.Log(d.noise))/slope)
		}
		begin := min(crossing+behindDB*math.Ln10/10/slope, (1-lastPart)*total)
		i := zero + max(0, int(begin*rateHz))
		d.noise = max(0, mean(p2[i:last])-(fit(begin)-fit(total))/slope/(total-begin))
		d.end = zero + int(max(crossing, 0)*rateHz)
		d.tail = fit(crossing) / slope
		if math.Abs(crossing-before) < 1e-3*crossing {
			break
		}
		perBlock := 10 / (slope * 10 / math.Ln10) / blocksPer10DB // seconds
		block = min(max(int(0.002*rateHz), int(1.5/widthHz*rateHz), int(perBlock*rateHz)), (last-zero)/8)
	}
	if math.IsNaN(d.rate) || d.end <= zero {
		d.rate = math.NaN()
		return d
	}
	d.integrate()
	return d
}

// lateSlope fits a line to the levels of blocks of so many seconds, the last slopeDB of
// them that lie clear of the noise: ln p² = at − slope·t.
func lateSlope(levels []float64, blockS, noise float64) (slope, at float64, ok bool) {
	top, peak := 0.0, 0
	for i, v := range levels {
		if v > top {
			top, peak = v, i
		}
	}
	floor := noise * math.Pow(10, aboveNoiseDB/10.0)
	end, ahead := peak, max(3, int(gapS/blockS))
	for end < len(levels) && (levels[end] > floor || mean(levels[end:min(end+ahead, len(levels))]) > floor) {
		end++ // a gap between reflections is no end
	}
	if end-peak < 3 || levels[peak] < levels[end-1]*math.Pow(10, leastSlopeDB/10.0) {
		return 0, 0, false
	}
	begin := end - 1
	for begin > peak && (levels[begin] < levels[end-1]*math.Pow(10, slopeDB/10.0) || end-begin < 3) {
		begin--
	}
	var line regression
	for i := begin; i < end; i++ {
		line.add((float64(i)+0.5)*blockS, math.Log(levels[i]))
	}
	b, a := line.fit()
	return -b, a, b < 0
}

// blocks are the means of x over so many samples each.
func blocks(x []float64, size int) []float64 {
	var out []float64
	for len(x) >= size {
		out = append(out, mean(x[:size]))
		x = x[size:]
	}
	return out
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(max(len(x), 1))
}

func (d *decay) integrate() {
	d.energy = make([]float64, d.end+1)
	sum := d.tail
	d.energy[d.end] = sum
	for i := d.end - 1; i >= 0; i-- {
		sum += (d.p2[i] - d.noise) / d.rateHz
		d.energy[i] = sum
	}
}

// rangeDB is how far the backward-integrated curve goes down before it meets the noise
// or the end: of an exponential decay, its level at the beginning over the noise.
func (d *decay) rangeDB() float64 {
	if math.IsNaN(d.rate) || !(d.energy[0] > d.tail) {
		return math.NaN()
	}
	return 10 * math.Log10(d.energy[0]/d.tail)
}

// at is E at a time from the direct sound.
func (d *decay) at(t float64) float64 {
	x := float64(d.zero) + t*d.rateHz
	if x >= float64(d.end) {
		return d.tail * math.Exp(-d.rate*(x-float64(d.end))/d.rateHz)
	}
	i := int(x)
	return d.energy[i] + (x-float64(i))*(d.energy[i+1]-d.energy[i])
}

// time is that in which the level of E would fall by 60 dB, by the least-squares line
// between two levels re its beginning (ISO 3382-1:2009, 5.3.3).
func (d *decay) time(fromDB, toDB float64) float64 {
	total := d.energy[0]
	begin := d.zero
	for begin < d.end && d.energy[begin] > total*math.Pow(10, fromDB/10) {
		begin++
	}
	var line regression
	low := total * math.Pow(10, toDB/10)
	for i := begin; i < d.end && d.energy[i] >= low; i++ {
		line.add(float64(i)/d.rateHz, 10*math.Log10(d.energy[i]/total))
	}
	slope, _ := line.fit()
	if !(slope < 0) {
		return math.NaN()
	}
	return -60 / slope
}

// centreMs is ∫ t p² dt / ∫ p² dt (ISO 3382-1:2009, A.13).
func (d *decay) centreMs() float64 {
	sum := 0.0
	for i := range d.end {
		sum += float64(i-d.zero) / d.rateHz * (d.p2[i] - d.noise) / d.rateHz
	}
	t := float64(d.end-d.zero) / d.rateHz
	sum += d.tail * (t + 1/d.rate)
	return 1000 * sum / d.energy[0]
}

// regression is a least-squares line through points that come one by one.
type regression struct{ n, x, y, xx, xy float64 }

func (r *regression) add(x, y float64) {
	r.n++
	r.x += x
	r.y += y
	r.xx += x * x
	r.xy += x * y
}

// fit is y = slope·x + at; NaN of fewer than two points.
func (r *regression) fit() (slope, at float64) {
	d := r.n*r.xx - r.x*r.x
	if r.n < 2 || d <= 0 {
		return math.NaN(), math.NaN()
	}
	slope = (r.n*r.xy - r.x*r.y) / d
	return slope, (r.y - slope*r.x) / r.n
}
