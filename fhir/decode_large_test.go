package fhir_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// largeDocument is a document of a shape that a careless decoder takes more
// than linear time for, made of n like parts.
type largeDocument struct {
	name string
	text func(n int) string
	// says is a part of the first fault, "" for a document that is accepted;
	// faults gives how many faults n parts have, at most MaxFaults and the note
	// that there are more.
	says   string
	faults func(n int) int
}

// one is the number of faults of a document that is refused as a whole.
func one(int) int { return 1 }

// listed is how many faults are listed where there are more than MaxFaults.
func listed(int) int { return fhir.MaxFaults + 1 }

var largeDocuments = []largeDocument{
	{name: "values of one array", text: func(n int) string {
		return response(`"item":[` + repeat(n, `{"linkId":"a"}`) + `]`)
	}},
	{name: "faults from the start", says: "linkId is missing", faults: listed, text: func(n int) string {
		return response(`"item":[` + repeat(n, `{"text":"a"}`) + `]`)
	}},
	{name: "faults at the end of a long array", says: "linkId is missing", faults: func(int) int { return fhir.MaxFaults }, text: func(n int) string {
		return response(`"item":[` + repeat(n, `{"linkId":"a"}`) + `,` + repeat(fhir.MaxFaults, `{"text":"a"}`) + `]`)
	}},
	{name: "unknown names", says: "no property", faults: listed, text: func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `"x%d":1,`, i)
		}
		return response(b.String() + `"id":"a"`)
	}},
	{name: "an unknown name repeated at the end", says: "twice", faults: one, text: func(n int) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `"x%d":1,`, i)
		}
		return response(b.String() + `"x0":1`)
	}},
	{name: "nested as deep as can be", text: func(n int) string {
		depth := fhir.MaxDepth - 2
		return response(strings.Repeat(`"item":[{"linkId":"a",`, depth) + `"item":[` + repeat(n, `{"linkId":"b"}`) + `]` + strings.Repeat(`}]`, depth))
	}},
	{name: "nested beyond", says: "deep", faults: one, text: func(n int) string {
		return response(`"x":` + strings.Repeat("[", n) + strings.Repeat("]", n))
	}},
	{name: "types named last at some levels", text: func(n int) string { return typesLast(n, 7) }},
	{name: "types named last at every level", says: "put it first", faults: one, text: func(n int) string { return typesLast(n, fhir.MaxDepth-2) }},
	{name: "a string", text: func(n int) string {
		return response(`"item":[{"linkId":"a","text":"` + strings.Repeat("0123456789abcdef", n/16) + `"}]`)
	}},
	{name: "escapes", text: func(n int) string {
		return response(`"item":[{"linkId":"a","text":"` + strings.Repeat(`\u00e4\n\ud83d\ude00`, n/16) + `"}]`)
	}},
	{name: "an escaped name", says: "no property", faults: one, text: func(n int) string { return response(`"` + strings.Repeat(`\u00e4`, n) + `":1`) }},
	{name: "digits", says: "64 characters", faults: one, text: func(n int) string {
		return response(`"item":[{"linkId":"a","answer":[{"valueDecimal":` + strings.Repeat("7", n) + `}]}]`)
	}},
	{name: "white space", text: func(n int) string { return response(strings.Repeat(" \n", n) + `"id":"a"`) }},
	{name: "arrays held against each other", text: func(n int) string {
		return `{"resourceType":"Patient","name":[{"given":[` + repeat(n, `"a",null`) + `],"_given":[` + repeat(n, `null,{"id":"x"}`) + `]}]}`
	}},
	{name: "a fault of JSON at the very end", says: "not JSON", faults: one, text: func(n int) string {
		return response(`"item":[`+repeat(n, `{"linkId":"a"}`)+`]`) + "}"
	}},
}

// typesLast nests patients, each of which names its type after its content.
func typesLast(n, depth int) string {
	return strings.Repeat(`{"contained":[`, depth) + `{"name":[` + repeat(n, `{"text":"a"}`) + `],"resourceType":"Patient"}` +
		strings.Repeat(`],"resourceType":"Patient"}`, depth)
}

// repeat gives n equal parts with commas between.
func repeat(n int, part string) string {
	return strings.TrimSuffix(strings.Repeat(part+",", n), ",")
}

// BenchmarkDecodeLarge shows whether the time grows as the document does: then
// both sizes of a shape take about the same ns/byte.
func BenchmarkDecodeLarge(b *testing.B) {
	for _, large := range largeDocuments {
		for _, n := range []int{2_000, 64_000} {
			data := []byte(large.text(n))
			b.Run(fmt.Sprintf("%s/%d", large.name, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if document, err := fhir.Decode(data); err == nil {
						document.Release()
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(data)), "ns/byte")
			})
		}
	}
}

func TestDecodeLarge(t *testing.T) {
	t.Parallel()
	for _, large := range largeDocuments {
		t.Run(large.name, func(t *testing.T) {
			t.Parallel()
			const parts = 50_000
			text := large.text(parts)
			if large.says == "" {
				document, err := fhir.Decode([]byte(text))
				require.NoError(t, err)
				document.Release()
				return
			}
			issues := faults(t, text)
			require.Len(t, issues, large.faults(parts))
			require.Contains(t, issues[0].Text, large.says)
		})
	}
}

func TestPathsOfALargeDocument(t *testing.T) {
	t.Parallel()
	document, err := fhir.Decode([]byte(response(`"item":[` + repeat(50_000, `{"linkId":"a","answer":[{"valueInteger":1},{"valueInteger":2}]}`) + `]`)))
	require.NoError(t, err)
	defer document.Release()
	at := 0
	for item := range document.Root().Each("item") {
		want := fmt.Sprintf("QuestionnaireResponse.item[%d].answer[1].value", at)
		if got := item.Get("answer").GetNext().Choice("value[x]").Path(); got != want {
			require.Equal(t, want, got)
		}
		at++
	}
	require.Equal(t, 50_000, at)
}
