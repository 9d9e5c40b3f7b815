package watching

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"plumbline/analyze/fft"
	"plumbline/analyze/watch"
	"plumbline/capture/rig"
)

// stage is a random hall of the virtual rig, whose physics is geometry: what a
// microphone hears follows from where it stands and how warm the air is. It
// plays pink noise through the impulse responses of the rig, one a loudspeaker,
// so that what the rig leaves out can be put in their way.
type stage struct {
	rng   *rand.Rand
	scene rig.Scene
	n     int // samples of a transform
	plan  *fft.Real
	ref   pinkNoise
	bg    pinkNoise
	noise float64

	paths   [][]complex128 // of each loudspeaker, as spectra of n samples
	solo    int            // the only one that plays; −1: all do
	h       []complex128   // what is convolved with
	block   []float64      // newest n samples of the reference
	delayed []float64
	x       []complex128
	y, v    []float64
}

// zero is by how much the responses of the rig begin early.
var stageZero = func() int { _, zero := randomScene(rand.New(rand.NewPCG(1, 1))).ImpulseResponse(0, 0); return zero }()

// randomScene is a hall with one to four loudspeakers: mains, fills, a tower,
// each delayed at most so that it arrives 1 ms before the farthest one, half of
// them not at all.
func randomScene(rng *rand.Rand) rig.Scene {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	room := rig.Room{SizeM: [3]float64{between(14, 40), between(10, 25), between(4.5, 10)}, Reflections: 2 + rng.IntN(2)}
	least := between(0.15, 0.45)
	for i := range room.Absorption {
		room.Absorption[i] = min(0.95, least+0.05*float64(i))
	}
	x, y, z := room.SizeM[0], room.SizeM[1], room.SizeM[2]
	s := rig.Scene{
		Name: "trial", TemperatureC: between(15, 28), RateHz: rate, Room: room,
		Programme:   rig.Programme{Kind: rig.Pink, LevelDBFS: -20},
		Noise:       rig.Noise{LevelDBFS: rig.NoNoise},
		Microphones: []rig.Microphone{{Name: "seat", PositionM: rig.Position{between(0.35, 0.7) * x, between(0.25, 0.75) * y, between(1.1, 1.7)}}},
	}
	box := func(name string, at rig.Position, low, crossover, gain float64) {
		s.Loudspeakers = append(s.Loudspeakers, rig.Loudspeaker{Name: name, PositionM: at, Polarity: rig.Same, GainDB: gain,
			LowHz: low, HighHz: between(14000, 18000), CrossoverHz: crossover, CrossoverOrder: 4})
	}
	mic := s.Microphones[0].PositionM
	box("main", rig.Position{between(1, 3), between(0.15, 0.4) * y, between(2.5, z-0.5)}, between(45, 70), between(1000, 2200), between(4, 8))
	if rng.IntN(4) > 0 {
		box("fill", rig.Position{between(2, 4), between(0.45, 0.6) * y, between(0.8, 1.6)}, between(80, 130), between(1500, 2500), between(0, 4))
	}
	if rng.IntN(2) > 0 {
		box("right", rig.Position{between(1, 3), between(0.65, 0.9) * y, between(2.5, z-0.5)}, between(45, 70), between(1000, 2200), between(4, 8))
	}
	if rng.IntN(3) == 0 {
		box("tower", rig.Position{mic[0] - between(2, 4), between(0.1, 0.9) * y, between(2.5, z-0.5)}, between(80, 130), between(1200, 2200), between(-4, 2))
	}
	farthest := 0.0
	for _, l := range s.Loudspeakers {
		farthest = max(farthest, apart(l.PositionM, mic))
	}
	for i := range s.Loudspeakers {
		if rng.IntN(2) > 0 {
			s.Loudspeakers[i].DelayMs = max(0, (farthest-apart(s.Loudspeakers[i].PositionM, mic))/s.SpeedOfSound()*1000+between(-1, 4))
		}
	}
	return s
}

func apart(a, b rig.Position) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

// newStage is a random hall with noise 15 to 35 dB under the programme.
func newStage(seed uint64) *stage {
	rng := rand.New(rand.NewPCG(seed, 99))
	return stageOf(randomScene(rng), rng)
}

