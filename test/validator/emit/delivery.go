package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"time"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/writeback"
)

// target is the name of the hospital in the store.
const target = "ehr"

// patience is how long a delivery to a server in this process may take.
const patience = 2 * time.Minute

// hospital is a stand-in FHIR server that keeps what it was sent.
type hospital struct {
	server *sandbox.Server
	mu     sync.Mutex
	sent   [][]byte
}

// ServeHTTP implements http.Handler.
func (h *hospital) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if len(body) > 0 {
		h.mu.Lock()
		h.sent = append(h.sent, body)
		h.mu.Unlock()
	}
	r.Body = io.NopCloser(bytes.NewReader(body))
	h.server.ServeHTTP(w, r)
}

// delivered saves scores as the write-back sends them to a hospital: the
// current ones, and then one more after it was amended and one retracted.
func (e *emitter) delivered(db *sqlite.Store) {
	h := &hospital{server: sandbox.New(sandbox.Options{})}
	listener := httptest.NewServer(h)
	defer listener.Close()
	worker, err := writeback.New(db, writeback.Target{Name: target, Base: listener.URL + "/fhir"}, writeback.Options{})
	if err != nil {
		e.fail(err)
		return
	}
	ctx, stop := context.WithCancel(e.ctx)
	done := make(chan error, 1)
	go func() { done <- worker.Run(ctx) }()
	e.deliverTwice(db, worker)
	stop()
	e.fail(<-done)
	for i, body := range h.sent {
		e.save(fmt.Sprintf("Observation-sent-%d", i+1), body)
	}
}

func (e *emitter) deliverTwice(db *sqlite.Store, worker *writeback.Worker) {
	a := assessment{form: forms["self"], method: "hands", percent: "7.5", itch: "5", sleep: "3", grade: "mild"}
	ids := map[string]string{}
	for _, status := range []string{"amended", "entered-in-error"} {
		a.name = "delivered-then-" + status
		ids[status] = e.once(a)
	}
	e.quiet(db, worker)
	e.get("Task-delivered", "/Task/"+ids["amended"])
	a.itch = "5.5"
	for status, id := range ids {
		a.name = "delivered-then-" + status
		e.call(http.MethodPut, "/QuestionnaireResponse/"+id, e.encode(a.response(status, id)), http.StatusOK)
	}
	e.quiet(db, worker)
	e.get("Task-taken-back", "/Task/"+ids["entered-in-error"])
}

// receipts saves those of responses whose scores are not delivered, for each
// reason that there is.
func (e *emitter) receipts(db *sqlite.Store) {
	a := assessment{form: forms["self"], method: "hands", percent: "7.5", itch: "5", sleep: "3", grade: "mild", name: "received"}
	begun := e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(a.response("in-progress", "")), http.StatusCreated)
	e.get("Task-received", "/Task/"+begun.id())
	e.call(http.MethodPut, "/QuestionnaireResponse/"+begun.id(), e.encode(a.response("stopped", begun.id())), http.StatusOK)
	e.get("Task-stopped", "/Task/"+begun.id())
	a.name = "refused"
	id := e.once(a)
	e.get("Task-waiting", "/Task/"+id)
	claimed, err := db.Claim(e.ctx, target, "emit", time.Minute, 1000)
	e.fail(err)
	for _, d := range claimed {
		d.Parked, d.Reason, d.Fault = true, "The target refuses the content. (HTTP status 422)", "content"
		e.fail(db.Record(e.ctx, d))
	}
	e.get("Task-parked", "/Task/"+id)
	e.fail(db.Write(e.ctx, nil, func(tx store.Tx) error {
		_, err := tx.Drop(store.DeliveryQuery{}, "The family has moved <abroad>.")
		return err
	}))
	e.get("Task-given-up", "/Task/"+id)
	e.get("Bundle-searchset-Task", "/Task?_id="+id)
}

// quiet waits until the hospital has everything.
func (e *emitter) quiet(db *sqlite.Store, worker *writeback.Worker) {
	worker.Kick()
	for deadline := time.Now().Add(patience); e.err == nil; time.Sleep(10 * time.Millisecond) {
		backlog, err := db.Backlog(e.ctx)
		if err != nil {
			e.fail(err)
			return
		}
		missing := 0
		for _, b := range backlog {
			missing += b.Pending + b.InDoubt + b.Parked
		}
		if missing == 0 {
			return
		}
		if time.Now().After(deadline) {
			e.fail(errors.New("the hospital does not get all scores"))
		}
	}
}
