// Package fft is the house's one fast Fourier transform.
package fft
