package levels

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"plumbline/analyze/exposure"
	"plumbline/analyze/level"
	"plumbline/analyze/setting"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// limit is what is followed; Profile is an ID, empty for none.
type limit struct {
	Profile      string  `json:"profile"`
	CorrectionDB float64 `json:"correction_db"`
	ChangedBy    string  `json:"changed_by"`
}

const settingKey = "limit"

// A limit is near when it will be crossed so soon, or so much of it is used.
const (
	nearS    = 600
	nearUsed = 0.8
)

// Limits implements stream.LevelOperator.
func (l *Levels) Limits() wire.Limits {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := wire.Limits{Profile: l.limit.Profile, CorrectionDB: l.limit.CorrectionDB, ChangedBy: l.limit.ChangedBy, Caution: wire.LimitCaution}
	for _, p := range l.profiles() {
		x := wire.LimitProfile{ID: p.ID, Name: p.Name, Source: p.Source, Note: p.Note, Quantity: string(p.Quantity),
			LimitDB: wire.Value(p.LimitDB), OverS: wire.Value(p.OverS), Sliding: p.Sliding, ExchangeDB: wire.Unknown(), PeakDB: wire.Unknown(), Own: p.Source == ownSource}
		if !p.Sliding {
			x.ExchangeDB = wire.Value(p.ExchangeDB)
		}
		if p.PeakDB > 0 {
			x.PeakDB = wire.Value(p.PeakDB)
		}
		v.Profiles = append(v.Profiles, x)
	}
	return v
}

// ChangeLimits implements stream.LevelOperator.
func (l *Levels) ChangeLimits(_ context.Context, p wire.LimitsPatch, by string) (wire.Limits, error) {
	l.choosing.Lock()
	defer l.choosing.Unlock()
	return l.changeLimits(p, by)
}

// changeLimits is ChangeLimits; choosing is held.
func (l *Levels) changeLimits(p wire.LimitsPatch, by string) (wire.Limits, error) {
	l.mu.Lock()
	next := l.limit
	l.mu.Unlock()
	if p.Profile != nil {
		next.Profile = *p.Profile
	}
	if p.CorrectionDB != nil {
		next.CorrectionDB = *p.CorrectionDB
	}
	if err := setting.CheckCorrection(next.CorrectionDB); err != nil {
		return wire.Limits{}, wire.Refused(err)
	}
	next.ChangedBy = by
	text := "no limit is followed"
	if next.Profile != "" {
		l.mu.Lock()
		profile, ok := l.lookup(next.Profile)
		l.mu.Unlock()
		if !ok {
			return wire.Limits{}, &wire.Error{Code: "profile", Text: fmt.Sprintf("there is no limit called %q: choose one of GET /api/v1/limits, or none", next.Profile)}
		}
		if _, err := exposure.NewTracker(exposure.Config{Profile: profile, CorrectionDB: next.CorrectionDB}); err != nil {
			return wire.Limits{}, &wire.Error{Code: "correction_db", Text: err.Error(), Cause: err}
		}
		text = fmt.Sprintf("the limit of %s is followed, with a correction of %+.1f dB", profile.Name, next.CorrectionDB)
	}
	if x, ok := l.show(); ok {
		if err := x.PutSetting(settingKey, next, text, by); err != nil {
			return wire.Limits{}, err
		}
	}
	l.mu.Lock()
	l.limit = next
	l.mu.Unlock()
	l.rebudget(true)
	l.mu.Lock()
	l.publish()
	l.mu.Unlock()
	return l.Limits(), nil
}

func (l *Levels) show() (*show.Show, bool) {
	if l.cfg.Shelf == nil {
		return nil, false
	}
	x, err := l.cfg.Shelf.Current()
	return x, err == nil
}

// restoreLimit takes up what the open show says.
func (l *Levels) restoreLimit() {
	x, ok := l.show()
	if !ok {
		return
	}
	l.mu.Lock()
	kept, own := l.limit, slices.Clone(l.own)
	l.mu.Unlock()
	if err := x.Setting(ownKey, &own); err != nil {
		l.cfg.Logger.Warn("limits entered in the show", "err", err)
	}
	if err := x.Setting(settingKey, &kept); err != nil {
		l.cfg.Logger.Warn("limit of the show", "err", err)
		return
	}
	l.mu.Lock()
	before := l.own
	l.own = readable(own)
	if _, known := l.lookup(kept.Profile); (known || kept.Profile == "") && setting.CheckCorrection(kept.CorrectionDB) == nil {
		l.limit = kept
	} else if _, known := l.lookup(l.limit.Profile); !known && l.limit.Profile != "" {
		l.own = before // that one goes on
	}
	l.mu.Unlock()
	l.rebudget(true)
}

