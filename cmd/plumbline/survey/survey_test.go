package survey

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// A alone, B alone, both: in this order, each out of silence along the ramp,
// never above the cap, and stored with what was heard.
func TestSurveyOfASeat(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		if err := b.start(t, nil); err == nil || !strings.Contains(err.Error(), "running") {
			t.Errorf("a second survey at the same time: %v", err)
		}
		last := b.until(t, "the end", isOver)
		if last.State != wire.SurveyDone || !strings.Contains(last.Text, "Next: move the microphone") {
			t.Fatalf("%+v", last)
		}
		want := [][]string{{"main"}, {"fill"}, {"main", "fill"}}
		for i, p := range b.plays {
			if !slices.Equal(p.playing, want[i]) || p.ramp.FromDBFS != -40 || p.ramp.ToDBFS != -20 || p.ramp.S != 3 {
				t.Errorf("step %d: %+v", i+1, p)
			}
			if i > 0 && (p.begun.Before(b.plays[i-1].end) || b.plays[i-1].end.IsZero()) {
				t.Errorf("step %d began before the one before was silent", i+1)
			}
		}
		if len(b.plays) != 3 || b.claimed != 1 || b.released != 1 || b.sounding() || b.loudest > -20 {
			t.Errorf("%d plays, %d claims, %d releases, sounding %v, up to %g dBFS", len(b.plays), b.claimed, b.released, b.sounding(), b.loudest)
		}
		takes := b.takes(t)
		if len(takes) != 3 || !reflect.DeepEqual([]int64{takes[0].ID, takes[1].ID, takes[2].ID}, last.Takes) {
			t.Fatalf("%d takes, survey says %v", len(takes), last.Takes)
		}
		for i, delayMs := range []float64{20, 1315.0 / 48, 20} { // both keep the delay of the main
			take := takes[i]
			if math.Abs(take.DelayMs-delayMs) > 0.01 || take.Seat != 1 || take.By != "c1" || take.Name != strings.Join(want[i], " + ") || take.Window != 32768 {
				t.Errorf("take %d: %+v", i, take)
			}
			if c := take.Results.Cautions; len(c) > 0 {
				t.Errorf("take %d is clean: %+v", i, c)
			}
			if audio := take.Audio; audio.SampleRateHz != testRate || audio.Frames < 2*testRate || !slices.Equal(audio.Channels, []int{1, 2}) {
				t.Errorf("take %d: audio %+v", i, audio)
			}
			if rms := float64(take.Results.ReferenceLevels.RMSDBFS); math.Abs(rms+20) > 0.2 {
				t.Errorf("take %d: the reference is at %g dBFS", i, rms)
			}
		}
		if p := takes[1].Results.Polarity; p.Verdict != "opposite" {
			t.Errorf("the fill's polarity: %+v", p)
		}
		// What was said on the way.
		order := []string{wire.SurveyRamping, wire.SurveyMeasuring, wire.SurveyStoring}
		step, at := 1, 0
		seen := []wire.Survey{<-b.told}
		for !isOver(seen[len(seen)-1]) {
			seen = append(seen, <-b.told)
		}
		for _, v := range seen[1:] {
			switch {
			case v.Step == step && at < 2 && v.State == order[at+1]:
				at++
			case v.Step == step+1 && at == 2 && v.State == order[0]:
				step, at = step+1, 0
			case v.State == wire.SurveyDone && step == 3 && at == 2:
			case v.Step != step || v.State != order[at]:
				t.Fatalf("after %s of step %d comes %s of step %d", order[at], step, v.State, v.Step)
			}
			if v.State == wire.SurveyRamping && float64(v.LevelDBFS) > -20 || v.Running() && (v.Steps != 3 || v.Text == "") {
				t.Errorf("%+v", v)
			}
		}
		if text := seen[0].Text; !strings.Contains(text, "Protect your hearing") {
			t.Errorf("it begins with %q", text)
		}
	})
}

