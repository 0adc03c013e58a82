package writeback

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
)

// transactions keeps the bodies of the transactions that a ward's hospital gets.
func (w *ward) transactions() *[]string {
	var bodies []string
	base := w.worker.client.http.Transport
	w.worker.client.http.Transport = roundTrip(func(r *http.Request) (*http.Response, error) {
		if r.Method == http.MethodPost {
			body, err := io.ReadAll(r.Body)
			if err != nil {
				return nil, err
			}
			bodies = append(bodies, string(body))
			r = r.Clone(r.Context())
			r.Body, _ = r.GetBody()
		}
		return base.RoundTrip(r)
	})
	return &bodies
}

// requests are those of the entries of a Bundle, which must be sound R4.
func requests(t testing.TB, bundle string) []map[string]any {
	document, err := fhir.Decode([]byte(bundle))
	require.NoError(t, err, bundle)
	document.Release()
	var all []map[string]any
	for _, e := range references(tree(t, bundle)["entry"]) {
		all = append(all, e["request"].(map[string]any))
	}
	return all
}

// TestTransactionBundle: what is sent is sound R4, the same each time, and says
// what it says here.
func TestTransactionBundle(t *testing.T) {
	t.Parallel()
	w := newWardIn(t, Transaction, sandbox.Options{})
	sent := w.transactions()
	want(t, w.store, 1, false)
	w.delivers()
	want(t, w.store, 1, true)
	w.delivers()
	require.Len(t, *sent, 2)
	deviceRequest := map[string]any{
		"method": "POST", "url": "Device",
		"ifNoneExist": "identifier=https%3A%2F%2Ftidemark.example%2Ffhir%2Fsid%2Fdevice%7C" + observation.DeviceID,
	}
	provenanceRequest := func(id string) map[string]any {
		return map[string]any{
			"method": "POST", "url": "Provenance",
			"ifNoneExist": "_tag=https%3A%2F%2Ftidemark.example%2Ffhir%2Fsid%2Fprovenance%7C" + id,
		}
	}
	require.Equal(t, []map[string]any{
		{"method": "POST", "url": "Observation", "ifNoneExist": "identifier=https%3A%2F%2Ftidemark.example%2Ffhir%2Fsid%2Fscore%7Cdigest-1"},
		provenanceRequest("prov-1-1"), deviceRequest,
	}, requests(t, (*sent)[0]))
	require.Equal(t, []map[string]any{
		{"method": "PUT", "url": "Observation/h1", "ifMatch": `W/"1"`}, provenanceRequest("prov-1-2"), deviceRequest,
	}, requests(t, (*sent)[1]))
	t.Run("AtTheHospitalTheyReferToEachOther", func(t *testing.T) {
		held := w.only()
		deviceID := tree(t, string(w.hospital.Current("Device")[0]))["id"].(string)
		require.Len(t, w.hospital.Current("Device"), 1)
		require.Equal(t, "Device/"+deviceID, held["device"].(map[string]any)["reference"])
		provenances := w.hospital.Current("Provenance")
		require.Len(t, provenances, 2)
		last := tree(t, string(provenances[1]))
		require.Equal(t, "Observation/h1", references(last["target"])[0]["reference"])
		require.Equal(t, "Device/"+deviceID, references(last["agent"])[0]["who"].(map[string]any)["reference"])
		require.Equal(t, "https://tidemark.example/fhir/QuestionnaireResponse/score-1/_history/2",
			references(last["entity"])[0]["what"].(map[string]any)["reference"], "the response stays here")
		require.Equal(t, "NULLIFY", references(last["activity"].(map[string]any)["coding"])[0]["code"])
		require.NotContains(t, string(provenances[1]), "prov-1-2\",\"meta\"", "our id is not the hospital's")
	})
	t.Run("TheCopyIsTheSame", func(t *testing.T) {
		require.True(t, w.seen.last().ReadBack.Complete(), "%+v", w.seen.last().ReadBack)
		stored, err := w.store.Version(context.Background(), keyOf(1), 2)
		require.NoError(t, err)
		require.True(t, w.worker.compare.same(tree(t, string(stored.Body)), w.only()), "though it refers to its own Device")
	})
	t.Run("TheSameEachTime", func(t *testing.T) {
		w.hospital.Delete("Observation", "h1")
		c, err := newContent(scoreOf(1, 1, false))
		require.NoError(t, err)
		one, err := c.transaction("", "", nil)
		require.NoError(t, err)
		two, err := c.transaction("", "", nil)
		require.NoError(t, err)
		require.Equal(t, string(one), string(two))
		require.Len(t, requests(t, string(one)), 2, "without a Provenance, score and Device")
	})
	t.Run("AScoreThatDoesNotNameOurDeviceGoesAlone", func(t *testing.T) {
		c, err := newContent([]byte(`{"resourceType":"Observation","status":"final","code":{"text":"score"},"identifier":[{"system":"` +
			observation.IdentifierSystem + `","value":"v"}],"device":{"identifier":{"value":"x"}}}`))
		require.NoError(t, err)
		body, err := c.transaction("", "", nil)
		require.NoError(t, err)
		require.Len(t, requests(t, string(body)), 1)
		require.Contains(t, string(body), `"device":{"identifier":{"value":"x"}}`)
	})
	t.Run("EachAlgorithmIsADeviceOfItsOwn", func(t *testing.T) {
		older := strings.ReplaceAll(string(scoreOf(1, 1, false)), observation.DeviceID, observation.DeviceOf("0.9.0-test"))
		c, err := newContent([]byte(older))
		require.NoError(t, err)
		body, err := c.transaction("", "", tree(t, `{"resourceType":"Provenance","id":"p","target":[{"reference":"Observation/score-1"}],"recorded":"2026-11-30T08:00:00Z","agent":[{"who":{"reference":"Device/`+observation.DeviceID+`"}}],"entity":[{"role":"source","what":{"identifier":{"value":"f"}}}]}`))
		require.NoError(t, err)
		asked := requests(t, string(body))
		require.Len(t, asked, 4, "score, Provenance and two Devices")
		require.Contains(t, asked[2]["ifNoneExist"], "tidemark-0.9.0-test")
		require.Contains(t, asked[3]["ifNoneExist"], observation.DeviceID)
		entries := references(tree(t, string(body))["entry"])
		held := entries[0]["resource"].(map[string]any)
		require.Equal(t, entries[2]["fullUrl"], held["device"].(map[string]any)["reference"], "the score names the one that it was computed by")
		stated := entries[1]["resource"].(map[string]any)
		require.Equal(t, entries[3]["fullUrl"], references(stated["agent"])[0]["who"].(map[string]any)["reference"])
	})
	t.Run("AScoreThatWasRescoredNamesTheOneBefore", func(t *testing.T) {
		said := `{"resourceType":"Provenance","id":"p","entity":[{"role":"source","what":{"reference":"QuestionnaireResponse/r/_history/1"}},{"role":"revision","what":{"reference":"Observation/r/_history/1"}}]}`
		c := content{kind: "Observation", identifier: identifier{"urn:ours", "digest"}, parsed: tree(t, `{"resourceType":"Observation","derivedFrom":[{"identifier":{"value":"fw-1"}}]}`)}
		body, _, err := c.provenance(tree(t, said), map[string]bool{})
		require.NoError(t, err)
		named := references(tree(t, string(body))["entity"])
		require.Equal(t, map[string]any{"identifier": map[string]any{"value": "fw-1"}}, named[0]["what"])
		require.Equal(t, map[string]any{"type": "Observation", "identifier": map[string]any{"system": "urn:ours", "value": "digest"}}, named[1]["what"], "and not the response")
	})
	t.Run("ThePerformerIsNamedAsTheScoreNamesIt", func(t *testing.T) {
		c := content{kind: "Observation", parsed: tree(t, `{"resourceType":"Observation","performer":[{"identifier":{"value":"mrn"}}]}`)}
		devices := map[string]bool{}
		body, named, err := c.provenance(tree(t, `{"resourceType":"Provenance","id":"p","agent":[{"who":{"reference":"Device/`+observation.DeviceID+`"}},{"who":{"reference":"Patient/ours"}}],"entity":[{"what":{"identifier":{"value":"f"}}}]}`), devices)
		require.NoError(t, err)
		require.Equal(t, "p", named)
		require.Equal(t, map[string]bool{observation.DeviceID: true}, devices)
		require.Contains(t, string(body), `{"who":{"identifier":{"value":"mrn"}}}`)
		require.NotContains(t, string(body), "Patient/ours")
		c.parsed = tree(t, `{"resourceType":"Observation"}`)
		alone, _, err := c.provenance(tree(t, `{"resourceType":"Provenance","id":"p","agent":[{"who":{"reference":"Device/`+observation.DeviceID+`"}},{"who":{"reference":"Patient/ours"}}]}`), devices)
		require.NoError(t, err)
		require.Len(t, tree(t, string(alone))["agent"], 1, "whom the score does not name, it does not either")
		require.Contains(t, string(body), `{"what":{"identifier":{"value":"f"}}}`, "what is no literal reference stays")
	})
}

