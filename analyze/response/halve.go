package response

import "math"

// Long windows serve low frequencies only, so they are taken from a signal
// whose rate was halved several times over: the transforms stay short.
//
// The halving filter is a half-band FIR (every second tap is zero) with a Kaiser
// window. From 0.4 of the higher rate on, which is all that can fold into the
// part that is used, it is more than 95 dB down; up to 0.1 it is flat to
// 2e-4 dB. Both channels pass the same filter.
const (
	halvePairs  = 6                // taps at ±1, ±3, … from the middle
	halveReach  = 2*halvePairs - 1 // samples on either side of the middle
	halveMemory = 2 * halveReach
)

var halveTaps = kaiserHalfBand(10.5)

// kaiserHalfBand is sin(πi/2)/(πi) under a Kaiser window (Oppenheim and
// Schafer, Discrete-Time Signal Processing, ch. 7), scaled to a gain of 1 at 0 Hz.
func kaiserHalfBand(beta float64) (taps [halvePairs]float64) {
	sum := 0.0
	for j := range taps {
		i := float64(2*j + 1)
		x := i / (halveReach + 1)
		taps[j] = math.Sin(math.Pi*i/2) / (math.Pi * i) * besselI0(beta*math.Sqrt(1-x*x)) / besselI0(beta)
		sum += taps[j]
	}
	for j := range taps {
		taps[j] *= 0.25 / sum
	}
	return taps
}

func besselI0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

// halver halves the rate of one channel.
type halver struct {
	memory [halveMemory]float64
	odd    bool // the next sample is not the middle of an output
}

// run appends to dst[:0] what becomes of src. work needs room for
// halveMemory+len(src).
func (h *halver) run(dst, src, work []float64) []float64 {
	work = append(append(work[:0], h.memory[:]...), src...)
	copy(h.memory[:], work[len(src):])
	first := 0
	if h.odd {
		first = 1
	}
	h.odd = (len(src)-first)&1 == 1
	dst = dst[:0]
	for ; first < len(src); first += 2 {
		x := (*[halveMemory + 1]float64)(work[first:])
		dst = append(dst, 0.5*x[halveReach]+
			halveTaps[0]*(x[halveReach-1]+x[halveReach+1])+
			halveTaps[1]*(x[halveReach-3]+x[halveReach+3])+
			halveTaps[2]*(x[halveReach-5]+x[halveReach+5])+
			halveTaps[3]*(x[halveReach-7]+x[halveReach+7])+
			halveTaps[4]*(x[halveReach-9]+x[halveReach+9])+
			halveTaps[5]*(x[halveReach-11]+x[halveReach+11]))
	}
	return dst
}
