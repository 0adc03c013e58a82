package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
)

// emitter asks the server and saves its answers. It keeps the first error and
// does nothing after it, so that the stories read as stories.
type emitter struct {
	ctx     context.Context
	dir     string
	handler http.Handler
	// alike is what sites were sent already, without what differs each time.
	alike   map[string]bool
	written int
	err     error
}

// answer is what the server said.
type answer struct {
	body   []byte
	header http.Header
}

// id is that of the resource in the answer.
func (a answer) id() string {
	var resource struct{ ID string }
	// What is no JSON has no id, and the next request says so by its status.
	_ = json.Unmarshal(a.body, &resource)
	return resource.ID
}

// fail keeps an error, if it is the first.
func (e *emitter) fail(err error) {
	if e.err == nil {
		e.err = err
	}
}

// call makes one request and holds the answer to the status it should have.
// The headers are names and values in turn.
func (e *emitter) call(method, path string, body []byte, want int, headers ...string) answer {
	if e.err != nil {
		return answer{}
	}
	request := httptest.NewRequestWithContext(e.ctx, method, "/fhir"+path, bytes.NewReader(body))
	request.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i+1 < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	recorder := httptest.NewRecorder()
	e.handler.ServeHTTP(recorder, request)
	if recorder.Code != want {
		e.err = fmt.Errorf("%s %s answered %d, not %d: %s", method, path, recorder.Code, want, recorder.Body)
	}
	return answer{recorder.Body.Bytes(), recorder.Header()}
}

// get reads a path and saves the answer under a name.
func (e *emitter) get(name, path string) answer {
	a := e.call(http.MethodGet, path, nil, http.StatusOK)
	e.save(name, a.body)
	return a
}

// save writes one resource into the directory.
func (e *emitter) save(name string, body []byte) {
	if e.err != nil {
		return
	}
	if err := os.WriteFile(filepath.Join(e.dir, name+".json"), body, 0o644); err != nil {
		e.err = fmt.Errorf("saving %s: %w", name, err)
		return
	}
	e.written++
}

// encode writes a value of our own making, which always can be written.
func (e *emitter) encode(v any) []byte {
	body, err := json.Marshal(v)
	if err != nil {
		e.fail(fmt.Errorf("writing a request: %w", err))
	}
	return body
}
