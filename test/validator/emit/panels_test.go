package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

// claimed is what the tests read of an Observation and of a Bundle of them.
type claimed struct {
	ResourceType, Status string
	Meta                 struct{ Profile []string }
	Code                 json.RawMessage
	Entry                []struct{ Resource claimed }
}

func claimedBy(t *testing.T, body []byte) claimed {
	t.Helper()
	var c claimed
	require.NoError(t, json.Unmarshal(body, &c))
	return c
}

func TestEveryObservationClaimsOneOfOurProfiles(t *testing.T) {
	t.Parallel()
	seen := map[string]int{}
	for name, body := range resources(t) {
		top := claimedBy(t, body)
		for _, c := range append([]claimed{top}, flat(top)...) {
			if c.ResourceType != "Observation" {
				continue
			}
			if strings.Contains(name, "-altered") { // has not our code any more, which each of our profiles asks for
				require.Empty(t, c.Meta.Profile, name)
				continue
			}
			require.Len(t, c.Meta.Profile, 1, name)
			require.Contains(t, questionnaire.Profiles("Observation"), c.Meta.Profile[0], name)
			seen[c.Meta.Profile[0]]++
		}
	}
	require.Len(t, seen, len(questionnaire.Profiles("Observation")), "each profile has something to be held against")
}

// flat are the resources in a Bundle.
func flat(bundle claimed) (all []claimed) {
	for _, entry := range bundle.Entry {
		all = append(all, entry.Resource)
	}
	return all
}

func TestPanelsOfEveryStateAreWritten(t *testing.T) {
	t.Parallel()
	want := map[string]string{
		"hands-completed": "final", "regions-completed": "final", "direct-completed": "final",
		"hands-amended": "amended", "hands-no-total": "final", "hands-panel-entered-in-error": "entered-in-error",
	}
	for form := range forms {
		for name, status := range want {
			bundle := claimedBy(t, resources(t)["Bundle-panel-"+form+"-"+name])
			require.Greater(t, len(bundle.Entry), 12, form+" "+name)
			for _, c := range flat(bundle) {
				require.Equal(t, status, c.Status, form+" "+name)
			}
			whole := bundle.Entry[len(bundle.Entry)-1].Resource
			require.Contains(t, string(whole.Code), `"code":"panel"`)
		}
	}
}

func TestResponsesAreEmittedAsTheirSendersWroteThem(t *testing.T) {
	t.Parallel()
	for name, body := range resources(t) {
		if strings.HasPrefix(name, "QuestionnaireResponse-") {
			require.Empty(t, claimedBy(t, body).Meta.Profile, name)
		}
	}
}
