package rig

import (
	"context"
	"math"
	"math/cmplx"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/capture/wavfile"
)

// distorting is a scene in the free field with a sine wave of an exact number of cycles
// in a second, and what its microphone hears in the second second.
func distorting(t *testing.T, hz, levelDBFS, secondDB, thirdDB float64) []float64 {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sine.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: 48000, Channels: 1, Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 48000)
	for i := range x {
		x[i] = float32(math.Sin(2 * math.Pi * hz * float64(i) / 48000))
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	s := Scene{
		TemperatureC: 20, RateHz: 48000, Room: Room{SizeM: [3]float64{10, 10, 10}},
		Programme: Programme{Kind: File, File: path, LevelDBFS: levelDBFS}, Noise: Noise{LevelDBFS: NoNoise},
		Loudspeakers: []Loudspeaker{
			{PositionM: Position{1, 5, 5}, SecondOrderDB: secondDB, ThirdOrderDB: thirdDB},
			{PositionM: Position{1, 5, 5}, Mute: true, SecondOrderDB: -10, ThirdOrderDB: -10},
		},
		Microphones: []Microphone{{PositionM: Position{2, 5, 5}}},
	}
	var y []float64
	err = Render(context.Background(), s, 96000, func(interleaved []float32) error {
		for i := 1; i < len(interleaved); i += 2 {
			y = append(y, float64(interleaved[i]))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return y[48000:]
}

// line is the complex amplitude of a whole number of cycles a second.
func line(y []float64, hz float64) complex128 {
	var sum complex128
	for i, v := range y {
		sum += complex(v, 0) * cmplx.Rect(2/float64(len(y)), -2*math.Pi*hz*float64(i)/48000)
	}
	return sum
}

// A loudspeaker's harmonics have the level that its scene says of a full-scale sine wave,
// and fall by 1 dB and 2 dB a dB; those above half the rate are gone and not folded down.
func TestDistortionOfALoudspeaker(t *testing.T) {
	for _, c := range []struct{ hz, levelDBFS float64 }{{100, -1}, {1000, -20}, {5000, -10}} {
		y := distorting(t, c.hz, c.levelDBFS, -40, -50)
		fundamental := line(y, c.hz)
		a := math.Pow(10, c.levelDBFS/20)
		grown := 1 + 3*math.Pow(10, -50/20.)*a*a // the cube adds to the fundamental: ¾·a₃·A², a₃ = 4·h₃
		for n, want := range map[float64]float64{2: -40 + c.levelDBFS, 3: -50 + 2*c.levelDBFS} {
			got := 20*math.Log10(cmplx.Abs(line(y, n*c.hz)/fundamental)) + 20*math.Log10(grown)
			if math.Abs(got-want) > 0.01 {
				t.Errorf("%g Hz at %g dBFS: harmonic %g at %.3f dB, want %.3f", c.hz, c.levelDBFS, n, got, want)
			}
		}
		// in step with it: of sin ωt, −j, the cube has −¼ sin 3ωt, j/4, which is (−j)³/4
		turn := cmplx.Phase(line(y, 3*c.hz) / cmplx.Pow(fundamental, 3))
		if math.Abs(math.Remainder(turn, 2*math.Pi)) > 0.02 {
			t.Errorf("%g Hz: the third harmonic is turned by %.3f", c.hz, turn)
		}
	}
	y := distorting(t, 11000, -3, -40, -30) // the cube's 33 kHz would fold to 15 kHz
	if got := 20 * math.Log10(cmplx.Abs(line(y, 15000)/line(y, 11000))); got > -90 {
		t.Errorf("what lies above half the rate folds down to 15 kHz at %.1f dB", got)
	}
}

func TestDistortionThatCannotBe(t *testing.T) {
	s := Demo()
	r, err := New(s, Config{})
	if err != nil {
		t.Fatal(err)
	}
	s.Loudspeakers[0].ThirdOrderDB = -40
	if err := r.Apply(s); err == nil || !strings.Contains(err.Error(), "start it again") {
		t.Errorf("a playing rig begins to distort: %v", err)
	}
	s.Microphones[0].PositionM = s.Loudspeakers[0].PositionM
	if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "from 0.3 m on") {
		t.Errorf("a microphone in the loudspeaker: %v", err)
	}
	s.Loudspeakers[0].ThirdOrderDB = 3
	if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "third_order_db") {
		t.Errorf("more distortion than sound: %v", err)
	}
}
