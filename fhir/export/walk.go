package export

import (
	"context"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// page is how many versions are in memory at a time.
const page = 200

// Line makes the line of a version, without a line break; ok is false for what
// the client may not see or is not to get.
type Line func(ctx context.Context, plan *Plan, version store.Snapshotted) (line []byte, ok bool, err error)

// Snapshots is what lines are made from.
type Snapshots interface {
	Snapshot(ctx context.Context, query store.SnapshotQuery) ([]store.Snapshotted, error)
}

// Made is a line with the version that it is of.
type Made struct {
	store.Snapshotted
	Text []byte
}

// Walk gives the lines of a file, page by page, in an order that is the same each
// time, and stops at the first error. A page may be empty; visit must not keep it.
func Walk(ctx context.Context, from Snapshots, line Line, plan *Plan, at time.Time, file File, visit func([]Made) error) error {
	for after := file.After; after != file.Through; {
		lines, last, _, err := onePage(ctx, from, line, plan, plan.query(file.Step, at, after, file.Through))
		if err != nil {
			return err
		}
		if err := visit(lines); err != nil || last == "" {
			return err
		}
		after = last
	}
	return nil
}

// onePage makes the lines of the next page; last is the id that it ends with, ""
// where there is nothing more, and more whether there may be another.
func onePage(ctx context.Context, from Snapshots, line Line, plan *Plan, query store.SnapshotQuery) (lines []Made, last string, more bool, err error) {
	found, err := from.Snapshot(ctx, query)
	if err != nil {
		return nil, "", false, fmt.Errorf("export: %w", err)
	}
	for _, version := range found {
		text, ok, err := line(ctx, plan, version)
		if err != nil {
			return nil, "", false, err
		}
		if ok {
			version.Body = nil
			lines = append(lines, Made{version, text})
		}
		last = version.ID
	}
	return lines, last, len(found) == query.Limit, nil
}

// unreadable is something stored that cannot be read, and will not be by trying
// again. It does not unwrap: what is wrong with it is not the sender's fault.
type unreadable struct {
	what  string
	cause error
}

// Unreadable says that something stored cannot be read, so that the export that it
// belongs to is given up.
func Unreadable(what string, cause error) error { return &unreadable{what, cause} }

func (u *unreadable) Error() string {
	return "export: " + u.what + " cannot be read: " + u.cause.Error()
}
