package summation

import (
	"math/rand/v2"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
)

// What is believed of a noisy seat: a plan asks for it some dozens of times a seat.
func BenchmarkBelief(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 21))
	x, y := noisySeat(rng)
	var s [2]*response.Spectra
	for i, path := range []seattest.Path{x, y} {
		ref, mic := seattest.RecordN(rng, 1<<18, 0, 12, path)
		s[i] = seattest.Welch(ref, mic, 32768, x.Copies[0].DelayMs)
	}
	pair, err := NewPair(s[0], s[1], Band{200, 16000})
	if err != nil {
		b.Fatal(err)
	}
	if pair.Clear() {
		b.Fatal("nothing is to be believed here: it is known")
	}
	at := pair.Offset(20)
	for b.Loop() {
		pair.Belief(at)
	}
}
