package sweep

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"plumbline/analyze/fft"
)

// Config says which sweep was played.
type Config struct {
	SampleRateHz  float64   // 8000…192000
	LowHz, HighHz float64   // where it begins and ends
	Played        []float64 // its samples, as played
}

// Take is what one recording tells.
type Take struct {
	Response []float64 // impulse response, LeadS in front of the direct sound; re the sweep as it was played
	LeadS    float64   // less than half of what the second order leads by
	Sweeps   int       // averaged
	NoiseDB  float64   // of the recording in front of the first sweep, re the RMS of what it hears of the sweep; NaN: too little in front
	// SpreadDB is by how much the energy of a response strays from sweep to sweep, as
	// a standard deviation re the energy of their mean; NaN with one.
	SpreadDB float64
	Orders   []Order
}

const (
	mostLeadS = 0.5
	alikeDB   = 6 // sweeps of one recording are as loud as each other
	// leastCrest is what a response stands out of the seconds around it by: noise and
	// a clap make less, a hall with 25 dB more late sound than direct nearly twice as much.
	leastCrest = 20
	leastEnd   = 0.3 // s behind the sweep, in which the room fades
)

// sweeps holds what a measurement needs more than once.
type sweeps struct {
	cfg     Config
	rate    float64
	plan    *fft.Real
	played  []complex128
	inverse []complex128
	lead    int // samples in front of the direct sound
}

// constant is L in samples: in that time the frequency grows by e.
func (s *sweeps) constant() float64 {
	return float64(len(s.cfg.Played)) / math.Log(s.cfg.HighHz/s.cfg.LowHz)
}

// Measure finds the sweeps in a recording, refuses what is clipped or interrupted, and
// averages their responses. An error is one line that says what to do.
func Measure(y []float64, cfg Config) (*Take, error) {
	n := len(cfg.Played)
	switch {
	case !(cfg.SampleRateHz >= 8000 && cfg.SampleRateHz <= 192000):
		return nil, fmt.Errorf("sample rate %v Hz is not within 8000…192000 Hz", cfg.SampleRateHz)
	case !(cfg.LowHz > 0 && cfg.LowHz < cfg.HighHz && cfg.HighHz <= cfg.SampleRateHz/2):
		return nil, fmt.Errorf("a sweep from %g to %g Hz: choose from above 0 up to %g Hz", cfg.LowHz, cfg.HighHz, cfg.SampleRateHz/2)
	case len(y) < n:
		return nil, fmt.Errorf("the recording has %.3g s and the sweep %.3g: record all of it", float64(len(y))/cfg.SampleRateHz, float64(n)/cfg.SampleRateHz)
	case len(y)+n > 1<<24:
		return nil, fmt.Errorf("the recording has %.0f s, which are more than can be taken at once: cut it", float64(len(y))/cfg.SampleRateHz)
	}
	if at, count := Clipped(y); count > 0 {
		return nil, fmt.Errorf("the recording is clipped, first at %.3f s: record it again with less gain", float64(at)/cfg.SampleRateHz)
	}
	s := newSweeps(cfg, len(y)+n)
	h := s.divide(y)
	lags, err := s.find(h, len(y))
	if err != nil {
		return nil, err
	}
	t := &Take{LeadS: float64(s.lead) / s.rate, Sweeps: len(lags), NoiseDB: s.noise(y, lags[0])}
	mean, err := s.average(y, lags, t)
	if err != nil {
		return nil, err
	}
	t.Orders = s.orders(mean, len(t.Response))
	return t, nil
}

// Clipped is where, and how often, three samples or more in a row are at full scale.
func Clipped(y []float64) (at, count int) {
	run := 0
	for i, v := range y {
		if math.Abs(v) < 0.9999 {
			run = 0
			continue
		}
		if run++; run == 3 {
			if count++; count == 1 {
				at = i - 2
			}
		}
	}
	return at, count
}

func newSweeps(cfg Config, length int) *sweeps {
	n := 1 << bits.Len(uint(length-1))
	s := &sweeps{cfg: cfg, rate: cfg.SampleRateHz, plan: fft.NewReal(n)}
	s.lead = int(min(mostLeadS*s.rate, 0.45*math.Ln2*s.constant()))
	x := make([]float64, n)
	copy(x, cfg.Played)
	s.played = s.plan.Forward(nil, x)
	s.inverse = make([]complex128, len(s.played))
	for k, v := range s.played {
		// In its band a sweep has |X|² = L·fs²/(4f), a quarter of that or somewhat less at
		// both ends. Beyond, where it has next to nothing, a hundredth is divided by.
		f := float64(k) * s.rate / float64(n)
		least := 0.01 * s.constant() * s.rate / (4 * max(f, 1))
		s.inverse[k] = conj(v) * complex(s.weight(f)/max(power(v), least), 0)
	}
	return s
}

func power(v complex128) float64       { return real(v)*real(v) + imag(v)*imag(v) }
func conj(v complex128) complex128     { return complex(real(v), -imag(v)) }
func octaves(from, to float64) float64 { return math.Log2(to / from) }

// weight is 1 within the sweep's band, and fades over an octave below, so that what rings
// in front of the response is short, and a sixth of one above.
func (s *sweeps) weight(f float64) float64 {
	out := 0.0
	switch {
	case f <= 0:
		return 0
	case f < s.cfg.LowHz:
		out = octaves(f, s.cfg.LowHz)
	case f > s.cfg.HighHz:
		out = octaves(s.cfg.HighHz, f) * 6
	}
	return (1 + math.Cos(math.Pi*min(out, 1))) / 2
}

