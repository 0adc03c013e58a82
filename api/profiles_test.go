package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/subscription"
)

const profileBase = "https://tidemark.example/fhir/StructureDefinition/"

// supported are the profiles that the statement lists, by type.
func (r *rig) supported() map[string][]string {
	r.t.Helper()
	a := r.get("/fhir/metadata")
	require.Equal(r.t, http.StatusOK, a.status)
	all := map[string][]string{}
	for i := range a.count("rest", 0, "resource") {
		of := a.text("rest", 0, "resource", i, "type")
		for j := range a.count("rest", 0, "resource", i, "supportedProfile") {
			all[of] = append(all[of], a.text("rest", 0, "resource", i, "supportedProfile", j))
		}
	}
	return all
}

func TestStatementListsTheProfilesThatAreServed(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	supported := r.supported()
	require.Equal(t, map[string][]string{
		"Observation":           {profileBase + "scorad-observation", profileBase + "scorad-panel", profileBase + "scorad-panel-member"},
		"QuestionnaireResponse": {profileBase + "scorad-clinician-assessment-response", profileBase + "scorad-self-assessment-response"},
	}, supported)
	served := 0
	for of, urls := range supported {
		for _, url := range urls {
			served++
			r.run(t, strings.TrimPrefix(url, profileBase), func(t *testing.T, r *rig) {
				a := r.get("/fhir/StructureDefinition/" + strings.TrimPrefix(url, profileBase))
				require.Equal(t, http.StatusOK, a.status)
				require.Equal(t, url, a.text("url"))
				require.Equal(t, of, a.text("type"))
				require.Equal(t, "constraint", a.text("derivation"))
				require.Positive(t, a.count("differential", "element"))
				require.Greater(t, a.count("snapshot", "element"), a.count("differential", "element")/2)
				require.Equal(t, "1", r.get("/fhir/StructureDefinition?url="+url+"|1.0.0").text("total"))
				require.Equal(t, "0", r.get("/fhir/StructureDefinition?url="+url+"|0.9.0").text("total"))
			})
		}
	}
	require.Equal(t, fmt.Sprint(served), r.get("/fhir/StructureDefinition?type=Observation,QuestionnaireResponse").text("total"), "each profile served is listed")
	require.Equal(t, fmt.Sprint(served+1), r.get("/fhir/StructureDefinition").text("total"), "an extension is no profile of a resource")
}

// The extension that a portal sends its key in is published where it says.
func TestTheExtensionForSigningKeysIsPublished(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id, ours := strings.CutPrefix(subscription.SecretExtension, profileBase)
	require.True(t, ours)
	a := r.get("/fhir/StructureDefinition/" + id)
	require.Equal(t, http.StatusOK, a.status)
	require.Equal(t, subscription.SecretExtension, a.text("url"))
	require.Equal(t, "Extension", a.text("type"))
	require.Equal(t, "Subscription.channel", a.text("context", 0, "expression"))
}

// What is claimed leads to a profile, on every Observation and through every
// version of it; what a sender wrote is left as it was.
func TestObservationsClaimAProfileAndResponsesWhatTheirSenderClaims(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("fw-claims")
	body.members = `,"meta":{"profile":["https://fernway-portal.example/StructureDefinition/any"]}`
	a := r.create(body.json())
	require.Equal(t, `["https://fernway-portal.example/StructureDefinition/any"]`, strings.ReplaceAll(fmt.Sprintf("%q", a.at("meta", "profile")), " ", ","))
	body.id = a.id()
	for _, status := range []string{"completed", "amended", "entered-in-error"} {
		if body.status = status; status != "completed" {
			body.itch = "7"
			require.Equal(t, http.StatusOK, r.put(body).status)
		}
		score := r.score(body.id)
		require.Equal(t, 1, score.count("meta", "profile"), status)
		require.Equal(t, profileBase+"scorad-observation", score.text("meta", "profile", 0), status)
	}
}

func TestUnknownProfileIsNotFound(t *testing.T) {
	t.Parallel()
	newRig(t).get("/fhir/StructureDefinition/scorad").refused(http.StatusNotFound, "not-found")
}
