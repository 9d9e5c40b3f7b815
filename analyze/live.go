package analyze

import (
	"errors"
	"math"
	"slices"

	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/crosstalk"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
	"plumbline/analyze/setting"
	"plumbline/analyze/stationarity"
)

// LiveConfig sets up a Live.
type LiveConfig struct {
	SampleRateHz float64 // 44100…192000
	Channels     int     // interleaved in every block
	HistoryS     float64 // audio kept for later use; 0 is 60 s
	// History is that of a Live that this one follows on: what was heard before
	// the channels were changed is kept. nil begins a new one.
	History  *History
	Epoch    uint32 // of the first frame; a Live that follows on another takes up its count
	Settings setting.Settings
}

// Live eats interleaved blocks and yields frames. One goroutine owns it. Feed,
// Gap and Frame do not allocate once every microphone has been heard.
//
// The path of a block:
//
//	block ─► meters ─► history
//	      └► Estimator (spectra, at the delay found) ─┐
//	      └► Follower (arrivals, delay) ──────────────┴► Frame
type Live struct {
	cfg       LiveConfig
	settings  setting.Settings
	estimator *response.Estimator
	impulse   *response.Impulse
	history   *History
	ref       meter
	mics      []microphone
	frame     Frame

	scratch [][]float64 // reference, then microphones: one block, planar
	feed    [][]float64 // microphones of scratch, cut to the block
	turn    int         // whose slow results are next
	doubts  *doubts
	clean   [2][]float64 // reference and a microphone without what leaks
}

// microphone is what Live keeps for one microphone.
type microphone struct {
	meter    meter
	follower *arrival.Follower
	monitor  stationarity.Monitor
	changes  uint64 // of the follower, as far as the averages know of them
	spectra  response.Spectra
	smooth   response.Spectra
	leak     crosstalk.Leak // which the follower does not hear
}

// blockFrames is how many frames are taken apart at a time.
const blockFrames = 1024

// lookBackS is how much of the newest sound the averages can begin anew with: a
// change has been heard for about a quarter of a second when it is found.
const lookBackS = 0.5

// deadband is by how much of its standard deviation the delay found must move before
// the compensation, which is what is shown, follows. Of that the delay's error grows
// by a hundredth: an even spread of ±1/4 has a standard deviation of 0.14.
const deadband = 0.25

// NewLive checks cfg.
func NewLive(cfg LiveConfig) (*Live, error) {
	if cfg.HistoryS == 0 {
		cfg.HistoryS = 60
	}
	if err := cfg.Settings.Check(cfg.Channels); err != nil {
		return nil, err
	}
	m := len(cfg.Settings.Microphones)
	l := &Live{
		cfg:      cfg,
		settings: cfg.Settings,
		history:  cfg.History,
		mics:     make([]microphone, m),
		scratch:  make([][]float64, m+1),
		feed:     make([][]float64, m),
	}
	if l.history == nil {
		l.history = NewHistory(cfg.Channels, int(cfg.HistoryS*cfg.SampleRateHz))
	}
	for i := range l.scratch {
		l.scratch[i] = make([]float64, blockFrames)
	}
	search := arrival.Config{SampleRateHz: cfg.SampleRateHz}
	l.doubts = newDoubts(cfg.SampleRateHz)
	for i := range l.clean {
		l.clean[i] = make([]float64, blockFrames)
	}
	workspace, err := arrival.NewWorkspace(search)
	if err != nil {
		return nil, err
	}
	search.Workspace = workspace
	for i := range l.mics {
		search.Stagger = float64(i) / float64(m)
		f, err := arrival.NewFollower(search)
		if err != nil {
			return nil, err
		}
		l.mics[i].follower = f
	}
	if l.impulse, err = response.NewImpulse(response.ImpulseConfig{SampleRateHz: cfg.SampleRateHz}); err != nil {
		return nil, err
	}
	l.frame = Frame{
		SampleRateHz: cfg.SampleRateHz,
		Epoch:        max(cfg.Epoch, 1),
		Reference:    silent(cfg.Settings.Reference),
		Microphones:  make([]Microphone, m),
	}
	for i := range l.frame.Microphones {
		f := &l.frame.Microphones[i]
		f.Input = silent(cfg.Settings.Microphones[i])
		f.DelayMs, f.DelaySDMs = math.NaN(), math.NaN()
		f.Polarity.Reason = "nothing was measured yet"
	}
	if err := l.Set(cfg.Settings); err != nil {
		return nil, err
	}
	return l, nil
}

