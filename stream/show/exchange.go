package show

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"

	"plumbline/analyze/fft"
	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// Exchange is a take as JSON, with all that its spectra hold: densities in full
// scale squared per hertz, Gxy = E[conj(X)·Y], the microphone's correction
// already applied.
type Exchange struct {
	Format            string       `json:"format"`  // "plumbline take"
	Version           int          `json:"version"` // 1
	Take              Take         `json:"take"`
	FrequencyHz       []float64    `json:"frequency_hz"`
	Gxx               []wire.Value `json:"gxx"`
	Gyy               []wire.Value `json:"gyy"`
	GxyReal           []wire.Value `json:"gxy_real"`
	GxyImag           []wire.Value `json:"gxy_imag"`
	EffectiveAverages []wire.Value `json:"effective_averages"`
}

const exchangeFormat = "plumbline take"

// WriteJSON writes a take with its spectra.
func WriteJSON(w io.Writer, t Take, s *response.Spectra) error {
	x := Exchange{Format: exchangeFormat, Version: 1, Take: t, FrequencyHz: s.FrequencyHz}
	for i := range s.FrequencyHz {
		x.Gxx = append(x.Gxx, wire.Value(s.Gxx[i]))
		x.Gyy = append(x.Gyy, wire.Value(s.Gyy[i]))
		x.GxyReal = append(x.GxyReal, wire.Value(real(s.Gxy[i])))
		x.GxyImag = append(x.GxyImag, wire.Value(imag(s.Gxy[i])))
		x.EffectiveAverages = append(x.EffectiveAverages, wire.Value(s.EffectiveAverages[i]))
	}
	return json.NewEncoder(w).Encode(x)
}

// ReadJSON reads what WriteJSON wrote. The take comes without seat, loudspeakers
// and correction: those were another show's. Whatever is sent, no more is kept in
// memory than a take can have.
func ReadJSON(r io.Reader) (Take, *response.Spectra, error) {
	x, err := readExchange(r)
	if err != nil {
		return x.Take, nil, err
	}
	n := len(x.FrequencyHz)
	switch {
	case x.Format != exchangeFormat:
		return x.Take, nil, refuse(0, "format", "this JSON is no take: its format must be %q", exchangeFormat)
	case x.Version != 1:
		return x.Take, nil, refuse(0, "newer", "this take is of version %d, known is 1: update plumbline", x.Version)
	case n == 0 || n > maxPoints || len(x.Gxx) != n || len(x.Gyy) != n || len(x.GxyReal) != n || len(x.GxyImag) != n || len(x.EffectiveAverages) != n:
		return x.Take, nil, refuse(0, "spectra", "the arrays of a take must be of one length, 1 to %d", maxPoints)
	}
	if err := x.Take.checkForeign(); err != nil {
		return x.Take, nil, err
	}
	t := x.Take
	t.ID, t.Seat, t.Correction, t.Loudspeakers, t.Origin = 0, 0, 0, nil, Imported
	s := &response.Spectra{
		SampleRateHz: t.SampleRateHz, Window: int(t.Window), Overlap: t.Overlap,
		DelayS: t.DelayMs / 1000, AveragedS: t.AveragedS, FrequencyHz: x.FrequencyHz,
	}
	for i, f := range x.FrequencyHz {
		if !(f >= 0 && f <= maxHz) || i > 0 && f <= x.FrequencyHz[i-1] {
			return t, nil, refuse(0, "spectra", "the frequencies of a take must ascend, up to %g Hz: point %d does not", maxHz, i+1)
		}
		if x.Gxx[i] < 0 || x.Gyy[i] < 0 || math.IsNaN(float64(x.Gxx[i])) || math.IsNaN(float64(x.Gyy[i])) {
			return t, nil, refuse(0, "spectra", "point %d of the take has no power density", i+1)
		}
		s.Gxx = append(s.Gxx, float64(x.Gxx[i]))
		s.Gyy = append(s.Gyy, float64(x.Gyy[i]))
		s.Gxy = append(s.Gxy, complex(float64(x.GxyReal[i]), float64(x.GxyImag[i])))
		s.EffectiveAverages = append(s.EffectiveAverages, float64(x.EffectiveAverages[i]))
	}
	return t, s, nil
}

