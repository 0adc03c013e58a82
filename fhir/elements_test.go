package fhir_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

func TestElementsByName(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]bool{"status": true, "value": true, "valueQuantity": true, "value[x]": false, "_status": false, "colour": false, "": false, "resourceType": true} {
		require.Equal(t, want, fhir.HasElement("Observation", name), name)
	}
	require.False(t, fhir.HasElement("Period", "start"), "no resource")
	require.False(t, fhir.HasElement("Colour", "id"))
	require.True(t, fhir.IsResource("Patient"))
	require.False(t, fhir.IsResource("patient"))
	require.False(t, fhir.IsResource("Period"))
	require.False(t, fhir.IsResource(""))
}

// TestSubset: what is wanted, what must be there, and the mark that says so.
func TestSubset(t *testing.T) {
	t.Parallel()
	const tag = `{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED","display":"Subsetted"}`
	named := func(name string) func(*fhir.Element) bool {
		return func(e *fhir.Element) bool { return fhir.Names(e, name) }
	}
	for name, c := range map[string]struct {
		resource, want string
		wanted         func(*fhir.Element) bool
	}{
		"NothingButWhatIsMandatory": {
			`{"resourceType":"Observation","id":"a","status":"final","code":{"text":"x"},"valueString":"v","note":[{"text":"n"}]}`,
			`{"resourceType":"Observation","id":"a","meta":{"tag":[` + tag + `]},"status":"final","code":{"text":"x"}}`,
			func(*fhir.Element) bool { return false },
		},
		"AChoiceByItsShortName": {
			`{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueString":"v"}`,
			`{"resourceType":"Observation","meta":{"tag":[` + tag + `]},"status":"final","code":{"text":"x"},"valueString":"v"}`, named("value"),
		},
		"ListsWholeAndCompanionsAlong": {
			`{"resourceType":"Observation","meta":{"versionId":"3","tag":[{"code":"t"}]},"status":"final","_status":{"id":"s"},"code":{"text":"x"},"issued":"2026-03-04T10:00:00Z","_issued":{"id":"i"},"note":[{"text":"1"},{"text":"2"}]}`,
			`{"resourceType":"Observation","meta":{"tag":[{"code":"t"},` + tag + `],"versionId":"3"},"status":"final","_status":{"id":"s"},"code":{"text":"x"},"note":[{"text":"1"},{"text":"2"}]}`, named("note"),
		},
		"AMandatoryChoiceWithoutBeingNamed": {
			`{"resourceType":"Provenance","target":[{"reference":"a/1"}],"recorded":"2026-03-04T10:00:00Z","agent":[{"who":{"reference":"b/2"}}],"activity":{"text":"y"}}`,
			`{"resourceType":"Provenance","meta":{"tag":[` + tag + `]},"target":[{"reference":"a/1"}],"recorded":"2026-03-04T10:00:00Z","agent":[{"who":{"reference":"b/2"}}]}`,
			func(e *fhir.Element) bool { return e.Summary },
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			document, err := fhir.Decode([]byte(c.resource))
			require.NoError(t, err)
			defer document.Release()
			subset := fhir.AppendSubset(nil, document.Root(), c.wanted)
			require.Equal(t, c.want, string(subset))
			again, err := fhir.Decode(subset)
			require.NoError(t, err, "a part is valid by itself")
			again.Release()
		})
	}
}
