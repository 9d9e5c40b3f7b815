package watching

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"plumbline/analyze/arrival"
	"plumbline/analyze/response"
	"plumbline/analyze/watch"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

const (
	// leastS is how much audio a baseline needs, leastAloneS a loudspeaker alone:
	// its response is all that is asked of it, so that it is repeated up to leastS.
	leastS, leastAloneS = 12, 4
	// addsUp is how much of the energy of a baseline its loudspeakers alone may fail
	// to explain before they were not the same then.
	addsUp = 0.1
)

func refuse(code, format string, args ...any) error {
	return &wire.Error{Code: code, Text: fmt.Sprintf(format, args...)}
}

// StartWatch implements stream.WatchOperator.
func (w *Watcher) StartWatch(_ context.Context, r wire.WatchRequest, by string) (wire.Watches, error) {
	x, err := w.cfg.Shelf.Current()
	if err != nil {
		return wire.Watches{}, err
	}
	take, err := x.Take(r.Take)
	if err != nil {
		return wire.Watches{}, err
	}
	if err := w.check(r, &take); err != nil {
		return wire.Watches{}, err
	}
	s := newSession(x, take, r.Microphone, by)
	if err := w.start(s); err != nil {
		return wire.Watches{}, err
	}
	err = w.keep(x, put(kept{r.Microphone, r.Take, w.cfg.Source}), fmt.Sprintf("microphone %d is watched, against take %d", r.Microphone, r.Take), by)
	if err != nil {
		return wire.Watches{}, &wire.Error{Code: "not_kept", Text: fmt.Sprintf("microphone %d is watched, but will not be after a restart: %v", r.Microphone, err), Status: http.StatusInsufficientStorage}
	}
	return w.Watches(), nil
}

// start hands a session to the learner.
func (w *Watcher) start(s *session) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		return &wire.Error{Code: "ending", Text: "plumbline is ending: start it again", Status: http.StatusServiceUnavailable}
	}
	select {
	case w.jobs <- s:
	default:
		return &wire.Error{Code: "busy", Text: "other baselines are being learnt: try again in some seconds", Status: http.StatusConflict}
	}
	w.add(s)
	w.publish()
	return nil
}

// check refuses a take that says nothing about what is measured now.
func (w *Watcher) check(r wire.WatchRequest, t *show.Take) error {
	again := "let everything play, and take the baseline anew"
	switch {
	case r.Microphone < 1 || r.Microphone > w.cfg.Channels:
		return refuse("microphone", "there is no channel %d: choose one of the %d that are captured", r.Microphone, w.cfg.Channels)
	case t.Audio.SampleRateHz == 0 || len(t.Audio.Channels) < 2:
		return refuse("no_audio", "take %d was stored without audio, from which a baseline is learnt: %s", t.ID, again)
	case t.Audio.SampleRateHz != w.cfg.SampleRateHz:
		return refuse("rate", "take %d was made at %d Hz, and %d Hz are measured now: %s", t.ID, t.Audio.SampleRateHz, w.cfg.SampleRateHz, again)
	case t.Reference < 1 || t.Reference > w.cfg.Channels || t.Reference == r.Microphone:
		return refuse("reference", "take %d has channel %d for its reference, which cannot be compared with microphone %d: %s", t.ID, t.Reference, r.Microphone, again)
	case t.Microphone != r.Microphone:
		return refuse("microphone", "take %d was made with microphone %d, not %d: choose one of this microphone, or %s", t.ID, t.Microphone, r.Microphone, again)
	case seconds(t) < leastS:
		return refuse("too_short", "take %d holds %.1f s of audio, and a baseline needs %d s: %s", t.ID, seconds(t), leastS, again)
	}
	return nil
}

func seconds(t *show.Take) float64 { return float64(t.Audio.Frames) / float64(t.Audio.SampleRateHz) }