// A log is read by people: no error that is none.
func TestLogOfASurvey(t *testing.T) {
	for end, want := range map[string]string{"done": "msg=\"survey done\"", "stop": "err=\"stopped by c2\""} {
		var log bytes.Buffer
		inBubble(t, nil, func(t *testing.T, b *stage) {
			b.s.log = slog.New(slog.NewTextHandler(&log, nil))
			b.underruns = 2
			if err := b.start(t, nil); err != nil {
				t.Fatal(err)
			}
			if end == "stop" {
				b.s.StopSurvey(context.Background(), "c2")
			}
			b.until(t, "the end", isOver)
			b.end()
		})
		if text := log.String(); !strings.Contains(text, want) || !strings.Contains(text, "ran dry, which is heard as clicks\" times=2") || strings.Contains(text, "nil") {
			t.Errorf("%s: %s", end, text)
		}
	}
}

// The dead man's handle, let go at every moment: silence within 0.3 s, and of a
// browser that is there while its page hangs, within 1.2 s.
func TestSilenceWithoutAHand(t *testing.T) {
	moments := map[string]func(wire.Survey) bool{
		"at the start": func(v wire.Survey) bool { return true },
		"rising":       func(v wire.Survey) bool { return v.State == wire.SurveyRamping && float64(v.LevelDBFS) > -30 },
		"measuring":    func(v wire.Survey) bool { return v.State == wire.SurveyMeasuring && v.Done > 0.3 },
		"second step":  func(v wire.Survey) bool { return v.State == wire.SurveyMeasuring && v.Step == 2 },
	}
	for name, moment := range moments {
		for _, how := range []string{"gone", "quiet", "hangs", "stop", "ending"} {
			if raced.Detector && how != "gone" && how != "ending" {
				continue // the same goroutines
			}
			t.Run(name+" "+how, func(t *testing.T) {
				inBubble(t, nil, func(t *testing.T, b *stage) {
					if err := b.start(t, nil); err != nil {
						t.Fatal(err)
					}
					step := b.until(t, name, moment).Step
					stopped, most := time.Now(), 220*time.Millisecond
					switch how {
					case "gone":
						close(b.gone)
					case "quiet":
						b.answer(false)
					case "hangs":
						b.hang(true)
						most = 1100 * time.Millisecond
					case "stop":
						if _, err := b.s.StopSurvey(context.Background(), "c2"); err != nil {
							t.Fatal(err)
						}
					case "ending":
						b.end()
					}
					last := b.until(t, "the end", isOver)
					if last.State != wire.SurveyStopped || !strings.HasPrefix(last.Text, "Sound off") || last.By != "c1" {
						t.Errorf("%+v", last)
					}
					for _, p := range b.plays {
						if took := p.end.Sub(stopped); p.end.IsZero() || took > most {
							t.Errorf("sound went on for %v", took)
						}
					}
					// A step may end well before a hanging page is noticed.
					if got, want := len(b.takes(t)), step-1; got != want && !(how == "hangs" && got == step) {
						t.Errorf("%d takes, want the %d of finished steps", got, want)
					}
					if b.claimed != b.released {
						t.Error("the output was not put back")
					}
				})
			})
		}
	}
}

// A page that answers again after a moment's silence goes on, from silence.
func TestAnswerAgain(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		b.until(t, "measuring", func(v wire.Survey) bool { return v.State == wire.SurveyMeasuring })
		b.hang(true)
		v := b.until(t, "silence", func(v wire.Survey) bool { return strings.Contains(v.Text, "does not answer") })
		if b.sounding() || !math.IsNaN(float64(v.LevelDBFS)) {
			t.Error("it sounds all the same")
		}
		time.Sleep(5 * time.Second)
		b.hang(false)
		if last := b.until(t, "the end", isOver); last.State != wire.SurveyDone || len(last.Takes) != 3 {
			t.Errorf("%+v", last)
		}
		if len(b.plays) != 4 || !slices.Equal(b.plays[0].playing, b.plays[1].playing) || b.plays[1].ramp.FromDBFS != -40 {
			t.Errorf("%+v", b.plays)
		}
	})
}

