package api_test

import (
	"context"
	"net/http"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/pack"
)

// TestWhatIsStoredPacksWell: what the service makes is still much like what it is packed
// with. If this fails since it makes something else, that is to have a dictionary of its
// own; those that there are must stay.
func TestWhatIsStoredPacksWell(t *testing.T) {
	t.Parallel()
	response, err := os.ReadFile("../fhir/testdata/response-regions.json")
	require.NoError(t, err)
	r := newRig(t)
	require.Equal(t, http.StatusCreated, r.create(string(response)).status)
	codec, err := pack.New()
	require.NoError(t, err)
	t.Cleanup(codec.Close)
	for kind, times := range map[string]int{"QuestionnaireResponse": 6, "Observation": 15, "Provenance": 6} {
		found := 0
		require.NoError(t, r.store.Each(context.Background(), kind, func(stored store.Resource) error {
			found++
			packed := len(codec.Pack(stored.Body))
			require.Less(t, packed*times, len(stored.Body), "%s of %d bytes takes %d", kind, len(stored.Body), packed)
			return nil
		}))
		require.Equal(t, 1, found, kind)
	}
}
