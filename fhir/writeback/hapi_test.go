package writeback

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// late is a transport that keeps a copy of the first write, which the target
// gets in its own time, and answers 504 in its place.
type late struct {
	copy *http.Request
	body []byte
}

// RoundTrip implements http.RoundTripper.
func (l *late) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Method == http.MethodGet || l.copy != nil {
		return http.DefaultTransport.RoundTrip(r)
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	l.copy, l.body = r.Clone(context.Background()), body
	return &http.Response{StatusCode: http.StatusGatewayTimeout, Header: http.Header{}, Body: http.NoBody, Request: r}, nil
}

// arrive sends the copy.
func (l *late) arrive(t *testing.T) {
	l.copy.Body = io.NopCloser(bytes.NewReader(l.body))
	answer, err := http.DefaultTransport.RoundTrip(l.copy)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
}

// knowsTheFirst makes known what the first score refers to.
func (w *ward) knowsTheFirst() {
	w.hospital.Put([]byte(`{"resourceType":"Patient","id":"oona"}`))
	w.hospital.Put([]byte(`{"resourceType":"QuestionnaireResponse","id":"score-1","status":"completed"}`))
}

// TestAFirstRequestThatArrivesLast: in the mode that Auto chooses for a server
// like HAPI, a copy that arrives hours later changes nothing. In conditional
// update it does there, which is why Auto does not choose that.
func TestAFirstRequestThatArrivesLast(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		mode  Mode
		kind  sandbox.Kind
		stale bool
	}{
		"AutoAtHAPI":                        {Auto, sandbox.Kind{HAPI: true}, false},
		"AutoAtOneOfTheStandard":            {Auto, sandbox.Kind{}, false},
		"ConditionalUpdateAtOneOfTheOthers": {ConditionalUpdate, sandbox.Kind{}, false},
		"ConditionalCreateAtHAPI":           {ConditionalCreate, sandbox.Kind{HAPI: true}, false},
		"TransactionAtHAPI":                 {Transaction, sandbox.Kind{HAPI: true}, false},
		"ConditionalUpdateAtHAPI":           {ConditionalUpdate, sandbox.Kind{HAPI: true}, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, c.mode, sandbox.Options{Kind: c.kind})
			w.knowsTheFirst()
			wire := &late{}
			w.worker.client.http.Transport = wire
			w.worker.discover(context.Background())
			want(t, w.store, 1, false)
			require.Equal(t, 1, w.pass())
			require.Equal(t, InDoubt, w.seen.last().Outcome)
			want(t, w.store, 1, false)
			for range 5 {
				w.settle()
				w.pass()
			}
			require.Equal(t, "amended", w.only()["status"])
			wire.arrive(t)
			require.Equal(t, c.stale, w.only()["status"] == "final")
		})
	}
}

// TestEveryModeAtHAPI: created, repeated, amended, changed by others, deleted by
// others, taken back, each ends as wanted, in one resource.
func TestEveryModeAtHAPI(t *testing.T) {
	t.Parallel()
	for _, mode := range Modes() {
		t.Run(string(mode), func(t *testing.T) {
			t.Parallel()
			w := newWardIn(t, mode, sandbox.Options{Kind: sandbox.Kind{HAPI: true}})
			w.knowsTheFirst()
			w.worker.discover(context.Background())
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, "final", w.only()["status"])
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, "amended", w.only()["status"])
			held := w.only()["id"].(string)
			w.hospital.Put(w.hospital.Current("Observation")[0])
			want(t, w.store, 1, false)
			w.delivers()
			w.hospital.Delete("Observation", held)
			want(t, w.store, 1, false)
			w.delivers()
			want(t, w.store, 1, true)
			w.delivers()
			require.Equal(t, "entered-in-error", w.only()["status"])
			require.Zero(t, w.pass())
		})
	}
}
