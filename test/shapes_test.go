package test_test

import (
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/sandbox"
)

// shapedTarget is a hospital of the real program, with what it was told to take.
type shapedTarget struct {
	*sandbox.Server
	name, settings string
	// members are the values that it must have of a score, by member.
	members func(whole map[string]string) map[string]string
	kind    sandbox.Kind
}

// scoreOfOona is what oona("...", "6") comes to, worked out by hand: 20/5 = 4,
// 3.5*8 = 28, 6 + 4 = 10; extent, itch and sleep loss are written in tenths. Its
// members are named by the codes of CodeSystem/scorad.
func scoreOfOona() map[string]string {
	return map[string]string{
		"": "42.00", "extent-direct": "20.0", "extent": "20.0", "intensity-erythema": "2", "intensity-oedema": "1", "intensity-oozing": "1",
		"intensity-excoriation": "1", "intensity-lichenification": "1", "intensity-dryness": "2", "symptoms-itch": "6.0", "symptoms-sleep-loss": "4.0",
		"extent-part": "4.00", "intensity-part": "28.00", "subjective-part": "10.00", "objective": "32.00",
	}
}

// The members of each shape.
func asOne(whole map[string]string) map[string]string     { return map[string]string{"": whole[""]} }
func asSingles(whole map[string]string) map[string]string { return maps.Clone(whole) }
func asPanel(whole map[string]string) map[string]string {
	all := maps.Clone(whole)
	all["panel"] = ""
	return all
}
func asDocument(whole map[string]string) map[string]string {
	return map[string]string{"document": whole[""]}
}

// shapedTargets are one of each shape, and panels of both kinds of references,
// each in another mode and at a hospital of another kind.
func shapedTargets(t *testing.T) ([]*shapedTarget, string) {
	all := []*shapedTarget{
		{name: "whole", settings: "shape: observation", members: asOne},
		{name: "panels", settings: "shape: panel, mode: conditional-create-then-update", members: asPanel},
		{name: "named", settings: "shape: panel, mode: transaction, references: logical", members: asPanel},
		{name: "like-hapi", settings: "shape: panel, mode: auto", members: asPanel, kind: sandbox.Kind{HAPI: true}},
		{name: "singles", settings: "shape: observations, mode: search-then-write", members: asSingles, kind: sandbox.Kind{NoVersions: true}},
		{name: "notes", settings: "shape: document, mode: conditional-update", members: asDocument},
	}
	var list strings.Builder
	list.WriteString("TIDEMARK_EHR_URL:\n")
	for _, h := range all {
		h.Server = sandbox.New(sandbox.Options{Kind: h.kind})
		web := httptest.NewServer(h.Server)
		t.Cleanup(web.Close)
		for _, known := range []string{`{"resourceType":"Patient","id":"oona-thistledown"}`, `{"resourceType":"RelatedPerson","id":"bram-thistledown","patient":{"reference":"Patient/oona-thistledown"}}`} {
			h.Put([]byte(known))
		}
		fmt.Fprintf(&list, "  - {name: %s, url: %q, %s}\n", h.name, web.URL+"/fhir", h.settings)
	}
	file := filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(list.String()), 0o600))
	return all, file
}

// heldMember is what a hospital holds of a member.
type heldMember struct{ status, value string }

// held reads every member that a hospital holds of a score; see membersIn.
func (h *shapedTarget) held(t *testing.T, score string) (map[string]heldMember, []string) {
	t.Helper()
	return membersIn(t, slices.Concat(h.Current("Observation"), h.Current("DocumentReference")), score, h.name == "named")
}

