package stream

import (
	"plumbline/analyze"
	"plumbline/analyze/setting"
	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

// judge pins the verdicts whose meaning changed. It belongs to the pump's
// goroutine and allocates only when one did.
func (s *Server) judge(f *analyze.Frame) {
	state := &s.board.Load().state.state
	settings := state.Settings
	opts := verdict.Options{
		TemperatureC: settings.TemperatureC,
		Grows:        settings.Averaging.Mode == setting.AverageInfinite || settings.Averaging.Mode == setting.AverageUntil,
		Names:        state.Source.Channels,
	}
	changed := s.stale.Swap(false)
	if len(s.keepers) != len(f.Microphones) {
		s.keepers = make([]*verdict.Keeper, len(f.Microphones))
		for i := range s.keepers {
			s.keepers[i] = new(verdict.Keeper)
		}
	}
	for i, k := range s.keepers {
		if k.Update(f, i, opts) {
			changed = true
		}
	}
	if !changed {
		return
	}
	old := s.board.Load().verdicts
	docs := make([]*verdictDoc, len(s.keepers))
	for i, k := range s.keepers {
		v := message(k.Sentence(), f.Microphones[i].Channel)
		v.DelayReason, v.PolarityReason = k.Reasons()
		for _, c := range k.Cautions() {
			v.Cautions = append(v.Cautions, wire.Caution{Code: string(c.Code), Text: c.Text()})
		}
		docs[i] = newVerdictDoc(v)
		// An unchanged one keeps its pointer, so that it is not sent again.
		if i < len(old) && string(old[i].data) == string(docs[i].data) {
			docs[i] = old[i]
		}
	}
	s.pin(func(b *board) { b.verdicts = docs })
}

// pinSentence says the same of every microphone.
func (s *Server) pinSentence(sentence verdict.Sentence) {
	s.pin(func(b *board) {
		channels := b.state.state.Settings.Microphones
		b.verdicts = make([]*verdictDoc, len(channels))
		for i, c := range channels {
			v := message(sentence, c)
			v.DelayReason = sentence.Text()
			b.verdicts[i] = newVerdictDoc(v)
		}
	})
}

func message(s verdict.Sentence, channel int) wire.Verdict {
	return wire.Verdict{
		Type:       wire.TypeVerdict,
		Microphone: channel,
		Headline:   s.Headline,
		Text:       s.Text(),
		Parts:      s.Parts,
		Certainty:  s.Certainty,
		Mark:       s.Mark,
		Cautions:   []wire.Caution{},
	}
}

func newVerdictDoc(v wire.Verdict) *verdictDoc { return &verdictDoc{v, encode(v)} }
