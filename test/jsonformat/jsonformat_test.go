package jsonformat_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"
)

func TestEverythingEmittedIsR4(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	output, err := exec.CommandContext(t.Context(), "go", "run", "../validator/emit", dir).CombinedOutput()
	require.NoError(t, err, "%s", output)
	files, err := filepath.Glob(filepath.Join(dir, "*.json"))
	require.NoError(t, err)
	require.Greater(t, len(files), 30, "files emitted")

	unmarshaller, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	types := map[string]int{}
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(t, err)
		resource, err := unmarshaller.UnmarshalR4(data)
		require.NoError(t, err, filepath.Base(file))
		oneOf := resource.ProtoReflect().WhichOneof(resource.ProtoReflect().Descriptor().Oneofs().Get(0))
		types[string(oneOf.Name())]++
	}
	for _, kind := range []string{
		"questionnaire", "code_system", "value_set", "observation", "provenance", "device",
		"operation_outcome", "capability_statement", "bundle", "questionnaire_response", "structure_definition", "audit_event",
	} {
		require.Positive(t, types[kind], "no %s was emitted", kind)
	}
}

func TestWhatIsNotR4IsRefused(t *testing.T) {
	t.Parallel()
	unmarshaller, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	for _, text := range []string{
		`{"resourceType":"Observation","status":"final"}`,
		`{"resourceType":"Observation","status":"done","code":{"text":"x"}}`,
		`{"resourceType":"Observation","status":"final","code":{"text":"x"},"colour":"red"}`,
	} {
		_, err := unmarshaller.UnmarshalR4([]byte(text))
		require.Error(t, err, text)
	}
}