func silent(channel int) Input {
	return Input{Channel: channel, PeakDBFS: math.Inf(-1), RMSDBFS: math.Inf(-1)}
}

// Settings are those in force; not to be changed.
func (l *Live) Settings() setting.Settings { return l.settings }

// History is the audio of the last minute.
func (l *Live) History() *History { return l.history }

// Set puts new settings in force. Averages that remain valid are kept; a new
// window starts a new epoch, and other channels need a Live of their own. After an
// error the old settings are in force; of one that setting refuses it is an
// *setting.Error.
func (l *Live) Set(s setting.Settings) error {
	if err := s.Check(l.cfg.Channels); err != nil {
		return err
	}
	old := l.settings
	if s.Reference != old.Reference || !slices.Equal(s.Microphones, old.Microphones) {
		return errChannels
	}
	switch {
	case l.estimator == nil || s.Window != old.Window:
		e, err := response.NewEstimator(response.Config{
			SampleRateHz: l.cfg.SampleRateHz,
			Microphones:  len(l.mics),
			Window:       int(s.Window),
			Averaging:    averaging(s.Averaging),
			LookBackS:    lookBackS,
		})
		if err != nil {
			return err
		}
		if l.estimator != nil {
			for i := range l.mics {
				if err := e.SetDelay(i, l.estimator.DelayS(i)); err != nil {
					return err
				}
			}
			l.frame.Epoch++
		}
		l.estimator = e
	case averaging(s.Averaging) != averaging(old.Averaging):
		if err := l.estimator.SetAveraging(averaging(s.Averaging)); err != nil {
			return err
		}
	}
	if a := s.Averaging; a.Mode == setting.AverageUntil && !sameGoal(a, old.Averaging) {
		l.estimator.Reset() // a measurement with an end has a beginning
	}
	if old.Hold && !s.Hold {
		l.breakOff() // nothing was fed meanwhile
	}
	l.settings = s.Clone()
	for i := range l.mics {
		if d := l.delay(i); d.Fixed() {
			if err := l.estimator.SetDelaySince(i, d.Ms/1000, l.mics[i].follower.SettledS()); err != nil {
				return err
			}
		}
	}
	return nil
}

var errChannels = errors.New("other channels need an analysis of their own")

// delay is the setting of one microphone.
func (l *Live) delay(mic int) setting.Delay { return l.settings.DelayOf(l.settings.Microphones[mic]) }

// sameGoal says that two measure until the same is reached.
func sameGoal(a, b setting.Averaging) bool {
	return a.Mode == b.Mode && a.WithinDB == b.WithinDB && a.LowHz == b.LowHz && a.HighHz == b.HighHz
}

// averaging is what the estimator is asked to do. What another mode needs counts for
// nothing, so that it may change meanwhile.
func averaging(a setting.Averaging) response.Averaging {
	switch a.Mode {
	case setting.AverageCount:
		return response.Averaging{Mode: response.Count, Count: a.Count}
	case setting.AverageTime:
		return response.Averaging{Mode: response.Exponential, TimeConstantS: a.Seconds}
	}
	return response.Averaging{Mode: response.Infinite}
}

// Reset starts all averages, searches and clip counts anew.
func (l *Live) Reset() {
	l.estimator.Reset()
	l.ref.clipped = 0
	for i := range l.mics {
		l.mics[i].follower.Reset()
		l.mics[i].monitor.Reset()
		l.mics[i].meter.clipped = 0
	}
}

