//go:build unix

package main

import (
	"bufio"
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"gonum.org/v1/gonum/dsp/fourier"

	"plumbline/capture/device/pulsetest"
	"plumbline/stream/wire"
)

// TestRealSound is the main job on real sound: paplay plays a file whose second
// channel is the first one late by a fraction of a sample, filtered and
// reversed; the program captures it through PortAudio, and follow must tell the
// delay, the polarity and the filter.
//
// The second channel is made in the frequency domain, of a period of noise that
// repeats, so that it is exact: Y = −g·H(f)·e^{−j2πfτ}·X.
func TestRealSound(t *testing.T) {
	const (
		rateHz  = 48000
		period  = 1 << 18 // 5.5 s, four times the longest window
		periods = 12      // longer than the test
		delayMs = 12.8619 // 617.371 samples
	)
	bell := peaking{centreHz: 1000, gainDB: 9, q: 2, rateHz: rateHz}
	level := math.Pow(10, -4.0/20)

	server := pulsetest.Start(t, pulsetest.Config{RateHz: rateHz})
	x, y := throughPath(period, func(f float64) complex128 {
		return complex(-level, 0) * bell.response(f) * cmplx.Exp(complex(0, -2*math.Pi*f*delayMs/1000))
	}, rateHz)
	reference, microphone := make([]float32, 0, periods*period), make([]float32, 0, periods*period)
	for range periods {
		reference, microphone = append(reference, x...), append(microphone, y...)
	}
	server.Play(record(t, "sent.wav", rateHz, reference, microphone))

	url := spawn(t, "serve", "--device", pulsetest.DeviceID, "--ref", "1", "--mic", "2", "--listen", "127.0.0.1:0")

	type microphoneFrame struct {
		Channel           int        `json:"channel"`
		DelayMs           *float64   `json:"delay_ms"`
		Polarity          polarityOf `json:"polarity"`
		FrequencyHz       []float64  `json:"frequency_hz"`
		MagnitudeDB       []*float64 `json:"magnitude_db"`
		Coherence         []*float64 `json:"coherence"`
		EffectiveAverages []*float64 `json:"effective_averages"`
	}
	var frame struct {
		SampleRateHz int               `json:"sample_rate_hz"`
		Verdict      string            `json:"verdict"`
		Microphones  []microphoneFrame `json:"microphones"`
	}
	var mic microphoneFrame
	var trusted []int
	var lastLine string
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the last frame: %.2000s", lastLine)
		}
	})
	eventually(t, "a frame with delay, polarity and a trusted response", func() bool {
		lastLine = must(t, "follow", url, "--frames", "1")
		frame.Microphones = nil
		if err := json.Unmarshal([]byte(lastLine), &frame); err != nil {
			t.Fatalf("%v in %.300s", err, lastLine)
		}
		if len(frame.Microphones) != 1 {
			t.Fatalf("%d microphones in %.300s", len(frame.Microphones), lastLine)
		}
		mic, trusted = frame.Microphones[0], nil
		audible, settled := 0, true
		for i, f := range mic.FrequencyHz {
			if f < 50 || f > 18000 {
				continue
			}
			audible++
			if c := mic.Coherence[i]; c != nil && *c > 0.95 {
				trusted = append(trusted, i)
			}
			// Of fewer averages, coherence is high by chance.
			if n := mic.EffectiveAverages[i]; n == nil || *n < 4 {
				settled = false
			}
		}
		return settled && mic.DelayMs != nil && mic.Polarity.Verdict != "undecided" && len(trusted) > audible*9/10
	})

	if frame.SampleRateHz != rateHz || mic.Channel != 2 {
		t.Errorf("%d Hz, channel %d", frame.SampleRateHz, mic.Channel)
	}
	// A bell's phase is as much ahead below its centre as behind above it and
	// dies away as 1/f; over 20 kHz it shifts the best delay by under 0.002 ms.
	if d := *mic.DelayMs - delayMs; math.Abs(d) > 0.02 {
		t.Errorf("the delay is %.4f ms, sent %.4f ms", *mic.DelayMs, delayMs)
	}
	if mic.Polarity.Verdict != "opposite" {
		t.Errorf("the polarity is %q (%s)", mic.Polarity.Verdict, mic.Polarity.Reason)
	}
	worst, at := 0.0, 0.0
	for _, i := range trusted {
		f := mic.FrequencyHz[i]
		if mic.MagnitudeDB[i] == nil {
			t.Errorf("no magnitude at %.1f Hz, coherence %.3f", f, *mic.Coherence[i])
			continue
		}
		want := 20 * math.Log10(level*cmplx.Abs(bell.response(f)))
		if d := math.Abs(*mic.MagnitudeDB[i] - want); d > worst {
			worst, at = d, f
		}
	}
	if worst > 0.5 {
		t.Errorf("the magnitude is off by %.2f dB at %.0f Hz", worst, at)
	}
	t.Logf("delay off by %.4f ms; magnitude off by %.3f dB at most, at %.0f Hz, of %d points; %s",
		*mic.DelayMs-delayMs, worst, at, len(trusted), frame.Verdict)
}

