package survey

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

var update = flag.Bool("update", false, "rewrite the golden file")

// All that a survey says, in a golden file. With -update it is written anew, to be looked at.
func TestASurveyInWords(t *testing.T) {
	main, fill := show.Loudspeaker{ID: 1, Name: "main"}, show.Loudspeaker{ID: 2, Name: "fill"}
	survey := func(seats ...string) *job {
		j := &job{main: main, fill: fill, goal: wire.Goal{WithinDB: 1}, level: -20, purpose: wire.PurposeSurvey,
			steps: [][]show.Loudspeaker{{main}, {fill}, {main, fill}}, seats: map[int]int64{}, names: map[int64]string{}}
		for i, name := range seats {
			j.setup.Microphones = append(j.setup.Microphones, i+2)
			j.seats[i+2], j.names[int64(i+1)] = int64(i+1), name
		}
		return j
	}
	one, many := survey("stalls"), survey("stalls", "balcony", "gallery", "rear")
	verify := survey("stalls")
	verify.purpose, verify.steps = wire.PurposeVerify, [][]show.Loudspeaker{{main, fill}}

	heard := func(change func(*measurement)) *measurement {
		m := &measurement{setup: Setup{SampleRateHz: 1000, Channels: []string{"input 1", "input 2"}, Reference: 1, Microphones: []int{2}}, microphones: []int{2},
			names: map[int]string{2: "stalls"}, goal: wire.Goal{WithinDB: 1}, goals: make([]aim, 1), levels: make([]level, 2), found: true, frames: 8000, remainingS: 7.2}
		m.goals[0].lowHz, m.goals[0].highHz = 40, 16000
		if change != nil {
			change(m)
		}
		return m
	}
	missed := func(m *measurement) {
		m.goals[0].outlook.RemainingS = math.Inf(1)
		m.goals[0].outlook.LowHz, m.goals[0].outlook.HighHz = 63, 12500
	}
	var b strings.Builder
	say := func(what, text string) { fmt.Fprintf(&b, "%s\n    %s\n", what, text) }
	say("it begins", one.sayRamp(0, 3))
	say("the next step begins, at many seats", many.sayRamp(1, 3))
	say("the arrival is looked for", one.sayMeasuring(0, heard(func(m *measurement) { m.found = false })))
	say("what it plays is looked for", one.sayMeasuring(0, heard(func(m *measurement) { m.remainingS = math.Inf(1) })))
	say("it is measured", one.sayMeasuring(0, heard(nil)))
	say("it is measured, for long", many.sayMeasuring(1, heard(func(m *measurement) { m.remainingS = 43 })))
	say("the last step", one.sayMeasuring(2, heard(nil)))
	say("some of it will not be known", one.sayMeasuring(0, heard(missed)))
	say("it is stored", one.sayStoring(1))
	say("it is done", one.sayDone(&wire.Survey{}))
	one.missed = []string{"main alone: " + heard(missed).missedWords()}
	say("it is done, and some of it is not known", one.sayDone(&wire.Survey{}))
	say("a plan is verified", verify.sayDone(&wire.Survey{Verification: &wire.Verification{Text: "Stalls passes."}}))
	say("nothing to verify with", verify.sayDone(&wire.Survey{}))
	for k, err := range []error{stoppedError{"page 2"}, errGone, errQuiet, errHangs, errEnding, errUnanswered, errDiscarded} {
		say(fmt.Sprintf("stopped, with %d takes", k%3), sayStopped(err, &wire.Survey{Takes: make([]int64, k%3)}))
	}
	failed := func(what string, err error) {
		if err == nil {
			t.Errorf("%s: nothing is wrong", what)
			return
		}
		say(what, sayFailed(err, &wire.Survey{}))
	}
	loud := func(m *measurement) {
		for i := range m.levels {
			m.levels[i] = level{peak: 0.5, sum: float64(m.frames) * 0.01}
		}
	}
	failed("the reference is silent", heard(nil).wrong("main alone"))
	failed("the microphone is silent", heard(func(m *measurement) { loud(m); m.levels[1] = level{} }).wrong("main alone"))
	failed("it overloads", heard(func(m *measurement) { loud(m); m.levels[1].clipped = 3 }).wrong("main alone"))
	failed("too noisy", heard(nil).notSure(60*time.Second))
	failed("too noisy, and with breaks", heard(func(m *measurement) { m.breaks = 4 }).notSure(60*time.Second))
	failed("something else", errors.New("the output has gone."))
	doubt := wire.SeatDoubt{Microphone: 2, Chosen: 2, ChosenName: "balcony", Found: 1, FoundName: "stalls",
		Times: []wire.SeatTimes{{Loudspeaker: "main", HeardMs: 20.08, FoundMs: 20, ChosenMs: 25}, {Loudspeaker: "fill", HeardMs: 27.29, FoundMs: 27.4, ChosenMs: 18}}}
	unknown := doubt
	unknown.Times = []wire.SeatTimes{{Loudspeaker: "main", HeardMs: 20, FoundMs: 20, ChosenMs: wire.Unknown()}, {Loudspeaker: "fill", HeardMs: 27.4, FoundMs: 27.4, ChosenMs: wire.Unknown()}}
	say("at another seat", sayDoubts([]wire.SeatDoubt{doubt}))
	say("still at the one before", sayDoubts([]wire.SeatDoubt{unknown}))
	say("two of them", sayDoubts([]wire.SeatDoubt{doubt, unknown}))

	const golden = "testdata/sentences.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the sentences have changed: look at them, and run with -update\n%s", b.String())
	}
}
