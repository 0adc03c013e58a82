// Command hospital serves the stand-in hospital's FHIR server on loopback, for
// checks that are not written in Go: it prints its FHIR base, and serves until it
// is told to stop.
package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/signal"
	"syscall"
	"time"

	"tidemark.example/tidemark/fhir/sandbox"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Stdout)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "hospital:", err)
		os.Exit(1)
	}
}

// run serves until the context ends. The base is written as one line.
func run(ctx context.Context, out interface{ WriteString(string) (int, error) }) error {
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("listening: %w", err)
	}
	server := &http.Server{Handler: sandbox.New(sandbox.Options{}), ReadHeaderTimeout: 10 * time.Second}
	defer context.AfterFunc(ctx, func() { _ = server.Close() })()
	if _, err := out.WriteString("http://" + listener.Addr().String() + "/fhir\n"); err != nil {
		return fmt.Errorf("saying where it is: %w", errors.Join(err, listener.Close()))
	}
	if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serving: %w", err)
	}
	return nil
}