// divide is the recording divided by the sweep: lag k at index k, negative lags from the
// end.
func (s *sweeps) divide(y []float64) []float64 {
	x := make([]float64, s.plan.Len())
	copy(x, y)
	spectrum := s.plan.Forward(nil, x)
	for k, v := range s.inverse {
		spectrum[k] *= v
	}
	return s.plan.Inverse(x, spectrum)
}

// find is at which lags a sweep begins to be heard: the strongest response and all that
// are about as strong and a sweep or more away.
func (s *sweeps) find(h []float64, length int) ([]int, error) {
	n := len(s.cfg.Played)
	peak := func(free func(lag int) bool) (at int, v float64) {
		for i, x := range h {
			lag := i
			if i >= length {
				lag = i - len(h)
			}
			if a := math.Abs(x); a > v && lag >= -n && free(lag) {
				at, v = lag, a
			}
		}
		return at, v
	}
	first, strength := peak(func(int) bool { return true })
	if !(strength > 0) {
		return nil, fmt.Errorf("there is no sound in the recording: choose the channel of the microphone")
	}
	lags := []int{first}
	for len(lags) < 100 {
		at, v := peak(func(lag int) bool {
			return !slices.ContainsFunc(lags, func(l int) bool { return max(lag-l, l-lag) < n })
		})
		if v < strength*math.Pow(10, -alikeDB/20.0) {
			break
		}
		lags = append(lags, at)
	}
	slices.Sort(lags)
	around := 0.0 // energy of lags within a sweep of the strongest
	for i := first - n; i < first+n; i++ {
		v := h[((i%len(h))+len(h))%len(h)]
		around += v * v
	}
	if strength < leastCrest*math.Sqrt(around/float64(2*n)) {
		return nil, fmt.Errorf("no sweep from %g to %g Hz of %.3g s is heard in the recording: name the sweep that was played", s.cfg.LowHz, s.cfg.HighHz, float64(n)/s.rate)
	}
	for i, lag := range lags {
		end := length
		if i+1 < len(lags) {
			end = lags[i+1]
		}
		switch behind := float64(end-lag-n) / s.rate; {
		case lag < 0:
			return nil, fmt.Errorf("the recording begins %.3g s after the sweep did: record it whole", -float64(lag)/s.rate)
		case behind < 0:
			return nil, fmt.Errorf("the recording ends %.3g s before the sweep that begins at %.3f s does: record it whole", -behind, float64(lag)/s.rate)
		case behind < leastEnd:
			return nil, fmt.Errorf("only %.2f s are recorded behind the sweep that begins at %.3f s: leave the room %g s or more to fade", behind, float64(lag)/s.rate, leastEnd)
		}
	}
	return lags, nil
}

func energy(x []float64) (sum float64) {
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// noise is the level in front of the first sweep re that in it.
func (s *sweeps) noise(y []float64, first int) float64 {
	quiet := y[:max(0, first-int(0.05*s.rate))]
	if float64(len(quiet)) < 0.1*s.rate {
		return math.NaN()
	}
	loud := y[first : first+len(s.cfg.Played)]
	return 10 * math.Log10(energy(quiet)/float64(len(quiet))*float64(len(loud))/energy(loud))
}

// average fills in the response and its spread: the mean of the recording from sweep to
// sweep, which adds up what repeats and not what is noise. It returns the mean divided
// by the sweep, with the direct sound at lag lead.
func (s *sweeps) average(y []float64, lags []int, t *Take) ([]float64, error) {
	lead, n := s.lead, len(s.cfg.Played)
	length := len(y) - lags[len(lags)-1]
	for i := range lags[1:] {
		length = min(length, lags[i+1]-lags[i]-lead)
	}
	part := func(lag int) []float64 { // with silence where the recording has not begun
		x := make([]float64, lead+length)
		copy(x[max(0, lead-lag):], y[max(0, lag-lead):lag+length])
		return x
	}
	mean := make([]float64, lead+length)
	end := lead + length - n // behind it the response lacks what the recording lacks
	var each [][]float64
	for _, lag := range lags {
		x := part(lag)
		if at, ok := interrupted(x[lead:lead+n], s.rate); ok {
			return nil, fmt.Errorf("the recording is interrupted at %.3f s: record it again", float64(lag+at)/s.rate)
		}
		h := s.divide(x)
		if jump, hz, ok := s.jumps(h, lead); ok {
			return nil, fmt.Errorf("the recording jumps by %.1f ms while the sweep is at about %.0f Hz: samples were lost, record it again", 1000*jump, hz)
		}
		for i, v := range x {
			mean[i] += v / float64(len(lags))
		}
		if len(lags) > 1 {
			each = append(each, slices.Clone(h[:end]))
		}
	}
	h := s.divide(mean)
	t.Response = slices.Clone(h[:end])
	t.SpreadDB = math.NaN()
	if len(lags) > 1 {
		stray := 0.0
		for _, one := range each {
			for i, v := range one {
				stray += (v - h[i]) * (v - h[i])
			}
		}
		t.SpreadDB = 10 * math.Log10(stray/float64(len(lags)-1)/energy(t.Response))
	}
	return h, nil
}

// interrupted is where a recording holds nothing at all for 3 ms and more within a
// sweep: even the quietest has noise.
func interrupted(x []float64, rateHz float64) (at int, ok bool) {
	most, run := int(0.003*rateHz), 0
	for i, v := range x {
		if v != 0 {
			run = 0
			continue
		}
		if run++; run >= most {
			return i + 1 - run, true
		}
	}
	return 0, false
}
