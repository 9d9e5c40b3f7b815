package level

import "math"

// peakFinder follows the largest magnitude between the samples as well: at
// 8 kHz and 44.1 kHz the samples alone may miss 1.5 dB of it. It interpolates
// at quarter samples with a windowed sinc, only where that can matter.
type peakFinder struct {
	peak   float64
	past   [2 * peakReach]float64 // the newest samples of the last block
	joined []float64
}

const (
	peakReach = 8 // samples on either side
	quarters  = 4
)

// peakTaps[q] interpolates at q/4 behind the middle; peakBound is the largest
// sum of magnitudes, that no interpolated value exceeds for samples within ±1.
var peakTaps, peakBound = func() (taps [quarters][2 * peakReach]float64, bound float64) {
	for q := 1; q < quarters; q++ {
		sum, magnitude := 0.0, 0.0
		for i := range taps[q] {
			t := float64(i-peakReach+1) - float64(q)/quarters
			w := math.Cos(math.Pi * t / (2 * peakReach))
			taps[q][i] = math.Sin(math.Pi*t) / (math.Pi * t) * w * w
			sum += taps[q][i]
		}
		for i := range taps[q] {
			taps[q][i] /= sum
			magnitude += math.Abs(taps[q][i])
		}
		bound = max(bound, magnitude)
	}
	return taps, bound
}()

func newPeakFinder() peakFinder {
	return peakFinder{joined: make([]float64, 0, blockSize+2*peakReach)}
}

// add takes at most blockSize samples.
func (p *peakFinder) add(x []float64) {
	joined := append(append(p.joined[:0], p.past[:]...), x...)
	largest := 0.0
	for _, v := range joined {
		largest = max(largest, math.Abs(v))
	}
	if largest*peakBound > p.peak {
		p.peak = max(p.peak, largest)
		for n := 0; n+2*peakReach <= len(joined); n++ {
			part := joined[n : n+2*peakReach]
			for q := 1; q < quarters; q++ {
				sum := 0.0
				for i, tap := range &peakTaps[q] {
					sum += tap * part[i]
				}
				p.peak = max(p.peak, math.Abs(sum))
			}
		}
	}
	copy(p.past[:], joined[len(joined)-len(p.past):])
}

// take returns the peak and starts anew.
func (p *peakFinder) take() float64 {
	peak := p.peak
	p.peak = 0
	return peak
}

func (p *peakFinder) reset() {
	p.peak = 0
	clear(p.past[:])
}
