package survey

import (
	"errors"
	"fmt"
	"math"
	"sync"

	"plumbline/analyze/arrival"
	"plumbline/analyze/caution"
	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

const (
	windowS    = 0.68 // near 32768 samples at 48 kHz
	overlap    = 0.75
	audioKeptS = 20.0 // of each take, the newest
	findAfterS = 1.0  // of audio, before an arrival is looked for
	findForS   = 4.0  // of audio, after which it is measured without one
	deafAfterS = 8.0  // of audio, after which a microphone that hears nothing is given up
	steadyS    = 0.6  // stretches of the reference that are compared
	steadyRise = 1.6  // in power: the ramp rises by 2.5 in that time, pink noise wanders by 1.3
	silentDBFS = -100
	fullScale  = 32767.0 / 32768.0
)

// Window is the analysis window of takes, samples: the power of two nearest to
// 0.68 s. Long, so that what reverberates counts as part of a response.
func Window(sampleRateHz int) int {
	return 1 << int(math.Round(math.Log2(windowS*float64(sampleRateHz))))
}

// measurement analyses what is heard in one step. hear may be called from
// another goroutine than the rest.
type measurement struct {
	setup       Setup
	microphones []int // channels, from 1
	goal        wire.Goal
	known       map[int]float64

	mu     sync.Mutex
	inbox  []float32 // reference, then microphones, interleaved
	broken bool      // in front of the inbox

	steady bool      // the test signal has stopped rising
	lead   []float32 // heard until then, as inbox

	frames   int
	audio    []float32 // as inbox; the newest audioKeptS
	ref      []float64 // scratch
	mics     [][]float64
	finders  []*arrival.Finder
	reason   string // why there is no arrival
	est      *response.Estimator
	found    bool // est is there
	delayS   []float64
	heard    []response.Spectra
	smoothed response.Spectra // scratch
	arrivals [][]arrival.Arrival
	levels   []level // of the reference, then of the microphones
	breaks   int64

	goals      []aim // of each microphone, what is to be sure
	done       float64
	remainingS float64
	leftS      float64 // until it ends, sure or not

	names map[int]string // seats by channel; of one without, its number says which
}

// input is the microphone from 0.
func (m *measurement) input(i int) caution.Input {
	return caution.Input{Number: m.microphones[i], Name: m.names[m.microphones[i]]}
}

type level struct {
	peak, sum float64
	clipped   uint64
}

func newMeasurement(setup Setup, microphones []int, goal wire.Goal, known map[int]float64) (*measurement, error) {
	if len(microphones) == 0 {
		return nil, errors.New("no microphone is measured: choose one on the Listen page")
	}
	n := len(microphones)
	m := &measurement{
		setup: setup, microphones: microphones, goal: goal, known: known,
		mics: make([][]float64, n), delayS: make([]float64, n), heard: make([]response.Spectra, n),
		arrivals: make([][]arrival.Arrival, n), levels: make([]level, n+1), goals: make([]aim, n), remainingS: math.Inf(1),
		leftS: patience.Seconds(),
	}
	cfg := arrival.Config{SampleRateHz: float64(setup.SampleRateHz), MaxDelayS: 1}
	var err error
	if cfg.Workspace, err = arrival.NewWorkspace(cfg); err != nil {
		return nil, err
	}
	for range microphones {
		f, err := arrival.NewFinder(cfg)
		if err != nil {
			return nil, err
		}
		m.finders = append(m.finders, f)
	}
	return m, nil
}

func (m *measurement) channels() int { return len(m.microphones) + 1 }

// hear takes a block of all the source's channels.
func (m *measurement) hear(block []float32, broken bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if broken {
		m.inbox, m.broken = m.inbox[:0], true
	}
	all := len(m.setup.Channels)
	for ; len(block) >= all; block = block[all:] {
		m.inbox = append(m.inbox, block[m.setup.Reference-1])
		for _, c := range m.microphones {
			m.inbox = append(m.inbox, block[c-1])
		}
	}
}

// look analyses what was heard since the last look, and says whether it is sure
// enough; what names who plays. An error says why it never will be.
func (m *measurement) look(what string) (sure bool, err error) {
	m.mu.Lock()
	block, broken := m.inbox, m.broken
	m.inbox, m.broken = nil, false
	m.mu.Unlock()
	if broken {
		m.forget()
	}
	if !m.steady {
		if block = m.steadied(block); block == nil {
			return false, nil
		}
	}
	if err := m.feed(block); err != nil {
		return false, err
	}
	if err := m.wrong(what); err != nil {
		return false, err
	}
	if m.est == nil {
		return false, nil
	}
	return m.judge(what)
}

// steadied waits until the reference does not rise any more, whatever lies
// between order and ear: until the newest steadyS seconds are not clearly louder
// than those before. It returns these, and nil until then.
func (m *measurement) steadied(block []float32) []float32 {
	m.lead = append(m.lead, block...)
	part := int(steadyS*float64(m.setup.SampleRateHz)) * m.channels()
	if extra := len(m.lead) - 2*part; extra < 0 {
		return nil
	} else {
		m.lead = append(m.lead[:0], m.lead[extra:]...)
	}
	energy := func(samples []float32) (sum float64) {
		for i := 0; i < len(samples); i += m.channels() {
			sum += float64(samples[i]) * float64(samples[i])
		}
		return sum
	}
	if energy(m.lead[part:]) > steadyRise*energy(m.lead[:part]) {
		return nil
	}
	m.steady = true
	return m.lead[part:]
}

// forget starts anew behind a break: a take has no gaps.
func (m *measurement) forget() {
	m.frames, m.audio, m.est, m.found = 0, m.audio[:0], nil, false
	m.steady, m.lead = false, m.lead[:0]
	m.done, m.remainingS = 0, math.Inf(1)
	clear(m.levels)
	clear(m.goals)
	for _, f := range m.finders {
		f.Reset()
	}
	m.breaks++
}

func (m *measurement) heardS() float64 { return float64(m.frames) / float64(m.setup.SampleRateHz) }

// feed takes whole frames.
func (m *measurement) feed(block []float32) error {
	n := len(block) / m.channels()
	m.frames += n
	m.audio = append(m.audio, block...)
	if most := int(audioKeptS*float64(m.setup.SampleRateHz)) * m.channels(); len(m.audio) > 2*most {
		m.audio = append(m.audio[:0], m.audio[len(m.audio)-most:]...)
	}
	m.count(block)
	m.split(block)
	for i, f := range m.finders {
		f.Feed(m.ref, m.mics[i])
	}
	if m.est != nil {
		m.est.Feed(m.ref, m.mics)
		return nil
	}
	return m.find()
}

func (m *measurement) count(block []float32) {
	for i, x := range block {
		l, x := &m.levels[i%m.channels()], math.Abs(float64(x))
		l.peak = max(l.peak, x)
		l.sum += x * x
		if x >= fullScale {
			l.clipped++
		}
	}
}

// split sets ref and mics to a block.
func (m *measurement) split(block []float32) {
	m.ref = m.ref[:0]
	for i := range m.mics {
		m.mics[i] = m.mics[i][:0]
	}
	for ; len(block) >= m.channels(); block = block[m.channels():] {
		m.ref = append(m.ref, float64(block[0]))
		for i := range m.mics {
			m.mics[i] = append(m.mics[i], float64(block[i+1]))
		}
	}
}

// find settles the delays that the reference gets and starts the averages, with
// all that was heard.
func (m *measurement) find() error {
	if m.heardS() < findAfterS {
		return nil
	}
	for i, channel := range m.microphones {
		if s, ok := m.known[channel]; ok {
			m.delayS[i] = s
			continue
		}
		var reason string
		m.arrivals[i], reason = m.finders[i].Find(m.arrivals[i])
		if len(m.arrivals[i]) == 0 {
			if m.reason = reason; m.heardS() < findForS {
				return nil // sooner or later it can be told
			}
			m.delayS[i] = 0 // the window is long: it will do
			continue
		}
		m.delayS[i] = strongest(m.arrivals[i]).DelayMs / 1000
	}
	var err error
	m.est, err = response.NewEstimator(response.Config{
		SampleRateHz: float64(m.setup.SampleRateHz), Microphones: len(m.microphones), Window: Window(m.setup.SampleRateHz),
		Overlap: overlap, Averaging: response.Averaging{Mode: response.Infinite},
	})
	if err != nil {
		return err
	}
	for i, s := range m.delayS {
		if err := m.est.SetDelay(i, s); err != nil {
			return err
		}
	}
	m.found = true
	m.split(m.audio)
	m.est.Feed(m.ref, m.mics)
	return nil
}

func strongest(list []arrival.Arrival) (best arrival.Arrival) {
	for i, a := range list {
		if i == 0 || a.LevelDB > best.LevelDB {
			best = a
		}
	}
	return best
}

func (l level) rmsDBFS(frames int) float64 { return 10 * math.Log10(2*l.sum/float64(frames)) }

// wrong says what can be told to be wrong already.
func (m *measurement) wrong(what string) error {
	if m.heardS() < findAfterS {
		return nil
	}
	if m.levels[0].rmsDBFS(m.frames) < silentDBFS {
		return fmt.Errorf("the reference on channel %d is silent: lead the test signal back into it and try again", m.setup.Reference)
	}
	for i := range m.microphones {
		switch l := m.levels[i+1]; {
		case l.rmsDBFS(m.frames) < silentDBFS:
			return fmt.Errorf("the microphone %s is silent: is it connected, and has it its power", m.input(i).Where())
		case l.clipped > 0:
			return fmt.Errorf("the microphone %s overloads with %s: turn its gain down and try again", m.input(i).Where(), what)
		}
	}
	return nil
}
