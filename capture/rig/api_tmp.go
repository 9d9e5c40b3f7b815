package rig

import (
	"context"

	"plumbline/capture"
)

func Load(path string) (Scene, error)                        { panic("soon") }
func Demo() Scene                                            { panic("soon") }
func (s Scene) Validate() error                              { panic("soon") }
func (s Scene) Solo(names ...string) (Scene, error)          { panic("soon") }
func (s Scene) SpeedOfSound() float64                        { panic("soon") }
func (s Scene) ArrivalS(loudspeaker, microphone int) float64 { panic("soon") }

type Config struct {
	Pace bool // deliver at the pace of the clock, else as fast as the ring takes it
}
type Rig struct{}

func New(scene Scene, cfg Config) (*Rig, error)                 { panic("soon") }
func (r *Rig) Scene() Scene                                     { panic("soon") }
func (r *Rig) Apply(scene Scene) error                          { panic("soon") }
func (r *Rig) Info() capture.Info                               { panic("soon") }
func (r *Rig) Status() capture.Status                           { panic("soon") }
func (r *Rig) Counters() capture.Counters                       { panic("soon") }
func (r *Rig) Run(ctx context.Context, out *capture.Ring) error { panic("soon") }
func Render(ctx context.Context, scene Scene, frames int64, sink func(interleaved []float32) error) error {
	panic("soon")
}
