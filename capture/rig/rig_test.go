package rig

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
	"plumbline/capture/leak"
	"plumbline/capture/wavfile"
)

func TestMain(m *testing.M) { leak.Main(m) }

// free is a free field with one ideal loudspeaker 1 m from one microphone, and
// no noise.
func free() Scene {
	return Scene{
		TemperatureC: 20,
		RateHz:       48000,
		Seed:         1,
		Room:         Room{SizeM: [3]float64{40, 30, 20}},
		Programme:    Programme{Kind: Pink, LevelDBFS: -20},
		Noise:        Noise{LevelDBFS: NoNoise},
		Loudspeakers: []Loudspeaker{{Name: "main", PositionM: Position{10, 10, 2}}},
		Microphones:  []Microphone{{Name: "seat", PositionM: Position{11, 10, 2}}},
	}
}

// take plays a rig until it has the frames asked for; at is called in front of
// each block with the frames so far.
func take(t testing.TB, r *Rig, frames int, at func(done int)) (channels [][]float64, marks []int) {
	t.Helper()
	n := len(r.Info().Channels)
	channels = make([][]float64, n)
	err := r.play(func(block []float32, changed bool) error {
		if changed {
			marks = append(marks, len(channels[0]))
		}
		for i, v := range block {
			channels[i%n] = append(channels[i%n], float64(v))
		}
		if len(channels[0]) >= frames {
			return errDone
		}
		if at != nil {
			at(len(channels[0]))
		}
		return nil
	})
	if err != errDone {
		t.Fatal(err)
	}
	for c := range channels {
		channels[c] = channels[c][:frames]
	}
	return channels, marks
}

