package survey

import (
	"context"
	"maps"
	"math"
	"strings"
	"testing"
	"time"

	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// at is one arrival a loudspeaker, ms, with a deviation of 2 µs.
func at(ms ...float64) times {
	t := times{}
	for i, v := range ms {
		if !math.IsNaN(v) {
			t[int64(i+1)] = []heardAt{{v, 0.002}}
		}
	}
	return t
}

func TestWhereabouts(t *testing.T) {
	none := math.NaN()
	early := func(t times, id int64, ms float64) times {
		t[id] = append(t[id], heardAt{ms, 0.002})
		return t
	}
	for _, c := range []struct {
		what   string
		now    times
		chosen int64
		seats  map[int64]times
		want   int64
	}{
		{"where it was chosen", at(20, 30), 1, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 0},
		{"at the other one", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 1},
		{"put back to 10 cm", at(20.3, 29.8), 2, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 1},
		{"a metre from the other one", at(23, 30), 2, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 0},
		{"at one of three", at(31, 22), 2, map[int64]times{1: at(20, 30), 2: at(25, 18), 3: at(31, 22)}, 3},
		{"at none of three", at(28, 28), 2, map[int64]times{1: at(20, 30), 2: at(25, 18), 3: at(31, 22)}, 0},
		// What the arrival times cannot tell.
		{"the two have equal times", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(20, 30)}, 0},
		{"the two are 20 cm apart", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(20.6, 30.2)}, 0},
		{"two others have equal times", at(20, 30), 3, map[int64]times{1: at(20, 30), 2: at(20, 30), 3: at(25, 18)}, 0},
		{"two others are near each other", at(20, 30), 3, map[int64]times{1: at(20, 30), 2: at(20.9, 30.2), 3: at(25, 18)}, 0},
		{"one loudspeaker alone was heard", at(20), 2, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 0},
		{"a loudspeaker without an arrival", times{1: {{20, 0.002}}, 2: nil}, 2, map[int64]times{1: at(20, 30), 2: at(25, 18)}, 0},
		{"the other one knows one of them", at(20, 30), 2, map[int64]times{1: at(20, none), 2: at(25, 18)}, 0},
		{"the same way from the one, not from the other", at(20, 30), 2, map[int64]times{1: at(20, 22), 2: at(25, 18)}, 0},
		{"the errors are too wide", times{1: {{20, 2}}, 2: {{30, 2}}}, 2, map[int64]times{1: at(20, 30), 2: at(23, 28)}, 0},
		{"half a millisecond is too little to be elsewhere", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(20.5, 30.5)}, 0},
		// The chosen seat differs in one of them only: left and right of a centre line.
		{"left, not right", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(20, 26)}, 1},
		{"the chosen one knows one of them", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(none, 18)}, 1},
		{"the chosen one knows one of them, which is the same", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: at(20, none)}, 0},
		// Nobody measured at the chosen one: only who has not moved at all is known.
		{"still there", at(20.01, 29.99), 2, map[int64]times{1: at(20, 30)}, 1},
		{"moved by 10 cm", at(20.2, 30.2), 2, map[int64]times{1: at(20, 30)}, 0},
		{"still there, or at the other of equal times", at(20, 30), 3, map[int64]times{1: at(20, 30), 2: at(20, 30)}, 0},
		// The strongest of two that are as loud may be the other one next time.
		{"a floor as loud as the direct sound", at(20, 30), 2, map[int64]times{1: early(at(23, 30), 1, 20), 2: at(25, 18)}, 1},
		{"the chosen one may be it as well", at(20, 30), 2, map[int64]times{1: at(20, 30), 2: early(at(25, 30), 1, 20)}, 0},
		{"nothing was measured anywhere", at(20, 30), 2, nil, 0},
	} {
		if got := whereabouts(c.now, c.chosen, c.seats); got != c.want {
			t.Errorf("%s: found seat %d, want %d", c.what, got, c.want)
		}
		// One alone must not rule out what both say.
		for id := range c.now {
			if one := (times{id: c.now[id]}); c.want != 0 && id == 1 && !hinted(one, c.chosen, c.seats) && c.what != "left, not right" {
				t.Errorf("%s: the first loudspeaker gives no hint", c.what)
			}
		}
	}
}