// Gap says that samples are missing in front of the next block: lost of them
// as far as it is known. Windows that span it are left out.
func (l *Live) Gap(lost uint64) {
	l.history.Gap(lost)
	l.frame.Gaps++
	l.ref.rail.Break()
	for i := range l.mics {
		l.mics[i].meter.rail.Break()
	}
	l.breakOff()
}

// Changed says that what is measured was changed on purpose in front of the
// next block: nothing is missing, so that late arrivals are still found in the
// reference of before, but averages from before are worth nothing.
func (l *Live) Changed() {
	l.history.Gap(0)
	l.doubts.done = 0
	l.doubts.begin(l, l.doubts.looksAt)
	if l.settings.Hold {
		return
	}
	for i := range l.mics {
		l.mics[i].follower.Changed()
		l.mics[i].monitor.Reset()
		l.estimator.Restart(i, 0)
	}
}

func (l *Live) breakOff() {
	l.estimator.Break()
	for i := range l.mics {
		l.mics[i].follower.Break()
	}
}

// Feed takes the next whole frames, interleaved.
func (l *Live) Feed(block []float32) {
	l.history.Write(block)
	for step := blockFrames * l.cfg.Channels; len(block) > 0; {
		n := min(step, len(block))
		l.feedSome(block[:n])
		block = block[n:]
	}
}

func (l *Live) feedSome(block []float32) {
	n := len(block) / l.cfg.Channels
	ref := l.scratch[0][:n]
	pick(ref, block, l.settings.Reference-1, l.cfg.Channels)
	l.ref.add(ref)
	for i, c := range l.settings.Microphones {
		mic := l.scratch[i+1][:n]
		pick(mic, block, c-1, l.cfg.Channels)
		l.mics[i].meter.add(mic)
		l.feed[i] = mic
	}
	if l.settings.Hold {
		return
	}
	l.estimator.Feed(ref, l.feed)
	for i := range l.mics {
		m := &l.mics[i]
		if m.leak.Into == crosstalk.None {
			m.follower.Feed(ref, l.feed[i])
			continue
		}
		x, y := append(l.clean[0][:0], ref...), append(l.clean[1][:0], l.feed[i]...)
		m.leak.Take(x, y)
		m.follower.Feed(x, y)
	}
}

// pick takes one channel out of an interleaved block.
func pick(dst []float64, block []float32, channel, channels int) {
	for i := range dst {
		dst[i] = float64(block[channel])
		channel += channels
	}
}

// Spectra fills dst with the unsmoothed averages of one microphone (from 0).
func (l *Live) Spectra(mic int, dst *response.Spectra) { l.estimator.Spectra(mic, dst) }

// Frame fills in the newest results and returns them. The frame belongs to Live
// and changes with the next call.
func (l *Live) Frame() *Frame {
	f := &l.frame
	f.Seq++
	f.Sample = l.history.End()
	l.ref.read(&f.Reference)
	slowFrom, slowN := l.slowTurn()
	f.Bursts, f.AveragedS = 0, math.Inf(1)
	f.UntilDone, f.UntilRemainingS = 1, 0
	l.repeats()
	for i := range l.mics {
		m, out := &l.mics[i], &f.Microphones[i]
		m.meter.read(&out.Input)
		l.follow(i, m, out)
		l.estimator.Spectra(i, &m.spectra)
		shown := &m.spectra
		if l.settings.Smoothing < setting.MaxSmoothing {
			response.Smooth(&m.smooth, &m.spectra, l.settings.Smoothing)
			shown = &m.smooth
		}
		shown.Curve(&out.Curve)
		if (i-slowFrom+len(l.mics))%len(l.mics) < slowN {
			out.Impulse, out.ImpulseStartMs, out.ImpulseStepMs = l.impulse.Compute(out.Impulse, &m.spectra)
			normalise(out.Impulse)
			polarity.JudgeInto(&out.Polarity, &m.spectra)
		}
		arrival.Agree(out.Arrivals, &out.Polarity)
		switch {
		case math.IsNaN(out.DelayMs):
			out.Polarity.Undecide(out.DelayReason)
		case !out.DelayFixed && caution.IsAhead(out.DelayMs, out.DelaySDMs): // no loudspeaker does that
			out.Polarity.Undecide(caution.WhyNoPolarity)
		}
		f.Bursts += l.estimator.Bursts(i)
		f.AveragedS = min(f.AveragedS, l.estimator.AveragedS(i))
		if a := &l.settings.Averaging; a.Mode == setting.AverageUntil {
			done, rest := response.Progress(&m.spectra, a.WithinDB, a.LowHz, a.HighHz)
			f.UntilDone = min(f.UntilDone, done)
			f.UntilRemainingS = max(f.UntilRemainingS, rest)
		}
	}
	switch {
	case l.settings.Averaging.Mode != setting.AverageUntil:
		f.UntilDone, f.UntilRemainingS = math.NaN(), math.NaN()
	case f.UntilDone == 1:
		l.settings.Hold = true // sure: the measurement is over
	}
	f.Hold = l.settings.Hold
	l.doubt()
	return f
}