// TestRealDeviceRefusals: one line that says what to do, and exit status 1.
func TestRealDeviceRefusals(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{})
	for _, tc := range []struct {
		name string
		args []string
		want string
	}{
		{"unknown device", []string{"--device", "alsa/nothing"}, `"alsa/nothing"; there are ` + pulsetest.DeviceID},
		{"unknown channel", []string{"--device", pulsetest.DeviceID, "--mic", "999"}, "has no channel 999: it has 1 to"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			o := plumbline(t, append([]string{"serve", "--listen", "127.0.0.1:0"}, tc.args...)...)
			if o.code != exitBadInput || o.stdout != "" || strings.Count(o.stderr, "\n") != 1 || !strings.Contains(o.stderr, tc.want) {
				t.Errorf("exit status %d, stdout %q, stderr %q, want ...%s...", o.code, o.stdout, o.stderr, tc.want)
			}
		})
	}
	if out := must(t, "devices"); !strings.Contains(out, pulsetest.DeviceID) {
		t.Errorf("devices does not list the cable:\n%s", out)
	}
}

type polarityOf struct {
	Verdict string `json:"verdict"`
	Reason  string `json:"reason"`
}

// spawn runs the program as a process of its own until the end of the test, and
// gives the address it prints. Asked to end, it must do so with status 0.
func spawn(t *testing.T, args ...string) (url string) {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), "PLUMBLINE_TEST_AS_PROGRAM=1")
	var stderr lockedBuffer
	cmd.Stderr = &stderr
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM) // it may have ended by itself
		late := time.AfterFunc(10*time.Second, func() { _ = cmd.Process.Kill() })
		defer late.Stop()
		if err := cmd.Wait(); err != nil {
			t.Errorf("plumbline %s: %v, stderr:\n%s", strings.Join(args, " "), err, stderr.String())
		}
	})
	lines := bufio.NewReader(stdout)
	line, err := lines.ReadString('\n')
	if err != nil {
		t.Fatalf("plumbline %s says nothing: %v, stderr:\n%s", strings.Join(args, " "), err, stderr.String())
	}
	url, ok := strings.CutPrefix(strings.TrimSpace(line), "listening on ")
	if !ok {
		t.Fatalf("the first line is %q", line)
	}
	return url
}

// throughPath makes a period of white noise and what a linear path makes of it
// when both repeat for ever.
func throughPath(period int, path func(frequencyHz float64) complex128, rateHz float64) (x, y []float32) {
	r := rand.New(rand.NewPCG(7, 0))
	fft := fourier.NewFFT(period)
	sent := make([]complex128, period/2+1)
	for k := 1; k < period/2; k++ {
		sent[k] = cmplx.Rect(0.1/math.Sqrt(float64(period)), 2*math.Pi*r.Float64()) // −20 dBFS RMS and less
	}
	got := make([]complex128, len(sent))
	for k := range sent {
		got[k] = sent[k] * path(float64(k)*rateHz/float64(period))
	}
	narrow := func(long []float64) []float32 {
		short := make([]float32, len(long))
		for i, v := range long {
			short[i] = float32(v)
		}
		return short
	}
	return narrow(fft.Sequence(nil, sent)), narrow(fft.Sequence(nil, got))
}

