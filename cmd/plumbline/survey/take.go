package survey

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"

	"plumbline/analyze/air"
	"plumbline/analyze/arrival"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
	"plumbline/stream"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// spectra are those of one microphone (from 0), unsmoothed.
func (m *measurement) spectra(i int) *response.Spectra {
	m.est.Spectra(i, &m.heard[i])
	return &m.heard[i]
}

// audioOf is the newest audio of the reference and one microphone.
func (m *measurement) audioOf(i int) *show.Audio {
	n := m.channels()
	from := max(0, len(m.audio)-int(audioKeptS*float64(m.setup.SampleRateHz))*n)
	a := &show.Audio{SampleRateHz: m.setup.SampleRateHz, Channels: []int{m.setup.Reference, m.microphones[i]}}
	for frame := m.audio[from:]; len(frame) >= n; frame = frame[n:] {
		a.Samples = append(a.Samples, frame[0], frame[1+i])
	}
	return a
}

// take is what is known of one microphone's measurement.
func (m *measurement) take(i int, settings wire.TakeSettings) show.Take {
	settings.Goal, settings.Done = m.goalOf(i), m.goals[i].outlook.Done
	body, err := json.Marshal(settings)
	if err != nil { // a NaN where a plain number stands
		panic("survey: " + err.Error())
	}
	spectra := m.spectra(i)
	var reason string
	m.arrivals[i], reason = m.finders[i].Find(m.arrivals[i])
	p := polarity.Judge(spectra)
	if arrival.Agree(m.arrivals[i], &p); len(m.arrivals[i]) == 0 {
		p.Undecide(reason)
	}
	t := show.Take{
		Origin: show.Measured, Source: m.setup.Source, Reference: m.setup.Reference, Microphone: m.microphones[i],
		Gaps: 0, TemperatureC: m.setup.TemperatureC, Settings: body,
		Results: show.Results{
			DelaySDMs: wire.Unknown(), Arrivals: []wire.ArrivalObject{},
			Polarity:        wire.PolarityObject{Verdict: p.Word(), Confidence: wire.Value(p.Confidence), Reason: p.Reason, Bands: []wire.BandObject{}},
			ReferenceLevels: m.levels[0].object(m.frames), Levels: m.levels[i+1].object(m.frames),
			Cautions: m.against(i, reason),
		},
	}
	if p.Several {
		t.Results.Polarity.OfArrivalMs = (*wire.Value)(&p.DelayMs)
	}
	for _, b := range p.Bands {
		t.Results.Polarity.Bands = append(t.Results.Polarity.Bands, wire.BandObject{
			LowHz: wire.Value(b.LowHz), HighHz: wire.Value(b.HighHz), Verdict: polarity.Verdict{Sign: b.Sign}.Word(), Confidence: wire.Value(b.Confidence),
		})
	}
	for _, a := range m.arrivals[i] {
		t.Results.Arrivals = append(t.Results.Arrivals, arrivalObject(a, m.setup.TemperatureC))
	}
	if len(m.arrivals[i]) > 0 {
		t.Results.DelaySDMs = wire.Value(strongest(m.arrivals[i]).DelaySDMs)
	} else {
		t.Note = "no arrival: " + reason
	}
	return t
}

func arrivalObject(a arrival.Arrival, temperatureC float64) wire.ArrivalObject {
	return wire.ArrivalObject{
		DelayMs: wire.Value(a.DelayMs), DelaySDMs: wire.Value(a.DelaySDMs), LevelDB: wire.Value(a.LevelDB),
		DistanceM: wire.Value(a.DelayMs / 1000 * air.SpeedOfSound(temperatureC)), Polarity: polarity.Verdict{Sign: a.Sign}.Word(),
	}
}

func (l level) object(frames int) *wire.LevelsObject {
	return &wire.LevelsObject{
		PeakDBFS: wire.Value(20 * math.Log10(l.peak)), RMSDBFS: wire.Value(l.rmsDBFS(frames)), ClippedSamples: wire.Value(float64(l.clipped)),
	}
}

// Take implements stream.TakeOperator: a take of what is heard now, by those
// who mute by hand.
func (s *Surveyor) Take(ctx context.Context, r stream.TakeRequest) (show.Take, *response.Spectra, *show.Audio, error) {
	none := func(err error) (show.Take, *response.Spectra, *show.Audio, error) { return show.Take{}, nil, nil, err }
	setup := s.cfg.Bench.Setup()
	channel := r.Microphone
	switch {
	case len(setup.Microphones) == 0:
		return none(refuse(http.StatusConflict, "microphone", "no microphone is measured: choose one on the Listen page"))
	case channel == 0:
		channel = setup.Microphones[0]
	case !slices.Contains(setup.Microphones, channel):
		return none(refuse(0, "microphone", "channel %d is no microphone here: choose one of %v", channel, setup.Microphones))
	}
	seconds := 0.0
	if r.AudioS != nil {
		if seconds = *r.AudioS; !(seconds >= leastAudioS && seconds <= audioKeptS) {
			return none(refuse(0, "audio_s", "a take can be made of %g to %g s of audio, not %g", leastAudioS, audioKeptS, seconds))
		}
	}
	m, err := s.recent(ctx, setup, channel, s.nameOf(setup, channel, r.Seat), seconds)
	if err != nil {
		return none(err)
	}
	if !r.Force {
		if err := m.wrong("what plays"); err != nil {
			return none(refuse(http.StatusConflict, "unsure", "%v", err))
		}
		a := &m.goals[0]
		if !a.known() {
			return none(refuse(http.StatusConflict, "unsure", "nothing that plays is heard after %.1f s: play louder, wait longer, or store it all the same with force", m.heardS()))
		}
		if m.done < goodPart {
			return none(refuse(http.StatusConflict, "unsure", "only %.0f %% of what it plays (%s) are within ±%g dB after %.1f s: wait longer, play louder, or store it all the same with force",
				100*m.done, bandWords(a.lowHz, a.highHz), m.goal.WithinDB, m.heardS()))
		}
	}
	settings := wire.TakeSettings{LevelDBFS: wire.Unknown(), Dialled: s.cfg.Dialled(0)}
	t := m.take(0, settings)
	for _, note := range []struct {
		ok   bool
		text string
	}{
		{!setup.Held, "the pages were held: this is what was heard when it was stored, not what they showed"},
		{m.heardS() > seconds-0.1, fmt.Sprintf("%.1f s of the %g s asked for: before that the sound was broken off", m.heardS(), seconds)},
	} {
		if !note.ok {
			t.Note = strings.TrimSuffix(note.text+"\n"+t.Note, "\n")
		}
	}
	return t, m.spectra(0), m.audioOf(0), nil
}