// follow takes over what the follower has found since the last frame.
func (l *Live) follow(i int, m *microphone, out *Microphone) {
	if !l.settings.Hold && m.follower.Step() {
		out.Arrivals = m.follower.Arrivals(out.Arrivals)
	}
	if n := m.follower.Changes(); n != m.changes {
		// Nobody need have said so: what was averaged before is worth nothing.
		m.changes = n
		l.estimator.Restart(i, m.follower.SettledS())
	}
	found, ok, reason := m.follower.Delay()
	if ok && !l.settings.Hold {
		m.monitor.Add(float64(l.frame.Sample)/l.cfg.SampleRateHz, found.DelayMs/1000, found.DelaySDMs/1000)
	}
	out.Movement = m.monitor.Movement()
	if d := l.delay(i); d.Fixed() {
		out.DelayMs, out.DelaySDMs, out.DelayFixed, out.DelayReason = d.Ms, 0, true, ""
		return
	}
	out.DelayFixed = false
	if !ok {
		out.DelayMs, out.DelaySDMs, out.DelayReason = math.NaN(), math.NaN(), reason
		return
	}
	out.DelaySDMs, out.DelayReason = found.DelaySDMs, ""
	now := l.estimator.DelayS(i) * 1000
	if math.IsNaN(out.DelayMs) || !(math.Abs(found.DelayMs-now) <= deadband*found.DelaySDMs) {
		// Of swapped channels the estimator cannot go as far.
		if err := l.estimator.SetDelaySince(i, found.DelayMs/1000, m.follower.SettledS()); err == nil {
			now = found.DelayMs
		} else if found.DelayMs < 0 {
			now = found.DelayMs
		}
	}
	out.DelayMs = now
}

// repeats takes over whether the reference repeats itself, which the followers tell
// each when it looks.
func (l *Live) repeats() {
	if l.settings.Hold {
		return
	}
	period := 0.0
	for i := range l.mics {
		s := l.mics[i].follower.PeriodS()
		period = max(period, s)
		l.frame.Microphones[i].PeriodMs = 1000 * s
	}
	l.estimator.SetPeriod(period) // never one that it refuses
}

// normalise scales x to a largest magnitude of 1.
func normalise(x []float64) {
	peak := 0.0
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	if peak == 0 {
		return
	}
	for i := range x {
		x[i] /= peak
	}
}

// slowTurn says whose impulse response and polarity are due in this frame, n
// microphones on from from: those cost more than all the rest and are needed less
// often. Every second frame a quarter of the microphones has its turn.
func (l *Live) slowTurn() (from, n int) {
	if l.frame.Seq%2 == 0 {
		return 0, 0
	}
	from, n = l.turn, (len(l.mics)+3)/4
	l.turn = (from + n) % len(l.mics)
	return from, n
}
