package api_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// jsonToken is one token of JSON, or of what is nearly JSON.
var jsonToken = regexp.MustCompile(`"(?:[^"\\]|\\.)*"|[-+0-9.eE]+|[a-z]+|[^\s]`)

// words are what tokens are replaced with: names and values that mean something
// here, and numbers and texts at the edges of what is allowed.
var words = strings.Fields(`"completed" "amended" "in-progress" "stopped" "entered-in-error" "status" "item" "linkId" "answer" "value" "system" "code" "unit"
	"valueDecimal" "valueInteger" "valueCoding" "valueQuantity" "valueString" "valueBoolean" "valueDate" "_valueDecimal" "display" "extension" "url" "id" "text"
	"regions" "hands" "direct" "2-and-over" "1-to-2" "under-1" "absent" "mild" "moderate" "severe" "extent.method" "extent.age-group" "extent.direct" "extent.hands"
	"extent.genitals" "extent.head-front" "intensity.erythema" "intensity.oedema" "intensity.dryness" "symptoms.itch" "symptoms.sleep-loss" "also-seen.bleeding" "bonus.face-hands"
	"result.scorad" "https://tidemark.example/fhir/CodeSystem/scorad" "https://tidemark.example/fhir/CodeSystem/scorad-grade" "https://tidemark.example/fhir/Questionnaire/scorad-clinician-assessment"
	"http://unitsofmeasure.org" "%" "{score}" "{palm}" "1" "" "identifier" "subject" "reference" "Patient/oona-thistledown" "#c" "contained" "authored" "source" "author"
	"Practitioner/ilse-varnholt" "2026-03-04T19:30:00+01:00" "2026-03-04" "2026-02-30" "0001-01-01" "Patient" "QuestionnaireResponse" "Observation" "Provenance" "Bundle" "Parameters"
	"transaction" "batch" "history" "entry" "request" "method" "GET" "POST" "PUT" "DELETE" "PATCH" "HEAD" "ifNoneExist" "ifMatch" "fullUrl" "urn:uuid:0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d"
	"identifier=f0" "QuestionnaireResponse?identifier=f0" "Observation/$lastn" "metadata" "resource" "resourceType" "meta" "div" "severe " "MODERATE" "1e0" "questionnaire" "link"
	0 1 2 3 4 5.0 5.5 5.70 9.9 10 10.0 10.1 19.99 50 99.9 100 100.0 100.1 101 -0 -1 1e1 1E-1 10e-1 0.05 1e400 1e-400 2147483648 9223372036854775808 0.30000000000000004 00 .5 5.
	true false null { } [ ] , : {} [] "\u0000" "\ud800" "\"" "é" "İ" "ſevere"`)

// mutated changes JSON by tokens, so that what comes out is often still JSON.
// Each edit is three bytes: where, and what to do there.
func mutated(text []byte, edits []byte) []byte {
	tokens := jsonToken.FindAllString(string(text), 4000)
	for edit := range slices.Chunk(edits[:min(len(edits), 60)], 3) {
		if len(edit) < 3 || len(tokens) == 0 {
			break
		}
		at := (int(edit[0])<<8 | int(edit[1])) % len(tokens)
		end := wholeValue(tokens, at)
		switch do := int(edit[2]); {
		case do == 0: // leave out
			if end < len(tokens) && tokens[end] == "," {
				end++
			}
			tokens = slices.Delete(tokens, at, end)
		case do == 1: // twice
			tokens = slices.Insert(tokens, end, append([]string{","}, tokens[at:end]...)...)
		case do == 2 && end < len(tokens)-1: // change places with the next
			next := wholeValue(tokens, end+1)
			moved := slices.Concat(tokens[end+1:next], tokens[end:end+1], tokens[at:end])
			copy(tokens[at:next], moved)
		default:
			tokens = slices.Replace(tokens, at, at+1, words[(do*7+int(edit[0]))%len(words)])
		}
	}
	return []byte(strings.Join(tokens, ""))
}

// wholeValue is the end of the value that begins at a token.
func wholeValue(tokens []string, at int) int {
	depth := 0
	for i := at; i < len(tokens); i++ {
		switch tokens[i] {
		case "{", "[":
			depth++
		case "}", "]":
			depth--
		}
		if depth <= 0 {
			return i + 1
		}
	}
	return len(tokens)
}

func TestMutated(t *testing.T) {
	t.Parallel()
	const text = `{"a":[1,{"b":2}],"c":3}`
	require.Equal(t, text, string(mutated([]byte(" {\"a\" : [1, {\"b\":2}],\n\"c\":3}"), nil)))
	require.Equal(t, `{"a":[{"b":2}],"c":3}`, string(mutated([]byte(text), []byte{0, 4, 0})), "left out")
	require.Equal(t, `{"a":[1,{"b":2},{"b":2}],"c":3}`, string(mutated([]byte(text), []byte{0, 6, 1})), "twice")
	require.Equal(t, `{"a":[{"b":2},1],"c":3}`, string(mutated([]byte(text), []byte{0, 4, 2})), "the other way round")
	require.Equal(t, `{"a":[`+words[21]+`,{"b":2}],"c":3}`, string(mutated([]byte(text), []byte{0, 4, 3})), "replaced")
	require.Empty(t, mutated(nil, []byte{1, 2, 3}))
}