func start(t testing.TB, s Scene) *Rig {
	t.Helper()
	r, err := New(s, Config{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func rms(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum / float64(len(x)))
}

func db(ratio float64) float64 { return 20 * math.Log10(ratio) }

// The whole chain against the definition: each microphone is the programme
// convolved with the impulse responses of all loudspeakers, in the time domain.
func TestMicrophonesAreTheProgrammeThroughTheRoom(t *testing.T) {
	s := Demo()
	s.Noise.LevelDBFS = NoNoise
	s.Microphones = append(s.Microphones, Microphone{"seat 2", Position{15, 12, 1.2}})
	s.Loudspeakers = append(s.Loudspeakers, Loudspeaker{Name: "muted", PositionM: Position{1, 1, 1}, Mute: true})
	const frames = 20000
	got, _ := take(t, start(t, s), frames, nil)
	for m := range s.Microphones {
		var h []float64
		for l := range 2 {
			one, _ := s.ImpulseResponse(l, m)
			for len(h) < len(one) {
				h = append(h, 0)
			}
			for i, v := range one {
				h[i] += v
			}
		}
		_, zero := s.ImpulseResponse(0, m)
		for i := 12000; i < frames-zero; i += 97 {
			want := 0.0
			for k, v := range h {
				if j := i + zero - k; j >= 0 {
					want += v * got[0][j]
				}
			}
			// Each response is cut where its box rings at −160 dB (1e-8): over the low
			// frequencies of pink noise at −20 dBFS that adds up to 1e-7.
			if d := math.Abs(got[m+1][i] - want); d > 3e-7 {
				t.Fatalf("microphone %d, frame %d: got %g, want %g", m+1, i, got[m+1][i], want)
			}
		}
	}
}

func TestSameSceneAndSeedGiveTheSameSamples(t *testing.T) {
	s := Demo()
	const frames = 30000
	want, _ := take(t, start(t, s), frames, nil)

	ring := capture.NewRing(2, 1000) // neither whole blocks in nor out
	r := start(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- r.Run(ctx, ring) }()
	buf := make([]float32, 2*333)
	for at := 0; at < frames; {
		if err := ring.Wait(ctx); err != nil {
			t.Fatal(err)
		}
		n, _, _ := ring.Read(buf)
		for i, v := range buf[:2*n] {
			if f := at + i/2; f < frames && float64(v) != want[i%2][f] {
				t.Fatalf("frame %d, channel %d: %v, want %v", f, i%2+1, v, want[i%2][f])
			}
		}
		at += n
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	at := 0
	if err := Render(t.Context(), s, frames, func(b []float32) error {
		for i, v := range b {
			if float64(v) != want[(at+i)%2][(at+i)/2] {
				t.Fatalf("rendered sample %d differs", at+i)
			}
		}
		at += len(b)
		return nil
	}); err != nil || at != 2*frames {
		t.Errorf("%d samples, %v", at, err)
	}
	s.Seed++
	other, _ := take(t, start(t, s), 1000, nil)
	if other[0][999] == want[0][999] || other[1][999] == want[1][999] {
		t.Error("another seed gives the same noise")
	}
}

// Background noise: its level is right, and microphones share nothing.
func TestNoiseIsIndependentAndAtItsLevel(t *testing.T) {
	s := free()
	s.Noise.LevelDBFS = -40
	s.Loudspeakers[0].Mute = true
	s.Microphones = append(s.Microphones, Microphone{"other", s.Microphones[0].PositionM})
	x, _ := take(t, start(t, s), 10*48000, nil)
	for c := 1; c <= 2; c++ {
		// Half the power lies below 220 Hz: in 10 s its RMS scatters by 0.3 dB.
		if got := db(rms(x[c]) * math.Sqrt2); math.Abs(got+40) > 1 {
			t.Errorf("channel %d has %.2f dBFS, want −40", c+1, got)
		}
	}
	for _, pair := range [][2]int{{0, 1}, {0, 2}, {1, 2}} {
		sum := 0.0
		for i, v := range x[pair[0]] {
			sum += v * x[pair[1]][i]
		}
		if rho := sum / float64(len(x[0])) / rms(x[pair[0]]) / rms(x[pair[1]]); math.Abs(rho) > 0.06 {
			t.Errorf("channels %v correlate by %.3f", pair, rho)
		}
	}
}

// sine is a scene that plays a tone of full scale −20 dB from a file.
func sine(t *testing.T, hz float64) Scene {
	t.Helper()
	s := free()
	path := filepath.Join(t.TempDir(), "sine.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: s.RateHz, Channels: 2, Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 2*s.RateHz)
	for i := range s.RateHz {
		x[2*i] = float32(0.3 * math.Sin(2*math.Pi*hz*float64(i)/float64(s.RateHz)))
		x[2*i+1] = 0.9 // the second channel is not wanted
	}
	if err := errors.Join(w.Write(x), w.Close()); err != nil {
		t.Fatal(err)
	}
	s.Programme = Programme{Kind: File, File: path, LevelDBFS: -20}
	return s
}

// A change must not click: a tone through a turn of polarity, a jump of delay
// and of gain never moves faster from sample to sample than the tone does, plus
// what the fade itself is allowed.
func TestChangesDoNotClick(t *testing.T) {
	const hz = 440
	s := sine(t, hz)
	r := start(t, s)
	changes := []func(*Scene){
		func(s *Scene) { s.Loudspeakers[0].Polarity = Opposite },
		func(s *Scene) { s.Loudspeakers[0].DelayMs = 300 },
		func(s *Scene) { s.Microphones[0].PositionM = Position{39, 29, 19} },
		func(s *Scene) { s.Microphones[0].PositionM = Position{11, 10, 2} },
		func(s *Scene) { s.Loudspeakers[0].Mute = true },
		func(s *Scene) { s.Loudspeakers[0].Mute = false },
		func(s *Scene) { s.Loudspeakers[0].LowHz, s.Loudspeakers[0].CrossoverHz = 100, 500 },
		func(s *Scene) { s.Programme.LevelDBFS = -26 },
		func(s *Scene) { s.TemperatureC = 30 },
		func(s *Scene) { s.Room.Reflections = 3 },
		func(s *Scene) {
			s.Loudspeakers = append(s.Loudspeakers, Loudspeaker{Name: "second", PositionM: Position{9, 10, 2}})
		},
	}
	next := 0
	x, marks := take(t, r, 3*48000, func(done int) {
		if next < len(changes) && done >= 24000+next*8000 {
			changes[next](&s)
			if err := r.Apply(s); err != nil {
				t.Fatal(err)
			}
			next++
		}
	})
	if len(marks) != 2*len(changes) {
		t.Fatalf("%d marks for %d changes", len(marks), len(changes))
	}
	const amplitude = 0.1
	slope := 2 * math.Pi * hz / 48000 * amplitude
	// In the fade w(a−b) adds |w'| |a−b|: at most π/2 a fade length, times twice the
	// amplitude. Gain at 1 m is 1; the second loudspeaker and the walls add less than 2.
	fade := math.Pi / 2 / (fadeS * 48000) * 2 * amplitude
	for i := 1; i < len(x[0]); i++ {
		if i > 500 { // behind the start of the tone itself
			if d := math.Abs(x[0][i] - x[0][i-1]); d > 1.01*(slope+fade) {
				t.Fatalf("the programme jumps by %g at %d", d, i)
			}
		}
		if d := math.Abs(x[1][i] - x[1][i-1]); i > 1000 && d > 2.2*(slope+fade) {
			t.Fatalf("the microphone jumps by %g at %d, the tone does by %g", d, i, slope)
		}
	}
}

// Outside the two marks old and new are not mixed: in front of the first the
// samples are those of the old scene, behind the second those of a rig that
// has always played the new one.
func TestMarksFenceTheFade(t *testing.T) {
	old := Demo()
	changed := Demo()
	changed.Loudspeakers[1].Polarity = Same
	changed.Loudspeakers[1].DelayMs = 4.4
	changed.Microphones[0].PositionM = Position{12, 9, 1.2}
	changed.Noise.LevelDBFS = -60
	const frames = 48000
	a, _ := take(t, start(t, old), frames, nil)
	b, _ := take(t, start(t, changed), frames, nil)
	r := start(t, old)
	applied := false
	got, marks := take(t, r, frames, func(done int) {
		if !applied && done >= 20000 {
			applied = true
			if err := r.Apply(changed); err != nil {
				t.Fatal(err)
			}
		}
	})
	if len(marks) != 2 || marks[0] < 20000 || marks[1]-20000 > 4800 {
		t.Fatalf("marks at %v, want two within 0.1 s of 20000", marks)
	}
	for i := range frames {
		if got[0][i] != a[0][i] {
			t.Fatalf("the programme changes at %d", i)
		}
		if i < marks[0] && got[1][i] != a[1][i] {
			t.Fatalf("the old scene has ended at %d, its mark is at %d", i, marks[0])
		}
		if i >= marks[1] && got[1][i] != b[1][i] {
			t.Fatalf("the new scene has not begun at %d, its mark is at %d", i, marks[1])
		}
	}
	if r.Scene().Loudspeakers[1].DelayMs != 4.4 {
		t.Error("the scene is not the new one")
	}
}

// A drag sends changes faster than they fade: the last one is all there within
// 0.1 s, whenever it comes.
func TestRapidChangesEndAtTheNewest(t *testing.T) {
	last := Demo()
	last.Microphones[0].PositionM = Position{20, 3, 2}
	want, _ := take(t, start(t, last), 24000, nil)
	r := start(t, Demo())
	const until = 8000
	end := 0
	got, marks := take(t, r, 24000, func(done int) {
		if done > until {
			return
		}
		end = done
		s := Demo()
		s.Microphones[0].PositionM[0] = 5 + 15*float64(done)/until
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				if err := r.Apply(s); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if err := r.Apply(last); err != nil {
			t.Error(err)
		}
	})
	settled := marks[len(marks)-1]
	if settled-end > 4800 {
		t.Fatalf("the change at %d has arrived at %d", end, settled)
	}
	for i := settled; i < 24000; i++ {
		if got[1][i] != want[1][i] {
			t.Fatalf("frame %d is not that of the newest scene", i)
		}
	}
}

func TestApplyRefusesAndKeepsPlaying(t *testing.T) {
	r := start(t, Demo())
	for want, change := range map[string]func(*Scene){
		"rate_hz":        func(s *Scene) { s.RateHz = 96000 },
		"microphone":     func(s *Scene) { s.Microphones[0].Name = "elsewhere" },
		"position_m":     func(s *Scene) { s.Microphones[0].PositionM[2] = 8 },
		"programme file": func(s *Scene) { s.Programme = Programme{Kind: File, File: "none.wav", LevelDBFS: -20} },
	} {
		s := Demo()
		change(&s)
		oneLine(t, r.Apply(s), want)
	}
	if got := r.Scene(); got.Microphones[0] != Demo().Microphones[0] || got.RateHz != 48000 || got.Programme.Kind != Pink {
		t.Errorf("a refused scene is the rig's: %+v", got)
	}
	if _, marks := take(t, r, 5000, nil); len(marks) != 0 {
		t.Error("a refused scene was played")
	}
}

func TestNewNameIsNoChangeOfSound(t *testing.T) {
	r := start(t, Demo())
	s := Demo()
	s.Loudspeakers[0].Name, s.Loudspeakers[1].Role = "left", "infill"
	if err := r.Apply(s); err != nil {
		t.Fatal(err)
	}
	if _, marks := take(t, r, 5000, nil); len(marks) != 0 {
		t.Errorf("it fades at %v", marks)
	}
	if got := r.Scene().Loudspeakers[0].Name; got != "left" {
		t.Errorf("the loudspeaker is still called %q", got)
	}
}

func TestProgrammeFile(t *testing.T) {
	s := sine(t, 1000)
	x, _ := take(t, start(t, s), 3*48000+48, nil)
	// −20 dBFS RMS of a sine is a peak of 0.1, whatever the file has.
	if got := db(rms(x[0][48000:96000]) * math.Sqrt2); math.Abs(got+20) > 0.01 {
		t.Errorf("the file plays at %.3f dBFS, want −20", got)
	}
	for i := 48000; i < 2*48000; i++ { // a second of whole periods: it goes on in a circle
		if math.Abs(x[0][i]-x[0][i+48000]) > 1e-7 {
			t.Fatalf("the second turn differs at %d", i)
		}
	}
	s.RateHz = 96000
	_, err := New(s, Config{})
	oneLine(t, err, "has 48000 Hz and the scene 96000: convert it or set rate_hz = 48000")

	path := filepath.Join(t.TempDir(), "silent.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: 48000, Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write(make([]float32, 1000)), w.Close()); err != nil {
		t.Fatal(err)
	}
	s = free()
	s.Programme = Programme{Kind: File, File: path, LevelDBFS: -20}
	_, err = New(s, Config{})
	oneLine(t, err, "is silent")
}

// Ten seconds in a bubble where time passes at once.
func TestPacedRigKeepsTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := New(free(), Config{Pace: true})
		if err != nil {
			t.Fatal(err)
		}
		if i := r.Info(); i.Kind != "rig" || i.SampleRateHz != 48000 || len(i.Channels) != 2 || i.Channels[1] != "seat" {
			t.Errorf("info %+v", i)
		}
		ring := capture.NewRing(2, 4096)
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second+time.Millisecond)
		defer cancel()
		done := make(chan error)
		go func() { done <- r.Run(ctx, ring) }()
		total := 0
		buf := make([]float32, 8192)
		for ring.Wait(t.Context()) == nil {
			n, _, _ := ring.Read(buf)
			total += n
		}
		if err := <-done; err != nil || total != 10*48000-480000%512 || ring.Dropped() != 0 || r.Status().State != capture.Ended {
			t.Errorf("ten seconds: %d frames, %d dropped, %v, %v", total, ring.Dropped(), r.Status(), err)
		}
	})
}

