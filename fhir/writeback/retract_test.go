package writeback

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
)

// mute is a transport to a target that answers its writes without the
// resource. It may take one and not apply it.
type mute struct {
	// body is what it answers to a write, but for a Bundle, whose entries lose
	// their resources.
	body string
	// ignore says that the next write of a retraction is answered and not applied.
	ignore bool
}

// RoundTrip implements http.RoundTripper.
func (s *mute) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Method == http.MethodGet {
		return http.DefaultTransport.RoundTrip(r)
	}
	sent, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	if s.ignore && bytes.Contains(sent, []byte(`"status":"entered-in-error"`)) {
		sent = bytes.ReplaceAll(sent, []byte(`"status":"entered-in-error"`), []byte(`"status":"final"`))
	}
	r.Body, r.ContentLength = io.NopCloser(bytes.NewReader(sent)), int64(len(sent))
	answer, err := http.DefaultTransport.RoundTrip(r)
	if err != nil || answer.StatusCode >= 300 {
		return answer, err
	}
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, err
	}
	return answer, s.strip(answer, body)
}

// strip takes the resource out of an answer.
func (s *mute) strip(answer *http.Response, body []byte) error {
	kept := []byte(s.body)
	var bundle map[string]any
	if err := json.Unmarshal(body, &bundle); err != nil {
		return err
	}
	if bundle["resourceType"] == "Bundle" {
		for _, entry := range references(bundle["entry"]) {
			delete(entry, "resource")
		}
		var err error
		if kept, err = json.Marshal(bundle); err != nil {
			return err
		}
	}
	answer.Body, answer.ContentLength = io.NopCloser(bytes.NewReader(kept)), int64(len(kept))
	answer.Header.Del("Content-Length")
	return nil
}

// TestRetractionIsProved: in every mode and shape, a result counts as taken back
// once the target shows that it is.
func TestRetractionIsProved(t *testing.T) {
	t.Parallel()
	for _, mode := range Modes()[1:] {
		for _, shape := range observation.Shapes() {
			if mode == Transaction && shape != observation.Shapes()[0] {
				continue // the modes create in their ways, the shapes give what they create
			}
			for name, body := range map[string]string{"NoBody": "", "AnOutcome": `{"resourceType":"OperationOutcome","issue":[]}`} {
				t.Run(string(mode)+"/"+string(shape)+"/"+name, func(t *testing.T) {
					t.Parallel()
					testRetractionIsProved(t, mode, shape, &mute{body: body})
				})
			}
		}
	}
}

func testRetractionIsProved(t *testing.T, mode Mode, shape observation.Shape, target *mute) {
	w := &shapedWard{ward: newWard(t), shape: shape}
	var err error
	w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Mode: mode, Transport: target, Profile: observation.Profile{Shape: shape}}, w.worker.options)
	require.NoError(t, err)
	w.wants(false, "extent")
	w.drains()
	w.asked()
	w.wants(true, "extent")
	target.ignore = true
	for range 3 {
		require.Positive(t, w.pass())
		require.Equal(t, FaultUnretracted, w.seen.last().Fault)
		require.Equal(t, InDoubt, w.seen.last().Outcome)
		members, err := w.store.Members(t.Context(), targetName, keyOf(1))
		require.NoError(t, err)
		for _, d := range members {
			require.True(t, d.InDoubt, "it says that it took it, and did not")
		}
		w.clock.Add(10 * time.Minute)
	}
	target.ignore = false
	w.drains()
	held := w.hospital.Current(shapeType(shape))
	require.NotEmpty(t, held)
	for _, each := range held {
		require.Equal(t, "entered-in-error", tree(t, string(each))["status"])
	}
	require.Equal(t, Delivered, w.seen.last().Outcome)
}

// TestRetractionThatIsShown: an answer that shows it is proof enough.
func TestRetractionThatIsShown(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	want(t, w.store, 1, false)
	w.delivers()
	want(t, w.store, 1, true)
	w.asked()
	w.delivers()
	require.Equal(t, []string{`PUT Observation/h1 If-Match W/"1"`}, w.asked())
	quiet := &mute{}
	var err error
	w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Transport: quiet}, w.worker.options)
	require.NoError(t, err)
	want(t, w.store, 2, false)
	require.Equal(t, 1, w.pass())
	want(t, w.store, 2, true)
	w.asked()
	require.Equal(t, 1, w.pass())
	require.Equal(t, []string{`PUT Observation/h2 If-Match W/"1"`, "GET Observation/h2"}, w.asked(), "without one it is read at once")
	require.Equal(t, Delivered, w.seen.last().Outcome)
}
