package response

// What one of several references has to do with a microphone once the others are
// taken out of both: the conditioned spectra of Bendat and Piersol, Random Data, 4th
// ed., ch. 7. Of the Hermitian matrix of the spectra of all references and the
// microphone,
//
//	G = | Gxx  Gxy |     Gxx·H = Gxy
//	    | Gyx  Gyy |
//
// one step of Gaussian elimination takes one reference out of all the others:
//
//	Gij·r = Gij − Gir Grj / Grr
//
// What is left of reference p and the microphone after all steps but its own are
// Gpp·r, Gyy·r and Gpy·r, and H of its path is Gpy·r/Gpp·r, the coherence its partial
// coherence. A step costs an average: n of them are worth n−r after r steps (Goodman
// 1957; Bendat and Piersol, ch. 9), so that Spectra with those are a measured response
// like any other, with the same variance and the same interval.

// nothingOfItsOwn of its power is what rounding leaves of a reference that the others
// make up; it is not taken out of the rest again.
const nothingOfItsOwn = 1e-10

// spectral is the matrix of spectra at one frequency: references first, then the
// microphone. Element i, j is E[conj(Xi)·Xj].
type spectral struct {
	order    int
	elements []complex128
	power    []float64 // the diagonal as it was loaded
}

func newSpectral(references int) *spectral {
	n := references + 1
	return &spectral{order: n, elements: make([]complex128, n*n), power: make([]float64, n)}
}

// load takes bin k of sums, which holds the upper triangle row by row.
func (s *spectral) load(sums [][]complex128, k int) {
	i, j := 0, 0
	for _, sum := range sums {
		v := sum[k]
		s.elements[i*s.order+j] = v
		s.elements[j*s.order+i] = complex(real(v), -imag(v))
		if j++; j == s.order {
			i++
			j = i
		}
	}
	s.loaded()
}

// loaded keeps the powers.
func (s *spectral) loaded() {
	for i := range s.power {
		s.power[i] = real(s.elements[i*s.order+i])
	}
}

// own says whether reference r has power that those taken out do not make up.
func (s *spectral) own(r int) bool {
	return real(s.elements[r*s.order+r]) > nothingOfItsOwn*s.power[r]
}

// takeOut conditions all of the matrix on reference r; false when it has nothing that
// those before it do not have.
func (s *spectral) takeOut(r int) bool {
	if !s.own(r) {
		return false
	}
	n, pivot := s.order, 1/real(s.elements[r*s.order+r])
	row := s.elements[r*n : r*n+n]
	for i := range n {
		if i == r {
			continue
		}
		at := s.elements[i*n : i*n+n]
		factor := complex(real(at[r])*pivot, imag(at[r])*pivot)
		for j, v := range row {
			if j != r {
				at[j] -= factor * v
			}
		}
	}
	for i := range n {
		s.elements[r*n+i], s.elements[i*n+r] = 0, 0
	}
	return true
}

// path conditions reference p and the microphone on all the others, and says how many
// that took. The cell is empty when p has nothing of its own.
func (s *spectral) path(p int) (c cell, taken int) {
	for r := range s.order - 1 {
		if r != p && s.takeOut(r) {
			taken++
		}
	}
	if !s.own(p) {
		return cell{}, taken
	}
	y := s.order - 1
	v := s.elements[p*s.order+y]
	return cell{
		xx: real(s.elements[p*s.order+p]), yy: max(0, real(s.elements[y*s.order+y])),
		re: real(v), im: imag(v),
	}, taken
}

// all is what the references together explain of the microphone, as the reference of
// a cell: its coherence is the multiple coherence.
func (s *spectral) all() (c cell, taken int) {
	for r := range s.order - 1 {
		if s.takeOut(r) {
			taken++
		}
	}
	y := s.order - 1
	explained := min(max(0, s.power[y]-real(s.elements[y*s.order+y])), s.power[y])
	return cell{xx: explained, yy: s.power[y], re: explained}, taken
}

// predict sets dst, one a reference, to responses of all references but p that together
// predict channel target best: a reference, or the microphone, which comes last. A
// reference that those before it make up gets 0, which predicts as well.
func (s *spectral) predict(dst []complex128, p, target int) {
	n, q := s.order, s.order-1
	for i := range q {
		dst[i] = s.elements[i*n+target]
	}
	for i := range n { // p and the microphone predict nothing
		for _, r := range [2]int{p, q} {
			s.elements[r*n+i], s.elements[i*n+r] = 0, 0
		}
	}
	// Upper triangle first, then back from the last row.
	for r := range q {
		if r == p || !s.own(r) {
			for i := range q {
				s.elements[r*n+i], s.elements[i*n+r] = 0, 0
			}
			dst[r] = 0
			continue
		}
		pivot := complex(1/real(s.elements[r*n+r]), 0)
		for i := r + 1; i < q; i++ {
			factor := s.elements[i*n+r] * pivot
			for j := r; j < q; j++ {
				s.elements[i*n+j] -= factor * s.elements[r*n+j]
			}
			dst[i] -= factor * dst[r]
		}
	}
	for r := q - 1; r >= 0; r-- {
		if s.elements[r*n+r] == 0 {
			continue
		}
		for j := r + 1; j < q; j++ {
			dst[r] -= s.elements[r*n+j] * dst[j]
		}
		dst[r] /= s.elements[r*n+r]
	}
}
