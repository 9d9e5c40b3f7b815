package caution

// PeaksCut says that something in front of the loudspeaker clips.
func PeaksCut(microphone Input) Caution {
	return Caution{Code: NotLinear, Lead: "What ", Subject: "the microphone " + microphone.Where(),
		Finding: " hears has its peaks cut off: an amplifier or a processor in front of the loudspeaker clips. ",
		Next:    "Turn the programme down by 6 dB and measure again.", After: loudness}
}

// GainFollows says that the gain goes down as the level goes up.
func GainFollows(microphone Input) Caution {
	return Caution{Code: NotLinear, Lead: "The louder the programme, the less of it reaches ", Subject: "the microphone " + microphone.Where(),
		Finding: ": a limiter or a compressor is at work behind the reference. ",
		Next:    "Bypass it, or turn the programme down until it rests, and measure again.", After: loudness}
}

const loudness = " Until then the curve is as good as its gain, which goes with the loudness."
