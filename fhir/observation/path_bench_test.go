package observation_test

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/bytedance/sonic"
	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// regions is the response that the whole path is measured on: 26 answers by
// regions, with the text of every item, nested as in the form.
func regions(tb testing.TB) []byte {
	tb.Helper()
	data, err := os.ReadFile("../testdata/response-regions.json")
	require.NoError(tb, err)
	return data
}

// wholePath is what is done with every response before it is stored.
func wholePath(data, dst []byte) ([]byte, error) {
	document, err := fhir.Decode(data)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	response, err := questionnaire.Read(document.Root())
	if err != nil {
		return nil, err
	}
	return observation.Append(dst, &observation.Input{
		Response: &response, ID: "0190a1b2", Version: 1, Status: "final",
		Identifier: "5f2b", Base: "https://tidemark.example/fhir", DerivedFrom: "QuestionnaireResponse/0190a1b2/_history/1",
		Issued: issued, LastUpdated: issued, Bands: &scoring.UsualBands,
	}), nil
}

// BenchmarkWholePath decodes, reads, scores and writes the Observation.
func BenchmarkWholePath(b *testing.B) {
	data := regions(b)
	dst := make([]byte, 0, 32<<10)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := wholePath(data, dst); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkModelDecode is the model library by encoding/json alone: it fills
// structs, checks far less (it takes quoted numbers, nulls and unknown names) and
// scores nothing. The whole path is to take a third of it at most.
func BenchmarkModelDecode(b *testing.B) {
	data := regions(b)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		var response models.QuestionnaireResponse
		if err := json.Unmarshal(data, &response); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSonicValid only looks whether the text is JSON: no names, no types, no
// duplicates. The whole path is to take six times as long at most.
func BenchmarkSonicValid(b *testing.B) {
	data := regions(b)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if !sonic.Valid(data) {
			b.Fatal("refused")
		}
	}
}
