package survey

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// perform takes over the output and goes through the steps.
func (s *Surveyor) perform(j *job) (err error) {
	session, err := s.cfg.Player.Claim(j.by)
	if err != nil {
		return err
	}
	defer func() {
		if e := session.Release(); e != nil && err == nil {
			err = fmt.Errorf("the output was not put back: %w", e)
		}
		if n := session.Underruns(); n > 0 {
			s.log.Warn("the output ran dry, which is heard as clicks", "times", n)
		}
	}()
	// A pass that is over keeps what it has measured, whatever ended it.
	defer func() {
		if e := s.storeHeld(j); e != nil {
			err = errors.Join(err, e)
		}
	}()
	for i := 0; i < len(j.steps); {
		heard, err := s.sound(j, i, session)
		if errors.Is(err, errQuiet) {
			if err := s.waitForAnswer(j); err != nil {
				return err
			}
			continue // the same step again, from silence
		}
		if err != nil {
			return err
		}
		if err := s.place(j, i, heard); err != nil {
			return err
		}
		i++
	}
	return nil
}

// sound plays and measures one step. It returns in silence.
func (s *Surveyor) sound(j *job, step int, session Session) (*measurement, error) {
	playing := j.steps[step]
	ramp := Ramp{FromDBFS: min(wire.StartLevelDBFS, j.level), ToDBFS: j.level, S: s.cfg.RampS}
	m, err := newMeasurement(j.setup, j.microphones(), j.goal, j.known(step))
	if err != nil {
		return nil, err
	}
	m.names = j.seated()
	s.forgetTrace()
	ctx, stop := context.WithCancelCause(j.ctx)
	var running sync.WaitGroup
	defer func() {
		stop(nil)
		running.Wait()
	}()
	running.Go(func() { j.hold(ctx, stop) })
	played := make(chan error, 1)
	begins := make(chan struct{})
	running.Go(func() { played <- session.Play(ctx, playing, ramp, func() { close(begins) }) })

	tick := time.NewTicker(look)
	defer tick.Stop()
	// wait until the next look, or why not.
	wait := func() error {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case err := <-played:
			if cause := context.Cause(ctx); cause != nil {
				return cause
			}
			if err == nil {
				err = errors.New("the test signal ended by itself")
			}
			return err
		case <-tick.C:
			return nil
		}
	}
	// An output may take its time to open.
	var begun time.Time
	for ordered := time.Now(); begun.IsZero(); {
		select {
		case <-begins:
			begun = time.Now()
		default:
			if time.Since(ordered) > beginLimit {
				return nil, errors.New("the output does not begin to play: is something else using it")
			}
			if err := wait(); err != nil {
				return nil, err
			}
		}
	}
	for {
		at := time.Since(begun)
		rising := at < time.Duration(ramp.S*float64(time.Second))
		s.change(func(v *wire.Survey) {
			v.State, v.Step, v.Playing, v.Done, v.Remaining = wire.SurveyRamping, step+1, namesOf(playing), 0, wire.Unknown()
			v.LevelDBFS, v.Text = wire.Value(ramp.At(at)), j.sayRamp(step, ramp.S)
		})
		if !rising && at >= time.Duration(ramp.S*float64(time.Second))+settle {
			break
		}
		if err := wait(); err != nil {
			return nil, err
		}
	}
	deaf, err := s.cfg.Bench.Listen(ctx, m.hear)
	if err != nil {
		return nil, cmp.Or(context.Cause(ctx), err)
	}
	defer deaf()
	for end, looks := time.Now().Add(patience), 1; ; looks++ {
		if err := wait(); err != nil {
			return nil, err
		}
		m.leftS = time.Until(end).Seconds()
		sure, err := m.look(j.sayPlaying(playing))
		if err != nil {
			return nil, err
		}
		if m.found && (sure || looks%traceEvery == 0) {
			s.keepTrace(j, step, m)
		}
		s.change(func(v *wire.Survey) {
			v.State, v.Done, v.Remaining, v.LevelDBFS = wire.SurveyMeasuring, m.done, wire.Value(m.remainingS), wire.Value(j.level)
			v.Text = j.sayMeasuring(step, m)
		})
		if sure {
			return m, nil
		}
		if m.leftS <= 0 {
			if m.worth() {
				return m, nil
			}
			return nil, m.notSure(patience)
		}
	}
}

// hold cancels when the handle is let go. Looks are counted, not time: when this
// process gets no time of its own, answers may wait unread.
// They count on from step to step.
func (j *job) hold(ctx context.Context, stop context.CancelCauseFunc) {
	tick := time.NewTicker(holdEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-j.hand.Gone():
			stop(errGone)
			return
		case <-tick.C:
			switch {
			case j.heard.looks(j.hand.Heard()) >= quietLimit:
				stop(errQuiet)
				return
			case j.answered.looks(j.hand.Answered()) >= hangLimit:
				stop(errHangs)
				return
			}
		}
	}
}

// since counts the looks at a counter since it has risen.
type since struct {
	count uint64
	n     int
}

func (s *since) looks(count uint64) int {
	if s.n++; count != s.count {
		s.count, s.n = count, 0
	}
	return s.n
}