// ImpulseOf is the impulse response of spectra around their arrival; sample k
// lies at startMs + k/rate after the reference.
func ImpulseOf(s *response.Spectra) (samples []float32, startMs float64, err error) {
	if err := checkGrid(s.SampleRateHz, s.Window); err != nil {
		return nil, 0, err
	}
	p, err := response.NewImpulse(response.ImpulseConfig{SampleRateHz: s.SampleRateHz, BeforeS: 0.01, AfterS: 0.49})
	if err != nil {
		return nil, 0, err
	}
	h, startMs, _ := p.Compute(nil, s)
	samples = make([]float32, len(h))
	for i, x := range h {
		samples[i] = float32(x)
	}
	return samples, startMs, nil
}

// maxImpulse is the longest impulse response that is imported, in samples.
const maxImpulse = 1 << 18

// OfImpulse are spectra of unit reference whose response is the Fourier
// transform of an impulse response, on the grid of the next power of two. The
// largest sample is taken as the arrival and its delay out of the phase. An
// impulse response carries no noise: the coherence is 1, and averages says what
// it is worth.
func OfImpulse(sampleRateHz float64, h []float64, averages float64) (*response.Spectra, error) {
	if len(h) < 2 || len(h) > maxImpulse {
		return nil, refuse(0, "impulse", "an impulse response of %d samples cannot be read: 2 to %d are", len(h), maxImpulse)
	}
	if err := checkGrid(sampleRateHz, 0); err != nil {
		return nil, err
	}
	size, arrival := 256, 0
	for size < len(h) {
		size *= 2
	}
	x := make([]float64, size)
	for i, v := range h {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, refuse(0, "impulse", "sample %d of the impulse response is no number", i+1)
		}
		x[i] = v
		if math.Abs(v) > math.Abs(h[arrival]) {
			arrival = i
		}
	}
	if h[arrival] == 0 {
		return nil, refuse(0, "impulse", "the impulse response is silent")
	}
	// Turn the ring so that the arrival lies at 0.
	turned := append(append(make([]float64, 0, size), x[arrival:]...), x[:arrival]...)
	X := fft.NewReal(size).Forward(nil, turned)
	s := &response.Spectra{SampleRateHz: sampleRateHz, Window: size, DelayS: float64(arrival) / sampleRateHz}
	for k, v := range X {
		s.FrequencyHz = append(s.FrequencyHz, float64(k)*sampleRateHz/float64(size))
		s.Gxx = append(s.Gxx, 1)
		s.Gyy = append(s.Gyy, real(v)*real(v)+imag(v)*imag(v))
		s.Gxy = append(s.Gxy, v)
		s.EffectiveAverages = append(s.EffectiveAverages, averages)
	}
	return s, nil
}

// WriteWAV writes 32-bit float samples, interleaved, as RIFF/WAVE (format tag 3
// with a fact chunk, as the format's specification asks of float).
func WriteWAV(w io.Writer, sampleRateHz, channels int, samples []float32) error {
	if size := int64(4*len(samples)) + 50; size > math.MaxUint32 {
		return fmt.Errorf("%d samples do not fit a WAV file", len(samples))
	}
	b := bufio.NewWriter(w)
	le := binary.LittleEndian
	head := append(make([]byte, 0, 58), "RIFF"...)
	head = le.AppendUint32(head, uint32(50+4*len(samples)))
	head = append(head, "WAVEfmt "...)
	head = le.AppendUint32(head, 18)
	head = le.AppendUint16(head, 3)
	head = le.AppendUint16(head, uint16(channels))
	head = le.AppendUint32(head, uint32(sampleRateHz))
	head = le.AppendUint32(head, uint32(sampleRateHz*channels*4))
	head = le.AppendUint16(head, uint16(channels*4))
	head = le.AppendUint16(head, 32)
	head = le.AppendUint16(head, 0)
	head = append(head, "fact"...)
	head = le.AppendUint32(head, 4)
	head = le.AppendUint32(head, uint32(len(samples)/channels))
	head = append(head, "data"...)
	head = le.AppendUint32(head, uint32(4*len(samples)))
	b.Write(head)
	var four [4]byte
	for _, x := range samples {
		le.PutUint32(four[:], math.Float32bits(x))
		b.Write(four[:])
	}
	return b.Flush() // a bufio.Writer keeps its first error
}