// A delay that is dialled in, and warmer air, move no microphone.
func TestTimesWithoutProcessorAndWeather(t *testing.T) {
	arrivals := []wire.ArrivalObject{{DelayMs: 24, DelaySDMs: 0.002, LevelDB: 0}, {DelayMs: 31, DelaySDMs: wire.Unknown(), LevelDB: -5}, {DelayMs: 40, DelaySDMs: 0.002, LevelDB: -8}}
	got := timesOf(arrivals, 4, 20, 20)
	if len(got) != 2 || got[0] != (heardAt{20, 0.002}) || got[1] != (heardAt{27, 0}) {
		t.Errorf("%+v", got)
	}
	// 331.3·√(1 + T/273.15): from 20 to 30 °C sound is faster by √(303.15/293.15).
	if got, want := timesOf(arrivals, 4, 20, 30)[0].ms, 20*math.Sqrt(293.15/303.15); math.Abs(got-want) > 1e-3 {
		t.Errorf("in warmer air %.4f ms, want %.4f", got, want)
	}
}

// surveyed waits until a survey is over, or asks.
func (b *stage) surveyed(t *testing.T, seat int64) wire.Survey {
	t.Helper()
	if err := b.start(t, func(r *wire.SurveyRequest) { r.Seat = seat }); err != nil {
		t.Fatal(err)
	}
	return b.until(t, "an end or a question", func(v wire.Survey) bool { return isOver(v) || v.State == wire.SurveyAsking })
}

// moved puts the fake microphone where the two arrive after so many samples.
func (b *stage) moved(main, fill int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.boxes["main"] = box{[]int{main, 1200}, []float64{0.5, 0.4}}
	b.boxes["fill"] = box{[]int{fill, 1000}, []float64{-0.4, 0.3}}
}

func (b *stage) reply(t *testing.T, store string) {
	t.Helper()
	if _, err := b.s.AnswerSurvey(context.Background(), wire.SurveyAnswer{Store: store}, "c2"); err != nil {
		t.Fatal(err)
	}
}

// seatsOf are the takes by seat.
func (b *stage) seatsOf(t *testing.T) (n map[int64]int) {
	t.Helper()
	n = map[int64]int{}
	for _, take := range b.takes(t) {
		n[take.Seat]++
	}
	return n
}

