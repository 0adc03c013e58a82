package api_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// TestScoresAreWantedAsEachTargetTakesThem: at the commit of a response every
// target wants the members that it takes of that version, and what a version has
// no more as taken back.
func TestScoresAreWantedAsEachTargetTakesThem(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) {
		o.Targets = []api.Target{{Name: target}, {Name: "panels", Members: observation.PanelShape.Members}, {Name: "notes", Members: observation.Document.Members}}
	})
	wanted := func(id, at string) map[string]string {
		all, err := r.store.Members(context.Background(), at, store.Key{Type: "Observation", ID: id})
		require.NoError(t, err)
		found := map[string]string{}
		for _, d := range all {
			found[d.Member] = fmt.Sprint(d.Wanted, map[bool]string{true: " taken back"}[d.Retract])
		}
		return found
	}
	sent := oona("members-1")
	sent.id = r.create(sent.json()).id()
	first := wanted(sent.id, "panels")
	for _, member := range []string{"", "panel", "extent-direct", "intensity-erythema", "symptoms-itch", "symptoms-sleep-loss", "subjective-part", "objective"} {
		require.Equal(t, "1", first[member], member)
	}
	for _, wanted := range first {
		require.Equal(t, "1", wanted)
	}
	require.Equal(t, map[string]string{"": "1"}, wanted(sent.id, target))
	require.Equal(t, map[string]string{"document": "1"}, wanted(sent.id, "notes"))

	sent.status, sent.sleep = "amended", ""
	require.Equal(t, http.StatusOK, r.do(http.MethodPut, responses+"/"+sent.id, sent.json()).status)
	gone := []string{"symptoms-sleep-loss", "subjective-part"}
	for member, version := range wanted(sent.id, "panels") {
		expected := "2"
		if slices.Contains(gone, member) {
			expected = "2 taken back"
		}
		require.Equal(t, expected, version, member)
	}
	require.Equal(t, map[string]string{"": "2"}, wanted(sent.id, target))

	require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, responses+"/"+sent.id, "").status)
	for member, version := range wanted(sent.id, "panels") {
		expected := "3 taken back"
		if slices.Contains(gone, member) {
			expected = "2 taken back"
		}
		require.Equal(t, expected, version, member)
	}
	require.Len(t, wanted(sent.id, "panels"), len(first))
	require.Equal(t, map[string]string{"": "3 taken back"}, wanted(sent.id, target))
	require.Equal(t, map[string]string{"document": "3 taken back"}, wanted(sent.id, "notes"))
}