// What goes wrong is said, with what to do, and nothing is stored.
func TestWhatGoesWrong(t *testing.T) {
	for want, set := range map[string]func(*world){
		"reference on channel 1 is silent": func(w *world) { w.silentRef = true },
		"does not hear main alone": func(w *world) {
			w.boxes["main"] = box{[]int{960, 960}, []float64{0, 0}}
			w.noise = 1e-2
		},
		"overloads with main alone": func(w *world) { w.overload = true },
		"microphone at seat 1 is silent": func(w *world) {
			w.boxes["main"] = box{[]int{960, 960}, []float64{0, 0}}
			w.noise = 0
		},
		"the output has gone": func(w *world) { w.playErr = errBroken },
	} {
		t.Run(want, func(t *testing.T) {
			inBubble(t, set, func(t *testing.T, b *stage) {
				if err := b.start(t, nil); err != nil {
					t.Fatal(err)
				}
				last := b.until(t, "the end", isOver)
				if last.State != wire.SurveyFailed || !strings.Contains(last.Text, want) || !strings.Contains(last.Text, "Nothing was stored") {
					t.Errorf("%s: %s", last.State, last.Text)
				}
				if b.sounding() || len(b.takes(t)) != 0 || b.claimed != b.released {
					t.Error("it sounds, something was stored or the output was not put back")
				}
			})
		})
	}
}

// In a loud room the time is up before the goal is reached: what was measured is
// kept, with what is not known said, and the time to go was never past the end.
func TestWhatIsNotReachedIsKept(t *testing.T) {
	raced.NotFor(t, "it is about numbers")
	inBubble(t, func(w *world) { w.noise = 0.08 }, func(t *testing.T, b *stage) {
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		b.until(t, "the second step", func(v wire.Survey) bool { return v.Step == 2 })
		if _, err := b.s.StopSurvey(context.Background(), "c1"); err != nil {
			t.Fatal(err)
		}
		last := b.until(t, "the end", isOver)
		if takes := b.takes(t); len(takes) != 1 || last.State != wire.SurveyStopped {
			t.Fatalf("%d takes, %+v", len(takes), last)
		}
		settings := settingsOf(b.takes(t)[0])
		if settings.Done > 0.5 || settings.Goal.LowHz > 40 || settings.Goal.HighHz < 15000 {
			t.Errorf("%+v", settings)
		}
		said := false
		for len(b.told) > 0 {
			v := <-b.told
			if left := float64(v.Remaining); v.State == wire.SurveyMeasuring && left > patience.Seconds() && !math.IsInf(left, 1) {
				t.Fatalf("%g s to go: %s", left, v.Text)
			}
			said = said || strings.Contains(v.Text, "±1 dB cannot be reached") && strings.Contains(v.Text, "room noise")
		}
		if !said {
			t.Error("nobody was told that it cannot be reached")
		}
	})
}

func TestWhatIsRefused(t *testing.T) {
	level := func(level, ceiling float64) func(*wire.SurveyRequest) {
		return func(r *wire.SurveyRequest) {
			r.LevelDBFS = &level
			if ceiling != 0 {
				r.CapDBFS = &ceiling
			}
		}
	}
	inBubble(t, nil, func(t *testing.T, b *stage) {
		for want, change := range map[string]func(*wire.SurveyRequest){
			"above the cap of -20":  level(-19, 0),
			"above the cap of -10":  level(-6, -10),
			"between -60 and -6":    level(-3, -3),
			"two different":         func(r *wire.SurveyRequest) { r.Fill = "main" },
			"name two":              func(r *wire.SurveyRequest) { r.Main = "" },
			"cannot play \"sub\"":   func(r *wire.SurveyRequest) { r.Fill = "sub" },
			"there is no seat 9":    func(r *wire.SurveyRequest) { r.Seat = 9 },
			"which seat":            func(r *wire.SurveyRequest) { r.Seat = 0 },
			"is no microphone":      func(r *wire.SurveyRequest) { r.Seats = wire.Seats{Seats: map[string]int64{"7": 1}} },
			"not both":              func(r *wire.SurveyRequest) { r.Seats = wire.Seats{Seat: 1, Seats: map[string]int64{"2": 1}} },
			"0.05 to 20 dB, not 90": func(r *wire.SurveyRequest) { r.WithinDB = 90 },
			"low_hz must be below high_hz, which is 8000, not 9000": func(r *wire.SurveyRequest) { r.LowHz, r.HighHz = 9000, 8000 },
		} {
			if err := b.start(t, change); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q", err, want)
			}
		}
		if _, err := b.s.StartSurvey(context.Background(), settled(t), "c9"); err == nil || !strings.Contains(err.Error(), "/api/v1/live") {
			t.Errorf("without a hand: %v", err)
		}
		if b.claimed != 0 || len(b.plays) != 0 {
			t.Error("what was refused was played")
		}
		// Raised by hand.
		if err := b.start(t, level(-8, -6)); err != nil {
			t.Fatal(err)
		}
		b.until(t, "the end", isOver)
		if b.loudest > -8 || b.plays[0].ramp.ToDBFS != -8 || b.plays[0].ramp.FromDBFS != -40 {
			t.Errorf("up to %g dBFS, %+v", b.loudest, b.plays[0].ramp)
		}
	})
}