// TestUnbundle: the answer to a transaction is that to its first entry, if it
// proves anything (R4 bundle.html, bundle-response.html).
func TestUnbundle(t *testing.T) {
	t.Parallel()
	bundle := func(response string) string {
		return `{"resourceType":"Bundle","type":"transaction-response","entry":[{"response":` + response + `}]}`
	}
	exists := isClash
	unproved := inDoubt(FaultNotFHIR)
	for name, c := range map[string]struct {
		body             string
		creates, updates verdict
		id, etag         string
	}{
		"Created":                {bundle(`{"status":"201 Created","location":"Observation/12/_history/3","etag":"W/\"3\""}`), isDone, isDone, "12", `W/"3"`},
		"CreatedAtAnAbsoluteURL": {bundle(`{"status":"201","location":"https://ehr.example/fhir/Observation/12/_history/3"}`), isDone, isDone, "12", `W/"3"`},
		"UpdatedOrThereAlready":  {bundle(`{"status":"200 OK","location":"Observation/12/_history/4","etag":"W/\"4\""}`), exists, isDone, "12", `W/"4"`},
		"SmallLetters":           {bundle(`{"status":"200 ok"}`), exists, isDone, "", ""},
		"ETagWithoutQuotes":      {bundle(`{"status":"201 Created","location":"Observation/12/_history/1","etag":"W/1"}`), isDone, isDone, "12", `W/"1"`},
		"NoVersion":              {bundle(`{"status":"201 Created","location":"Observation/12"}`), isDone, isDone, "12", ""},
		"NoStatus":               {bundle(`{"location":"Observation/12"}`), unproved, unproved, "12", ""},
		"AFailureWithin":         {bundle(`{"status":"404 Not Found"}`), unproved, unproved, "", ""},
		"NoEntry":                {`{"resourceType":"Bundle","type":"transaction-response"}`, unproved, unproved, "", ""},
		"EntryWithoutResponse":   {`{"resourceType":"Bundle","type":"transaction-response","entry":[{}]}`, unproved, unproved, "", ""},
		"TheBundleWasOnlyStored": {`{"resourceType":"Bundle","type":"transaction","entry":[{"response":{"status":"201 Created"}}]}`, unproved, unproved, "", ""},
		"AnOutcome":              {`{"resourceType":"OperationOutcome"}`, unproved, unproved, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for a, v := range map[action]verdict{bundling: c.creates, rebundling: c.updates} {
				got := ask(t, a, func(w http.ResponseWriter, _ *http.Request) {
					w.Header().Set("Content-Type", mediaType)
					w.Header().Set("ETag", `W/"of the bundle"`)
					_, _ = io.WriteString(w, c.body)
				})
				require.Equal(t, v, got.verdict)
				require.Equal(t, c.id, got.id)
				require.Equal(t, c.etag, got.etag)
			}
		})
	}
	t.Run("TheResourceIsThatOfTheEntry", func(t *testing.T) {
		t.Parallel()
		a := ask(t, bundling, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", mediaType)
			_, _ = io.WriteString(w, `{"resourceType":"Bundle","type":"transaction-response","entry":[{"resource":{"resourceType":"Observation","id":"9","meta":{"versionId":"2"}},"response":{"status":"201 Created"}}]}`)
		})
		require.Equal(t, isDone, a.verdict)
		require.Equal(t, []string{"9", `W/"2"`}, []string{a.id, a.etag})
		require.Equal(t, "Observation", a.resource["resourceType"])
	})
}

