package arrival

import (
	"errors"
	"fmt"
	"math"
	"math/bits"

	"plumbline/analyze/fft"
	"plumbline/analyze/setting"
)

// earlyS is how much earlier than the reference an arrival may lie, seconds.
const earlyS = 0.02

// layout are the sizes that follow from a Config. Correlations live on a grid
// of 44.1…80 kHz whatever the sample rate: above 24 kHz no loudspeaker tells
// anything about time, so those bins are dropped, which decimates for free.
type layout struct {
	rate     float64
	decimate int     // sample rate over the rate of the correlation grid: 1, 2 or 4
	grid     float64 // rate of the correlation grid, Hz
	n        int     // long transform, samples
	latest   int     // longest delay, samples, a multiple of decimate
	early    int     // most negative delay, samples, a multiple of decimate
	ramp     int     // samples over which long blocks are faded in and out
	block    int     // microphone samples by which long blocks advance
	bins     int     // bins of the long transform that are kept
	m        int     // short transform, samples
	shortLen int     // bins of the short transform that are kept
	bands    []band  // third octaves, in bins of the long transform
	shorts   []band  // the same in bins of the short transform
}

// band are the bins lo ≤ k < hi.
type band struct{ lo, hi int }

func newLayout(cfg Config) (layout, error) {
	l := layout{rate: cfg.SampleRateHz, decimate: 1}
	if err := setting.CheckRate(l.rate); err != nil {
		return l, err
	}
	if !(cfg.MaxDelayS > 0 && cfg.MaxDelayS <= 3) {
		return l, fmt.Errorf("longest delay %g s is outside 0…3 s", cfg.MaxDelayS)
	}
	for l.rate/float64(l.decimate) >= 80000 {
		l.decimate *= 2
	}
	d := l.decimate
	l.grid = l.rate / float64(d)
	l.latest = int(math.Ceil(cfg.MaxDelayS*l.grid)) * d
	l.early = int(math.Ceil(earlyS*l.grid)) * d
	// A block of at least 0.6 of the range keeps the transforms few; half a
	// second keeps the short blocks of a short range worth averaging.
	l.ramp = 512 * d
	lags := l.latest + l.early + 3*l.ramp
	need := lags + max(lags*6/10, int(l.rate/2))
	l.n = 1 << bits.Len(uint(need-1))
	l.block = l.n - lags
	l.bins = l.n/2/d + 1
	l.m = 4096 * d
	l.shortLen = l.m/2/d + 1
	l.bands = thirdOctaves(l.rate/float64(l.n), l.bins)
	l.shorts = thirdOctaves(l.rate/float64(l.m), l.shortLen)
	// The refinement takes what there is above 20 kHz as well.
	l.shorts[len(l.shorts)-1].hi = l.shortLen - 8
	return l, nil
}

// thirdOctaves splits 20 Hz…20 kHz; bands without a bin of their own are left out.
func thirdOctaves(step float64, bins int) []band {
	var list []band
	lo := int(math.Ceil(20 / step))
	for i := 1; i <= 30; i++ {
		hi := min(int(math.Ceil(20*math.Pow(10, float64(i)/10)/step)), bins)
		if hi-lo >= 4 {
			list = append(list, band{lo, hi})
			lo = hi
		}
	}
	return list
}

// Workspace is the scratch of a Finder. The finders of one goroutine may share
// one, which saves most of the memory of many microphones.
type Workspace struct {
	layout
	long, back, short *fft.Real
	x, y              []float64 // n
	spectrumX         []complex128
	spectrumY         []complex128
	total             long // what Find looks at
	window            short
	r, p              []float64   // correlation and pulse, n/decimate
	residual          []float64   // the lags in range
	gain              [32]float64 // of each third octave: what correlate weighs it with, its fine structure aside
	own               [32]bool    // of each third octave: the reference has sound there
	ownPower          [32]float64 // and how much
	lined             bool        // the reference repeats itself: it has lines
	smear             float64     // grid samples over which the loudspeaker itself spreads a pulse: 1.5 over the bandwidth of what it plays
	scale             []float64   // mean magnitude in segments of the lags
	sortScratch       []float64
	q                 []complex128
	sine              []float64 // window of the short transform
	fade              []float64 // rising sin² of a ramp
	taps              []float64
	weight            []float64 // ML weights of the short transform
	power, leak       []float64 // of each third octave of the short transform, and what others leak into a bin of it
	level             []float64 // weight/|Gxy|
	magnitude         []float64 // |X|² of one short window
	height, share     []float64 // of each third octave: level re the reference, and what it counts
	smoothXX          []float64
	smoothYY          []float64
	smoothXY          []complex128
	turned            []complex128
	cumulative        []complex128
	cumulativeReal    []float64
	straight          []float64 // see straighten
	straightened      bool
	gate              gate
}

// NewWorkspace makes scratch for finders of this sample rate and range.
func NewWorkspace(cfg Config) (*Workspace, error) {
	cfg.setDefaults()
	l, err := newLayout(cfg)
	if err != nil {
		return nil, err
	}
	return newWorkspace(l), nil
}

func newWorkspace(l layout) *Workspace {
	half := l.n/2 + 1
	lags := (l.latest+l.early)/l.decimate + 1
	w := &Workspace{
		layout: l,
		long:   fft.NewReal(l.n), back: fft.NewReal(l.n / l.decimate), short: fft.NewReal(l.m),
		x: make([]float64, l.n), y: make([]float64, l.n),
		spectrumX: make([]complex128, half), spectrumY: make([]complex128, half),
		total: newLong(l), window: newShort(l),
		r: make([]float64, l.n/l.decimate), p: make([]float64, l.n/l.decimate),
		residual: make([]float64, lags), straight: make([]float64, l.n/l.decimate),
		scale: make([]float64, (lags+segment-1)/segment), sortScratch: make([]float64, 2*around+1),
		q: make([]complex128, l.bins), sine: make([]float64, l.m), taps: make([]float64, 2*reach),
		weight: make([]float64, l.shortLen), power: make([]float64, len(l.shorts)), leak: make([]float64, len(l.shorts)), magnitude: make([]float64, l.shortLen),
		height: make([]float64, len(l.shorts)), share: make([]float64, len(l.shorts)), level: make([]float64, l.shortLen), smoothXX: make([]float64, l.shortLen), smoothYY: make([]float64, l.shortLen),
		smoothXY: make([]complex128, l.shortLen), turned: make([]complex128, l.shortLen),
		cumulative: make([]complex128, l.shortLen+1), cumulativeReal: make([]float64, l.shortLen+1),
	}
	w.gate = newGate(l)
	w.fade = make([]float64, l.ramp)
	for i := range w.fade {
		v := math.Sin(math.Pi / 2 * (float64(i) + 0.5) / float64(l.ramp))
		w.fade[i] = v * v
	}
	for i := range w.sine {
		w.sine[i] = math.Sin(math.Pi * (float64(i) + 0.5) / float64(l.m))
	}
	return w
}

var errWorkspace = errors.New("the workspace was made for another sample rate or range")
