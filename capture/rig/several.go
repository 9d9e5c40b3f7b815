package rig

import (
	"context"
	"fmt"
	"math"
)

// What the loudspeakers are sent when each has a reference of its own.
const (
	OwnProgramme    = "own"    // each its own
	StereoProgramme = "stereo" // each its side of one, of mutual coherence Alike
	SameProgramme   = "same"   // all the same, on as many references
)

// DefaultAlike is the mutual coherence of a stereo programme that does not say.
const DefaultAlike = 0.7

// several says whether each loudspeaker has a reference of its own.
func (s Scene) several() bool { return s.Programme.Each != "" }

// References is how many channels of what Render plays are references: they come
// first, one that all loudspeakers share, or one of each.
func (s Scene) References() int {
	if s.several() {
		return len(s.Loudspeakers)
	}
	return 1
}

// alone is what loudspeaker i plays by itself, with its programme; the first brings
// the noise.
func (s Scene) alone(i int) (*Rig, error) {
	one := s.clone()
	for k := range one.Loudspeakers {
		if k != i {
			one.Loudspeakers[k].Mute = true
		}
	}
	if i > 0 {
		one.Noise.LevelDBFS = NoNoise
	}
	one.Programme.Each = ""
	r, err := New(one, Config{})
	if err != nil {
		return nil, err
	}
	return r, r.engine.now.programme.side(s.Programme, s.Seed, i, len(s.Loudspeakers))
}

// side makes of the programme that of loudspeaker i of n. Of a file each has its
// channel, or with its own begins at another place.
func (p *programme) side(cfg Programme, seed uint64, i, n int) (err error) {
	if cfg.Each == SameProgramme {
		return nil
	}
	if cfg.Kind == File {
		channels, frames, err := p.extent()
		if err != nil {
			return err
		}
		if cfg.Each == StereoProgramme {
			p.channel = i % channels
		} else {
			p.at = frames * int64(i) / int64(n)
		}
		return nil
	}
	if p.noise, err = newNoise(kinds[cfg.Kind], seed^uint64(i+1)<<20, p.rateHz); err != nil {
		return err
	}
	if cfg.Each == StereoProgramme {
		// √γ² of the power in the middle makes |Gij|²/(Gii Gjj) = γ².
		middle := math.Sqrt(cfg.Alike)
		p.own, p.common = math.Sqrt(1-middle), math.Sqrt(middle)
		p.middle, err = newNoise(kinds[cfg.Kind], seed, p.rateHz)
	}
	return err
}

// renderSeveral is Render of a scene with several references: each loudspeaker by
// itself, side by side, and their sound added at the microphones.
func renderSeveral(ctx context.Context, scene Scene, frames int64, sink func(interleaved []float32) error) error {
	scene = scene.clone().withDefaults()
	if err := scene.Validate(); err != nil {
		return err
	}
	references, microphones := len(scene.Loudspeakers), len(scene.Microphones)
	rigs := make([]*Rig, references)
	for i := range rigs {
		var err error
		if rigs[i], err = scene.alone(i); err != nil {
			return fmt.Errorf("loudspeaker %d: %w", i+1, err)
		}
		defer rigs[i].engine.close()
	}
	channels := references + microphones
	out := make([]float32, rigs[0].engine.block*channels)
	for left := frames; left > 0; {
		if err := ctx.Err(); err != nil {
			return err
		}
		clear(out)
		for i, r := range rigs {
			block, err := r.engine.play()
			if err != nil {
				return err
			}
			for k := range r.engine.block {
				from, to := block[k*(1+microphones):][:1+microphones], out[k*channels:][:channels]
				to[i] = from[0]
				for m, v := range from[1:] {
					to[references+m] += v
				}
			}
		}
		n := min(int64(rigs[0].engine.block), left)
		if err := sink(out[:n*int64(channels)]); err != nil {
			return err
		}
		left -= n
	}
	return nil
}
