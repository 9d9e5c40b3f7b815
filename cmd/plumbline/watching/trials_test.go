package watching

import (
	"fmt"
	"math"
	"os"
	"sync"
	"testing"
	"time"

	"plumbline/analyze/watch"
	"plumbline/stream/wire"
)

// trial is what happens to a stage: nothing that anybody could be blamed for, or a fault.
type trial struct {
	name   string
	kind   watch.Kind // of a fault; empty: none
	what   string
	within float64 // s, to be found
	paths  [][]complex128
}

// harmless draws something that is nobody's fault.
func harmless(s *stage) trial {
	switch s.rng.IntN(3) {
	case 0:
		m := 0.01 + 0.09*s.rng.Float64()
		return trial{name: fmt.Sprintf("microphone %.0f mm aside", 1000*m), paths: s.spectra(s.nudged(m))}
	case 1:
		k := 10*s.rng.Float64() - 5
		return trial{name: fmt.Sprintf("air by %+.1f °C", k), paths: s.spectra(s.warmer(k))}
	}
	return trial{name: "a person before the microphone", paths: s.person()}
}

// constant is a gain at all frequencies.
func constant(g complex128) func(float64) complex128 { return func(float64) complex128 { return g } }

// fault draws a fault.
func fault(s *stage) trial {
	i := s.rng.IntN(len(s.scene.Loudspeakers))
	l := s.scene.Loudspeakers[i]
	all := func(g complex128) [][]complex128 {
		var out [][]complex128
		for j := range s.paths {
			out = append(out, s.with(j, constant(g))[j])
		}
		return out
	}
	name := l.Name
	single := len(s.scene.Loudspeakers) == 1
	switch s.rng.IntN(7) {
	case 0:
		return trial{name + " flipped", watch.Flipped, name, 10, s.with(i, constant(-1))}
	case 1:
		if !single {
			return trial{name + " lost", watch.Lost, name, 10, s.with(i, constant(0))}
		}
		return trial{name + " flipped", watch.Flipped, name, 10, s.with(i, constant(-1))}
	case 2:
		if single {
			return trial{"all flipped", watch.Flipped, name, 10, all(-1)}
		}
		return trial{"all flipped", watch.Flipped, "", 10, all(-1)}
	case 3:
		return trial{"all 3 dB down", watch.LevelChanged, "", 5, all(0.7079)}
	case 4:
		return trial{"all 10 dB down", watch.LevelChanged, "", 5, all(0.3162)}
	case 5:
		// The low-pass side of a fourth-order Linkwitz-Riley crossover alone, over the sum
		// of both: 1/(1+s⁴).
		return trial{name + " without its high-frequency driver", watch.BandLost, name, 10, s.with(i, func(hz float64) complex128 {
			return complex(1/(1+math.Pow(hz/l.CrossoverHz, 4)), 0)
		})}
	}
	return trial{name + " moved by 0.5 ms", watch.Moved, name, 10, s.with(i, func(hz float64) complex128 {
		sin, cos := math.Sincos(-2 * math.Pi * hz * 0.0005)
		return complex(cos, sin)
	})}
}

// outcome is what became of a trial.
type outcome struct {
	trial
	seed                       uint64
	prelude                    string
	boxes                      int
	early, events, after, next []watch.Event
	took                       float64
	well                       bool // at the end
	err                        error
}

// try plays calm, the change, its undoing, and calm again.
func try(seed uint64, draw func(*stage) trial, lasts float64, alone, combo bool) (o outcome) {
	s := newStage(seed)
	o.seed, o.boxes = seed, len(s.scene.Loudspeakers)
	w, err := s.learn(alone)
	if err != nil {
		o.err = err
		return o
	}
	o.early = s.hear(w, 8)
	if combo {
		c := harmless(s)
		s.set(c.paths)
		o.prelude = c.name
		for _, e := range s.hear(w, 25) {
			o.prelude += say(e)
		}
	}
	before := s.paths
	o.trial = draw(s)
	s.set(o.paths)
	begun := w.Sample()
	o.events = s.hear(w, lasts)
	if len(o.events) > 0 {
		o.took = float64(o.events[0].Sample-begun) / rate
	}
	s.set(before)
	o.after = s.hear(w, 15)
	_, o.well = w.State()
	o.next = s.hear(w, 8)
	return o
}

func say(e watch.Event) string {
	return fmt.Sprintf("[%s %s %.2f: %s %q %+.1f dB %+.2f ms %.0f Hz]", markOf(e), certaintyOf(e.Confidence), e.Confidence, e.Kind, e.What, e.ChangeDB, e.ShiftMs, e.LowHz)
}

func accuses(e watch.Event) bool {
	return markOf(e) == wire.Act || certaintyOf(e.Confidence) == wire.Sure && e.Kind != watch.Restored
}

func TestTrialsSurvey(t *testing.T) {
	if os.Getenv("TRIALS") == "" {
		t.Skip()
	}
	var n int
	fmt.Sscan(os.Getenv("TRIALS"), &n)
	var first uint64
	fmt.Sscan(os.Getenv("FIRST"), &first)
	begun := time.Now()
	lasts := []float64{10, 30, 6}
	var mu sync.Mutex
	var accused, unwell, wrong, late, extra, unsure, total int
	for i := range n {
		for _, kind := range []string{"harmless", "fault"} {
			if k := os.Getenv("KIND"); k != "" && k != kind {
				continue
			}
			draw := harmless
			if kind == "fault" {
				draw = fault
			}
			o := try(first+uint64(i), draw, lasts[i%3], os.Getenv("ALONE") == "", os.Getenv("COMBO") != "")
			mu.Lock()
			total++
			bad := ""
			if o.err != nil {
				bad += " ERR " + o.err.Error()
			}
			if len(o.early) > 0 {
				bad += " EARLY"
			}
			if kind == "harmless" {
				for _, e := range o.events {
					if accuses(e) {
						accused++
						bad += " ACCUSED"
						break
					}
				}
			} else {
				switch {
				case len(o.events) == 0:
					wrong++
					bad += " MISSED"
				case o.events[0].Kind != o.kind || o.events[0].What != o.what && o.boxes > 1:
					wrong++
					bad += " WRONG"
				default:
					if o.took > o.within {
						late++
						bad += " LATE"
					}
					if certaintyOf(o.events[0].Confidence) != wire.Sure {
						unsure++
						bad += " unsure"
					}
				}
				if len(o.events) > 1 {
					extra++
					bad += " EXTRA"
				}
			}
			for _, e := range o.after {
				if e.Kind != watch.Restored {
					bad += " TOLDNEW"
					extra++
				}
			}
			if !o.well || len(o.next) > 0 {
				unwell++
				bad += " UNWELL"
			}
			if bad != "" || os.Getenv("V") != "" {
				line := fmt.Sprintf("%d (%d boxes) %s %s%s took %.1f\n", o.seed, o.boxes, o.prelude, o.name, bad, o.took)
				for j, list := range [][]watch.Event{o.early, o.events, o.after, o.next} {
					for _, e := range list {
						line += fmt.Sprintf("     %d %s\n", j, say(e))
					}
				}
				fmt.Print(line)
			}
			mu.Unlock()
		}
	}
	fmt.Printf("%d trials in %.0f s: accused %d, unwell %d, wrong %d, late %d, extra %d, unsure %d\n", total, time.Since(begun).Seconds(), accused, unwell, wrong, late, extra, unsure)
}
