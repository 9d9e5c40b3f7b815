package wavfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// refreshS is how much sound a crash may leave out of the header. The reader
// takes the file's length then; other programs believe the header.
const refreshS = 2

// Writer writes a WAV file of any length. The header has room to become RF64
// (EBU Tech 3306) beyond 4 GiB. Not for two goroutines.
type Writer struct {
	path, temp string // temp is empty when the file is written in place
	file       *os.File
	format     Format
	block      []byte
	filled     int
	frames     int64 // handed to Write
	stored     int64 // on their way to the disk
	refreshed  int64 // in the header
	limited    uint64
	limit      int64 // a RIFF larger than this becomes RF64
	err        error
	closed     bool
}

// Create starts a file that appears under its name only when Close has
// succeeded, in place of any older one. Abort leaves nothing behind.
func Create(path string, format Format) (*Writer, error) {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("cannot write %s: it is there and is not a file, choose another name", path)
	}
	dir, name := filepath.Split(path)
	if name == "" {
		return nil, fmt.Errorf("cannot write %q: give the file a name", path)
	}
	if info, err := os.Stat(filepath.Clean(dir)); dir != "" && (err != nil || !info.IsDir()) {
		return nil, fmt.Errorf("cannot write %s: there is no folder %s", path, filepath.Clean(dir))
	}
	temp := filepath.Join(dir, "."+name+"."+strconv.FormatInt(int64(os.Getpid())<<32^time.Now().UnixNano(), 36)+".part")
	w, err := newWriter(temp, format)
	if cause := (*os.PathError)(nil); errors.As(err, &cause) {
		err = cause.Err // the path in it is the temporary name, which says nothing to anybody
	}
	if err != nil {
		return nil, fmt.Errorf("cannot write %s: %w", path, err)
	}
	w.path, w.temp = path, temp
	return w, nil
}

// Record starts a file under its own name and keeps its header current every
// few seconds, so that what a crash leaves is a sound file. It refuses to
// replace one.
func Record(path string, format Format) (*Writer, error) {
	w, err := newWriter(path, format)
	if errors.Is(err, os.ErrExist) {
		return nil, fmt.Errorf("cannot record to %s: it exists, choose another name", path)
	}
	if err != nil {
		return nil, fmt.Errorf("cannot record to %s: %w", path, err)
	}
	w.path = path
	return w, nil
}

func newWriter(path string, format Format) (*Writer, error) {
	switch {
	case format.Channels < 1 || format.frameBytes() > 0xFFFF:
		return nil, fmt.Errorf("%d channels of %s samples do not go into a WAV file", format.Channels, format.Encoding)
	case format.SampleRateHz < minRateHz || format.SampleRateHz > maxRateHz:
		return nil, fmt.Errorf("a sample rate of %d Hz is outside %d…%d", format.SampleRateHz, minRateHz, maxRateHz)
	case format.Encoding > Float64:
		return nil, fmt.Errorf("%s is not known", format.Encoding)
	}
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	w := &Writer{
		file:   file,
		format: format,
		block:  make([]byte, max(blockBytes/format.frameBytes(), 1)*format.frameBytes()),
		limit:  open32,
	}
	if _, err := file.Write(w.header(0)); err != nil {
		file.Close()
		os.Remove(path)
		return nil, err
	}
	return w, nil
}

// Frames is how many were written; after a Close that failed, how many the file holds.
func (w *Writer) Frames() int64 { return w.frames }

// Limited is how many samples did not fit the encoding: limited to full scale,
// or not finite and written as 0.
func (w *Writer) Limited() uint64 { return w.limited }

// Write appends whole interleaved frames. After an error the file takes no more.
func (w *Writer) Write(interleaved []float32) error {
	if len(interleaved)%w.format.Channels != 0 {
		panic("wavfile: a block must hold whole frames")
	}
	size := w.format.Encoding.Bytes()
	for len(interleaved) > 0 && w.err == nil {
		n := min(len(interleaved), (len(w.block)-w.filled)/size)
		w.limited += uint64(w.format.Encoding.encode(w.block[w.filled:], interleaved[:n]))
		w.filled += n * size
		w.frames += int64(n / w.format.Channels)
		interleaved = interleaved[n:]
		if w.filled == len(w.block) {
			w.flush()
		}
	}
	if w.temp == "" && w.frames-w.refreshed >= refreshS*int64(w.format.SampleRateHz) {
		w.flush()
		w.refresh()
	}
	return w.err
}