// day is how far back a dose is reckoned.
const day = 24 * time.Hour

// rebudget reckons anew, of all microphones or of those that have just been
// chosen, from the log as far as it goes back: since the last reset, for a dose
// at most a day. Rows that were on their way to the disk, and those that came meanwhile,
// count as well.
func (l *Levels) rebudget(all bool) {
	l.mu.Lock()
	chosen := l.limit
	profile, ok := l.lookup(chosen.Profile)
	unwritten, reset := l.log.pending(), l.resetMs
	var channels []int
	before := map[int]uint64{}
	for _, in := range l.inputs {
		if all || in.limit == nil {
			channels = append(channels, in.channel)
			before[in.channel] = in.rows
		}
	}
	l.mu.Unlock()
	budgets := map[int]*budget{}
	for _, channel := range channels {
		if !ok {
			break
		}
		t, err := exposure.NewTracker(exposure.Config{Profile: profile, CorrectionDB: chosen.CorrectionDB})
		if err != nil {
			l.cfg.Logger.Error("limit", "err", err)
			break
		}
		b := &budget{Tracker: t, profile: profile, resetMs: reset}
		if x, open := l.show(); open {
			if err := b.replay(x, channel, l.wallNow()); err != nil {
				l.cfg.Logger.Warn("budget from the log", "err", err)
				t.Reset()
			}
		}
		budgets[channel] = b
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.limit != chosen {
		return // somebody was faster
	}
	for _, in := range l.inputs {
		if !all && !slices.Contains(channels, in.channel) {
			continue
		}
		if in.limit = nil; budgets[in.channel] != nil {
			b := budgets[in.channel]
			for _, r := range unwritten {
				if r.Microphone == in.channel {
					b.add(&r)
				}
			}
			for _, r := range in.recent[len(in.recent)-int(min(in.rows-before[in.channel], uint64(len(in.recent)))):] {
				b.add(&r)
			}
			b.until(l.wallNow().UnixMilli())
			in.limit = b.Tracker
		}
		in.crossed = in.limit != nil && crossed(in.limit.Status())
	}
}

// remember keeps a row for a budget that is being reckoned.
func (in *input) remember(r *show.LevelRow) {
	if in.rows++; len(in.recent) == recentMost {
		in.recent = append(in.recent[:0], in.recent[1:]...)
	}
	in.recent = append(in.recent, *r)
}

func (l *Levels) wallNow() time.Time {
	wall, _ := l.cfg.Now()
	return wall
}

// budget is a tracker that is being fed with the rows of the log, in order.
type budget struct {
	*exposure.Tracker
	profile exposure.Profile
	lastMs  int64 // of the last row that counts; 0: none does
	resetMs int64 // of a reset that may be on its way to the disk as well
}

// replay counts what the log holds.
func (b *budget) replay(x *show.Show, channel int, now time.Time) error {
	from := now.Add(-day).UnixMilli()
	if b.profile.Sliding {
		from = now.UnixMilli() - int64(b.profile.OverS*1000)
	}
	reset, err := x.LastLevelMark(wire.MarkReset)
	if err != nil {
		return err
	}
	return x.EachLevel(channel, max(from, reset), now.UnixMilli(), b.add)
}

// add counts a row that is later than the ones before.
func (b *budget) add(r *show.LevelRow) {
	if math.IsNaN(r.OffsetDB) || r.AtMs <= max(b.lastMs, b.resetMs) {
		return
	}
	b.until(r.AtMs)
	leq := r.LAeqDB
	if b.profile.Quantity == exposure.LCeq {
		leq = r.LCeqDB
	}
	b.Add(leq+r.OffsetDB, r.LCPeakDB+r.OffsetDB)
	b.lastMs = r.AtMs
}

// until counts the seconds that are missing as unknown.
func (b *budget) until(ms int64) {
	for ; b.lastMs != 0 && ms-b.lastMs > 1500; b.lastMs += 1000 {
		b.Add(nan, nan)
	}
}

// follow counts the second that is over, and says when the limit is crossed.
func (l *Levels) follow(in *input, wall time.Time) {
	if in.limit == nil || math.IsNaN(in.offset) {
		return
	}
	profile, _ := l.lookup(l.limit.Profile)
	in.limit.Add(quantity(profile, &in.last)+in.offset, in.last.LCPeakDB+in.offset)
	s := in.limit.Status()
	if crossed(s) && !in.crossed {
		v := standingOf(profile, s)
		at := stamp(wall)
		l.cfg.Crossed(wire.Event{
			At: at, OnsetAt: at, Microphone: in.channel, WatchChange: wire.WatchChange{Kind: "limit crossed", What: profile.Name,
				LowHz: wire.Unknown(), HighHz: wire.Unknown(), ChangeDB: wire.Unknown(), ShiftMs: wire.Unknown()},
			Confidence: 1, Certainty: wire.Sure, Mark: wire.Act, Text: v.Text + " " + wire.LimitCaution,
		}, l.sample)
	}
	in.crossed = crossed(s)
}

func crossed(s exposure.Status) bool { return s.Exceeded || s.PeakExceeded }

func quantity(p exposure.Profile, r *level.Reading) float64 {
	if p.Quantity == exposure.LCeq {
		return r.LCeqDB
	}
	return r.LAeqDB
}

// standing is where a microphone stands; nil: no limit is followed.
func (l *Levels) standing(in *input) *wire.LimitStatus {
	profile, ok := l.lookup(l.limit.Profile)
	if !ok || in.limit == nil {
		return nil
	}
	v := standingOf(profile, in.limit.Status())
	switch {
	case math.IsNaN(in.offset):
		v.State, v.Mark = wire.LimitUnknown, wire.Attention
		v.Text = fmt.Sprintf("Microphone %d is not calibrated, so its level cannot be held against %s: calibrate it.", in.channel, profile.Name)
	case float64(v.ElapsedS) == 0:
		v.State, v.Mark, v.Text = wire.LimitUnknown, wire.Steady, "Nothing has been measured yet."
	}
	return &v
}

func standingOf(p exposure.Profile, s exposure.Status) wire.LimitStatus {
	v := wire.LimitStatus{
		Profile: p.ID, LevelDB: wire.Value(s.LevelDB), LimitDB: wire.Value(p.LimitDB), Used: wire.Value(s.Used), PaceDB: wire.Value(s.PaceDB),
		CrossedInS: wire.Value(s.CrossedInS), PeakDB: wire.Value(s.PeakDB), PeakCrossed: s.PeakExceeded,
		CorrectionDB: wire.Value(s.CorrectionDB), ElapsedS: wire.Value(s.ElapsedS),
	}
	switch {
	case crossed(s):
		v.State, v.Mark = wire.LimitCrossed, wire.Act
	case s.CrossedInS <= nearS || s.Used >= nearUsed:
		v.State, v.Mark = wire.LimitNear, wire.Attention
	default:
		v.State, v.Mark = wire.LimitInside, wire.Steady
	}
	v.Text = limitSentence(p, s)
	return v
}

func limitSentence(p exposure.Profile, s exposure.Status) string {
	var text string
	over := durationWords(p.OverS)
	sliding := over
	if s.ElapsedS < p.OverS {
		sliding = "the " + durationWords(s.ElapsedS) + " so far"
	}
	switch {
	case s.PeakExceeded && !s.Exceeded:
		text = fmt.Sprintf("A peak of %.1f dB(C) was above the %.0f dB(C) of %s", s.PeakDB, p.PeakDB, p.Name)
	case p.Sliding && s.Exceeded:
		text = fmt.Sprintf("The limit of %s is crossed: %s over %s is %.1f dB, the limit %.0f dB", p.Name, p.Quantity, sliding, s.LevelDB, p.LimitDB)
	case p.Sliding:
		text = fmt.Sprintf("%s over %s is %.1f dB, the limit of %s is %.0f dB", p.Quantity, sliding, s.LevelDB, p.Name, p.LimitDB)
	case s.Exceeded:
		text = fmt.Sprintf("The limit of %s is crossed: the budget of %.0f dB over %s is used %.0f %%", p.Name, p.LimitDB, over, 100*s.Used)
	default:
		text = fmt.Sprintf("%.0f %% of the budget of %s is used (%.0f dB over %s)", 100*s.Used, p.Name, p.LimitDB, over)
	}
	if s.CorrectionDB != 0 {
		text += fmt.Sprintf(", with %+.1f dB for the loudest place", s.CorrectionDB)
	}
	text += "."
	switch {
	case crossed(s):
	case math.IsInf(s.CrossedInS, 1):
		text += " At this pace it is not crossed."
	case s.CrossedInS > 0:
		text += fmt.Sprintf(" At this pace it is crossed in %s.", durationWords(s.CrossedInS))
	}
	return text
}

func durationWords(s float64) string {
	switch {
	case s < 90:
		return fmt.Sprintf("%.0f s", s)
	case s < 5400:
		return fmt.Sprintf("%.0f min", s/60)
	case s < 36*3600:
		return fmt.Sprintf("%.0f h", s/3600)
	}
	return "more than a day"
}
