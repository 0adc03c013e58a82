package fhir_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// regions is the response all decoders are measured on: 26 answers by regions,
// with the text of every item, nested as in the form.
func regions(tb testing.TB) []byte {
	tb.Helper()
	data, err := os.ReadFile("testdata/response-regions.json")
	require.NoError(tb, err)
	return data
}

// BenchmarkDecode is the first part of the whole path, which fhir/observation
// measures beside its yardsticks.
func BenchmarkDecode(b *testing.B) {
	data := regions(b)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		document, err := fhir.Decode(data)
		if err != nil {
			b.Fatal(err)
		}
		document.Release()
	}
}

func BenchmarkDigest(b *testing.B) {
	data := regions(b)
	document, err := fhir.Decode(data)
	require.NoError(b, err)
	defer document.Release()
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if document.Root().Digest() == "" {
			b.Fatal("empty")
		}
	}
}

// Not parallel: other tests would be counted with it.
func TestDecodeAllocatesNothingOnceThePoolIsWarm(t *testing.T) {
	if raceDetector {
		t.Skip("under the race detector a sync.Pool drops what it holds at random, so decoding allocates")
	}
	data := regions(t)
	allocations := testing.AllocsPerRun(200, func() {
		document, err := fhir.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		document.Release()
	})
	require.Zero(t, allocations)
}
