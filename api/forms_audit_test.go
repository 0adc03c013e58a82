package api_test

import (
	"context"
	"net/http"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// TestFormsAreOnRecord: whoever registers or retires a form by the admin listener is
// on the audit trail, with the version that was written.
func TestFormsAreOnRecord(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	d.register(t, portalForm(t), http.StatusOK) // again
	require.Equal(t, http.StatusOK, d.admin(t, http.MethodDelete, "/Questionnaire/"+diary, "").status)

	page, err := d.store.Audits(context.Background(), store.AuditQuery{Limit: 10, Entities: []string{"Questionnaire/" + diary}})
	require.NoError(t, err)
	slices.Reverse(page.Records)
	require.Len(t, page.Records, 3)
	for i, want := range []struct{ subtype, entity string }{
		{"create", "Questionnaire/" + diary + "/_history/1"},
		{"update", "Questionnaire/" + diary + "/_history/1"},
		{"update", "Questionnaire/" + diary + "/_history/2"},
	} {
		a := page.Records[i]
		require.Equal(t, want.subtype, a.Subtype)
		require.Equal(t, "admin-token", a.Client)
		require.Equal(t, "0", a.Outcome)
		require.Contains(t, string(a.Event), `"reference":"`+want.entity+`"`)
		require.Contains(t, string(a.Event), `"address":"127.0.0.1"`)
		require.NotContains(t, string(a.Event), adminToken)
	}
}
