package wavfile

// stereoQuads is stereoQuadsGo, four frames at a time: 4 at least. It needs SSE2,
// which every amd64 processor has.
//
//go:noescape
func stereoQuads(left, right []float64, block []byte) bool
