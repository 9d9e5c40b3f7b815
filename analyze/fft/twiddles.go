package fft

import (
	"sync"
	"weak"
)

// twiddles are the factors of one length, which all its plans share.
type twiddles struct {
	stages [][]complex128 // three a butterfly, stage by stage
}

// planned are the twiddles that a plan still has, by length: those of long
// transforms take as long to make as some ten transforms.
var planned = struct {
	sync.Mutex
	of map[int]weak.Pointer[twiddles]
}{of: make(map[int]weak.Pointer[twiddles])}

// twiddlesOf are those of transforms of n.
func twiddlesOf(n int) *twiddles {
	planned.Lock()
	defer planned.Unlock()
	if t := planned.of[n].Value(); t != nil {
		return t
	}
	t := newTwiddles(n)
	planned.of[n] = weak.Make(t)
	return t
}

func newTwiddles(n int) *twiddles {
	t := &twiddles{}
	roots := make([]complex128, n)
	for k := range roots {
		roots[k] = root(k, n)
	}
	for m := n; m >= 4; m /= 4 {
		s := make([]complex128, 0, 3*m/4)
		for p := range m / 4 {
			for k := 1; k <= 3; k++ {
				s = append(s, roots[k*p*(n/m)])
			}
		}
		t.stages = append(t.stages, s)
	}
	return t
}
