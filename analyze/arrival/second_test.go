package arrival

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

// twoBoxes is what a microphone hears of two loudspeakers with the same programme, each
// a random box in the same room, the second 3…40 ms later and up to 10 dB softer.
func twoBoxes(t *testing.T, seed uint64, rate float64) (x, y []float64, firstMs, secondMs float64) {
	var ms [2]float64
	r := programme.New(900000 + seed)
	n := int(6 * rate)
	x = programme.Play(r, []string{"pink", "music", "speech", "white"}[seed%4], rate, n)
	y = make([]float64, n)
	first := 0.003 + 0.04*r.Float64()
	second := first + 0.003*math.Pow(13, r.Float64())
	rt60, direct := 0.3+1.2*r.Float64(), 9*r.Float64()
	for i, delay := range []float64{first, second} {
		box := programme.RandomBox(r)
		box.HighReversed = false
		gain := 1.0
		if i == 1 {
			gain = math.Pow(10, -10*r.Float64()/20)
		}
		part := programme.Filter(x, rate, func(f float64) complex128 { return complex(gain, 0) * box.Response(f) })
		short := programme.White(r, int(2*rate))
		alone, _ := find(t, Config{}, short, programme.Delay(programme.Filter(short, rate, box.Response), rate, delay))
		ms[i] = math.NaN()
		if len(alone) > 0 {
			ms[i] = alone[0].DelayMs
		}
		for k, v := range programme.Convolve(part, programme.Room(r, rate, delay, rt60, direct)) {
			y[k] += v
		}
	}
	return x, programme.AddPinkNoise(r, rate, y, 15+25*r.Float64()), ms[0], ms[1]
}

// The standard deviation of a weaker arrival holds with real boxes in real rooms: the
// delay is off that of its box alone, without room and noise, by less than two of them
// in 90 % and more of the scenes.
func TestWeakerArrivalKnowsItsError(t *testing.T) {
	takes, from := 5, uint64(100)
	if truth.Thorough {
		takes, from = 200, 10000
	}
	offs, sds := make([]float64, takes), make([]float64, takes)
	truth.Trials(takes, func(i int) {
		x, y, first, second := twoBoxes(t, from+uint64(i), 48000)
		list, _ := find(t, Config{}, x, y)
		for _, a := range list {
			for _, at := range []float64{first, second} {
				// The nearest of the two, and not a reflection.
				if off := a.DelayMs - at; a.LevelDB < 0 && math.Abs(off) < 0.3 {
					offs[i], sds[i] = off, a.DelaySDMs
				}
			}
		}
	})
	found, within := 0, 0
	var typical []float64
	for i, sd := range sds {
		if sd > 0 {
			found++
			typical = append(typical, 1000*sd)
			if math.Abs(offs[i]) <= 2*sd {
				within++
			} else {
				t.Logf("scene %d: off by %.1f µs, standard deviation %.2f", from+uint64(i), 1000*offs[i], 1000*sd)
			}
		}
	}
	slices.Sort(typical)
	t.Logf("%d of %d within two standard deviations, of %.1f µs in the middle", within, found, typical[len(typical)/2])
	if 2*found < takes || 10*within < 9*found-10 || truth.Thorough && 10*within < 9*found {
		t.Errorf("%d of %d weaker arrivals are within two standard deviations", within, found)
	}
	if truth.Thorough {
		truth.Claim(t, "weaker of two boxes in a room: delay within two standard deviations in ≥ 90 %", "own simulation",
			fmt.Sprintf("%d of %d (%.1f %%), standard deviation %.1f µs in the middle", within, found, 100*float64(within)/float64(found), typical[len(typical)/2]), truth.AtLeast(100*float64(within)/float64(found), "90"))
	}
}