// A rig that stood still for five seconds says so in front of what it plays then.
func TestAPauseIsMarked(t *testing.T) {
	r, err := New(free(), Config{Pace: true})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	calls := 0
	r.wait = func(ctx context.Context, _ int) (uint64, error) {
		switch calls++; calls {
		case 3:
			return 5 * 48000, nil
		case 6:
			cancel()
		}
		return 0, ctx.Err()
	}
	ring := capture.NewRing(2, 8192)
	if err := r.Run(ctx, ring); err != nil {
		t.Fatal(err)
	}
	n, _, gap := ring.Read(make([]float32, 16384))
	if n != 2*r.engine.block || gap != (capture.Gap{}) {
		t.Errorf("%d frames behind %+v", n, gap)
	}
	if n, at, gap := ring.Read(make([]float32, 16384)); n != 3*r.engine.block || at != uint64(2*r.engine.block+5*48000) || gap != (capture.Gap{Cause: capture.Stall, LostFrames: 5 * 48000}) {
		t.Errorf("%d frames at %d behind %+v", n, at, gap)
	}
	if c := r.Counters(); c != (capture.Counters{Stalls: 1, LostFrames: 5 * 48000}) {
		t.Errorf("%+v", c)
	}
}

// With patience it loses nothing, however late its reader is.
func TestPatientRigLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := New(free(), Config{Pace: true, Patient: true})
		if err != nil {
			t.Fatal(err)
		}
		ring := capture.NewRing(2, 4096)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		done := make(chan error)
		go func() { done <- r.Run(ctx, ring) }()
		next, buf := uint64(0), make([]float32, 2048)
		for ring.Wait(t.Context()) == nil {
			n, at, gap := ring.Read(buf)
			if gap != (capture.Gap{}) || at != next && n > 0 {
				t.Errorf("%+v at %d, want %d", gap, at, next)
			}
			next += uint64(n)
			switch {
			case next == 10*1024:
				time.Sleep(5 * time.Second)
			case next > 480000:
				cancel()
			}
		}
		if err := <-done; err != nil || r.Counters() != (capture.Counters{}) {
			t.Errorf("%+v, %v", r.Counters(), err)
		}
	})
}

