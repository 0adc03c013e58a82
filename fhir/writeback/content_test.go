package writeback

import (
	"context"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

func TestContent(t *testing.T) {
	t.Parallel()
	t.Run("GoesAsStoredWithoutWhatMeansSomethingHereOnly", func(t *testing.T) {
		t.Parallel()
		c, err := newContent(scoreOf(1, 2, false))
		require.NoError(t, err)
		sent := string(c.encode(""))
		require.True(t, strings.HasPrefix(sent, `{"resourceType":"Observation","text":`), sent)
		require.NotContains(t, sent, `"id"`)
		require.NotContains(t, sent, `"meta"`)
		require.Contains(t, sent, `"value":2.50,"code":"{score}"`, "numbers keep their digits, members their order")
		document, err := fhir.Decode([]byte(sent))
		require.NoError(t, err)
		document.Release()
		require.Equal(t, identifier{"https://tidemark.example/fhir/sid/score", "digest-1"}, c.identifier)
	})
	t.Run("GoesUnderTheTargetsId", func(t *testing.T) {
		t.Parallel()
		c, err := newContent(scoreOf(1, 2, false))
		require.NoError(t, err)
		require.True(t, strings.HasPrefix(string(c.encode("h1")), `{"resourceType":"Observation","id":"h1",`))
	})
	t.Run("KeepsWhatElseMetaSays", func(t *testing.T) {
		t.Parallel()
		body := strings.Replace(string(scoreOf(1, 1, false)), `"versionId":"1",`, `"versionId":"1","profile":["http://p.example"],`, 1)
		c, err := newContent([]byte(body))
		require.NoError(t, err)
		require.Contains(t, string(c.encode("")), `"meta":{"profile":["http://p.example"]}`)
	})
	t.Run("IsTheSameAsWhatWasStored", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) {
			stored := scoreOf(rapid.IntRange(1, 99).Draw(t, "score"), int64(rapid.IntRange(1, 99).Draw(t, "version")), rapid.Bool().Draw(t, "retract"))
			c, err := newContent(stored)
			require.NoError(t, err)
			sent := c.encode("h1")
			require.True(t, json.Valid(sent))
			require.True(t, atHospital.same(tree(t, string(stored)), tree(t, string(sent))))
			require.True(t, atHospital.readBack(tree(t, string(stored)), tree(t, string(sent))).Complete())
		})
	})
	for name, body := range map[string]string{
		"NotJSON":                ``,
		"NoObject":               `[]`,
		"EndsEarly":              `{"resourceType":"Observation"`,
		"EndsWithinAName":        `{"resourceType":"Observation","a`,
		"NoResource":             `{"id":"o"}`,
		"MetaThatIsNoObject":     `{"resourceType":"Observation","meta":7}`,
		"NoIdentifier":           `{"resourceType":"Observation"}`,
		"IdentifierOfAnother":    `{"resourceType":"Observation","identifier":[{"system":"http://x.example","value":"v"}]}`,
		"IdentifierWithoutValue": `{"resourceType":"Observation","identifier":[{"system":"https://tidemark.example/fhir/sid/score"}]}`,
		"IdentifierThatIsNone":   `{"resourceType":"Observation","identifier":"v"}`,
	} {
		t.Run(name+"IsNotDelivered", func(t *testing.T) {
			t.Parallel()
			_, err := newContent([]byte(body))
			require.Error(t, err)
		})
	}
}

// TestWhatCannotBeDelivered is parked, and says so to who reads the log, in
// words without patient data.
func TestWhatCannotBeDelivered(t *testing.T) {
	t.Parallel()
	park := func(t *testing.T, write func(tx store.Tx) error) string {
		var log strings.Builder
		w := newWard(t, func(o *Options) { o.Logger = slog.New(slog.NewJSONHandler(&log, nil)) })
		require.NoError(t, w.store.Write(context.Background(), nil, write))
		require.Equal(t, 1, w.pass())
		require.Equal(t, Refused, w.seen.last().Outcome)
		require.Equal(t, FaultStore, w.seen.last().Fault)
		require.True(t, state(t, w.store, 1).Parked)
		require.Empty(t, w.asked())
		return log.String()
	}
	put := func(tx store.Tx, body string) (store.Resource, error) {
		return tx.Put(keyOf(1), "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte(body), nil })
	}
	t.Run("AResourceWithoutOurIdentifier", func(t *testing.T) {
		t.Parallel()
		log := park(t, func(tx store.Tx) error {
			if _, err := put(tx, `{"resourceType":"Observation","status":"final","code":{"text":"score"},"note":[{"text":"Thistledown"}]}`); err != nil {
				return err
			}
			return tx.Want(targetName, keyOf(1), 1, false)
		})
		require.Contains(t, log, "no identifier")
		require.NotContains(t, log, "Thistledown")
	})
	t.Run("ADeletion", func(t *testing.T) {
		t.Parallel()
		log := park(t, func(tx store.Tx) error {
			if _, err := put(tx, string(scoreOf(1, 1, false))); err != nil {
				return err
			}
			if _, err := tx.Delete(keyOf(1)); err != nil {
				return err
			}
			return tx.Want(targetName, keyOf(1), 2, false)
		})
		require.Contains(t, log, "deletion")
	})
}

// TestLogNamesNobody: whatever happens, the log and the reason hold nothing of
// the content, no id and no address.
func TestLogNamesNobody(t *testing.T) {
	t.Parallel()
	var log strings.Builder
	w := newWard(t, func(o *Options) {
		o.Logger = slog.New(slog.NewJSONHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	names := sortedNames(faults)
	for i, name := range names {
		w.hospital.Misbehave(faults[name])
		want(t, w.store, 1, i == len(names)-1)
		w.pass()
		reason := state(t, w.store, 1).Reason
		w.clock.Add(24 * time.Hour)
		w.pass()
		for _, secret := range []string{"oona", "digest-1", "score-1", "h1", "127.0.0.1", "/fhir"} {
			require.NotContains(t, log.String(), secret)
			require.NotContains(t, reason, secret)
		}
	}
	require.Contains(t, log.String(), targetName)
	require.GreaterOrEqual(t, strings.Count(log.String(), "\n"), len(names))
}