// Two seats are measured; then the microphone is at seat 1 and seat 2 is chosen. It is said
// before anything is stored, and stored where somebody says.
func TestYouAreAtSeatOne(t *testing.T) {
	const seat1Main, seat1Fill, seat2Main, seat2Fill = 960, 1315, 1200, 864 // 20, 27.4, 25 and 18 ms
	cases := []struct {
		store string
		seats map[int64]int
		note  string
		state string
	}{
		{wire.StoreFound, map[int64]int{1: 6, 2: 3}, "asked for at seat 2, and stored here by its arrival times", wire.SurveyDone},
		{wire.StoreChosen, map[int64]int{1: 3, 2: 6}, "its arrival times are those of seat 1", wire.SurveyDone},
		{wire.StoreNone, map[int64]int{1: 3, 2: 3}, "", wire.SurveyStopped},
		{"stop", map[int64]int{1: 3, 2: 5}, "its arrival times are those of seat 1", wire.SurveyStopped},
		{"nothing", map[int64]int{1: 3, 2: 5}, "its arrival times are those of seat 1", wire.SurveyStopped},
		// Nothing sounds, so the page may be gone; the next step would sound.
		{"gone", map[int64]int{1: 5, 2: 3}, "asked for at seat 2, and stored here by its arrival times", wire.SurveyStopped},
	}
	if raced.Detector {
		cases = cases[:1]
	}
	inBubble(t, nil, func(t *testing.T, b *stage) {
		b.moved(seat1Main, seat1Fill)
		b.surveyed(t, 1)
		b.moved(seat2Main, seat2Fill)
		if v := b.surveyed(t, 2); v.State != wire.SurveyDone {
			t.Fatalf("%+v", v)
		}
		before := b.seatsOf(t)
		b.moved(seat1Main+4, seat1Fill-5)
		for _, c := range cases {
			v := b.surveyed(t, 2)
			if v.State != wire.SurveyAsking || !strings.HasPrefix(v.Text, "You are at seat 1, not seat 2: main arrives after 20.08 ms and fill after 27.29 ms, as at seat 1. At seat 2 main came after 25.00 ms and fill after 18.00 ms.") || !strings.HasSuffix(v.Text, "Nothing of it is stored yet.") {
				t.Fatalf("%s: it says %q", c.store, v.Text)
			}
			if b.sounding() || !math.IsNaN(float64(v.LevelDBFS)) || !v.Running() {
				t.Errorf("%s: it asks aloud: %+v", c.store, v)
			}
			if !maps.Equal(b.seatsOf(t), before) {
				t.Errorf("%s: stored before it was answered: %v", c.store, b.seatsOf(t))
			}
			if len(v.Doubts) != 1 || v.Doubts[0].Found != 1 || v.Doubts[0].Chosen != 2 || v.Doubts[0].FoundName != "seat 1" || math.Abs(float64(v.Doubts[0].Times[1].HeardMs)-27.29) > 0.01 {
				t.Errorf("%s: %+v", c.store, v.Doubts)
			}
			asked := time.Now()
			switch c.store {
			case "stop":
				b.s.StopSurvey(context.Background(), "c2")
			case "gone":
				close(b.gone)
				time.Sleep(10 * time.Second) // of the bubble
				b.reply(t, wire.StoreFound)
			case "nothing":
			default:
				b.reply(t, c.store)
			}
			last := b.until(t, "the end", isOver)
			if last.State != c.state || len(last.Doubts) != 0 {
				t.Errorf("%s: %+v", c.store, last)
			}
			if waited := time.Since(asked); c.store == "nothing" && (waited < askFor || waited > askFor+time.Second) {
				t.Errorf("it waited for %v", waited)
			}
			if got := b.seatsOf(t); !maps.Equal(got, c.seats) {
				t.Errorf("%s: takes by seat %v, want %v", c.store, got, c.seats)
			}
			if _, err := b.s.AnswerSurvey(context.Background(), wire.SurveyAnswer{Store: wire.StoreFound}, "c2"); err == nil || !strings.Contains(err.Error(), "no survey asks") {
				t.Errorf("%s: an answer to nothing: %v", c.store, err)
			}
			// What was stored now is taken away again, for the next.
			for _, take := range b.takes(t)[6:] {
				if !strings.Contains(take.Note, c.note) {
					t.Errorf("%s: take %q notes %q", c.store, take.Name, take.Note)
				}
				b.drop(t, take.ID)
			}
		}
	})
}

func (b *stage) drop(t *testing.T, take int64) {
	t.Helper()
	x, err := b.shelf.Current()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := x.Delete(show.KindTake, take, "test"); err != nil {
		t.Fatal(err)
	}
}

// A seat that was never measured has no times: who has not moved is asked, who moved is not.
func TestStillAtSeatOne(t *testing.T) {
	raced.NotFor(t, "a survey is raced by TestYouAreAtSeatOne")
	inBubble(t, nil, func(t *testing.T, b *stage) {
		b.surveyed(t, 1)
		v := b.surveyed(t, 2)
		if v.State != wire.SurveyAsking || !strings.HasPrefix(v.Text, "Are you still at seat 1? Main arrives after 20.00 ms and fill after 27.40 ms, exactly as there. Seat 2 was not measured before.") {
			t.Fatalf("%s: %q", v.State, v.Text)
		}
		b.reply(t, wire.StoreNone)
		if last := b.until(t, "the end", isOver); !strings.Contains(last.Text, "move the microphone, and measure again. Nothing was stored.") {
			t.Errorf("%q", last.Text)
		}
		b.moved(970, 1305) // by 7 cm
		if v := b.surveyed(t, 2); v.State != wire.SurveyDone {
			t.Errorf("%s: %q", v.State, v.Text)
		}
	})
}

