package stream

import (
	"context"

	"plumbline/analyze/response"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// The data of the API, for those who implement it.
type (
	State         = wire.State
	Source        = wire.Source
	Settings      = wire.Settings
	SettingsPatch = wire.SettingsPatch
	RigScene      = wire.RigScene
	RigPatch      = wire.RigPatch
	Error         = wire.Error
)

// Operator holds the state that all clients share. Its methods are called from
// several goroutines. An *Error tells the client what to do; any other error is
// the daemon's trouble.
type Operator interface {
	// State is the state now.
	State() State
	// Change merges the patch, on behalf of by, and returns the new state.
	Change(ctx context.Context, p SettingsPatch, by string) (State, error)
	// Reset starts all averages afresh.
	Reset(ctx context.Context, by string) error
}

// RigOperator holds the scene of a virtual rig, under the same rules.
type RigOperator interface {
	Rig() RigScene
	ChangeRig(ctx context.Context, p RigPatch, by string) (RigScene, error)
}

// TakeRequest says which microphone's measurement to store, and how to label it.
type TakeRequest struct {
	Microphone   int      `json:"microphone,omitempty"` // channel; 0: the first one measured
	Name         string   `json:"name,omitempty"`
	Note         string   `json:"note,omitempty"`
	Seat         int64    `json:"seat,omitempty"`
	Loudspeakers []int64  `json:"loudspeakers,omitempty"`
	Correction   int64    `json:"correction,omitempty"`
	AudioS       *float64 `json:"audio_s,omitempty"` // audio to keep, seconds; absent: as much as was averaged
	// Playing names the loudspeakers, in place of their numbers.
	Playing []string `json:"playing,omitempty"`
	Force   bool     `json:"force,omitempty"` // store it however sure it is
}

// TakeOperator captures takes. Take yields what is measured now: what is known
// of it, its spectra as averaged (not smoothed), and the newest audio. The
// server labels and stores it. The rules of Operator hold.
type TakeOperator interface {
	Take(ctx context.Context, r TakeRequest) (show.Take, *response.Spectra, *show.Audio, error)
}
