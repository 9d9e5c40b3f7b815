//go:build cgo && !nodevices && !windows

package device

/*
#include <fcntl.h>
#include <unistd.h>

// mute points standard error at nothing and gives what it was.
static int mute(void) {
	int was = dup(2);
	int null = open("/dev/null", O_WRONLY);
	if (was >= 0 && null >= 0) dup2(null, 2);
	if (null >= 0) close(null);
	return was;
}

static void unmute(int was) {
	if (was < 0) return;
	dup2(was, 2);
	close(was);
}
*/
import "C"

import "os"

// quiet silences standard error, on which the sound libraries report every
// device they do not find, until the function it returns is called. The lock of
// the host is held, so two never overlap.
func quiet() func() {
	if os.Getenv("PLUMBLINE_AUDIO_DEBUG") != "" {
		return func() {}
	}
	was := C.mute()
	return func() { C.unmute(was) }
}
