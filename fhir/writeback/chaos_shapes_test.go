package writeback

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
)

// shapesOfChaos are those that rounds are played with, each with the mode that
// it is written in.
var shapesOfChaos = []struct {
	shape observation.Shape
	mode  Mode
}{
	{observation.PanelShape, ConditionalUpdate}, {observation.PanelShape, ConditionalCreate},
	{observation.Singles, SearchThenWrite}, {observation.Document, ConditionalUpdate},
}

// TestAnyInterleavingKeepsThePromiseOfEachMember is TestAnyInterleavingKeepsThePromise
// where a score is several resources, which come and go with its versions.
func TestAnyInterleavingKeepsThePromiseOfEachMember(t *testing.T) {
	t.Parallel()
	for _, c := range shapesOfChaos {
		t.Run(string(c.shape)+" by "+string(c.mode), func(t *testing.T) {
			t.Parallel()
			interleave(t, newRounds(t), played{name: string(c.shape), shape: c.shape}, c.mode, 5, chaosTime)
		})
	}
}

// taken are the versions that the hospital took of a member, in order, with what
// it holds of it now.
func (c *chaos) taken(t require.TestingT, n int, member string) (versions, live []map[string]any) {
	kind := observation.MemberType(member)
	identifier := observation.MemberIdentifier(fmt.Sprint("digest-", n), member)
	of := func(body []byte) (map[string]any, bool) {
		resource, err := parseResource(body)
		if err != nil {
			return nil, false
		}
		value, _ := identifierOf(resource)
		return resource, value == identifier
	}
	for i := 1; i <= c.created; i++ {
		for _, body := range c.hospital.Versions(kind, fmt.Sprintf("s%04d", i)) {
			if resource, ok := of(body); ok {
				versions = append(versions, resource)
			}
		}
	}
	for _, body := range c.hospital.Current(kind) {
		if resource, ok := of(body); ok {
			live = append(live, resource)
		}
	}
	return versions, live
}

// keepsThePromiseOfMembers checks each member of a score: one resource, the
// version wanted, never an older one after a newer one.
func (c *chaos) keepsThePromiseOfMembers(t require.TestingT, n int) {
	all, err := c.store.Members(context.Background(), c.target, keyOf(n))
	require.NoError(t, err)
	alive := map[string]bool{}
	var panel map[string]any
	for _, d := range all {
		versions, live := c.taken(t, n, d.Member)
		before := int64(0)
		for i, resource := range versions {
			version := versionIn(t, resource)
			require.GreaterOrEqual(t, version, before, "never an older version after a newer one")
			require.True(t, i > 0 || resource["status"] != "entered-in-error", "what was never sent is not taken back")
			before = version
		}
		require.LessOrEqual(t, len(live), 1, "one resource for %q", d.Member)
		require.Equal(t, d.Wanted, d.Delivered)
		if len(live) == 0 {
			require.True(t, d.Retract, "only what was taken back may be missing")
			require.True(t, len(versions) == 0 || c.deleted[n])
			continue
		}
		require.Equal(t, d.Wanted, versionIn(t, live[0]), "the version wanted of %q", d.Member)
		require.Equal(t, d.Retract, live[0]["status"] == "entered-in-error", "of %q", d.Member)
		if !d.Retract {
			alive["Observation/"+live[0]["id"].(string)] = true
		}
		if d.Member == observation.PanelMember && !d.Retract {
			panel = live[0]
		}
	}
	for _, each := range references(panel["hasMember"]) {
		if literal, _ := each["reference"].(string); literal != "" {
			require.True(t, alive[literal], "a panel names what is there and is not taken back: %s", literal)
			continue
		}
		value := each["identifier"].(map[string]any)["value"].(string)
		require.True(t, strings.HasPrefix(value, fmt.Sprint("digest-", n)))
	}
}
