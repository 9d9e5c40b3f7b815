package wavfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"
)

// blockBytes is how much is read at once: enough that the call costs nothing,
// little enough to stay in the cache of a core.
const blockBytes = 128 << 10

// File is an open WAV file. Reads are random access and may come from several
// goroutines at once; a block of each is all that is in memory.
type File struct {
	path   string
	file   *os.File
	layout layout
	blocks sync.Pool // *[]byte
}

// Open opens a WAV file: 16-, 24- and 32-bit integer and 32- and 64-bit float
// samples, plain or extensible header, RIFF or RF64, any number of channels.
// A file that was not finished is as long as the sound in it. The error says in
// one line what is wrong with the file and what to do.
func Open(path string) (*File, error) {
	// A pipe nobody writes to would hold up even the opening.
	switch info, err := os.Stat(path); {
	case path == "":
		return nil, errors.New("a WAV file without a name: name one")
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s is not there: check its name and folder", path)
	case err == nil && !info.Mode().IsRegular() && !info.IsDir():
		return nil, fmt.Errorf("%s %w", path, errNoFile)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	l, err := examine(file)
	if err != nil {
		file.Close()
		return nil, fmt.Errorf("%s %w", path, err)
	}
	f := &File{path: path, file: file, layout: l}
	f.blocks.New = func() any {
		b := make([]byte, max(blockBytes/l.format.frameBytes(), 1)*l.format.frameBytes())
		return &b
	}
	return f, nil
}

var errNoFile = errors.New("is not a file on disk: save the sound to one first")

func examine(file *os.File) (layout, error) {
	info, err := file.Stat()
	switch {
	case err != nil:
		return layout{}, err
	case info.IsDir():
		return layout{}, fmt.Errorf("is a folder: name a WAV file in it")
	case !info.Mode().IsRegular():
		return layout{}, errNoFile
	}
	return parse(file, info.Size())
}

// Format is what the header says of the sound.
func (f *File) Format() Format { return f.layout.format }

// Frames is the length of the sound, at least 1.
func (f *File) Frames() int64 { return f.layout.frames }

// Lost is how many frames more the header promises: not 0 when the file was cut short.
func (f *File) Lost() int64 { return f.layout.lost }

// More is how many frames lie in data chunks behind the first, which a WAV file
// has but one of: they are not read.
func (f *File) More() int64 { return f.layout.more }

// Close closes the file. Reads must have ended.
func (f *File) Close() error { return f.file.Close() }

// ReadFrames reads from frame at into one slice a channel, full scale ±1.
// A nil slice skips its channel; channels that dst does not reach are skipped;
// the others must have one length. It returns the number of frames read, and
// io.EOF when that is less than asked for.
func (f *File) ReadFrames(dst [][]float64, at int64) (int, error) {
	if len(dst) > f.layout.format.Channels {
		return 0, fmt.Errorf("%s has %d channels, %d were asked for", f.path, f.layout.format.Channels, len(dst))
	}
	want := -1
	for _, d := range dst {
		switch {
		case d == nil:
		case want < 0:
			want = len(d)
		case len(d) != want:
			panic("wavfile: the channels of dst differ in length")
		}
	}
	stereo := f.layout.format.Channels == 2 && f.layout.format.Encoding == Float32 && len(dst) == 2 && dst[0] != nil && dst[1] != nil
	return f.read(max(want, 0), at, func(block []byte, done, n int) error {
		if stereo && decodeStereo(dst[0][done:done+n], dst[1][done:done+n], block) {
			return nil
		}
		for c, d := range dst {
			if d == nil {
				continue
			}
			if bad := f.layout.format.decodeChannel(d[done:done+n], block, c); bad >= 0 {
				return f.damaged(at+int64(done+bad), c)
			}
		}
		return nil
	})
}

// ReadInterleaved reads whole frames from frame at into dst, as ReadFrames does.
func (f *File) ReadInterleaved(dst []float32, at int64) (int, error) {
	ch := f.layout.format.Channels
	return f.read(len(dst)/ch, at, func(block []byte, done, n int) error {
		if bad := f.layout.format.decode(dst[done*ch:(done+n)*ch], block); bad >= 0 {
			return f.damaged(at+int64(done+bad/ch), bad%ch)
		}
		return nil
	})
}

// read hands the bytes of the frames at…at+want to use, block by block.
func (f *File) read(want int, at int64, use func(block []byte, done, n int) error) (int, error) {
	if at < 0 {
		panic("wavfile: a position before the start")
	}
	have := int(min(int64(want), max(f.layout.frames-at, 0)))
	pooled := f.blocks.Get().(*[]byte)
	defer f.blocks.Put(pooled)
	frameBytes := f.layout.format.frameBytes()
	for done := 0; done < have; {
		n := min(have-done, len(*pooled)/frameBytes)
		block := (*pooled)[:n*frameBytes]
		if err := readAt(f.file, block, f.layout.start+(at+int64(done))*int64(frameBytes)); err != nil {
			return done, fmt.Errorf("%s %w", f.path, err)
		}
		if err := use(block, done, n); err != nil {
			return done, err
		}
		done += n
	}
	if have < want {
		return have, io.EOF
	}
	return have, nil
}

func (f *File) damaged(frame int64, channel int) error {
	return fmt.Errorf("%s is damaged: frame %d of channel %d is not a finite number; export it again",
		f.path, frame, channel+1)
}