func stageOf(scene rig.Scene, rng *rand.Rand) *stage {
	const n = 32768
	s := &stage{rng: rng, scene: scene, n: n, plan: fft.NewReal(n), solo: -1,
		ref: pinkNoise{rng: rand.New(rand.NewPCG(rng.Uint64(), 1))}, bg: pinkNoise{rng: rand.New(rand.NewPCG(rng.Uint64(), 2))},
		h: make([]complex128, n/2+1), block: make([]float64, n), x: make([]complex128, n/2+1), y: make([]float64, n), v: make([]float64, n/2)}
	s.delayed = make([]float64, n/2)
	s.set(s.spectra(scene))
	var signal, noise float64
	for range 20 {
		_, mic := s.next()
		s.bg.fill(s.v)
		for i, v := range mic {
			signal, noise = signal+v*v, noise+s.v[i]*s.v[i]
		}
	}
	s.noise = math.Sqrt(signal / noise * math.Pow(10, -(15+20*rng.Float64())/10))
	return s
}

// spectra are the ways of a scene's loudspeakers to the microphone.
func (s *stage) spectra(scene rig.Scene) [][]complex128 {
	var out [][]complex128
	for i := range scene.Loudspeakers {
		h, _ := scene.ImpulseResponse(i, 0)
		out = append(out, s.spectrum(h))
	}
	return out
}

func (s *stage) spectrum(h []float64) []complex128 {
	padded := make([]float64, s.n)
	copy(padded, h[:min(len(h), s.n/2)])
	return s.plan.Forward(nil, padded)
}

// set lets the loudspeakers be heard through other ways.
func (s *stage) set(paths [][]complex128) {
	s.paths = paths
	clear(s.h)
	for i, p := range paths {
		if s.solo < 0 || s.solo == i {
			for k, v := range p {
				s.h[k] += v
			}
		}
	}
}

// next is a third of a second of reference and microphone.
func (s *stage) next() (ref, mic []float64) {
	half := s.n / 2
	copy(s.block, s.block[half:])
	s.ref.fill(s.block[half:])
	s.plan.Forward(s.x, s.block)
	for k, v := range s.h {
		s.x[k] *= v
	}
	s.plan.Inverse(s.y, s.x)
	s.bg.fill(s.v)
	mic = s.y[half:]
	for i, v := range s.v {
		mic[i] += s.noise * v
	}
	// The rig's responses begin early by stageZero samples: so does the reference.
	copy(s.delayed, s.block[half-stageZero:s.n-stageZero])
	return s.delayed, mic
}

func (s *stage) record(seconds float64) (ref, mic []float64) {
	for float64(len(ref)) < seconds*rate {
		x, y := s.next()
		ref, mic = append(ref, x...), append(mic, y...)
	}
	return ref, mic
}

// learn makes a watch of a stage: takes of each loudspeaker alone and of all.
func (s *stage) learn(alone bool) (*watch.Watch, error) {
	var speakers []watch.Loudspeaker
	mic := s.scene.Microphones[0].PositionM
	for i, l := range s.scene.Loudspeakers {
		w := watch.Loudspeaker{Name: l.Name, DelayS: l.DelayMs/1000 + apart(l.PositionM, mic)/s.scene.SpeedOfSound(), ElectricalS: l.DelayMs / 1000}
		if alone && len(s.scene.Loudspeakers) > 1 {
			s.solo = i
			s.set(s.paths)
			w.Ref, w.Mic = s.record(13)
		}
		speakers = append(speakers, w)
	}
	s.solo = -1
	s.set(s.paths)
	ref, heard := s.record(16)
	b, err := watch.Learn(watch.Config{SampleRateHz: rate, TemperatureC: s.scene.TemperatureC}, ref, heard, speakers)
	if err != nil {
		return nil, err
	}
	return watch.New(b), nil
}

// hear plays for some seconds, at least one block, and returns what was found.
func (s *stage) hear(w *watch.Watch, seconds float64) (events []watch.Event) {
	for n := 0; n == 0 || float64(n) < seconds*rate; {
		x, y := s.next()
		w.Feed(x, y)
		n += len(x)
		events = w.Events(events)
	}
	return events
}

// nudged is the scene with its microphone moved by so many metres any way.
func (s *stage) nudged(m float64) rig.Scene {
	var way [3]float64
	length := 0.0
	for i := range way {
		way[i] = s.rng.NormFloat64()
		length += way[i] * way[i]
	}
	scene := s.scene
	scene.Microphones = slices.Clone(scene.Microphones)
	for i := range way {
		scene.Microphones[0].PositionM[i] += m * way[i] / math.Sqrt(length)
	}
	return scene
}

// warmer is the scene in other air.
func (s *stage) warmer(kelvin float64) rig.Scene {
	scene := s.scene
	scene.TemperatureC += kelvin
	return scene
}