func settled(t *testing.T) wire.SurveyRequest {
	t.Helper()
	r := wire.SurveyRequest{Main: "main", Fill: "fill", Seats: wire.Seats{Seat: 1}}
	if err := r.Settle(); err != nil {
		t.Fatal(err)
	}
	return r
}

// A take has no break in it: it begins again behind one.
func TestBreakBeginsAgain(t *testing.T) {
	inBubble(t, func(w *world) { w.breakAfter = 3 * testRate / 2 }, func(t *testing.T, b *stage) {
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		if last := b.until(t, "the end", isOver); last.State != wire.SurveyDone {
			t.Fatalf("%+v", last)
		}
		whole := b.plays[1].end.Sub(b.plays[1].begun)
		if broken := b.plays[0].end.Sub(b.plays[0].begun); broken < whole+time.Second {
			t.Errorf("with a break after 1.5 s it took %v, without %v", broken, whole)
		}
		if f := b.takes(t)[0].Audio.Frames; f > 6*testRate {
			t.Errorf("%d frames of audio reach across the break", f)
		}
	})
}

// Each microphone is a seat: one press for all of them.
func TestManySeatsAtOnce(t *testing.T) {
	inBubble(t, func(w *world) { w.mics = 2 }, func(t *testing.T, b *stage) {
		if err := b.start(t, func(r *wire.SurveyRequest) { r.Seats = wire.Seats{Seats: map[string]int64{"2": 2, "3": 1}} }); err != nil {
			t.Fatal(err)
		}
		if last := b.until(t, "the end", isOver); last.State != wire.SurveyDone || len(last.Takes) != 6 || last.Seat != 2 {
			t.Fatalf("%+v", last)
		}
		takes := b.takes(t)
		for i, want := range []struct {
			seat    int64
			delayMs float64
		}{{2, 20}, {1, 25}, {2, 1315.0 / 48}, {1, 1000.0 / 48}, {2, 20}, {1, 25}} {
			if take := takes[i]; take.Seat != want.seat || take.Microphone != 2+i%2 || math.Abs(take.DelayMs-want.delayMs) > 0.01 {
				t.Errorf("take %d: seat %d, microphone %d, %g ms, want %+v", i, take.Seat, take.Microphone, take.DelayMs, want)
			}
		}
	})
}

func TestAnotherShowMeanwhile(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		b.until(t, "measuring", func(v wire.Survey) bool { return v.State == wire.SurveyMeasuring })
		if _, err := b.shelf.New("other"); err != nil {
			t.Fatal(err)
		}
		if last := b.until(t, "the end", isOver); last.State != wire.SurveyFailed || !strings.Contains(last.Text, "another show") || len(b.takes(t)) != 0 {
			t.Errorf("%+v", last)
		}
	})
}

