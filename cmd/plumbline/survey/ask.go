package survey

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// askFor is how long an answer is waited for: takes are not kept in memory for longer.
const askFor = 60 * time.Second

// heldStep is a step that is measured, and kept until it is clear at which seats.
type heldStep struct {
	step int
	m    *measurement
}

// place stores what a step has heard, unless the microphone seems to be at another seat
// than the one it was said to be at. The times of the main alone may point there by chance:
// it is held then, until the fill has been heard, and if that says the same somebody is asked.
func (s *Surveyor) place(j *job, step int, m *measurement) error {
	if j.purpose != wire.PurposeSurvey || len(j.steps[step]) > 1 {
		return s.store(j, step, m)
	}
	j.held = append(j.held, heldStep{step, m})
	seats, err := j.stored()
	if err != nil {
		return err
	}
	if step == 0 {
		for _, channel := range j.microphones() {
			if hinted(j.heardAt(channel), j.seats[channel], seats) {
				return nil
			}
		}
		return s.storeHeld(j)
	}
	if doubts := j.doubts(seats); len(doubts) > 0 {
		if err := s.ask(j, doubts); err != nil {
			return err
		}
	}
	return s.storeHeld(j)
}

// storeHeld stores what is held, where the microphones are said to be.
func (s *Surveyor) storeHeld(j *job) error {
	for len(j.held) > 0 {
		h := j.held[0]
		j.held = j.held[1:]
		if err := s.store(j, h.step, h.m); err != nil {
			return err
		}
	}
	return nil
}

// heardAt are the times of what is held, at one microphone.
func (j *job) heardAt(channel int) times {
	out := times{}
	for _, h := range j.held {
		for i, c := range h.m.microphones {
			if c != channel {
				continue
			}
			l := j.steps[h.step][0]
			h.m.arrivals[i], _ = h.m.finders[i].Find(h.m.arrivals[i])
			objects := make([]wire.ArrivalObject, len(h.m.arrivals[i]))
			for k, a := range h.m.arrivals[i] {
				objects[k] = arrivalObject(a, j.setup.TemperatureC)
			}
			out[l.ID] = timesOf(objects, j.dialled[l.Name].DelayMs, j.setup.TemperatureC, j.setup.TemperatureC)
		}
	}
	return out
}

// doubts are the microphones that hear, by what is held, what another seat does. No two of
// them are at one seat: who says so of one that another stands at cannot be told.
func (j *job) doubts(seats map[int64]times) (out []wire.SeatDoubt) {
	if len(j.held) < 2 { // the main of the chosen seat, or one of nowhere
		return nil
	}
	to := map[int]int64{}
	for channel, seat := range j.seats {
		to[channel] = seat
		if found := whereabouts(j.heardAt(channel), seat, seats); found != 0 && j.names[found] != "" {
			to[channel] = found
		}
	}
	for taken := true; taken; {
		taken = false
		for a, seat := range to {
			for b, other := range to {
				if a != b && seat == other && (seat != j.seats[a] || seat != j.seats[b]) {
					to[a], to[b], taken = j.seats[a], j.seats[b], true
				}
			}
		}
	}
	for _, channel := range j.microphones() {
		chosen, found := j.seats[channel], to[channel]
		if chosen == found {
			continue
		}
		d := wire.SeatDoubt{Microphone: channel, Chosen: chosen, ChosenName: j.names[chosen], Found: found, FoundName: j.names[found], Times: []wire.SeatTimes{}}
		now := j.heardAt(channel)
		for _, l := range []show.Loudspeaker{j.main, j.fill} {
			d.Times = append(d.Times, wire.SeatTimes{Loudspeaker: l.Name, HeardMs: first(now[l.ID]), FoundMs: first(seats[found][l.ID]), ChosenMs: first(seats[chosen][l.ID])})
		}
		out = append(out, d)
	}
	return out
}

func first(list []heardAt) wire.Value {
	if len(list) == 0 {
		return wire.Unknown()
	}
	return wire.Value(list[0].ms)
}