// learn makes the watch of a session, on the learner's goroutine, unless ctx ends.
func (w *Watcher) learn(ctx context.Context, s *session) {
	b, parts, err := w.baseline(ctx, s.show, &s.take)
	if ctx.Err() != nil {
		return // it is learnt anew after the restart
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if !slices.Contains(w.sessions, s) {
		return // stopped meanwhile
	}
	if err != nil {
		s.view.State, s.view.Mark, s.view.Certainty = wire.WatchFailed, wire.Attention, wire.CannotTell
		s.view.Text = fmt.Sprintf("Take %d is no baseline: %v.", s.take.ID, err)
		w.cfg.Logger.Warn("baseline", "take", s.take.ID, "err", err)
	} else {
		s.view.State, s.view.Loudspeakers = wire.WatchListens, parts
		s.watch = watch.New(b)
		s.healthy = time.Now()
		s.heard = s.healthy
		s.view.Since = stamp(s.healthy)
		s.complete = len(s.playing) > 0 && len(w.added(s)) == 0
		w.hold(s)
	}
	w.publish()
}

func (w *Watcher) baseline(ctx context.Context, x *show.Show, t *show.Take) (*watch.Baseline, []wire.WatchedPart, error) {
	ref, mic, err := audioOf(x, t)
	if err != nil {
		return nil, nil, err
	}
	speakers, parts, err := alone(x, t)
	if err != nil {
		return nil, nil, err
	}
	if speakers == nil {
		if speakers, parts, err = arrivals(x, t, ref, mic); err != nil {
			return nil, nil, err
		}
	}
	b, err := watch.Learn(watch.Config{SampleRateHz: float64(w.cfg.SampleRateHz), TemperatureC: t.TemperatureC, Stop: func() bool { return ctx.Err() != nil }}, ref, mic, speakers)
	return b, parts, err
}

// audioOf reads the reference and the microphone of a take.
func audioOf(x *show.Show, t *show.Take) (ref, mic []float64, err error) {
	a, err := x.TakeAudio(t.ID)
	if err != nil {
		return nil, nil, err
	}
	if a == nil {
		return nil, nil, fmt.Errorf("take %d holds no audio", t.ID)
	}
	channel := func(c int) ([]float64, error) {
		i := slices.Index(a.Channels, c)
		if i < 0 {
			return nil, fmt.Errorf("its audio lacks channel %d", c)
		}
		out := make([]float64, 0, len(a.Samples)/len(a.Channels))
		for k := i; k < len(a.Samples); k += len(a.Channels) {
			out = append(out, float64(a.Samples[k]))
		}
		return out, nil
	}
	if ref, err = channel(t.Reference); err != nil {
		return nil, nil, err
	}
	mic, err = channel(t.Microphone)
	return ref, mic, err
}

// alone finds the newest take of each of the baseline's loudspeakers by itself
// at the same place; nil: they do not all have one, or do not add up to the baseline.
func alone(x *show.Show, t *show.Take) ([]watch.Loudspeaker, []wire.WatchedPart, error) {
	if len(t.Loudspeakers) < 2 || t.Seat == 0 {
		return nil, nil, nil
	}
	names, err := namesOf(x)
	if err != nil {
		return nil, nil, err
	}
	takes, err := x.Takes(show.Filter{Seat: t.Seat})
	if err != nil {
		return nil, nil, err
	}
	var solo []show.Take
	for _, id := range t.Loudspeakers {
		i := len(takes) - 1
		for ; i >= 0; i-- {
			c := &takes[i]
			if slices.Equal(c.Loudspeakers, []int64{id}) && c.Reference == t.Reference && c.Microphone == t.Microphone &&
				c.Audio.SampleRateHz == t.Audio.SampleRateHz && seconds(c) >= leastAloneS && sameDial(c, t, names[id]) {
				break
			}
		}
		if i < 0 {
			return nil, nil, nil
		}
		solo = append(solo, takes[i])
	}
	if ok, err := addUp(x, t, solo); err != nil || !ok {
		return nil, nil, err
	}
	var speakers []watch.Loudspeaker
	var parts []wire.WatchedPart
	for i := range solo {
		c := &solo[i]
		ref, mic, err := audioOf(x, c)
		if err != nil {
			return nil, nil, err
		}
		name := names[c.Loudspeakers[0]]
		// Each repetition has a seam, one window in dozens.
		whole := len(ref)
		for len(ref) < (leastS+2)*c.Audio.SampleRateHz {
			ref, mic = append(ref, ref[:whole]...), append(mic, mic[:whole]...)
		}
		speakers = append(speakers, watch.Loudspeaker{Name: name, DelayS: c.DelayMs / 1000, ElectricalS: electricalS(c, name), Ref: ref, Mic: mic})
		parts = append(parts, wire.WatchedPart{Name: name, Take: c.ID, DelayMs: wire.Value(c.DelayMs)})
	}
	return speakers, parts, nil
}

func namesOf(x *show.Show) (map[int64]string, error) {
	list, err := x.Loudspeakers()
	names := map[int64]string{}
	for _, l := range list {
		names[l.ID] = l.Name
	}
	return names, err
}

// sameDial: nothing is known to have been set otherwise for a loudspeaker
// between two takes.
func sameDial(a, b *show.Take, name string) bool {
	x, known := dial(a, name)
	y, too := dial(b, name)
	return !known || !too || x.Polarity == y.Polarity && math.Abs(x.DelayMs-y.DelayMs) < 0.001 && math.Abs(x.GainDB-y.GainDB) < 0.01
}

// dial is what was set for a loudspeaker in a take; false: that is not known.
func dial(t *show.Take, name string) (wire.Dial, bool) {
	var s wire.TakeSettings
	if json.Unmarshal(t.Settings, &s) != nil {
		return wire.Dial{}, false // an import has other ones
	}
	d, ok := s.Dialled[name]
	return d, ok
}

// electricalS is how much of the delay of a loudspeaker's take a processor makes,
// as far as is known.
func electricalS(t *show.Take, name string) float64 {
	d, _ := dial(t, name)
	return min(max(d.DelayMs, 0), t.DelayMs) / 1000
}

// addUp tells whether the responses of loudspeakers alone add up to that of
// the baseline, by energy where it is trusted.
func addUp(x *show.Show, t *show.Take, solo []show.Take) (bool, error) {
	var whole response.Spectra
	if err := x.Spectra(t.ID, &whole); err != nil {
		return false, err
	}
	rest := make([]complex128, len(whole.FrequencyHz))
	energy := make([]float64, len(rest))
	for k := range rest {
		if whole.Coherence(k) > 0.5 {
			rest[k] = whole.Path(k)
			energy[k] = sqr(rest[k])
		}
	}
	for i := range solo {
		var s response.Spectra
		if err := x.Spectra(solo[i].ID, &s); err != nil {
			return false, err
		}
		if !slices.Equal(s.FrequencyHz, whole.FrequencyHz) {
			return false, nil
		}
		for k := range rest {
			if energy[k] > 0 && s.Gxx[k] > 0 {
				rest[k] -= s.Path(k)
			}
		}
	}
	left, all := 0.0, 0.0
	for k, hz := range whole.FrequencyHz {
		if energy[k] > 0 && hz > 100 && hz < 8000 {
			// Points are dense as 1/f: equal weight to each octave.
			left, all = left+min(sqr(rest[k])/energy[k], 1), all+1
		}
	}
	return all > 0 && left < addsUp*all, nil
}

func sqr(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// arrivals are the parts of a baseline whose loudspeakers were not taken alone.
func arrivals(x *show.Show, t *show.Take, ref, mic []float64) ([]watch.Loudspeaker, []wire.WatchedPart, error) {
	names, err := namesOf(x)
	if err != nil {
		return nil, nil, err
	}
	if len(t.Loudspeakers) == 1 && names[t.Loudspeakers[0]] != "" {
		name := names[t.Loudspeakers[0]]
		return []watch.Loudspeaker{{Name: name, DelayS: t.DelayMs / 1000, ElectricalS: electricalS(t, name)}}, []wire.WatchedPart{{Name: name, DelayMs: wire.Value(t.DelayMs)}}, nil
	}
	f, err := arrival.NewFinder(arrival.Config{SampleRateHz: float64(t.Audio.SampleRateHz)})
	if err != nil {
		return nil, nil, err
	}
	f.Feed(ref, mic)
	list, reason := f.Find(nil)
	if len(list) == 0 {
		return nil, nil, fmt.Errorf("no arrival can be told in it: %s", reason)
	}
	var speakers []watch.Loudspeaker
	var parts []wire.WatchedPart
	for _, a := range list {
		name := fmt.Sprintf("arrival at %.1f ms", a.DelayMs)
		speakers = append(speakers, watch.Loudspeaker{Name: name, DelayS: a.DelayMs / 1000})
		parts = append(parts, wire.WatchedPart{Name: name, DelayMs: wire.Value(math.Round(a.DelayMs*1000) / 1000)})
	}
	return speakers, parts, nil
}
