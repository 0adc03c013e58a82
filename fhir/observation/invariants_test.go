package observation_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// coded is what the invariants look at, read by a plain JSON decoder.
type coded struct {
	ResourceType     string
	Status           string
	Category         []concept
	Code             concept
	ValueQuantity    *quantity
	ValueBoolean     *bool
	DataAbsentReason *concept
	EffectivePeriod  *struct{ Start, End string }
	ReferenceRange   []struct {
		Low, High *quantity
		Type      *concept
		Text      string
	}
	Component []struct {
		Code             concept
		ValueQuantity    *quantity
		ValueBoolean     *bool
		DataAbsentReason *concept
	}
	Interpretation []concept
	HasMember      []json.RawMessage
}

type concept struct {
	Coding []struct{ System, Code, Display string }
	Text   string
}

type quantity struct {
	Value              json.Number
	Unit, System, Code string
}

func (c concept) codings() []string {
	var all []string
	for _, coding := range c.Coding {
		all = append(all, coding.System+"|"+coding.Code)
	}
	return all
}

// requireInvariants holds the invariants of R4 observation.html and datatypes.html
// and those of US Core's screening profile that a decoder does not know.
func requireInvariants(t require.TestingT, data []byte) {
	var o coded
	require.NoError(t, json.Unmarshal(data, &o))
	require.NotContains(t, string(data), `"reference":"#`, "nothing contained is pointed at")
	requireObs(t, &o)
	for _, q := range quantities(&o) {
		require.NotNil(t, q)
		require.Equal(t, questionnaire.UCUM, q.System, "us-core-3 and qty-3: units are UCUM")
		require.NotEmpty(t, q.Code)
		require.NotEmpty(t, q.Unit)
		require.Regexp(t, `^\d+(\.\d{1,2})?$`, q.Value.String(), "no exponent, no third decimal")
	}
	start, err := fhir.ParseDateTime([]byte(o.EffectivePeriod.Start))
	require.NoError(t, err)
	end, err := fhir.ParseDateTime([]byte(o.EffectivePeriod.End))
	require.NoError(t, err)
	low, _ := start.Range()
	_, high := end.Range()
	require.True(t, low.Before(high), "per-1")
}

func requireObs(t require.TestingT, o *coded) {
	require.NotEmpty(t, o.Code.Text)
	require.False(t, o.ValueQuantity != nil && o.DataAbsentReason != nil, "obs-6")
	require.True(t, o.ValueQuantity != nil || o.ValueBoolean != nil || o.DataAbsentReason != nil || len(o.Component) > 0 || len(o.HasMember) > 0, "us-core-2")
	for _, r := range o.ReferenceRange {
		require.True(t, r.Low != nil || r.High != nil || r.Text != "", "obs-3")
		require.NotNil(t, r.Type, "without a type the normal range is assumed")
	}
	mine := map[string]bool{}
	for _, coding := range o.Code.codings() {
		mine[coding] = true
	}
	seen := map[string]bool{}
	for _, c := range o.Component {
		require.True(t, c.ValueQuantity != nil || c.ValueBoolean != nil, "a component says something")
		require.Nil(t, c.DataAbsentReason)
		require.NotEmpty(t, c.Code.Text)
		for _, coding := range c.Code.codings() {
			require.False(t, o.ValueQuantity != nil && mine[coding], "obs-7: %s", coding)
			require.False(t, seen[coding], "two components of one code: %s", coding)
			seen[coding] = true
		}
	}
}

func quantities(o *coded) []*quantity {
	var all []*quantity
	if o.ValueQuantity != nil {
		all = append(all, o.ValueQuantity)
	}
	for _, c := range o.Component {
		if c.ValueQuantity != nil {
			all = append(all, c.ValueQuantity)
		}
	}
	for _, r := range o.ReferenceRange {
		all = append(all, r.Low, r.High)
	}
	return all
}

// The checks above must be able to fail.
func TestInvariantsAreNoticedWhenBroken(t *testing.T) {
	t.Parallel()
	good := observe(t, directly()).json
	for name, change := range map[string][2]string{
		"obs-7":             {`"code":"objective"`, `"code":"scorad"`},
		"obs-6":             {`"valueQuantity":{"value":39.80`, `"dataAbsentReason":{"text":"x"},"valueQuantity":{"value":39.80`},
		"us-core-3":         {`"code":"{score}"}},{"code":{"coding":[{"system":"` + questionnaire.ScoradSystem + `","code":"objective"`, `"code":""}},{"code":{"coding":[{"system":"` + questionnaire.ScoradSystem + `","code":"objective"`},
		"per-1":             {`"start":"2026-11-21"`, `"start":"2026-11-25"`},
		"third decimal":     {`"value":39.80,`, `"value":39.800,`},
		"contained":         {`"reference":"RelatedPerson/bram-thistledown"`, `"reference":"#bram"`},
		"type of a range":   {`"type":{"coding":[{"system":"` + questionnaire.BandSystem + `","code":"mild"`, `"x":{"coding":[{"system":"` + questionnaire.BandSystem + `","code":"mild"`},
		"twice one code":    {`"code":"intensity-part"`, `"code":"extent-part"`},
		"component's value": {`"valueBoolean":true`, `"x":true`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Contains(t, good, change[0])
			probe := &probe{}
			func() {
				defer func() { _ = recover() }() // FailNow
				requireInvariants(probe, []byte(strings.Replace(good, change[0], change[1], 1)))
			}()
			require.True(t, probe.failed)
		})
	}
}

// probe notes a failure instead of failing.
type probe struct{ failed bool }

func (p *probe) Errorf(string, ...any) { p.failed = true }
func (p *probe) FailNow()              { panic("failed") }