func TestRenderEndsWithContextAndSink(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	err := Render(ctx, free(), 1<<40, func([]float32) error { cancel(); return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	full := errors.New("disk full")
	if err := Render(t.Context(), free(), 1<<40, func([]float32) error { return full }); err != full {
		t.Errorf("sink: %v", err)
	}
}

func TestPlayingDoesNotAllocate(t *testing.T) {
	r := start(t, Demo())
	if n := testing.AllocsPerRun(100, func() {
		if _, err := r.engine.play(); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a block", n)
	}
}

// The cost of a second of the demo beside a clock: under 5 % of a core is
// under 50 ms.
func BenchmarkPlaySecond(b *testing.B) {
	r := start(b, Demo())
	blocks := r.Info().SampleRateHz/r.engine.block + 1
	n := 0
	for b.Loop() {
		for range blocks {
			if _, err := r.engine.play(); err != nil {
				b.Fatal(err)
			}
		}
		n++
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "x-realtime")
}

// From a scene to the first block.
func BenchmarkStart(b *testing.B) {
	for b.Loop() {
		if _, err := start(b, Demo()).engine.play(); err != nil {
			b.Fatal(err)
		}
	}
}

// What a drag costs: a demo with its one microphone, and a hall with 32.
func BenchmarkApply(b *testing.B) {
	hall, err := Load("../../testdata/scenes/hall.toml")
	if err != nil {
		b.Fatal(err)
	}
	for len(hall.Microphones) < 32 {
		m := hall.Microphones[len(hall.Microphones)%4]
		m.Name = fmt.Sprintf("seat %d", len(hall.Microphones)+1)
		m.PositionM[0] += float64(len(hall.Microphones)) / 10
		hall.Microphones = append(hall.Microphones, m)
	}
	for name, s := range map[string]Scene{"demo": Demo(), "hall 32 microphones": hall} {
		b.Run(name, func(b *testing.B) {
			r := start(b, s)
			for b.Loop() {
				s.Microphones[0].PositionM[0] += 1e-6
				if err := r.Apply(s); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+" playing a second", func(b *testing.B) {
			r := start(b, s)
			for b.Loop() {
				for range r.Info().SampleRateHz/r.engine.block + 1 {
					if _, err := r.engine.play(); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}
