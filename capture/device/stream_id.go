//go:build cgo && !nodevices

package device

import _ "unsafe" // for linkname

// nextID is the number that the binding gives the next stream, to find it again
// in callbacks, which are not used here. It hands the number to C as a pointer:
// with any but 0 the race detector's pointer check ends the program, and so does
// the runtime if the stack has to grow at that moment. Thus 0 for all.
//
//go:linkname nextID github.com/gordonklaus/portaudio.nextID
var nextID uintptr
