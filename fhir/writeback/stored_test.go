package writeback

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// stamp is that of the version taken back.
var stamp = fhir.Stamp{ID: "o-1", Version: 2, LastUpdated: time.Date(2026, 3, 5, 8, 0, 0, 0, time.UTC)}

// storedScores are a score and the same taken back, as the service stores them.
func storedScores(tb testing.TB) (score, retracted []byte) {
	tb.Helper()
	data, err := os.ReadFile("../testdata/response-regions.json")
	require.NoError(tb, err)
	document, err := fhir.Decode(data)
	require.NoError(tb, err)
	defer document.Release()
	response, err := questionnaire.Read(document.Root())
	require.NoError(tb, err)
	at := time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)
	score = observation.Append(nil, &observation.Input{
		Response: &response, ID: "o-1", Version: 1, Status: "final", Identifier: "d1", Base: "https://tidemark.example/fhir",
		DerivedFrom: "QuestionnaireResponse/r-1/_history/1", Issued: at, LastUpdated: at, Bands: &scoring.UsualBands,
	})
	stored, err := fhir.Decode(score)
	require.NoError(tb, err)
	defer stored.Release()
	return score, observation.AppendRetracted(nil, stored.Root(), stamp, "QuestionnaireResponse/r-1/_history/2")
}

// sameShape holds what storedScore makes of a body against what decoding it makes,
// and says whether it made anything.
func sameShape(t require.TestingT, body []byte) bool {
	quick, status, ok := storedScore(bytes.Clone(body))
	document, err := fhir.Decode(body)
	if !ok || err != nil {
		return ok
	}
	defer document.Release()
	slow, err := contentOf(document.Root(), body)
	require.NoError(t, err)
	require.Equal(t, slow.kind, quick.kind)
	require.Equal(t, slow.identifier, quick.identifier)
	require.True(t, document.Root().Get("status").Is(status))
	var first, asFirst []byte
	for _, id := range []string{"h1", "", strings.Repeat("long", 16), "h1"} {
		var sent, decoded bytes.Buffer // what is decoded goes without white space between its members
		body := quick.encode(id)
		require.NoError(t, json.Compact(&sent, body))
		require.NoError(t, json.Compact(&decoded, slow.encode(id)))
		require.Equal(t, decoded.String(), sent.String())
		if first == nil {
			first, asFirst = body, bytes.Clone(body)
		}
	}
	require.Equal(t, string(asFirst), string(first), "which may still be on its way")
	require.Equal(t, sayings(slow.tree()), sayings(quick.tree()), "what is compared, once something was sent")
	unsent, _, _ := storedScore(bytes.Clone(body))
	require.Equal(t, slow.tree(), unsent.tree())
	return true
}

// sayings are all members but those that a target sets.
func sayings(tree map[string]any) map[string]any {
	said := maps.Clone(tree)
	delete(said, "id")
	delete(said, "meta")
	return said
}

// TestStoredScore: what the service stores need not be decoded, and comes out as if
// it had been.
func TestStoredScore(t *testing.T) {
	t.Parallel()
	score, retracted := storedScores(t)
	for name, body := range map[string][]byte{
		"AScore": score, "TakenBack": retracted, "Short": scoreOf(7, 2, false),
		"WithoutLanguage": bytes.Replace(score, []byte(`"language":"en",`), nil, 1),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.True(t, sameShape(t, body), "it is not decoded")
		})
	}
	for name, change := range map[string][2]string{
		"AnotherType":         {`"Observation"`, `"Basic"`},
		"ATagInMeta":          {`"profile":["`, `"tag":[{"code":"x"}],"profile":["`},
		"TwoProfiles":         {`"profile":["`, `"profile":["http://x.example","`},
		"WhiteSpace":          {`,"meta"`, `, "meta"`},
		"AnEscapeInAnId":      {`"id":"o-1"`, `"id":"o\u002d1"`},
		"AnotherIdentifier":   {`"identifier":[{"system":"h`, `"identifier":[{"system":"x:y"},{"system":"h`},
		"AnotherSystem":       {observation.IdentifierSystem, observation.CanarySystem},
		"AnEmptyIdentifier":   {`"value":"d1"`, `"value":""`},
		"AMemberBeforeThis":   {`"identifier":[`, `"implicitRules":"x:y","identifier":[`},
		"AnotherWayOfTelling": {`"div":"`, `"id":"t","div":"`},
	} {
		t.Run(name+"IsDecoded", func(t *testing.T) {
			t.Parallel()
			body := strings.Replace(string(score), change[0], change[1], 1)
			require.NotEqual(t, string(score), body)
			_, _, ok := storedScore([]byte(body))
			require.False(t, ok)
		})
	}
	t.Run("WhateverTheIdTakes", func(t *testing.T) {
		t.Parallel()
		for length := range 200 { // up to more than there is room for
			id := strings.Repeat("i", length)
			c, _, ok := storedScore(bytes.Clone(score))
			require.True(t, ok)
			room := len(c.spare)
			sent := c.encode(id)
			said, _ := tree(t, string(sent))["id"].(string)
			require.Equal(t, id, said)
			require.Equal(t, string(score[room:]), string(sent[len(sent)-len(score)+room:]))
		}
	})
	t.Run("AnythingElse", func(t *testing.T) {
		t.Parallel()
		for end := range score {
			_, _, ok := storedScore(score[:end])
			require.False(t, ok && score[end-1] != '}', "what ends early, at %d", end)
		}
		rapid.Check(t, func(t *rapid.T) {
			body := bytes.Clone(rapid.SampledFrom([][]byte{score, retracted, scoreOf(1, 1, true)}).Draw(t, "of"))
			for range rapid.IntRange(1, 3).Draw(t, "changes") {
				from := rapid.IntRange(0, min(len(body)-1, 1500)).Draw(t, "from")
				to := min(from+rapid.IntRange(0, 4).Draw(t, "less"), len(body))
				with := rapid.SampledFrom([]string{"", `"`, `\`, `\"`, `,`, `}`, `{`, ` `, `1`, `"id":"x",`, `\\`}).Draw(t, "with")
				body = append(append(bytes.Clone(body[:from]), with...), body[to:]...)
			}
			sameShape(t, body)
		})
	})
}

// FuzzStoredScore is for longer than TestStoredScore has.
func FuzzStoredScore(f *testing.F) {
	score, retracted := storedScores(f)
	f.Add(score)
	f.Add(retracted)
	f.Add(scoreOf(1, 1, false))
	f.Fuzz(func(t *testing.T, body []byte) { sameShape(t, body) })
}

// TestRetractionByAVersionThatIsNot: what is taken back goes entered in error, though
// the version wanted is stored as it was.
func TestRetractionByAVersionThatIsNot(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	want(t, w.store, 1, false)
	w.pass()
	require.Equal(t, "final", w.only()["status"])
	require.NoError(t, w.store.Write(context.Background(), nil, func(tx store.Tx) error {
		stored, err := tx.Put(keyOf(1), "PUT", store.Index{}, func(v int64, _ time.Time) ([]byte, error) { return scoreOf(1, v, false), nil })
		if err != nil {
			return err
		}
		return tx.Want(targetName, keyOf(1), stored.Version, true)
	}))
	w.pass()
	require.Equal(t, enteredInError, w.only()["status"])
}
