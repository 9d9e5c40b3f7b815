package show

import (
	"io/fs"
	"net/http"
	"os"
	"sync"
	"syscall"
)

// held are the files that this process has open as shows. POSIX drops all locks
// of a process on a file as soon as the process closes any descriptor of it
// (IEEE Std 1003.1, fcntl), so that whoever looked into one of these files by
// another descriptor would open it to other processes. That is why this is the
// one list of the whole process, and why every look at a file goes through it.
var held struct {
	sync.Mutex
	files []heldFile
}

type heldFile struct {
	info    fs.FileInfo
	version int // of the schema, as it is now
}

// peek reads what a show's file says about itself, without opening it as one.
func peek(path string) (version int, err error) {
	held.Lock()
	defer held.Unlock()
	version, _, _, err = look(path)
	return version, err
}

// hold looks at a file and enters it as open; release takes it out again.
func hold(path string) (fs.FileInfo, error) {
	held.Lock()
	defer held.Unlock()
	version, info, known, err := look(path)
	if err != nil {
		return nil, err
	}
	if known {
		return nil, locked(path)
	}
	held.files = append(held.files, heldFile{info, version})
	return info, nil
}

func release(info fs.FileInfo) {
	held.Lock()
	defer held.Unlock()
	for i, f := range held.files {
		if os.SameFile(f.info, info) {
			held.files = append(held.files[:i], held.files[i+1:]...)
			return
		}
	}
}

// migrated says of which version a file that is held is now.
func migrated(info fs.FileInfo, version int) {
	held.Lock()
	defer held.Unlock()
	for i, f := range held.files {
		if os.SameFile(f.info, info) {
			held.files[i].version = version
		}
	}
}

// look reads the header of a file, unless it is known: held. The header is that
// of SQLite's file format, section 1.3.
func look(path string) (version int, info fs.FileInfo, known bool, err error) {
	none := func(err error) (int, fs.FileInfo, bool, error) { return 0, nil, false, err }
	if info, err = os.Stat(path); err != nil {
		return none(err)
	}
	if !info.Mode().IsRegular() {
		return none(noFile(path))
	}
	for _, f := range held.files {
		if os.SameFile(f.info, info) {
			return f.version, info, true, nil
		}
	}
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe put there since must not block
	if err != nil {
		return none(err)
	}
	defer f.Close()
	if now, err := f.Stat(); err != nil || !os.SameFile(now, info) || !now.Mode().IsRegular() {
		return none(noFile(path))
	}
	var head [100]byte
	if n, _ := f.ReadAt(head[:], 0); n < len(head) || string(head[:16]) != "SQLite format 3\x00" || be32(head[68:]) != applicationID {
		return none(refuse(http.StatusUnprocessableEntity, "not_a_show", "%s is no plumbline show: choose another file", path))
	}
	return int(be32(head[60:])), info, false, nil
}

func noFile(path string) error {
	return refuse(http.StatusUnprocessableEntity, "not_a_show", "%s is no file: choose a show", path)
}

func be32(b []byte) uint32 {
	return uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])
}
