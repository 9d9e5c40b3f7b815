package rig

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"os"
	"strconv"
	"testing"

	"github.com/mjibson/go-dsp/fft"
)

// reference reads a table of testdata/reference by column.
func reference(t *testing.T, name string) map[string][]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	columns := map[string][]float64{}
	for _, row := range rows[1:] {
		for i, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				v = math.NaN()
			}
			columns[rows[0][i]] = append(columns[rows[0][i]], v)
		}
	}
	return columns
}

// transfer is the response of an impulse response at a frequency.
func transfer(h []float64, zero int, frequencyHz, rateHz float64) complex128 {
	var sum complex128
	for i, v := range h {
		sum += complex(v, 0) * cmplx.Exp(complex(0, -2*math.Pi*frequencyHz*float64(i-zero)/rateHz))
	}
	return sum
}

// The worked example: room, source, receiver, β = 0.9 (Allen and Berkley 1979).
func TestImagesAgainstTheWorkedExample(t *testing.T) {
	table := reference(t, "image_source_example.csv")
	room := Room{SizeM: [3]float64{5, 4, 3}, Reflections: 2}
	receiver := Position{3.5, 2.5, 1.6}
	all := images(room, Position{1, 1.5, 1.2})
	if len(all) != 25 || len(table["order"]) != 25 {
		t.Fatalf("%d images, the table has %d, want 1 + 6 + 18", len(all), len(table["order"]))
	}
	const c, beta = 343.2, 0.9
	for row := range table["order"] {
		want := Position{table["x_m"][row], table["y_m"][row], table["z_m"][row]}
		found := false
		for _, i := range all {
			if distance(i.position, want) > 1e-9 {
				continue
			}
			found = true
			d := distance(i.position, receiver)
			amplitude := math.Pow(beta, float64(i.hits)) / (4 * math.Pi * d)
			if float64(i.hits) != table["order"][row] ||
				math.Abs(d-table["distance_m"][row]) > 5.1e-6 ||
				math.Abs(d/c*1000-table["delay_ms"][row]) > 5.1e-5 ||
				math.Abs(amplitude-table["amplitude"][row]) > 5.1e-8 {
				t.Errorf("image %v: %d hits, %.5f m, %.4f ms, %.7f", want, i.hits, d, d/c*1000, amplitude)
			}
		}
		if !found {
			t.Errorf("no image at %v", want)
		}
	}
	// (2/3)(2N³+3N²+4N)+1 images to order N, source and receiver in general position.
	for n := range 9 {
		room.Reflections = n
		if got, want := len(images(room, receiver)), 2*(2*n*n*n+3*n*n+4*n)/3+1; got != want {
			t.Errorf("order %d: %d images, want %d", n, got, want)
		}
	}
}

// The same example as sound: β = 0.9 at all frequencies, every image a pulse of
// β^order/d at d/c. Against the sum of exact delays, 50 Hz to 20 kHz.
func TestImpulseResponseIsTheSumOfTheImages(t *testing.T) {
	s := free()
	s.Room = Room{SizeM: [3]float64{5, 4, 3}, Reflections: 2}
	for i := range s.Room.Absorption {
		s.Room.Absorption[i] = 1 - 0.9*0.9
	}
	s.Loudspeakers[0].PositionM = Position{1, 1.5, 1.2}
	s.Loudspeakers[0].DelayMs = 1.2345
	s.Microphones[0].PositionM = Position{3.5, 2.5, 1.6}
	table := reference(t, "image_source_example.csv")
	h, zero := s.ImpulseResponse(0, 0)
	worst := 0.0
	for f := 50.0; f < 20000; f *= 1.05 {
		var want complex128
		for i, d := range table["distance_m"] {
			want += cmplx.Rect(4*math.Pi*table["amplitude"][i], -2*math.Pi*f*(d/s.SpeedOfSound()+1.2345e-3))
		}
		worst = max(worst, cmplx.Abs(transfer(h, zero, f, 48000)-want))
	}
	// The distances are rounded to 5 µm: 25 images of 0.1…0.37, each turned by up to 2π·20 kHz·15 ns.
	if worst > 2e-3 {
		t.Errorf("off by %.2g", worst)
	}
}