// settingsOf reads back what take wrote.
func settingsOf(t show.Take) (settings wire.TakeSettings) {
	if err := json.Unmarshal(t.Settings, &settings); err != nil {
		panic("survey: " + err.Error())
	}
	return settings
}

// goodPart of the band must be sure for a take by hand.
const goodPart = 0.95

// nameOf is the name of a seat in the open show; without one, that of the channel.
func (s *Surveyor) nameOf(setup Setup, channel int, seat int64) string {
	if x, err := s.cfg.Shelf.Current(); err == nil && seat != 0 {
		if all, err := x.Seats(); err == nil {
			if i := slices.IndexFunc(all, func(a show.Seat) bool { return a.ID == seat }); i >= 0 {
				return all[i].Name
			}
		}
	}
	return setup.Channels[channel-1]
}

// recent measures what was heard lately on a channel with that name.
func (s *Surveyor) recent(ctx context.Context, setup Setup, channel int, name string, seconds float64) (*measurement, error) {
	samples, err := s.cfg.Bench.Recent(ctx, seconds)
	if err != nil {
		return nil, err
	}
	if have := float64(len(samples)/len(setup.Channels)) / float64(setup.SampleRateHz); have < leastAudioS {
		return nil, refuse(http.StatusConflict, "too_short", "only %.1f s were heard since the last change: wait until it is %g s", have, leastAudioS)
	}
	m, err := newMeasurement(setup, []int{channel}, wire.DefaultGoal, nil)
	if err != nil {
		return nil, err
	}
	m.names = map[int]string{channel: name}
	m.hear(samples, false)
	if err := m.feed(m.inbox); err != nil {
		return nil, err
	}
	if m.est == nil { // no arrival in so little: measured without
		m.known = map[int]float64{channel: 0}
		if err := m.find(); err != nil {
			return nil, err
		}
	}
	m.judge("")
	return m, nil
}

// VerifyByHand stores what is heard now as both together with a plan dialled
// in, and compares it.
func (s *Surveyor) VerifyByHand(ctx context.Context, r wire.VerifyRequest, main, fill, by string) (wire.Survey, error) {
	x, err := s.cfg.Shelf.Current()
	if err != nil {
		return wire.Survey{}, err
	}
	setup := s.cfg.Bench.Setup()
	seats, err := r.Of(setup.Microphones)
	if err != nil {
		return wire.Survey{}, err
	}
	ids, err := x.LoudspeakerIDs([]string{main, fill})
	if err != nil {
		return wire.Survey{}, err
	}
	// It has the survey's turn: one that began meanwhile would be told over.
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	if !s.claim(stop) {
		return wire.Survey{}, errBusy
	}
	defer s.release()
	var proof wire.Verification
	stored := []int64{}
	for channel, seat := range seats {
		t, spectra, audio, err := s.Take(ctx, stream.TakeRequest{Microphone: channel, Seat: seat})
		if cause := context.Cause(ctx); cause != nil {
			return wire.Survey{}, refuse(http.StatusConflict, "stopped", "the plan was not verified: %v", cause)
		}
		if err != nil {
			return wire.Survey{}, err
		}
		settings := settingsOf(t)
		settings.Plan, settings.Dialled = r.Plan, s.cfg.Dialled(r.Plan)
		if t.Settings, err = json.Marshal(settings); err != nil {
			return wire.Survey{}, err
		}
		t.Name, t.Seat, t.Loudspeakers = main+" + "+fill, seat, ids
		t.Note = strings.TrimSuffix(fmt.Sprintf("verifies plan %d\n%s", r.Plan, t.Note), "\n")
		if t, err = x.AddTake(t, spectra, audio, by); err != nil {
			return wire.Survey{}, err
		}
		stored = append(stored, t.ID)
		if proof, err = s.cfg.Prove(r, seat, t.ID, by); err != nil {
			return wire.Survey{}, err
		}
	}
	return s.change(func(v *wire.Survey) {
		*v = wire.Survey{
			Revision: v.Revision, State: wire.SurveyDone, Purpose: wire.PurposeVerify, Seat: r.Seat, Main: main, Fill: fill, Playing: []string{},
			Step: 1, Steps: 1, Done: 1, LevelDBFS: wire.Unknown(), CapDBFS: wire.DefaultCapDBFS, Text: proof.Text, Takes: stored, Doubts: []wire.SeatDoubt{}, Verification: &proof, By: by,
		}
	}), nil
}
