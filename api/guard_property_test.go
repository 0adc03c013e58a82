package api_test

import (
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// twoPatients fills a server with responses of two patients, in every state.
func twoPatients(t *testing.T, r *authRig) (oona, casper []string) {
	t.Helper()
	system := r.everything()
	for i := range 8 {
		for patient, ids := range map[string]*[]string{oonaID: &oona, casperID: &casper} {
			body := filledFor(patient, patient+"-"+string(rune('a'+i)))
			if patient == oonaID {
				body.source = "RelatedPerson/" + whoAnswered
			}
			if i%2 == 1 {
				body.form, body.authored = clinicianForm, "2026-03-11T19:30:00+01:00"
				body.source = "Practitioner/ilse-varnholt"
			}
			body.itch = string(rune('1' + i))
			id := r.keep(body)
			*ids = append(*ids, id)
			body.id, body.itch = id, "9"
			switch i {
			case 2, 3:
				body.status = "amended"
				require.Equal(t, http.StatusOK, r.as(system, http.MethodPut, responses+"/"+id, body.json()).status)
			case 4:
				body.status = "entered-in-error"
				require.Equal(t, http.StatusOK, r.as(system, http.MethodPut, responses+"/"+id, body.json()).status)
			case 5:
				require.Equal(t, http.StatusNoContent, r.as(system, http.MethodDelete, responses+"/"+id, "").status)
			}
		}
	}
	return oona, casper
}

// searches are the parameters that a random search may have, with values of both
// patients.
func searches(oona, casper []string) map[string]map[string][]string {
	ids := append(append([]string{}, oona[:3]...), casper[:3]...)
	var references []string
	for _, id := range ids {
		references = append(references, "Observation/"+id, "QuestionnaireResponse/"+id)
	}
	patients := []string{"Patient/" + oonaID, "Patient/" + casperID, oonaID, "Patient/" + oonaID + ",Patient/" + casperID}
	common := map[string][]string{"_id": ids, "_lastUpdated": {"gt2020", "lt2020"}, "_sort": {"_id", "-_lastUpdated"}, "_count": {"0", "1", "2", "50"},
		"_total": {"none", "accurate"}, "_summary": {"count", "true", "false"}}
	with := func(more map[string][]string) map[string][]string {
		for name, values := range common {
			more[name] = values
		}
		return more
	}
	return map[string]map[string][]string{
		"QuestionnaireResponse": with(map[string][]string{"patient": patients, "subject": patients, "status": {"completed", "amended", "entered-in-error"},
			"status:not": {"completed"}, "identifier": {oonaID + "-a", casperID + "-a", portalSystem + "|" + oonaID + "-b"}, "identifier:not": {casperID + "-a"},
			"authored": {"2026-03-04", "ge2026-03-05"}, "source": {"RelatedPerson/" + whoAnswered}, "_revinclude": {"Observation:derived-from"}, "questionnaire": {strings.Split(selfForm, "|")[0]}}),
		"Observation": with(map[string][]string{"patient": patients, "status": {"final", "amended", "entered-in-error"}, "category": {"survey", "exam"},
			"category:not": {"exam"}, "code": {"scorad", "other"}, "derived-from": references, "value-quantity": {"gt30", "lt30"}, "component-code-value-quantity": {"symptoms-itch$gt3"},
			"date": {"2026-03", "gt2026-03-08"}, "method": {"self-direct"}, "_include": {"Observation:derived-from", "Observation:*"}, "_revinclude": {"Provenance:target"}}),
		"Provenance": {"target": references, "_include": {"Provenance:target"}, "_count": {"1", "50"}, "_id": ids},
	}
}

// TestRandomSearchesShowNothingOfOthers: whatever is searched for with Casper's
// token, no answer has a byte of Oona's, and what is found and counted is what a
// system finds that asks for Casper's alone.
func TestRandomSearchesShowNothingOfOthers(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	oona, casper := twoPatients(t, r)
	params := searches(oona, casper)
	mine, system := r.token("patient/*.rs", casperID), r.everything()
	rapid.Check(t, func(rt *rapid.T) {
		kind := rapid.SampledFrom([]string{"QuestionnaireResponse", "Observation", "Provenance"}).Draw(rt, "type")
		query := url.Values{}
		names := slices.Sorted(maps.Keys(params[kind]))
		for _, name := range rapid.SliceOfNDistinct(rapid.SampledFrom(names), 0, 4, rapid.ID[string]).Draw(rt, "params") {
			query.Set(name, rapid.SampledFrom(params[kind][name]).Draw(rt, name))
		}
		ask := func(token string, query url.Values) answer {
			if rapid.Bool().Draw(rt, "post") {
				return r.as(token, http.MethodPost, "/fhir/"+kind+"/_search", query.Encode(), "Content-Type", "application/x-www-form-urlencoded")
			}
			return r.as(token, http.MethodGet, "/fhir/"+kind+"?"+query.Encode(), "")
		}
		a := ask(mine, query)
		for range 20 {
			require.Equal(rt, http.StatusOK, a.status, "%s", a.body)
			require.False(rt, shows(rt, a, oona), "%s: %s", query.Encode(), a.body)
			next := linkTo(a, "next")
			if next == "" {
				break
			}
			a = r.as(mine, http.MethodGet, next, "")
		}
		if kind == "Provenance" {
			return
		}
		narrowed := url.Values{}
		for name, values := range query {
			narrowed[name] = values
		}
		narrowed["patient"] = append(append([]string{}, query["patient"]...), "Patient/"+casperID)
		require.Equal(rt, ask(system, narrowed).entryIDs(rt), ask(mine, query).entryIDs(rt), query.Encode())
	})
}

// linkTo is the address of a link, "" if it is not there.
func linkTo(a answer, relation string) string {
	for i := range a.count("link") {
		if a.text("link", i, "relation") == relation {
			return a.text("link", i, "url")
		}
	}
	return ""
}

// found is what of a Bundle is not the sender's own words.
type found struct {
	Total *int
	Entry []struct {
		Resource json.RawMessage
		Search   struct{ Mode string }
	}
}

// shows says whether something of somebody else is in an answer. Its links
// repeat what was asked for.
func shows(t require.TestingT, a answer, others []string) bool {
	var bundle found
	require.NoError(t, json.Unmarshal(a.body, &bundle))
	text, err := json.Marshal(bundle.Entry)
	require.NoError(t, err)
	for _, other := range append([]string{oonaID, whoAnswered}, others...) {
		if strings.Contains(string(text), other) {
			return true
		}
	}
	return false
}

// entryIDs are the matches of a Bundle, and how many there are in all.
func (a answer) entryIDs(t require.TestingT) []any {
	var bundle found
	require.NoError(t, json.Unmarshal(a.body, &bundle))
	all := []any{}
	if bundle.Total != nil {
		all = append(all, *bundle.Total)
	}
	for _, entry := range bundle.Entry {
		var resource struct{ ID, ResourceType string }
		require.NoError(t, json.Unmarshal(entry.Resource, &resource))
		all = append(all, entry.Search.Mode+" "+resource.ResourceType+"/"+resource.ID)
	}
	return all
}
