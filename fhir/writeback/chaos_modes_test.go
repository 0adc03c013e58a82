package writeback

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
)

// played is a hospital as it is played in a round.
type played struct {
	name string
	kind sandbox.Kind
	// parks says that some deliveries cannot be made and must be parked, discovers
	// that it must be asked what it can do before it is written to.
	parks, discovers bool
	// shape is what it takes scores in, "" for those of one resource.
	shape observation.Shape
}

// hospitals are the kinds of hospital that every mode is tried on.
var hospitals = []played{
	{name: "Everything"},
	{name: "NoConditionalUpdate", kind: sandbox.Kind{NoConditionalUpdate: 400}},
	{name: "NoConditionalUpdateBy405", kind: sandbox.Kind{NoConditionalUpdate: 405}},
	{name: "NoConditionalUpdateBy412", kind: sandbox.Kind{NoConditionalUpdate: 412}},
	{name: "NoConditionalCreate", kind: sandbox.Kind{NoConditionalCreate: 400}},
	{name: "NeitherConditional", kind: sandbox.Kind{NoConditionalUpdate: 501, NoConditionalCreate: 501}},
	{name: "NeitherConditionalButSaysSo", kind: sandbox.Kind{NoConditionalUpdate: 400, NoConditionalCreate: 412, Statement: sandbox.Boastful}},
	// What goes with the scores is created under that condition alone, so that such
	// a hospital gets more of it; see the package comment.
	{name: "IgnoresIfNoneExist", kind: sandbox.Kind{IgnoreIfNoneExist: true, Statement: sandbox.Boastful}},
	{name: "NoVersions", kind: sandbox.Kind{NoVersions: true}},
	{name: "NoVersionsButSaysSo", kind: sandbox.Kind{NoVersions: true, Statement: sandbox.Boastful}},
	{name: "NothingAtAll", kind: sandbox.Kind{NoConditionalUpdate: 400, NoConditionalCreate: 400, NoVersions: true, NoTransaction: true}},
	{name: "NoTransaction", kind: sandbox.Kind{NoTransaction: true}},
	{name: "SaysNothing", kind: sandbox.Kind{Statement: sandbox.Silent}},
	{name: "SaysItCannot", kind: sandbox.Kind{Statement: sandbox.Modest}},
	{name: "NoIdentifierSearch", kind: sandbox.Kind{NoIdentifierSearch: true}, parks: true},
	{name: "TransactionOnly", kind: sandbox.Kind{TransactionOnly: true}, discovers: true},
}

// TestEveryModeKeepsThePromise is the same for every mode on every kind of
// hospital, whether or not the mode suits it.
func TestEveryModeKeepsThePromise(t *testing.T) {
	t.Parallel()
	limit := chaosTime / time.Duration(len(hospitals))
	for _, mode := range Modes() {
		t.Run(string(mode), func(t *testing.T) {
			t.Parallel()
			r := newRounds(t)
			for _, p := range hospitals {
				// Who writes by transactions only takes nothing else.
				p.parks = p.parks || p.kind.TransactionOnly && mode != Transaction && mode != Auto
				t.Run(p.name, func(t *testing.T) { interleave(t, r, p, mode, 4, limit) })
			}
		})
	}
}

// keepsOneOfEach checks what goes with the scores: one Device, one Provenance for
// each version that was sent, each about a score that is or was there, and nothing
// in them that only this service could resolve.
func (c *chaos) keepsOneOfEach(t require.TestingT) {
	if c.ignores {
		return
	}
	require.LessOrEqual(t, len(c.hospital.Current("Device")), 1, "one Device")
	tags := map[string]bool{}
	for _, body := range c.hospital.Current("Provenance") {
		resource := tree(t, string(body))
		meta, _ := resource["meta"].(map[string]any)
		tag := references(meta["tag"])[0]["code"].(string)
		require.False(t, tags[tag], "one Provenance for a version")
		tags[tag] = true
		target := references(resource["target"])[0]["reference"].(string)
		id, found := strings.CutPrefix(target, "Observation/")
		require.True(t, found, "the reference was replaced: %s", target)
		require.NotEmpty(t, c.hospital.Versions("Observation", id))
		require.NotContains(t, string(body), "urn:uuid:")
	}
	for _, body := range c.hospital.Current("Observation") {
		require.NotContains(t, string(body), "urn:uuid:")
	}
}