// person stands up 0.4 to 1.5 m before the microphone, towards one of the
// loudspeakers: a strip 0.45 m wide that ends 0.3 to 0.7 m above the microphone,
// and takes the direct sounds away that pass it as Fresnel's integrals over a
// rectangle say (Born and Wolf, Principles of Optics, 7th ed., 8.7.3; that a
// strip stands for a body is our simplification). A tenth of the room's sound,
// in pieces of 2 ms, is shaded by it too, by 10 dB above 1 kHz.
func (s *stage) person() [][]complex128 {
	const width = 0.45
	mic := s.scene.Microphones[0].PositionM
	towards := s.scene.Loudspeakers[s.rng.IntN(len(s.scene.Loudspeakers))].PositionM
	angle := math.Atan2(towards[1]-mic[1], towards[0]-mic[0]) + 0.3*(s.rng.Float64()-0.5)
	away, top := 0.4+1.1*s.rng.Float64(), 0.3+0.4*s.rng.Float64()
	px, py := away*math.Cos(angle), away*math.Sin(angle)
	dry := s.scene
	dry.Room.Reflections = 0
	direct := s.spectra(dry)
	var out [][]complex128
	for i, whole := range s.paths {
		at := s.scene.Loudspeakers[i].PositionM
		dx, dy := at[0]-mic[0], at[1]-mic[1]
		level := math.Hypot(dx, dy)
		along, aside := (px*dx+py*dy)/level, (px*dy-py*dx)/level
		climbs := (at[2] - mic[2]) / level * along // the line of sight where the person stands
		a, b := level-along, along
		rest := make([]complex128, len(whole))
		for k := range rest {
			rest[k] = whole[k] - direct[i][k]
		}
		h := make([]float64, s.n)
		s.plan.Inverse(h, rest)
		rest = s.plan.Forward(rest, s.shade(h))
		p := make([]complex128, len(whole))
		for k := range p {
			g := complex(1, 0)
			if hz := float64(k) * rate / float64(s.n); along > 0.2 && hz > 0 {
				scale := math.Sqrt(2 * hz / s.scene.SpeedOfSound() * (1/a + 1/b))
				across := (fresnel((aside+width/2)*scale) - fresnel((aside-width/2)*scale)) / (1 + 1i)
				up := (fresnel((top-climbs)*scale) + (1+1i)/2) / (1 + 1i)
				g = cmplx.Conj(1 - across*up)
			}
			p[k] = g*direct[i][k] + rest[k]
		}
		out = append(out, p)
	}
	return out
}

// shade takes 10 dB above 1 kHz from a tenth of an impulse response's pieces.
func (s *stage) shade(h []float64) []float64 {
	const piece = rate / 500
	a, low := 1-math.Exp(-2*math.Pi*1000/rate), 0.0
	shaded := false
	for i, v := range h {
		if i%piece == 0 {
			shaded = s.rng.IntN(10) == 0
		}
		low += a * (v - low)
		if shaded {
			h[i] = low + 0.316*(v-low)
		}
	}
	return h
}

// fresnel is C(u)+iS(u) (Abramowitz and Stegun 7.3, by the rational
// approximations of Heald, Math. Comp. 44, 1985: right to 0.002).
func fresnel(u float64) complex128 {
	if u < 0 {
		return -fresnel(-u)
	}
	r := (1 + 0.926*u) / (2 + 1.792*u + 3.104*u*u)
	f := 1 / (2 + 4.142*u + 3.492*u*u + 6.670*u*u*u) // g
	sin, cos := math.Sincos(math.Pi / 2 * u * u)
	return complex(0.5+r*sin-f*cos, 0.5-r*cos-f*sin)
}

// with is a change of one loudspeaker's way, by frequency.
func (s *stage) with(i int, by func(hz float64) complex128) [][]complex128 {
	out := slices.Clone(s.paths)
	out[i] = s.through(out[i], by)
	return out
}

// all is a change of all ways.
func (s *stage) all(by func(hz float64) complex128) [][]complex128 {
	var out [][]complex128
	for _, p := range s.paths {
		out = append(out, s.through(p, by))
	}
	return out
}

func (s *stage) through(path []complex128, by func(hz float64) complex128) []complex128 {
	out := make([]complex128, len(path))
	for k, v := range path {
		out[k] = v * by(float64(k)*rate/float64(s.n))
	}
	return out
}

// pinkNoise is white noise through first-order sections an octave or more apart.
type pinkNoise struct {
	rng *rand.Rand
	b   [3]float64
}

func (p *pinkNoise) fill(dst []float64) {
	b := &p.b
	for i := range dst {
		w := p.rng.NormFloat64()
		b[0] = 0.99765*b[0] + w*0.0990460
		b[1] = 0.96300*b[1] + w*0.2965164
		b[2] = 0.57000*b[2] + w*1.0526913
		dst[i] = 0.05 * (b[0] + b[1] + b[2] + w*0.1848)
	}
}
