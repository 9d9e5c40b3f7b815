package polarity

import "plumbline/analyze/response"

// Judge tells whether a loudspeaker is wired the same way round as the electrical reference.
func Judge(s *response.Spectra) Verdict {
	return Verdict{Reason: "no band is trusted"}
}

// Compare tells whether two loudspeakers of one kind, a and b, are wired the same way round.
func Compare(a, b *response.Spectra) Verdict {
	return Verdict{Reason: "no band is trusted in both"}
}
