package questionnaire_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// A response as the form asks for it costs two small strings, the ids in the
// references to patient and rater, and nothing else.
// Not parallel: other tests would be counted with it.
func TestReadAllocatesNothingButTwoReferences(t *testing.T) {
	s := byRegions()
	s.texts = true
	document, err := fhir.Decode(s.json())
	require.NoError(t, err)
	defer document.Release()
	allocations := testing.AllocsPerRun(200, func() {
		if _, err := questionnaire.Read(document.Root()); err != nil {
			t.Fatal(err)
		}
	})
	require.LessOrEqual(t, allocations, 2.0)
}

// Nor does one to a form of a portal's own cost more.
func TestReadByAnothersFormAllocatesNothingMore(t *testing.T) {
	form, err := questionnaire.Map(example(t, "portal-form.json"), asTheFormSays)
	require.NoError(t, err)
	catalog, err := questionnaire.Ours().With(form)
	require.NoError(t, err)
	document, err := fhir.Decode(example(t, "portal-response.json"))
	require.NoError(t, err)
	defer document.Release()
	allocations := testing.AllocsPerRun(200, func() {
		if _, err := catalog.Read(document.Root()); err != nil {
			t.Fatal(err)
		}
	})
	require.LessOrEqual(t, allocations, 2.0)
}

func BenchmarkRead(b *testing.B) {
	data, err := os.ReadFile("../fhir/testdata/response-regions.json")
	require.NoError(b, err)
	document, err := fhir.Decode(data)
	require.NoError(b, err)
	defer document.Release()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := questionnaire.Read(document.Root()); err != nil {
			b.Fatal(err)
		}
	}
}
