package setup

import (
	"context"

	"plumbline/capture"
	"plumbline/capture/device"
	"plumbline/cmd/plumbline/survey"
)

// Devices are what this computer can measure with.
type Devices interface {
	List() ([]device.Device, error)
	// Open checks that the device is there and takes the channels and the rate.
	Open(device.Config) (capture.Source, error)
	Output(device.OutputConfig) (Output, error)
	// Player plays the test signal of surveys.
	Player(survey.OutputConfig) (survey.Player, error)
}

// Output plays what fill gives, block by block, until ctx is done.
type Output interface {
	Play(ctx context.Context, fill func(block []float32)) error
}

// System are the devices that PortAudio finds.
type System struct{}

// List implements Devices.
func (System) List() ([]device.Device, error) { return device.List() }

// Open implements Devices.
func (System) Open(cfg device.Config) (capture.Source, error) { return device.Open(cfg) }

// Output implements Devices.
func (System) Output(cfg device.OutputConfig) (Output, error) { return device.OpenOutput(cfg) }

// Player implements Devices.
func (System) Player(cfg survey.OutputConfig) (survey.Player, error) { return survey.NewOutput(cfg) }
