package receipt_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/receipt"
	"tidemark.example/tidemark/fhir/store"
)

// memberStates are those that one member of a panel may be in, from what must be
// seen first to what is fine.
var memberStates = []struct {
	business, status, words string
	change                  func(*store.Delivery)
}{
	{"parked", "on-hold", "Register her.", func(d *store.Delivery) { d.Parked, d.Reason = true, "Register her." }},
	{"waiting", "in-progress", "Version 2 of the score is to be sent.", func(*store.Delivery) {}},
	{"given-up", "failed", "Given up: Moved.", func(d *store.Delivery) { d.Parked, d.Dropped, d.Reason = true, true, "Moved." }},
	{"delivered", "completed", "", holds},
}

// membersOf are the names of the resources that a score with three parts is at a
// target of a shape, in the order of the store.
func membersOf(shape observation.Shape) []string {
	return shape.Members([]string{"intensity-erythema", "symptoms-itch", "extent"})
}

// panel are the deliveries of all members of a score to a target, each in the
// state that is picked for it.
func panel(target string, members []string, pick func(i int) int) (all []store.Delivery) {
	for i, member := range members {
		all = append(all, at(target, func(d *store.Delivery) {
			d.Member = member
			memberStates[pick(i)].change(d)
		}))
	}
	return all
}

// TestTheWorstMemberDecides: whichever one member of a panel stands worse than
// all others, and wherever it is in the order.
func TestTheWorstMemberDecides(t *testing.T) {
	t.Parallel()
	for _, shape := range []observation.Shape{observation.PanelShape, observation.Singles} {
		members := membersOf(shape)
		for worst, state := range memberStates {
			for others := worst; others < len(memberStates); others++ {
				for odd := range members {
					found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: panel("ehr", members, func(i int) int {
						if i == odd {
							return worst
						}
						return others
					})}, response)
					require.Equal(t, state.status, found.Status, "%s: %s among %s", shape, members[odd], memberStates[others].business)
					require.Equal(t, state.business, found.BusinessStatus.Coding[0].Code)
					require.Len(t, found.Output, 2, "the score, and one output for the target")
					require.Equal(t, state.business, found.Output[1].Type.Coding[0].Code)
					require.Equal(t, "ehr", found.Output[1].Type.Text)
					require.True(t, strings.HasPrefix(found.Output[1].ValueString, state.words), "what is to be changed comes first: %s", found.Output[1].ValueString)
				}
			}
		}
	}
}

// TestAReasonThatAllMembersHaveIsSaidOnce, and reasons that differ each once.
func TestAReasonThatAllMembersHaveIsSaidOnce(t *testing.T) {
	t.Parallel()
	members := membersOf(observation.PanelShape)
	all := panel("ehr", members, func(int) int { return 0 })
	found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: all}, response)
	require.Equal(t, "ehr: Register her.", found.StatusReason.Text)
	require.Equal(t, "Register her.", found.Output[1].ValueString)
	all[1].Reason = "Allow the category."
	found = of(t, receipt.Input{Score: 2, Targets: both, Deliveries: all}, response)
	require.Equal(t, "ehr: Register her. Allow the category.", found.StatusReason.Text)
	all[1].Reason, all[2].Parked, all[2].Reason = "Register her.", false, "The target is not available."
	found = of(t, receipt.Input{Score: 2, Targets: both, Deliveries: all}, response)
	require.NotContains(t, found.StatusReason.Text, "not available", "what is sent again by itself is nobody's to change")
}

// TestAPanelThatHasArrivedIsNamedByItself: not by the first of its parts.
func TestAPanelThatHasArrivedIsNamedByItself(t *testing.T) {
	t.Parallel()
	for shape, name := range map[observation.Shape]string{observation.Document: "DocumentReference/17", observation.PanelShape: "Observation/17", observation.Singles: "Observation/17"} {
		found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: panel("ehr", membersOf(shape), func(int) int { return 3 })}, response)
		require.Equal(t, "delivered", found.BusinessStatus.Coding[0].Code)
		require.Len(t, found.Output, 2)
		require.Equal(t, "https://ehr.example/fhir/"+name+"/_history/3", found.Output[1].ValueReference.Reference)
		require.Equal(t, "It holds version 2 of the score.", found.Output[1].ValueReference.Display)
	}
}

// TestReceiptOfAnyMembersAtAnyTargets holds every mixture to a count of another
// kind: the worst of all is the status, and each target has one output, which
// says the worst of its own.
func TestReceiptOfAnyMembersAtAnyTargets(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		var all []store.Delivery
		worstOf, worst := map[string]int{}, len(memberStates)-1
		for _, target := range []string{"ehr", "old", "registry"}[:rapid.IntRange(1, 3).Draw(rt, "targets")] {
			members := membersOf(rapid.SampledFrom(observation.Shapes()).Draw(rt, "shape"))
			worstOf[target] = len(memberStates) - 1
			all = append(all, panel(target, members, func(int) int {
				state := rapid.IntRange(0, len(memberStates)-1).Draw(rt, "state")
				worstOf[target], worst = min(worstOf[target], state), min(worst, state)
				return state
			})...)
		}
		found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: all}, response)
		require.Equal(rt, memberStates[worst].business, found.BusinessStatus.Coding[0].Code)
		require.Len(rt, found.Output, 1+len(worstOf))
		for _, o := range found.Output[1:] {
			state, known := worstOf[o.Type.Text]
			require.True(rt, known, "an output for each target")
			delete(worstOf, o.Type.Text)
			require.Equal(rt, memberStates[state].business, o.Type.Coding[0].Code)
		}
	})
}
