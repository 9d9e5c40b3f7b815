package recorder

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"plumbline/stream/wire"
)

const (
	again   = 64 << 20 // bytes free beyond the reserve, before it goes on: some minutes
	longest = 5 * time.Minute
)

// isFull says whether an error is of a disk without room: another one is not mended by room.
func isFull(err error) bool {
	return errors.Is(err, errNearlyFull) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// stop ends a part before its time. What was written stays; it says whether another is to
// follow.
func (r *Recorder) stop(why error) (waits bool) {
	believed := r.file.Frames()
	_ = r.file.Close() // the first error says more than what follows from it
	r.next -= uint64(max(0, believed-r.file.Frames()))
	kept, waits := clock(r.seconds(r.file.Frames())), isFull(why)
	next := "Start plumbline again with another name."
	if waits {
		next = "It goes on by itself, in another file, when there is room: make room."
	}
	r.say(wire.RecordingStopped, fmt.Sprintf("The recording has stopped after %s: %v. %s", kept, why, next))
	r.cfg.Logger.Error("the recording has stopped", "file", r.path, "after", kept, "err", why)
	r.file, r.pause = nil, r.look
	return waits
}

// goOn leaves out what comes while there is no room, and begins another part when there is.
func (r *Recorder) goOn(block []float32) {
	var now uint64 // sample index behind the newest
	for n, sample, _ := r.ring.Read(block); n > 0; n, sample, _ = r.ring.Read(block) {
		now = sample + uint64(n)
	}
	if time.Since(r.looked) < r.pause {
		return
	}
	r.looked = time.Now()
	n, known := r.free(filepath.Dir(r.cfg.Path))
	if known && n < reserve+again {
		return
	}
	if !known { // each try leaves a file
		r.pause = min(max(2*r.pause, time.Second), longest)
	}
	path := r.another()
	file, err := r.create(path)
	if err != nil {
		r.cfg.Logger.Warn("the recording cannot go on", "file", path, "err", err)
		return
	}
	missing := int64(now - r.next)
	r.lost += missing
	r.cut = fmt.Sprintf(" %s are between the file before, %s, and this one: its disk was full.", r.words(missing), filepath.Base(r.path))
	r.file, r.path, r.next = file, path, now
	r.say(wire.RecordingRuns, r.words(r.lost)+" are missing in the recording."+r.cut)
	r.cfg.Logger.Info("the recording goes on", "file", path, "missing_frames", missing)
}

// another is the name of the next part: hall.wav, hall 2.wav, hall 3.wav.
func (r *Recorder) another() string {
	end := filepath.Ext(r.cfg.Path)
	for {
		r.parts++
		path := fmt.Sprintf("%s %d%s", strings.TrimSuffix(r.cfg.Path, end), r.parts+1, end)
		if _, err := os.Lstat(path); err != nil { // what is not there, or not to be seen
			return path
		}
	}
}
