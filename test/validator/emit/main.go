// Command emit writes one of every kind of resource that Tidemark emits into a
// directory, for a validator to judge: the published forms and terminology, the
// scores of every form, extent method and state with their Provenances, the
// Device, the profiles and panels, OperationOutcomes, the CapabilityStatement, the Bundles,
// notifications and AuditEvents, and what the write-back sends to hospitals of each
// shape and mode. All of it comes from the real server after
// real requests, so that nothing is judged that the program does not send.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: emit DIRECTORY")
		os.Exit(2)
	}
	written, err := emit(context.Background(), os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, "emit:", err)
		os.Exit(1)
	}
	fmt.Fprintf(os.Stderr, "emit: %d resources written\n", written)
}

// base is where the server says it is; nothing listens there.
const base = "https://tidemark.example/fhir"

// emit runs a server on a database of its own and saves what it answers. It
// gives the number of files written.
func emit(ctx context.Context, dir string) (written int, err error) {
	scratch, err := os.MkdirTemp("", "tidemark-emit-")
	if err != nil {
		return 0, fmt.Errorf("making a directory for the database: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(scratch)) }()
	db, err := sqlite.Open(ctx, filepath.Join(scratch, "tidemark.db"), sqlite.Options{})
	if err != nil {
		return 0, fmt.Errorf("opening the database: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return 0, fmt.Errorf("making the directory: %w", err)
	}
	options := api.Options{Store: db, BaseURL: base, Version: "1.0.0", Targets: []api.Target{{Name: target, Base: "https://ehr.brindlemoor.example/fhir"}}}
	options.Subscriptions = &api.Subscriptions{Policy: anywhere{}, Kick: func() {}}
	server := api.New(options, api.NewMetrics())
	e := &emitter{ctx: ctx, dir: dir, handler: server.Handler(), alike: map[string]bool{}}
	e.published()
	e.scores()
	e.panels()
	e.delivered(db)
	e.receipts(db)
	e.sent()
	e.outcomes()
	e.bundles()
	e.deleted()
	e.searches()
	e.notifications(db)
	e.audits(db)
	return e.written, e.err
}
