package fhir_test

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/schema"
)

// leaf is one primitive value with where it stands.
type leaf struct{ path, raw string }

// referenceLeaves reads a document the slow and simple way, on a token reader
// of other people: every primitive in order, or an error where the text is not
// JSON as RFC 8259 and 7493 have it (duplicate names, invalid UTF-8, trailing
// data). It knows nothing of FHIR.
func referenceLeaves(data []byte) ([]leaf, error) {
	decoder := jsontext.NewDecoder(bytes.NewReader(data))
	var leaves []leaf
	if err := readValue(decoder, "", &leaves); err != nil {
		return nil, err
	}
	if _, err := decoder.ReadToken(); !errors.Is(err, io.EOF) {
		return nil, errors.New("data after the end")
	}
	return leaves, nil
}

func readValue(decoder *jsontext.Decoder, path string, leaves *[]leaf) error {
	switch decoder.PeekKind() {
	case '{':
		if _, err := decoder.ReadToken(); err != nil {
			return err
		}
		for decoder.PeekKind() != '}' {
			name, err := decoder.ReadToken()
			if err != nil {
				return err
			}
			if err := readValue(decoder, path+"/"+name.String(), leaves); err != nil {
				return err
			}
		}
	case '[':
		if _, err := decoder.ReadToken(); err != nil {
			return err
		}
		for decoder.PeekKind() != ']' {
			if err := readValue(decoder, path, leaves); err != nil {
				return err
			}
		}
	default:
		value, err := decoder.ReadValue()
		if err != nil {
			return err
		}
		*leaves = append(*leaves, leaf{path, string(value)})
		return nil
	}
	_, err := decoder.ReadToken()
	return err
}

// leavesOf flattens what Decode made of it in the same way.
func leavesOf(node fhir.Node, path string, leaves *[]leaf) {
	for child := node.First(); child.Exists(); child = child.Next() {
		at := path + "/" + child.Name()
		if child.Kind().Primitive() || string(child.Raw()) == "null" {
			*leaves = append(*leaves, leaf{at, string(child.Raw())})
			continue
		}
		leavesOf(child, at, leaves)
	}
}

// FuzzDecode holds Decode to the reference: what it accepts is JSON for the
// reference too, with the same values at the same places; what it refuses, it
// refuses with issues that name places and never quote.
//
// For up to a minute at a time the fuzzing engine shows 0 executions a second:
// it is then making an input that reached new code shorter, which it neither
// counts nor reports, and with -fuzzminimizetime 1x it does not. No input is
// known to take long; TestDecodeLarge has the shapes that might.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"resourceType":"Patient","active":true}`,
		response(`"item":[{"linkId":"a","answer":[{"valueDecimal":1.50},{"valueCoding":{"code":"x"}}]}]`),
		response(`"item":[{"linkId":"\u0061\n","text":"\ud83d\ude00"}],"authored":"2026-03-04T05:06:07+01:00"`),
		`{"resourceType":"Patient","name":[{"given":["a",null],"_given":[null,{"id":"x"}]}]}`,
		`{"resourceType":"Bundle","type":"batch","entry":[{"resource":{"resourceType":"Patient"}}]}`,
		`{"resourceType":"Patient","active":true,"active":true}`, `{"a":01}`, "[]", "", `{"x":"` + "\xff" + `"}`,
		response(`"id":"a"`) + "{}", response(`"id":"a",`), response(`"id" "a"`), response(`"id":"a" "language":"en"`),
	} {
		f.Add([]byte(seed))
	}
	// One fault of the grammar each, where everything else is right: a decoder
	// that lets it pass accepts the document.
	for _, value := range []string{
		`"valueDecimal":01`, `"valueDecimal":1.`, `"valueDecimal":.5`, `"valueDecimal":+1`, `"valueDecimal":1e`, `"valueDecimal":-`,
		`"valueBoolean":tru`, `"valueBoolean":trua`, `"valueBoolean":True`, `"valueString":"a` + "\n" + `b"`, `"valueString":"a` + "\xff" + `b"`,
		`"valueString":"\ud800"`, `"valueString":"\x"`, `"valueString":"\u00g0"`, `"valueString":'a'`, `"valueCoding":{"code":"a",}`,
		`"valueCoding":{"code":"a","code":"a"}`, `"valueCoding":{"code":"a","\u0063ode":"a"}`, `"valueInteger":1]`,
	} {
		f.Add([]byte(response(`"item":[{"linkId":"a","answer":[{` + value + `}]}]`)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		want, wrong := referenceLeaves(data)
		document, err := fhir.Decode(data)
		if err != nil {
			var issues fhir.Issues
			require.True(t, errors.As(err, &issues))
			require.True(t, issues.Refused())
			if syntax := issues[0].Severity == fhir.Fatal && strings.Contains(issues[0].Text, "not JSON:"); syntax {
				require.Error(t, wrong, "refused as no JSON, yet it is")
			}
			return
		}
		defer document.Release()
		require.NoError(t, wrong, "accepted, yet it is no JSON")
		var got []leaf
		leavesOf(document.Root(), "", &got)
		require.Equal(t, want, got)
		require.NotNil(t, schema.Resource(document.Root().Type()))

		again, err := fhir.Decode(fhir.AppendStamped(nil, document.Root(), fhir.Stamp{ID: "a", Version: 1}, nil))
		require.NoError(t, err, "what was accepted stays valid when it is stored")
		require.Equal(t, document.Root().Digest(), again.Root().Digest(), "and says the same")
		again.Release()
	})
}
