package rig

import (
	"math"
	"strings"
	"testing"
)

// several renders a scene of two loudspeakers into channels.
func several(t *testing.T, each string, alike float64, frames int) [][]float64 {
	t.Helper()
	s := free()
	s.Loudspeakers = append(s.Loudspeakers, s.Loudspeakers[0])
	s.Loudspeakers[0].Name, s.Loudspeakers[1].Name = "left", "right"
	s.Loudspeakers[1].PositionM[0] += 0.5
	s.Programme.Each, s.Programme.Alike = each, alike
	channels := s.References() + len(s.Microphones)
	out := make([][]float64, channels)
	err := Render(t.Context(), s, int64(frames), func(b []float32) error {
		for i, v := range b {
			out[i%channels] = append(out[i%channels], float64(v))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for c, x := range out {
		if len(x) != frames {
			t.Fatalf("channel %d has %d frames of %d", c+1, len(x), frames)
		}
	}
	return out
}

func correlation(x, y []float64) float64 {
	var xx, yy, xy float64
	for i := range x {
		xx, yy, xy = xx+x[i]*x[i], yy+y[i]*y[i], xy+x[i]*y[i]
	}
	return xy / math.Sqrt(xx*yy)
}

// References are as alike as asked for: of noise with the same spectrum the mutual
// coherence is the square of the correlation.
func TestReferencesAreAsAlikeAsAsked(t *testing.T) {
	const frames = 4 * 48000
	for _, tt := range []struct {
		each        string
		alike, want float64
	}{{OwnProgramme, 0.9, 0}, {StereoProgramme, 0.5, 0.5}, {StereoProgramme, 0.9, 0.9}, {SameProgramme, 0, 1}} {
		x := several(t, tt.each, tt.alike, frames)
		got := correlation(x[0], x[1])
		if math.Abs(got*got-tt.want) > 0.03 {
			t.Errorf("%s, alike %v: mutual coherence %.3f, want %.3f", tt.each, tt.alike, got*got, tt.want)
		}
		level := 0.0
		for _, v := range x[1] {
			level += v * v
		}
		if db := 10 * math.Log10(level/frames*2); math.Abs(db-free().Programme.LevelDBFS) > 0.5 {
			t.Errorf("%s: the second reference has %.2f dBFS, want %v", tt.each, db, free().Programme.LevelDBFS)
		}
	}
}

// With the same for all, the microphones hear what they hear of one reference.
func TestSameForAllIsOneReference(t *testing.T) {
	const frames = 9000
	x := several(t, SameProgramme, 0, frames)
	y := several(t, "", 0, frames)
	if len(x) != len(y)+1 {
		t.Fatalf("%d and %d channels", len(x), len(y))
	}
	for c := 1; c < len(y); c++ {
		for i, want := range y[c] {
			if got := x[c+1][i]; math.Abs(got-want) > 1e-6 {
				t.Fatalf("microphone %d, frame %d: %v, want %v", c, i, got, want)
			}
		}
	}
}

func TestSeveralReferencesAreRenderedOnly(t *testing.T) {
	s := free()
	s.Programme.Each = OwnProgramme
	if _, err := New(s, Config{}); err == nil || !strings.Contains(err.Error(), "rig render") {
		t.Errorf("a rig plays them: %v", err)
	}
	s.Programme.Each = "two"
	if err := s.Validate(); err == nil || !strings.Contains(err.Error(), "programme.each") {
		t.Errorf("%q is let in: %v", s.Programme.Each, err)
	}
}