func TestVerifyMeasuresBoth(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		r := wire.VerifyRequest{Plan: 7, Seats: wire.Seats{Seat: 1}}
		if err := r.Settle(); err != nil {
			t.Fatal(err)
		}
		if _, err := b.s.StartVerify(context.Background(), r, "main", "fill", "c1"); err != nil {
			t.Fatal(err)
		}
		last := b.until(t, "the end", isOver)
		if last.State != wire.SurveyDone || last.Steps != 1 || last.Verification == nil || !last.Verification.Pass || last.Text != "Seat 1 passes." {
			t.Fatalf("%+v", last)
		}
		if takes := b.takes(t); len(takes) != 1 || takes[0].Note != "verifies plan 7" || len(takes[0].Loudspeakers) != 2 || last.Verification.Take != takes[0].ID {
			t.Errorf("%+v", takes)
		}
	})
}

// A plan is verified by hand, or a survey runs, and never both: who comes second is told
// so, and what was told of the first stands.
func TestVerifyByHandHasTheTurn(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		r := wire.VerifyRequest{Plan: 7, ByHand: true, Seats: wire.Seats{Seat: 1}}
		if err := r.Settle(); err != nil {
			t.Fatal(err)
		}
		x, err := b.shelf.Current()
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"main", "fill"} {
			if _, err := x.PutLoudspeaker(show.Loudspeaker{Name: name}, "test"); err != nil {
				t.Fatal(err)
			}
		}
		b.playing, b.ramp, b.since = []string{"main", "fill"}, Ramp{-20, -20, 1}, time.Now()
		proves := b.s.cfg.Prove
		b.s.cfg.Prove = func(r wire.VerifyRequest, seat, take int64, by string) (wire.Verification, error) {
			if err := b.start(t, nil); !errors.Is(err, errBusy) {
				t.Errorf("a survey begins while a plan is verified: %v", err)
			}
			return proves(r, seat, take, by)
		}
		v, err := b.s.VerifyByHand(context.Background(), r, "main", "fill", "c1")
		if err != nil || v.State != wire.SurveyDone || v.Text != "Seat 1 passes." {
			t.Fatalf("%+v, %v", v, err)
		}
		b.s.cfg.Prove = proves
		if err := b.start(t, nil); err != nil {
			t.Fatal(err)
		}
		if _, err := b.s.VerifyByHand(context.Background(), r, "main", "fill", "c1"); !errors.Is(err, errBusy) {
			t.Errorf("a plan is verified over a survey: %v", err)
		}
		if v := b.s.Survey(); !v.Running() || v.Purpose == wire.PurposeVerify {
			t.Errorf("the survey is told as %+v", v)
		}
		b.s.StopSurvey(context.Background(), "c2")
		b.until(t, "the end", isOver)
	})
}

// By hand: what plays is muted at the console, and one press stores it.
func TestTakeByHand(t *testing.T) {
	inBubble(t, nil, func(t *testing.T, b *stage) {
		b.playing, b.ramp, b.since = []string{"fill"}, Ramp{-20, -20, 1}, time.Now()
		take, spectra, audio, err := b.s.Take(context.Background(), stream.TakeRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if take.Microphone != 2 || take.Origin != show.Measured || math.Abs(spectra.DelayS*1000-1315.0/48) > 0.01 || len(audio.Samples) != 2*5*testRate {
			t.Errorf("%+v, %g s", take, spectra.DelayS)
		}
		seconds := 0.5
		for want, r := range map[string]stream.TakeRequest{
			"channel 9 is no microphone": {Microphone: 9},
			"2 to 20 s":                  {AudioS: &seconds},
		} {
			if _, _, _, err := b.s.Take(context.Background(), r); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%v, want %q", err, want)
			}
		}
		b.noise = 0.1
		if _, _, _, err := b.s.Take(context.Background(), stream.TakeRequest{}); err == nil || !strings.Contains(err.Error(), "force") {
			t.Errorf("an unsure take: %v", err)
		}
		if _, _, _, err := b.s.Take(context.Background(), stream.TakeRequest{Force: true}); err != nil {
			t.Errorf("an unsure take by force: %v", err)
		}
	})
}