// The delay of the direct sound at every fraction of a sample: wrong by less
// than 5e-6 ms, its level by less than 0.001 dB (the window's side lobes).
func TestDelayIsExactToAFractionOfASample(t *testing.T) {
	for _, rate := range []int{44100, 48000, 96000, 192000} {
		s := free()
		s.RateHz = rate
		worstMs, worstDB := 0.0, 0.0
		for step := range 11 {
			s.Loudspeakers[0].DelayMs = 3 + float64(step)/10*1000/float64(rate)
			h, zero := s.ImpulseResponse(0, 0)
			delay := s.ArrivalS(0, 0)
			for _, f := range []float64{20, 100, 1000, 5000, 10000, 15000, 0.4 * float64(rate)} {
				got := transfer(h, zero, f, float64(rate)) * cmplx.Exp(complex(0, 2*math.Pi*f*delay))
				worstMs = max(worstMs, math.Abs(cmplx.Phase(got))/(2*math.Pi*f)*1000)
				worstDB = max(worstDB, math.Abs(db(cmplx.Abs(got))))
			}
		}
		t.Logf("%d Hz: %.2g ms, %.2g dB", rate, worstMs, worstDB)
		if worstMs > 5e-6 || worstDB > 1e-3 {
			t.Errorf("%d Hz: delay off by %.3g ms, level by %.3g dB", rate, worstMs, worstDB)
		}
	}
}

// 6.02 dB for each doubling of the distance, and no louder than at 0.1 m.
func TestSpreading(t *testing.T) {
	for metres, want := range map[float64]float64{0.05: 20, 0.1: 20, 0.5: 6.0206, 1: 0, 2: -6.0206, 10: -20, 20: -26.0206} {
		s := free()
		s.Microphones[0].PositionM = Position{10 + metres, 10, 2}
		h, zero := s.ImpulseResponse(0, 0)
		if got := db(cmplx.Abs(transfer(h, zero, 1000, 48000))); math.Abs(got-want) > 0.001 {
			t.Errorf("%g m: %.3f dB, want %.3f", metres, got, want)
		}
	}
}

// Equal copies add to +6.02 dB, a reversed one cancels (common practice).
func TestEqualCopiesAddAndCancel(t *testing.T) {
	s := free()
	s.Loudspeakers = append(s.Loudspeakers, s.Loudspeakers[0])
	s.Loudspeakers[1].Name, s.Loudspeakers[1].PositionM = "other", Position{12, 10, 2}
	both, _ := take(t, start(t, s), 24000, nil)
	one, err := s.Solo("main")
	if err != nil {
		t.Fatal(err)
	}
	alone, _ := take(t, start(t, one), 24000, nil)
	if got := db(rms(both[1]) / rms(alone[1])); math.Abs(got-6.0206) > 0.0001 {
		t.Errorf("equal copies add to %.4f dB", got)
	}
	s.Loudspeakers[1].Polarity = Opposite
	none, _ := take(t, start(t, s), 24000, nil)
	if got := db(rms(none[1]) / rms(alone[1])); got > -140 {
		t.Errorf("a reversed copy leaves %.1f dB", got)
	}
	if _, err := s.Solo("balcony"); err == nil {
		t.Error("an unknown loudspeaker plays alone")
	}
}

// A wall reflects √(1−α) at the middle of each band, and nothing before the
// sound hits it.
func TestWallReflectsByBandAndIsCausal(t *testing.T) {
	a := Absorption{0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95}
	const rate = 48000.0
	const n = 16384
	w := a.wall(n, rate)
	for i, f := range BandsHz {
		k := f * n / rate
		// magnitude between the two bins
		lo, part := int(k), k-math.Floor(k)
		got := cmplx.Abs(w[lo])*(1-part) + cmplx.Abs(w[lo+1])*part
		if want := math.Sqrt(1 - a[i]); math.Abs(db(got/want)) > 0.02 {
			t.Errorf("%g Hz: %.4f, want %.4f", f, got, want)
		}
	}
	w = fft.IFFT(w)
	var before, after float64
	for i, v := range w {
		if i >= n/2 {
			before += real(v) * real(v)
		} else if float64(i) > wallS*rate {
			after += real(v) * real(v)
		}
	}
	if db(math.Sqrt(before)) > -100 || db(math.Sqrt(after)) > -80 {
		t.Errorf("energy in front of the hit %.0f dB, later than %g s %.0f dB", db(math.Sqrt(before)), wallS, db(math.Sqrt(after)))
	}
}
