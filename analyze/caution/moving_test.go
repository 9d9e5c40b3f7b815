package caution

import (
	"testing"

	"plumbline/analyze/stationarity"
)

// What a path did, in words.
func TestMoved(t *testing.T) {
	part := func(from, to, value float64) stationarity.Part {
		return stationarity.Part{FromS: from, ToS: to, Value: value}
	}
	for _, c := range []struct {
		v    stationarity.Verdict
		code Code
		want string
	}{
		{stationarity.Verdict{Kind: stationarity.Drifts, PPM: -3.02, PPMSD: 0.001}, Moving,
			"The clocks of the reference and of the microphone on channel 2 drift apart by 3.02 ppm. Record both with one clock."},
		{stationarity.Verdict{Kind: stationarity.Steps, Parts: []stationarity.Part{part(0.3, 5.8, 0), part(6.2, 9, -0.01)}, Samples: []int{-480}}, LostSamples,
			"The microphone on channel 2 lost 480 samples (10 ms) at 7.0 s. Record again, with a larger buffer."},
		{stationarity.Verdict{Kind: stationarity.Steps, Parts: []stationarity.Part{part(0.3, 5.8, 0), part(6.2, 9, 0.01)}, Samples: []int{480}}, LostSamples,
			"The reference on channel 1 lost 480 samples (10 ms) at 7.0 s. Record again, with a larger buffer."},
		{stationarity.Verdict{Kind: stationarity.Steps, Parts: []stationarity.Part{part(0.3, 5.8, 0), part(6.2, 9, 0.00037)}}, Moving,
			"The sound reaches the microphone on channel 2 0.37 ms later from 7.0 s on. Was it moved, or a delay set? Leave all as it is while you measure."},
		{stationarity.Verdict{Kind: stationarity.Wanders, RangeS: 150e-6}, Moving,
			"The path to the microphone on channel 2 does not stand still: the sound comes now earlier, now later, by up to 0.15 ms. Put the microphone on a stand, and measure when there is no wind."},
		{stationarity.Verdict{Kind: stationarity.Still, Gain: stationarity.Steps, GainParts: []stationarity.Part{part(0.3, 5.8, -1), part(6.2, 9, 2)}}, NotLinear,
			"The microphone on channel 2 gets 3.0 dB louder at 7.0 s. Leave all gains as they are while you measure."},
	} {
		path, gain := Moved(&c.v, At(1), At(2), 1)
		list := append(path, gain...)
		if len(list) != 1 || list[0].Code != c.code || list[0].Text() != c.want {
			t.Errorf("%+v", list)
		}
	}
	if path, gain := Moved(&stationarity.Verdict{Kind: stationarity.Still, Gain: stationarity.Still}, At(1), At(2), 0); len(path)+len(gain) > 0 {
		t.Errorf("%v %v of what stood still", path, gain)
	}
}