// membersIn finds the members of a score among resources: one resource of each,
// all of them sound R4; and what its panel names, by member: by reference, or where
// it is so configured by identifier.
func membersIn(t testing.TB, resources [][]byte, score string, logical bool) (members map[string]heldMember, named []string) {
	t.Helper()
	members, ids, panel := map[string]heldMember{}, map[string]string{}, measured{}
	for _, body := range resources {
		document, err := fhir.Decode(body)
		require.NoError(t, err, "%s", body)
		document.Release()
		var m measured
		require.NoError(t, unmarshal(body, &m))
		member, of := strings.CutPrefix(m.identifier(), score)
		if !of {
			continue
		}
		member = strings.TrimPrefix(member, ".")
		require.NotContains(t, members, member, "one resource of each")
		v := m.version()
		members[member] = heldMember{v.status, v.value}
		ids["Observation/"+parse(t, body).ID] = member
		if member == panelMember {
			panel = m
		}
	}
	for _, each := range panel.HasMember {
		require.Equal(t, logical, each.Reference == "")
		if logical {
			named = append(named, strings.TrimPrefix(strings.TrimPrefix(each.Identifier.Value, score), "."))
			continue
		}
		require.Contains(t, ids, each.Reference, "a panel names what is there")
		named = append(named, ids[each.Reference])
	}
	slices.Sort(named)
	return members, named
}

// expectedOf are the members of a shape with a status, but for those that are
// gone; and what a panel names of them.
func expectedOf(members map[string]string, status string, gone []string) (expected map[string]heldMember, named []string) {
	expected = map[string]heldMember{}
	for member, value := range members {
		expected[member] = heldMember{status, value}
		if slices.Contains(gone, member) {
			expected[member] = heldMember{wrong, value}
		} else if member != panelMember {
			named = append(named, member)
		}
	}
	slices.Sort(named)
	return expected, named
}

// withoutSleep takes the sleep loss out of a response.
func withoutSleep(body []byte) []byte {
	return []byte(strings.Replace(string(body), `,{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":4}]}`, "", 1))
}

// sleepless are the members that go with the sleep loss.
var sleepless = []string{"symptoms-sleep-loss", "subjective-part"}

// TestShapesOfTheRealProgram: a score is created, amended so that parts of it go,
// taken back, and another deleted; each target ends in its shape with what that
// makes of each member.
func TestShapesOfTheRealProgram(t *testing.T) {
	t.Parallel()
	targets, file := shapedTargets(t)
	s := serveWith(t, []string{"--config", file}, filepath.Join(t.TempDir(), "tidemark.db"), outside)
	wants := func(id, status string, whole map[string]string, gone ...string) {
		t.Helper()
		require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, patience, 10*time.Millisecond, "%s", s.log)
		require.Zero(t, metric(t, s, "tidemark_writeback_parked", ""), "%s", s.log)
		var score measured
		require.NoError(t, unmarshal(get(t, s.fhir+"/Observation/"+id), &score))
		for _, h := range targets {
			expected, left := expectedOf(h.members(whole), status, gone)
			members, named := h.held(t, score.identifier())
			require.Equal(t, expected, members, h.name)
			if _, has := expected[panelMember]; has && status != wrong {
				require.Equal(t, left, named, "what the panel names at %s", h.name)
			}
		}
	}
	send := func(method, path string, body []byte) string {
		t.Helper()
		r, err := call(method, s.fhir+"/QuestionnaireResponse"+path, body)
		require.NoError(t, err)
		require.Less(t, r.status, 300, "%s", r.body)
		if method == http.MethodDelete {
			return ""
		}
		return parse(t, r.body).ID
	}

	id := send(http.MethodPost, "", oona("shaped", "6"))
	whole := scoreOfOona()
	wants(id, "final", whole)

	revised := func(status string) []byte {
		return withoutSleep([]byte(strings.Replace(string(oona("shaped", "6")), `"status":"completed"`, `"id":"`+id+`","status":"`+status+`"`, 1)))
	}
	send(http.MethodPut, "/"+id, revised("amended"))
	whole[""] = "" // there is no total without sleep loss
	wants(id, "amended", whole, sleepless...)

	send(http.MethodPut, "/"+id, revised(wrong))
	wants(id, wrong, whole)

	other := send(http.MethodPost, "", oona("deleted", "6"))
	wants(other, "final", scoreOfOona())
	send(http.MethodDelete, "/"+other, nil)
	wants(other, wrong, scoreOfOona())
	wants(id, wrong, whole)

	require.Equal(t, 0, s.stop())
}
