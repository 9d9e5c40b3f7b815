//go:build !amd64

package wavfile

func stereoQuads(left, right []float64, block []byte) bool { return stereoQuadsGo(left, right, block) }
