package fhir_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// examplesDir holds HL7's official example resources, which are not ours to
// commit; FHIR_EXAMPLES names another place.
func examplesDir() string {
	if dir := os.Getenv("FHIR_EXAMPLES"); dir != "" {
		return dir
	}
	return filepath.Join("..", "..", "shared", "fhir-examples")
}

// refusedExamples are official files that Decode must refuse, and why.
var refusedExamples = map[string]string{}

func TestOfficialExamplesDecode(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob(filepath.Join(examplesDir(), "*.json"))
	require.NoError(t, err)
	if _, err := os.Stat(examplesDir()); err != nil {
		t.Skipf("HL7's official examples are not at %s; set FHIR_EXAMPLES to a directory of them", examplesDir())
	}
	require.NotEmpty(t, files, "no example was read")
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			document, err := fhir.Decode(data)
			if reason := refusedExamples[filepath.Base(file)]; reason != "" {
				require.ErrorContains(t, err, reason)
				return
			}
			require.NoError(t, err)
			defer document.Release()
			// Numbers, above all, survive as they were written.
			var got []leaf
			leavesOf(document.Root(), "", &got)
			want, err := referenceLeaves(data)
			require.NoError(t, err)
			require.Equal(t, want, got)
			var meta struct{ ResourceType string }
			require.NoError(t, json.Unmarshal(data, &meta))
			require.Equal(t, meta.ResourceType, document.Root().Type())
		})
	}
}

func TestDecimalsOfTheOfficialExampleSurvive(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile(filepath.Join(examplesDir(), "r4-observation-decimal.json"))
	if err != nil {
		t.Skipf("HL7's official examples are not at %s; set FHIR_EXAMPLES to a directory of them", examplesDir())
	}
	document, err := fhir.Decode(data)
	require.NoError(t, err)
	defer document.Release()
	stored := string(fhir.AppendStamped(nil, document.Root(), fhir.Stamp{ID: "decimal", Version: 1}, nil))
	for _, number := range []string{"1.0", "1.00", "1E-22", "1000000000000000000", "1.000000000000000000E-245", "-1.000000000000000000E+245"} {
		require.True(t, strings.Contains(stored, number), number)
	}
}
