package api

import (
	"strconv"
	"strings"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// rehearse does the searches and other requests that do not depend on what is
// written, to refuse the transaction for their faults before it writes.
func (t *transaction) rehearse() error {
	if own := trailOf(t.gin.Request.Context()); own != nil {
		own.rehearsing = true
		defer func() { own.rehearsing = false }()
	}
	for i := range t.entries {
		e := &t.entries[i]
		if e.request == nil {
			continue
		}
		if _, _, ours := e.request.kept(); ours {
			continue
		}
		if _, err := t.server.dispatch(t.gin, e.request, e.node); err != nil {
			return inEntry(err, e.node)
		}
	}
	return nil
}

// read does what is asked for, after the commit. What fails by then, since
// others write too, is told in its entry: the rest has been done.
func (t *transaction) read() {
	for i := range t.entries {
		e := &t.entries[i]
		if e.request == nil {
			continue
		}
		var err error
		if e.answer, err = t.server.dispatch(t.gin, e.request, e.node); err != nil {
			f := classify(inEntry(err, e.node))
			t.server.report(t.gin, f, err)
			e.answer = entryAnswer{status: f.status, outcome: f.issues.JSON(), read: true}
		}
	}
}

// kept is the resource that a request reads, and which version of it, 0 for the
// current one; false if it is no read of a resource kept here.
func (r *subrequest) kept() (key store.Key, version int64, ok bool) {
	parts := strings.Split(strings.TrimPrefix(r.url.Path, "/fhir/"), "/")
	if len(parts) < 2 || len(parts) > 4 || searchParams[parts[0]] == nil || !fhir.IsID(parts[1]) || len(parts) > 2 && parts[2] != "_history" {
		return key, 0, false
	}
	if len(parts) == 4 {
		var err error
		if version, err = strconv.ParseInt(parts[3], 10, 64); err != nil || version < 1 {
			return key, 0, false
		}
	}
	if len(parts) == 3 {
		version = wholeHistory
	}
	return store.Key{Type: parts[0], ID: parts[1]}, version, true
}

// wholeHistory stands for all versions.
const wholeHistory = -1

// exists refuses a read of what is not there once everything is written.
func (r *subrequest) exists(tx store.Tx) error {
	key, version, ok := r.kept()
	if !ok {
		return nil
	}
	end, err := acting(tx, key.Type, auth.Read)
	defer end()
	if err != nil {
		return err
	}
	switch key.Type {
	case "Task": // the receipt of a response, which may have been deleted
		_, err := tx.Get(store.Key{Type: "QuestionnaireResponse", ID: key.ID})
		return err
	case "DiagnosticReport": // the report on a score
		_, err := tx.Get(store.Key{Type: "Observation", ID: key.ID})
		return err
	}
	current, err := tx.Get(key)
	switch {
	case err != nil:
		return err
	case version == wholeHistory:
		return nil
	case version > current.Version:
		return store.ErrNotFound
	case version == 0 || version == current.Version:
		_, err = versionReply(current)
	}
	return err
}
