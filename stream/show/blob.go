package show

import (
	"database/sql"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math"
	"slices"

	"plumbline/analyze/response"
)

// A blob of spectra is "SPC1", the CRC-32 (IEEE) of what follows, and six
// little-endian float64 for each point: frequency in Hz, Gxx, Gyy, real and
// imaginary part of Gxy, effective averages.
const (
	spectraHead = 8
	pointSize   = 6 * 8
)

var errBlob = errors.New("not what was stored")

func packSpectra(s *response.Spectra) ([]byte, error) {
	n := len(s.FrequencyHz)
	if len(s.Gxx) != n || len(s.Gyy) != n || len(s.Gxy) != n || len(s.EffectiveAverages) != n || n == 0 {
		return nil, refuse(0, "spectra", "a take needs spectra, as many numbers of each kind")
	}
	b := make([]byte, spectraHead, spectraHead+n*pointSize)
	copy(b, "SPC1")
	for i := range n {
		for _, x := range [6]float64{s.FrequencyHz[i], s.Gxx[i], s.Gyy[i], real(s.Gxy[i]), imag(s.Gxy[i]), s.EffectiveAverages[i]} {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
	}
	binary.LittleEndian.PutUint32(b[4:], crc32.ChecksumIEEE(b[spectraHead:]))
	return b, nil
}

func unpackSpectra(s *response.Spectra, b []byte) error {
	if len(b) < spectraHead || (len(b)-spectraHead)%pointSize != 0 || string(b[:4]) != "SPC1" ||
		binary.LittleEndian.Uint32(b[4:]) != crc32.ChecksumIEEE(b[spectraHead:]) {
		return errBlob
	}
	s.FrequencyHz, s.Gxx, s.Gyy = s.FrequencyHz[:0], s.Gxx[:0], s.Gyy[:0]
	s.Gxy, s.EffectiveAverages = s.Gxy[:0], s.EffectiveAverages[:0]
	n := (len(b) - spectraHead) / pointSize
	s.FrequencyHz, s.Gxx, s.Gyy = slices.Grow(s.FrequencyHz, n), slices.Grow(s.Gxx, n), slices.Grow(s.Gyy, n)
	s.Gxy, s.EffectiveAverages = slices.Grow(s.Gxy, n), slices.Grow(s.EffectiveAverages, n)
	for p := b[spectraHead:]; len(p) > 0; p = p[pointSize:] {
		x := func(i int) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(p[8*i:])) }
		s.FrequencyHz = append(s.FrequencyHz, x(0))
		s.Gxx = append(s.Gxx, x(1))
		s.Gyy = append(s.Gyy, x(2))
		s.Gxy = append(s.Gxy, complex(x(3), x(4)))
		s.EffectiveAverages = append(s.EffectiveAverages, x(5))
	}
	return nil
}

// partSamples: audio is stored in parts of 1 MiB, so that no row is huge.
const partSamples = 1 << 18

// castagnoli is the polynomial of CRC-32C (RFC 3720, appendix B.4).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// sumPart is the checksum of a part of somebody's audio. Whose it is and which
// counts too: parts that were exchanged are as wrong as others.
func sumPart(owner, part int64, samples []byte) int64 {
	var head [16]byte
	binary.LittleEndian.PutUint64(head[:], uint64(owner))
	binary.LittleEndian.PutUint64(head[8:], uint64(part))
	return int64(crc32.Update(crc32.Checksum(head[:], castagnoli), castagnoli, samples))
}

// packParts stores samples in a table of owner, part, samples and crc.
func packParts(tx *sql.Tx, table string, owner int64, samples []float32) error {
	b := make([]byte, 0, 4*min(partSamples, len(samples)))
	for part := int64(0); len(samples) > 0; part++ {
		n := min(partSamples, len(samples))
		b = b[:0]
		for _, x := range samples[:n] {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
		}
		if _, err := tx.Exec("INSERT INTO "+table+" VALUES (?, ?, ?, ?)", owner, part, b, sumPart(owner, part, b)); err != nil {
			return err
		}
		samples = samples[n:]
	}
	return nil
}

func unpackAudio(dst []float32, b []byte) []float32 {
	for ; len(b) >= 4; b = b[4:] {
		dst = append(dst, math.Float32frombits(binary.LittleEndian.Uint32(b)))
	}
	return dst
}

// readParts reads so many samples of somebody's audio; errBlob: they are not
// what was stored.
func (s *Show) readParts(table, column string, owner, want int64) (samples []float32, err error) {
	rows, err := s.db.Query("SELECT part, samples, crc FROM "+table+" WHERE "+column+" = ? ORDER BY part", owner)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	samples = make([]float32, 0, min(max(want, 0), partSamples))
	for next := int64(0); rows.Next(); next++ {
		var part int64
		var sum sql.NullInt64
		var b sql.RawBytes
		if err := rows.Scan(&part, &b, &sum); err != nil {
			return nil, err
		}
		if part != next || sum.Valid && sum.Int64 != sumPart(owner, part, b) || len(b)%4 != 0 || int64(len(samples)+len(b)/4) > want {
			return nil, errBlob
		}
		samples = unpackAudio(samples, b)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	if int64(len(samples)) != want {
		return nil, errBlob
	}
	return samples, nil
}
