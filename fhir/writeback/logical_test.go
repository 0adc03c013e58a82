package writeback

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// keepsResponse stores versions of the response that the first score is of; "" is
// its deletion.
func keepsResponse(t *testing.T, s store.Store, versions ...string) {
	key := store.Key{Type: "QuestionnaireResponse", ID: "score-1"}
	for _, body := range versions {
		require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
			if body == "" {
				_, err := tx.Delete(key)
				return err
			}
			_, err := tx.Put(key, "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte(body), nil })
			return err
		}))
	}
}

// namesLogically hires a worker whose target takes references by identifier.
func (w *ward) namesLogically(mode Mode, shape observation.Shape) {
	var err error
	w.worker, err = New(w.store, Target{
		Name: targetName, Base: w.url + "/fhir", Mode: mode, Profile: observation.Profile{Shape: shape, Logical: true},
	}, w.worker.options)
	require.NoError(w.t, err)
}

var ourDevice = map[string]any{
	"type": "Device", "identifier": map[string]any{"system": observation.DeviceSystem, "value": observation.DeviceID},
}

func byIdentifier(system, value string) []any {
	return []any{map[string]any{"type": "QuestionnaireResponse", "identifier": map[string]any{"system": system, "value": value}}}
}

// TestWhatIsKeptHereIsNamedByIdentifier where the target's profile asks for it, and
// the copy that says so is no difference.
func TestWhatIsKeptHereIsNamedByIdentifier(t *testing.T) {
	t.Parallel()
	const sent = `{"resourceType":"QuestionnaireResponse","identifier":{"system":"https://portal.example","value":"fw-1"}}`
	const bare = `{"resourceType":"QuestionnaireResponse"}`
	for name, c := range map[string]struct {
		versions []string
		sources  []any
	}{
		"OfTheSender":       {[]string{sent, bare}, byIdentifier("https://portal.example", "fw-1")},
		"Ours":              {[]string{bare, sent}, byIdentifier(observation.ResponseIdentifierSystem, "score-1")},
		"OfAResponseUnkept": {nil, byIdentifier(observation.ResponseIdentifierSystem, "score-1")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWard(t)
			w.namesLogically(Auto, "")
			keepsResponse(t, w.store, c.versions...)
			want(t, w.store, 1, false)
			w.delivers()
			require.Equal(t, c.sources, w.only()["derivedFrom"])
			require.Equal(t, ourDevice, w.only()["device"])
			require.True(t, w.seen.last().ReadBack.Complete(), "%+v", w.seen.last().ReadBack)
		})
	}
	t.Run("OfOneDeletedAsItWas", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.namesLogically(Auto, "")
		keepsResponse(t, w.store, sent, "")
		want(t, w.store, 1, false)
		w.delivers()
		want(t, w.store, 1, true)
		w.delivers()
		require.Equal(t, "entered-in-error", w.only()["status"])
		require.Equal(t, byIdentifier("https://portal.example", "fw-1"), w.only()["derivedFrom"])
	})
	t.Run("InADocument", func(t *testing.T) {
		t.Parallel()
		w := newShapedWard(t, observation.Profile{Shape: observation.Document, Logical: true})
		w.wants(false, itchPart)
		w.drains()
		held := w.resource("document")
		require.Equal(t, byIdentifier(observation.ResponseIdentifierSystem, "score-1"), held["context"].(map[string]any)["related"])
	})
	t.Run("WithTheDeviceThatATransactionBrings", func(t *testing.T) {
		t.Parallel()
		w := newWardIn(t, Transaction, sandbox.Options{})
		w.namesLogically(Transaction, "")
		keepsResponse(t, w.store, sent)
		want(t, w.store, 1, false)
		w.delivers()
		device := tree(t, string(w.hospital.Current("Device")[0]))["id"].(string)
		require.Equal(t, "Device/"+device, w.only()["device"].(map[string]any)["reference"])
		named := byIdentifier("https://portal.example", "fw-1")
		require.Equal(t, named, w.only()["derivedFrom"])
		provenance := tree(t, string(w.hospital.Current("Provenance")[0]))
		require.Equal(t, named[0], references(provenance["entity"])[0]["what"], "as the score names it")
	})
}