// TestProvenanceOfAVersion: of the statements on a score, that on the version
// wanted goes with it.
func TestProvenanceOfAVersion(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	w := newWardIn(t, Transaction, sandbox.Options{})
	for range 3 {
		want(t, w.store, 1, false)
		w.clock.Add(time.Second)
	}
	want(t, w.store, 2, false)
	for version := int64(1); version <= 3; version++ {
		found, err := w.worker.provenance(ctx, keyOf(1), version)
		require.NoError(t, err)
		require.Equal(t, provenanceID(1, version), found["id"])
	}
	none, err := w.worker.provenance(ctx, keyOf(1), 9)
	require.NoError(t, err)
	require.Nil(t, none)
	closed, cancel := context.WithCancel(ctx)
	cancel()
	_, err = w.worker.provenance(closed, keyOf(1), 1)
	require.Error(t, err)
}

// TestOurDevice: what a target gets of it is sound, and has neither our id nor
// our version.
func TestOurDevice(t *testing.T) {
	t.Parallel()
	body, err := newDevice(observation.DeviceID)
	require.NoError(t, err)
	var members map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(body, &members))
	require.NotContains(t, members, "id")
	require.NotContains(t, members, "meta")
	require.Contains(t, string(members["identifier"]), observation.DeviceID)
	document, err := fhir.Decode(body)
	require.NoError(t, err)
	document.Release()
}
