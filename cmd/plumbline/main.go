// Command plumbline measures loudspeakers in a room: a live dual-channel audio
// analyzer with its pages in the browser, and the same analyses on recordings.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // from then on a second signal ends the process at once
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
