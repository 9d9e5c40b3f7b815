package levels

import (
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// waitMost is how many seconds' rows wait for a disk that takes none; the
// oldest are given up first.
const waitMost = 3600

// batch is what a second adds to the log.
type batch struct {
	rows  []show.LevelRow
	marks []wire.LevelMark
}

// log takes rows from the meters and writes them to the open show, one
// transaction at a time. What the show does not take waits. Whatever else the
// meters want of the disk is done here too.
type log struct {
	open   func() (book, error) // the open show; nil: there never is one
	opened func()               // called when it is another one
	chosen func()               // called when microphones were chosen
	logger *slog.Logger
	more   chan struct{} // 1: something waits
	others chan struct{} // 1: other microphones were chosen
	book   book          // written last; of run's goroutine

	mu       sync.Mutex
	waiting  []batch
	writing  []batch // on their way to the disk
	unmarked uint64  // lost rows that the log does not tell of yet
	state    wire.LevelLog
}

// book is what rows are written into: a show.
type book interface {
	AddLevels(rows []show.LevelRow, marks []wire.LevelMark) error
}

func newLog(open func() (book, error), opened, chosen func(), logger *slog.Logger) *log {
	return &log{
		open: open, opened: opened, chosen: chosen, logger: logger,
		more: make(chan struct{}, 1), others: make(chan struct{}, 1), state: off,
	}
}

var off = wire.LevelLog{State: wire.LogOff, Text: "No show is open, so levels are not logged: open one on the Show page."}

func (l *log) add(rows []show.LevelRow) { l.push(batch{rows: rows}) }

func (l *log) mark(at time.Time, microphone int, kind, text string) {
	l.push(batch{marks: []wire.LevelMark{markOf(at, microphone, kind, text)}})
}

func markOf(at time.Time, microphone int, kind, text string) wire.LevelMark {
	return wire.LevelMark{UnixS: float64(at.UnixMilli()) / 1000, Microphone: microphone, Kind: kind, Text: text}
}

// pending are the rows that are not in the show yet, in order.
func (l *log) pending() (rows []show.LevelRow) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, b := range slices.Concat(l.writing, l.waiting) {
		rows = append(rows, b.rows...)
	}
	return rows
}

// push never waits for the disk.
func (l *log) push(b batch) {
	if l.open == nil {
		return
	}
	l.mu.Lock()
	l.waiting = append(l.waiting, b)
	l.trim()
	l.mu.Unlock()
	tell(l.more)
}

// introduce says that other microphones were chosen. It does not wait.
func (l *log) introduce() { tell(l.others) }

func tell(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// trim gives up the oldest of too many batches.
func (l *log) trim() {
	for ; len(l.waiting) > waitMost; l.waiting = l.waiting[1:] {
		n := uint64(len(l.waiting[0].rows))
		l.state.Lost += n
		l.unmarked += n
	}
}

// run writes until stop, and what waits then.
func (l *log) run(stop <-chan struct{}) {
	for {
		select {
		case <-l.more:
			l.write()
		case <-l.others:
			l.chosen()
		case <-stop:
			l.write()
			return
		}
	}
}

// write stores all that waits. With the next row it is tried again.
func (l *log) write() {
	l.mu.Lock()
	batches := l.waiting
	l.waiting, l.writing = nil, batches
	lost := l.unmarked
	l.mu.Unlock()
	if len(batches) == 0 {
		return
	}
	var all batch
	for _, b := range batches {
		all.rows, all.marks = append(all.rows, b.rows...), append(all.marks, b.marks...)
	}
	x, err := l.open()
	another := false
	if err == nil {
		if another = x != l.book; another {
			at := time.Now()
			if len(all.rows) > 0 {
				at = time.UnixMilli(all.rows[0].AtMs)
			}
			all.marks = append(all.marks, markOf(at, 0, wire.MarkStart, "Logging began."))
		}
		if lost > 0 && len(all.rows) > 0 {
			all.marks = append(all.marks, markOf(time.UnixMilli(all.rows[0].AtMs), 0, wire.MarkLost, fmt.Sprintf("%d rows before this could not be stored.", lost)))
		}
		err = x.AddLevels(all.rows, all.marks)
	}
	if another && err == nil {
		l.book = x
		l.opened()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.writing = nil
	old := l.state.State
	var mine *wire.Error
	switch {
	case err == nil:
		l.unmarked -= lost
		l.state.State, l.state.Text = wire.LogWriting, ""
		l.state.Rows += uint64(len(all.rows))
	case errors.As(err, &mine) && mine.Code == "no_show":
		l.state.State, l.state.Text = off.State, off.Text
	default:
		l.waiting = append(batches, l.waiting...)
		l.trim()
		l.state.State = wire.LogFailed
		l.state.Text = fmt.Sprintf("Levels are not being logged: %v. What the log has stays; the last %d s wait.", err, len(l.waiting))
	}
	if l.state.State != old {
		if err != nil {
			l.logger.Warn("level log is "+l.state.State, "err", err)
		} else {
			l.logger.Info("level log is " + l.state.State)
		}
	}
}

func (l *log) now() wire.LevelLog {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.state
	for _, b := range slices.Concat(l.writing, l.waiting) {
		s.Waiting += len(b.rows)
	}
	return s
}

func clockSentence(off time.Duration) string {
	if off > 0 {
		return fmt.Sprintf("The computer's clock went forward by %.0f s: it was set, or the computer slept. Times before and after this do not compare.", off.Seconds())
	}
	return fmt.Sprintf("The computer's clock was set back by %.0f s: times before and after this do not compare.", -off.Seconds())
}

func gapSentence(g gapCount, rate int) string {
	if g.frames == 0 {
		return "Samples are missing here; how many is not known."
	}
	s := float64(g.frames) / float64(rate)
	if s >= holeFrom.Seconds() {
		return fmt.Sprintf("%.0f s of sound are missing here.", s)
	}
	return fmt.Sprintf("%.0f ms of samples are missing here.", 1000*s)
}
