// Command kettlebook is the one program of the project: it serves a kitchen's
// records, takes paper sheets, prints sealed daily logs and verifies them.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	_ "time/tzdata" // zones of kitchens, on machines that have no zone files
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}