// peaking is a second-order bell filter. Source of the coefficients:
// R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Working Group Note, 2021),
// peakingEQ; from memory.
type peaking struct{ centreHz, gainDB, q, rateHz float64 }

// response is the exact H(e^{jω}) of the coefficients.
func (p peaking) response(frequencyHz float64) complex128 {
	a := math.Pow(10, p.gainDB/40)
	w0 := 2 * math.Pi * p.centreHz / p.rateHz
	alpha := math.Sin(w0) / (2 * p.q)
	b := [3]float64{1 + alpha*a, -2 * math.Cos(w0), 1 - alpha*a}
	d := [3]float64{1 + alpha/a, -2 * math.Cos(w0), 1 - alpha/a}
	z := cmplx.Exp(complex(0, -2*math.Pi*frequencyHz/p.rateHz))
	poly := func(c [3]float64) complex128 {
		return complex(c[0], 0) + z*(complex(c[1], 0)+z*complex(c[2], 0))
	}
	return poly(b) / poly(d)
}

// TestSetUpOnRealSoundInRealTime: plumbline alone, on real sound: a device is chosen, its
// loopback is found, the rate is changed while the program goes on, and the next time it
// begins with what was chosen.
func TestSetUpOnRealSoundInRealTime(t *testing.T) {
	pulsetest.Start(t, pulsetest.Config{})
	t.Run("chosen", func(t *testing.T) {
		d := service{url: spawn(t, "--listen", "127.0.0.1:0", "--open=false")}
		d.step(t, wire.CheckDevice, wire.Act, "Choose the device")
		choice := wire.SourceChoice{Device: pulsetest.DeviceID, Reference: 2, Microphones: []int{1}, Names: []string{"balcony"}, Output: pulsetest.DeviceID, LoopbackOutput: 2}
		d.chooses(t, choice)
		d.step(t, wire.CheckDevice, wire.Steady, "is open at 48 kHz")
		d.step(t, wire.CheckReference, wire.Act, "Nothing on input 2")

		// On a busy machine the sound server may lose samples of what is led back.
		var v wire.Setup
		eventually(t, "the loopback on input 2", func() bool {
			v = d.loops(t)
			return v.Loopback != nil && v.Loopback.Input == 2 && !v.Loopback.Wanders
		})
		l := v.Loopback
		if l.Inverted || math.Abs(float64(l.LevelDBFS)+30) > 0.1 || !(l.RoundTripMs > 0 && l.RoundTripMs < 1200) || !(l.WanderMs < 0.01) {
			t.Errorf("a cable without delay and gain: %+v", l)
		}
		d.step(t, wire.CheckLoopback, wire.Steady, "Output 2 comes back on input 2 after ")

		choice.RateHz = 96000
		d.chooses(t, choice)
		d.step(t, wire.CheckDevice, wire.Steady, "is open at 96 kHz")
	})
	d := service{url: spawn(t, "--listen", "127.0.0.1:0", "--open=false")}
	v := d.step(t, wire.CheckDevice, wire.Steady, "is open at 96 kHz")
	if v.Source.Device != pulsetest.DeviceID || v.Source.Reference != 2 || v.Source.Names[0] != "balcony" {
		t.Errorf("the next time it begins with %+v", v.Source)
	}
}

// TestSetUpSaysThatItsDeviceIsAway: a device that is pulled out is asked for, and goes on
// when it is back.
func TestSetUpSaysThatItsDeviceIsAway(t *testing.T) {
	server := pulsetest.Start(t, pulsetest.Config{})
	d := service{url: spawn(t, "--listen", "127.0.0.1:0", "--open=false")}
	d.chooses(t, wire.SourceChoice{Device: pulsetest.DeviceID, Reference: 1, Microphones: []int{2}})
	d.step(t, wire.CheckDevice, wire.Steady, "is open")
	server.Unplug()
	d.step(t, wire.CheckDevice, wire.Act, "connect it again")
	server.Plug()
	d.step(t, wire.CheckDevice, wire.Attention, "were lost since")
}