// waitForAnswer is silent until the client answers again.
func (s *Surveyor) waitForAnswer(j *job) error {
	s.change(func(v *wire.Survey) {
		v.LevelDBFS, v.Remaining, v.Text = wire.Unknown(), wire.Unknown(), "Sound off: the page that started this does not answer. It goes on when it does."
	})
	tick := time.NewTicker(holdEvery)
	defer tick.Stop()
	answered := j.hand.Answered()
	for end := time.Now().Add(quietToo); time.Now().Before(end); {
		select {
		case <-j.ctx.Done():
			return context.Cause(j.ctx)
		case <-j.hand.Gone():
			return errGone
		case <-tick.C:
			if j.hand.Answered() > answered+1 { // one may have waited
				return nil
			}
		}
	}
	return errQuiet
}

// microphones are the channels that are surveyed, ascending.
func (j *job) microphones() []int {
	var out []int
	for _, m := range j.setup.Microphones {
		if _, ok := j.seats[m]; ok {
			out = append(out, m)
		}
	}
	return out
}

// known are the delays that a step must use, by channel: both together keep
// that of the main.
func (j *job) known(step int) map[int]float64 {
	if len(j.steps[step]) < 2 {
		return nil
	}
	return j.delays
}

// store makes takes of what was heard, one a microphone.
func (s *Surveyor) store(j *job, step int, m *measurement) error {
	playing := j.steps[step]
	s.change(func(v *wire.Survey) {
		v.State, v.Done, v.Remaining, v.LevelDBFS = wire.SurveyStoring, 1, wire.Value(0), wire.Unknown()
		v.Text = j.sayStoring(step)
	})
	if now, err := s.cfg.Shelf.Current(); err != nil || now != j.show {
		return errors.New("another show was opened meanwhile: survey again there")
	}
	var plan int64
	if j.verify != nil {
		plan = j.verify.Plan
	}
	settings := wire.TakeSettings{LevelDBFS: wire.Value(j.level), Plan: plan, Dialled: s.cfg.Dialled(plan)}
	if text := m.missedWords(); text != "" {
		j.missed = append(j.missed, j.sayPlaying(playing)+": "+text)
	}
	for i, channel := range m.microphones {
		stored, err := j.keep(step, i, m, settings)
		if err != nil {
			return err
		}
		if err := s.placeSeat(j, stored.Seat, channel); err != nil {
			return err
		}
		s.change(func(v *wire.Survey) { v.Takes = append(slices.Clone(v.Takes), stored.ID) })
		if j.verify != nil && s.cfg.Prove != nil {
			proof, err := s.cfg.Prove(*j.verify, stored.Seat, stored.ID, j.by)
			if err != nil {
				return err
			}
			s.change(func(v *wire.Survey) { v.Verification = &proof })
		}
	}
	return nil
}

// placeSeat draws a seat on the plan where its microphone stood, as far as that is known. It
// keeps that place when the microphone goes on to the next seat.
func (s *Surveyor) placeSeat(j *job, seat int64, channel int) error {
	if s.cfg.Place == nil {
		return nil
	}
	at, ok := s.cfg.Place(channel)
	if !ok {
		return nil
	}
	all, err := j.show.Seats()
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(x show.Seat) bool { return x.ID == seat })
	if i < 0 || all[i].PositionM != nil && *all[i].PositionM == at {
		return nil
	}
	_, err = j.show.ChangeSeat(seat, func(x *show.Seat) error {
		x.PositionM = &at
		return nil
	}, j.by)
	return err
}

// keep stores what one microphone (from 0) heard in a step.
func (j *job) keep(step, i int, m *measurement, settings wire.TakeSettings) (show.Take, error) {
	playing, channel := j.steps[step], m.microphones[i]
	t := m.take(i, settings)
	t.Name = strings.Join(namesOf(playing), " + ")
	t.Seat = j.seats[channel]
	if text := j.remarks[channel]; text != "" {
		t.Note = strings.TrimSuffix(text+"\n"+t.Note, "\n")
	}
	if j.verify != nil {
		t.Note = fmt.Sprintf("verifies plan %d", j.verify.Plan)
	}
	for _, l := range playing {
		t.Loudspeakers = append(t.Loudspeakers, l.ID)
	}
	stored, err := j.show.AddTake(t, m.spectra(i), m.audioOf(i), j.by)
	if err == nil && step == 0 && len(playing) == 1 {
		j.delays[channel] = m.delayS[i]
	}
	return stored, err
}

// seated are the names of the seats by channel.
func (j *job) seated() map[int]string {
	out := map[int]string{}
	for channel, seat := range j.seats {
		out[channel] = j.names[seat]
	}
	return out
}

func seatNames(j *job) string {
	var names []string
	for _, m := range j.microphones() {
		names = append(names, j.names[j.seats[m]])
	}
	if len(names) > 3 {
		return fmt.Sprintf("%d seats", len(names))
	}
	return strings.Join(names, ", ")
}

func (j *job) sayPlaying(playing []show.Loudspeaker) string {
	if len(playing) == 1 {
		return playing[0].Name + " alone"
	}
	return strings.Join(namesOf(playing), " and ") + " together"
}