// ask waits, in silence, until somebody says at which seats to store what is held: anybody,
// since a page that is gone may come back, and nothing sounds. Without an answer it is
// stored where it was to be, and the survey is over.
func (s *Surveyor) ask(j *job, doubts []wire.SeatDoubt) error {
	s.mu.Lock()
	s.asks = j
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.asks = nil
		s.mu.Unlock()
	}()
	text := sayDoubts(doubts)
	s.change(func(v *wire.Survey) {
		v.State, v.Done, v.Remaining, v.LevelDBFS = wire.SurveyAsking, 1, wire.Unknown(), wire.Unknown()
		v.Doubts, v.Text = doubts, text+" Nothing of it is stored yet."
	})
	for _, d := range doubts {
		j.remarks[d.Microphone] = fmt.Sprintf("its arrival times are those of %s", d.FoundName)
	}
	late := time.NewTimer(askFor)
	defer late.Stop()
	select {
	case <-j.ctx.Done():
		return context.Cause(j.ctx)
	case <-late.C:
		return errUnanswered
	case a := <-j.answers:
		switch a.Store {
		case wire.StoreNone:
			j.held = nil
			return errDiscarded
		case wire.StoreFound:
			for _, d := range doubts {
				j.seats[d.Microphone] = d.Found
				j.remarks[d.Microphone] = fmt.Sprintf("asked for at %s, and stored here by its arrival times", d.ChosenName)
			}
		}
	}
	s.change(func(v *wire.Survey) { v.Doubts, v.Seat = []wire.SeatDoubt{}, j.firstSeat() })
	return nil
}

// AnswerSurvey tells a survey that asks at which seat to store.
func (s *Surveyor) AnswerSurvey(_ context.Context, a wire.SurveyAnswer, _ string) (wire.Survey, error) {
	if err := a.Settle(); err != nil {
		return wire.Survey{}, err
	}
	s.mu.Lock()
	j := s.asks
	s.asks = nil // one answer is enough
	s.mu.Unlock()
	if j == nil {
		return wire.Survey{}, refuse(http.StatusConflict, "not_asked", "no survey asks at which seat to store: it was answered, or it is over")
	}
	j.answers <- a
	return s.Survey(), nil
}

// sayDoubts is what there is to say before it is stored.
func sayDoubts(doubts []wire.SeatDoubt) string {
	var parts []string
	for _, d := range doubts {
		parts = append(parts, sayDoubt(d, len(doubts) > 1))
	}
	return strings.Join(parts, " ")
}

// sayDoubt is sure of it where the chosen seat has times of its own to compare with.
func sayDoubt(d wire.SeatDoubt, several bool) string {
	var heard, chosen []string
	for i, t := range d.Times {
		arrives, came := " arrives", ""
		if i > 0 {
			arrives = ""
		}
		heard = append(heard, fmt.Sprintf("%s%s after %.2f ms", t.Loudspeaker, arrives, float64(t.HeardMs)))
		if math.IsNaN(float64(t.ChosenMs)) {
			continue
		}
		if len(chosen) == 0 {
			came = " came"
		}
		chosen = append(chosen, fmt.Sprintf("%s%s after %.2f ms", t.Loudspeaker, came, float64(t.ChosenMs)))
	}
	who := "You are"
	if several {
		who = fmt.Sprintf("The microphone meant for %s is", d.ChosenName)
	}
	when := strings.Join(heard, " and ")
	if len(chosen) > 0 {
		return fmt.Sprintf("%s at %s, not %s: %s, as at %s. At %s %s.", who, d.FoundName, d.ChosenName, when, d.FoundName, d.ChosenName, strings.Join(chosen, " and "))
	}
	who = "Are you"
	if several {
		who = fmt.Sprintf("Is the microphone meant for %s", d.ChosenName)
	}
	return fmt.Sprintf("%s still at %s? %s, exactly as there. %s was not measured before.", who, d.FoundName, verdict.Capital(when), verdict.Capital(d.ChosenName))
}
