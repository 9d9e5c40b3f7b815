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
// transforms take as long to make as some ten transforms. turned are the same
// for what turns the halves of a real transform.
var (
	planned = shared[twiddles]{of: make(map[int]weak.Pointer[twiddles])}
	turned  = shared[turns]{of: make(map[int]weak.Pointer[turns])}
)

// shared are tables that live as long as somebody has them.
type shared[T any] struct {
	mu sync.Mutex
	of map[int]weak.Pointer[T]
}

// get is the table of a length, made if nobody has it.
func (s *shared[T]) get(n int, make func(n int) *T) *T {
	s.mu.Lock()
	defer s.mu.Unlock()
	if t := s.of[n].Value(); t != nil {
		return t
	}
	t := make(n)
	s.of[n] = weak.Make(t)
	return t
}

// twiddlesOf are those of transforms of n.
func twiddlesOf(n int) *twiddles { return planned.get(n, newTwiddles) }

// turns are e^{−j2πk/n}, k = 0…n/4.
type turns struct{ at []complex128 }

func turnsOf(n int) *turns {
	return turned.get(n, func(n int) *turns {
		t := &turns{make([]complex128, n/4+1)}
		for k := range t.at {
			t.at[k] = root(k, n)
		}
		return t
	})
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
