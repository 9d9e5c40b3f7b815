// Command plumbline measures loudspeakers in a room: a live dual-channel audio
// analyzer with its pages in the browser, and the same analyses on recordings.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"
)

// lastResort is when a program that was told to end, and does not, is ended.
const lastResort = 5 * time.Second

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, func() {
		stop() // from then on a second signal ends the process at once
		time.AfterFunc(lastResort, func() {
			fmt.Fprintf(os.Stderr, "plumbline: told to end, and still here after %v: it leaves as it is\n", lastResort)
			os.Exit(1)
		})
	})
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