// Equal times at two seats: nothing is said, whichever is chosen.
func TestSeatsOfEqualTimes(t *testing.T) {
	raced.NotFor(t, "a survey is raced by TestYouAreAtSeatOne")
	inBubble(t, nil, func(t *testing.T, b *stage) {
		x, err := b.shelf.Current()
		if err != nil {
			t.Fatal(err)
		}
		b.surveyed(t, 1)
		if v := b.surveyed(t, 2); v.State == wire.SurveyAsking {
			b.reply(t, wire.StoreChosen)
			b.until(t, "the end", isOver)
		}
		for _, seat := range []int64{1, 2, 1} {
			if v := b.surveyed(t, seat); v.State != wire.SurveyDone {
				t.Errorf("seat %d: %s: %q", seat, v.State, v.Text)
			}
		}
		// Nor when a third is chosen: it could be either.
		if _, err := x.PutSeat(show.Seat{Name: "seat 3"}, "test"); err != nil {
			t.Fatal(err)
		}
		if v := b.surveyed(t, 3); v.State != wire.SurveyDone {
			t.Errorf("seat 3: %s: %q", v.State, v.Text)
		}
	})
}

// Two microphones at once, each plugged where the other should be.
func TestSwappedMicrophones(t *testing.T) {
	raced.NotFor(t, "a survey is raced by TestYouAreAtSeatOne")
	inBubble(t, func(w *world) { w.mics = 2 }, func(t *testing.T, b *stage) {
		both := func(one, two int64) wire.Survey {
			t.Helper()
			if err := b.start(t, func(r *wire.SurveyRequest) {
				r.Seats = wire.Seats{Seats: map[string]int64{"2": one, "3": two}}
			}); err != nil {
				t.Fatal(err)
			}
			return b.until(t, "an end or a question", func(v wire.Survey) bool { return isOver(v) || v.State == wire.SurveyAsking })
		}
		if v := both(1, 2); v.State != wire.SurveyDone {
			t.Fatalf("%+v", v)
		}
		v := both(2, 1)
		if v.State != wire.SurveyAsking || len(v.Doubts) != 2 || !strings.Contains(v.Text, "The microphone meant for seat 2 is at seat 1, not seat 2") || !strings.Contains(v.Text, "The microphone meant for seat 1 is at seat 2, not seat 1") {
			t.Fatalf("%s: %q", v.State, v.Text)
		}
		b.reply(t, wire.StoreFound)
		b.until(t, "the end", isOver)
		for _, take := range b.takes(t) {
			if want := int64(take.Microphone - 1); take.Seat != want {
				t.Errorf("%s of channel %d is at seat %d", take.Name, take.Microphone, take.Seat)
			}
		}
	})
}

// The delay of the processor was changed between: that is no other seat.
func TestDialledDelayIsNoOtherSeat(t *testing.T) {
	raced.NotFor(t, "a survey is raced by TestYouAreAtSeatOne")
	inBubble(t, nil, func(t *testing.T, b *stage) {
		delay := 0.0
		b.s.cfg.Dialled = func(int64) map[string]wire.Dial {
			return map[string]wire.Dial{"fill": {DelayMs: delay, Polarity: "same"}}
		}
		b.moved(960, 1315)
		b.surveyed(t, 1)
		b.moved(960, 864)
		if v := b.surveyed(t, 2); v.State != wire.SurveyDone {
			t.Fatalf("%q", v.Text)
		}
		delay = (1315 - 864) / 48.0 // now the fill is heard at seat 2 as it was at seat 1
		b.moved(960, 1315)
		if v := b.surveyed(t, 2); v.State != wire.SurveyDone {
			t.Errorf("%s: %q", v.State, v.Text)
		}
	})
}
