// Package fft is the house's one fast Fourier transform: power-of-two lengths,
// e^{−j2πik/n} forward, unnormalised; only Real.Inverse divides by n.
//
// A plan carries scratch, and tables that it shares with others of its length, and
// allocates nothing after it was made, so each goroutine needs its own. Stockham's
// self-sorting radix-4 algorithm (Cochran et al., What is the fast Fourier transform?,
// Proc. IEEE 55, 1967; Van Loan, Computational Frameworks for the FFT, SIAM 1992, §1.7
// and §2.4). The butterflies are in Go, and on amd64 in AVX-512, AVX or SSE2 as well,
// several times as fast, to the same bit.
package fft