// Close finishes the file and puts it in its place. Only after nil it is there.
// A second Close, and Abort after Close, do nothing.
func (w *Writer) Close() error {
	if w.closed {
		return nil
	}
	w.flush()
	if data := w.frames * int64(w.format.frameBytes()); data&1 == 1 && w.err == nil {
		_, w.err = w.file.Write([]byte{0}) // chunks end at even bytes
	}
	w.refresh()
	if w.err == nil {
		w.err = w.file.Sync()
	}
	if w.err != nil {
		err := fmt.Errorf("cannot finish %s: %w", w.path, w.err)
		if w.temp != "" {
			w.Abort()
		} else { // what is on a full disk counts; the header is there already
			w.file.WriteAt(w.header(w.stored), 0)
			w.frames = w.stored
		}
		w.closed = true
		w.file.Close()
		return err
	}
	w.closed = true
	err := w.file.Close()
	if err == nil && w.temp != "" {
		err = os.Rename(w.temp, w.path)
	}
	if err != nil {
		if w.temp != "" {
			os.Remove(w.temp)
		}
		return fmt.Errorf("cannot finish %s: %w", w.path, err)
	}
	return nil
}

// Abort gives up: a file of Create is removed, one of Record stays as it is.
func (w *Writer) Abort() error {
	if w.closed {
		return nil
	}
	w.closed = true
	err := w.file.Close()
	if w.temp != "" {
		err = errors.Join(err, os.Remove(w.temp))
	}
	return err
}

func (w *Writer) flush() {
	if w.err == nil && w.filled > 0 {
		var n int
		n, w.err = w.file.Write(w.block[:w.filled])
		w.filled = 0
		w.stored += int64(n / w.format.frameBytes())
	}
}

func (w *Writer) refresh() {
	if w.err == nil {
		_, w.err = w.file.WriteAt(w.header(w.stored), 0)
		w.refreshed = w.stored
	}
	if w.err == nil && w.temp == "" {
		w.err = w.file.Sync() // little at a time; and a power cut leaves what a crash does
	}
}

// header always has the same length for one format: RIFF, room for a ds64,
// the format, the number of frames for all but plain PCM, and the data chunk.
func (w *Writer) header(frames int64) []byte {
	f := w.format
	data := frames * int64(f.frameBytes())
	tag, bits := tagPCM, f.Encoding.Bytes()*8
	if f.Encoding == Float32 || f.Encoding == Float64 {
		tag = tagFloat
	}
	extensible := f.Channels > 2 || tag == tagPCM && bits > 16

	le := binary.LittleEndian
	chunk := func(b []byte, id string, size int64) []byte {
		return le.AppendUint32(append(b, id...), uint32(size))
	}
	var format []byte
	if extensible {
		format = le.AppendUint16(format, tagExtensible)
	} else {
		format = le.AppendUint16(format, uint16(tag))
	}
	format = le.AppendUint16(format, uint16(f.Channels))
	format = le.AppendUint32(format, uint32(f.SampleRateHz))
	format = le.AppendUint32(format, uint32(f.SampleRateHz*f.frameBytes()))
	format = le.AppendUint16(format, uint16(f.frameBytes()))
	format = le.AppendUint16(format, uint16(bits))
	switch {
	case extensible:
		format = le.AppendUint16(format, 22)
		format = le.AppendUint16(format, uint16(bits))
		format = le.AppendUint32(format, 0) // the channels have no place around a listener
		format = append(le.AppendUint16(format, uint16(tag)), guidTail...)
	case tag != tagPCM:
		format = le.AppendUint16(format, 0)
	}
	body := chunk(nil, "fmt ", int64(len(format)))
	body = append(body, format...)
	if tag != tagPCM || extensible {
		body = le.AppendUint32(chunk(body, "fact", 4), uint32(min(frames, open32)))
	}

	const ds64Bytes = 28
	riff := int64(4+chunkBytes+ds64Bytes+len(body)+chunkBytes) + data + data&1
	if riff <= w.limit {
		b := append(chunk(nil, "RIFF", riff), "WAVE"...)
		b = append(chunk(b, "JUNK", ds64Bytes), make([]byte, ds64Bytes)...)
		return chunk(append(b, body...), "data", data)
	}
	b := append(chunk(nil, "RF64", open32), "WAVE"...)
	b = chunk(b, "ds64", ds64Bytes)
	b = le.AppendUint64(b, uint64(riff))
	b = le.AppendUint64(b, uint64(data))
	b = le.AppendUint64(b, uint64(frames))
	b = le.AppendUint32(b, 0)
	return chunk(append(b, body...), "data", open32)
}

var _ io.Closer = (*Writer)(nil)
