package validator_test

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

// element is what the tests read of a profile's differential.
type element struct {
	ID         string
	Constraint []struct{ Key, Human, Expression string }
	Binding    struct{ ValueSet string }
	Type       []struct{ TargetProfile []string }
	Pattern    struct {
		Coding []struct{ System, Code string }
	} `json:"patternCodeableConcept"`
}

// differentials are those of all profiles published, by id.
func differentials(t *testing.T) map[string][]element {
	t.Helper()
	all := map[string][]element{}
	for _, p := range questionnaire.All() {
		if p.Type != "StructureDefinition" {
			continue
		}
		var profile struct{ Differential struct{ Element []element } }
		require.NoError(t, json.Unmarshal(p.JSON, &profile))
		all[p.ID] = profile.Differential.Element
	}
	require.Len(t, all, 6)
	return all
}

// A rule that nothing was ever held to may never fail. The engine is shown one
// broken resource for each; see Mutations.java.
func TestEveryRuleOfAProfileHasAResourceThatBreaksIt(t *testing.T) {
	t.Parallel()
	list, err := os.ReadFile("sound/mutations.txt")
	require.NoError(t, err)
	rules := 0
	for id, elements := range differentials(t) {
		for _, e := range elements {
			for _, c := range e.Constraint {
				rules++
				require.NotEmpty(t, c.Human, "%s %s", id, c.Key)
				require.NotEmpty(t, c.Expression, "%s %s", id, c.Key)
				require.Contains(t, string(list), " :: Constraint failed: "+c.Key+"\n", "%s %s", id, e.ID)
			}
		}
	}
	require.Greater(t, rules, 30)
}

// What a profile refers to of ours is published.
func TestProfilesReferToWhatIsThere(t *testing.T) {
	t.Parallel()
	for id, elements := range differentials(t) {
		for _, e := range elements {
			if set := e.Binding.ValueSet; set != "" {
				_, ok := questionnaire.Find("ValueSet", set)
				require.True(t, ok, "%s %s: %s", id, e.ID, set)
			}
			for _, kind := range e.Type {
				for _, target := range kind.TargetProfile {
					if strings.HasPrefix(target, questionnaire.Base) {
						_, ok := questionnaire.Find("StructureDefinition", target)
						require.True(t, ok, "%s %s: %s", id, e.ID, target)
					}
				}
			}
			for _, coding := range e.Pattern.Coding {
				if strings.HasPrefix(coding.System, questionnaire.Base) {
					require.NotEmpty(t, questionnaire.Display(coding.System, coding.Code), "%s %s", id, e.ID)
				}
			}
		}
	}
}
