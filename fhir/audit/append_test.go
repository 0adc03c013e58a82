package audit_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
)

// at is an invented moment.
var at = time.Date(2026, 3, 4, 19, 30, 0, 123_000_000, time.UTC)

// person is an invented person with an invented client.
var person = audit.Agent{
	Client: "fernway-portal", User: "ilse-varnholt", Issuer: "https://login.fernway-portal.example",
	TokenID: "b6f1c0de-7a11", Address: "192.0.2.7",
}

// event is one of an interaction, with everything that it may have.
func event(interaction string) audit.Event {
	e := audit.Event{
		Interaction: interaction, Recorded: at, Status: 200, Agent: person, Base: "https://tidemark.example/fhir",
		Observer: "Device/tidemark-1.0.0", Patient: "Patient/oona-thistledown", Request: "11aa22bb-33cc",
	}
	if strings.HasPrefix(interaction, "search") {
		e.Query = "Observation?patient=oona-thistledown"
	} else {
		e.Entity = "Observation/17/_history/2"
	}
	return e
}

// written is the event as JSON read back.
func written(t testing.TB, e audit.Event) (map[string]any, string) {
	t.Helper()
	text := audit.AppendWithID(nil, audit.Append(nil, &e), "3f9a0c77d1e2b4a6-1532")
	document, err := fhir.Decode(text)
	require.NoError(t, err, "%s", text)
	document.Release()
	var value map[string]any
	require.NoError(t, json.Unmarshal(text, &value))
	return value, string(text)
}

// TestPatterns holds what IHE BALP 1.1 fixes for each interaction: action, role
// of client and server (DCM 110153 is a source, 110152 a destination), profile.
func TestPatterns(t *testing.T) {
	t.Parallel()
	for interaction, want := range map[string]struct{ action, subtype, client, server, user, profile string }{
		"create":           {"C", "create", "110153", "110152", "AUT", "PatientCreate"},
		"read":             {"R", "read", "110152", "110153", "IRCP", "PatientRead"},
		"vread":            {"R", "vread", "110152", "110153", "IRCP", "PatientRead"},
		"update":           {"U", "update", "110153", "110152", "AUT", "PatientUpdate"},
		"patch":            {"U", "patch", "110153", "110152", "AUT", "PatientUpdate"},
		"delete":           {"D", "delete", "110150", "custodian", "AUT", "PatientDelete"},
		"search-type":      {"E", "search-type", "110153", "110152", "IRCP", "PatientQuery"},
		"search-system":    {"E", "search-system", "110153", "110152", "IRCP", "PatientQuery"},
		"history-instance": {"R", "history-instance", "110152", "110153", "IRCP", ""},
		"history-type":     {"R", "history-type", "110152", "110153", "IRCP", ""},
		"history-system":   {"R", "history-system", "110152", "110153", "IRCP", ""},
		"operation":        {"E", "operation", "110153", "110152", "IRCP", ""},
		"transaction":      {"E", "transaction", "110153", "110152", "AUT", ""},
		"batch":            {"E", "batch", "110153", "110152", "AUT", ""},
		"capabilities":     {"R", "capabilities", "110152", "110153", "IRCP", ""},
		audit.Login:        {"E", "110122", "110153", "110152", "IRCP", ""},
		audit.Unknown:      {"E", "", "110153", "110152", "IRCP", ""},
	} {
		t.Run(interaction, func(t *testing.T) {
			t.Parallel()
			require.True(t, audit.Known(interaction))
			e := event(interaction)
			value, text := written(t, e)
			require.Equal(t, want.action, value["action"])
			require.Equal(t, want.action, e.Action())
			require.Equal(t, want.subtype, e.Subtype())
			if want.subtype == "" {
				require.NotContains(t, value, "subtype")
			} else {
				require.Contains(t, text, `"code":"`+want.subtype+`"`)
			}
			agents := value["agent"].([]any)
			require.Len(t, agents, 3)
			for i, code := range []string{want.client, want.server, want.user} {
				coding := agents[i].(map[string]any)["type"].(map[string]any)["coding"].([]any)[0].(map[string]any)
				require.Equal(t, code, coding["code"])
				require.Equal(t, i == 2, agents[i].(map[string]any)["requestor"], "the person asked")
			}
			require.Equal(t, want.profile != "", strings.Contains(text, "IHE.BasicAudit."))
			require.Contains(t, text, want.profile)
		})
	}
	require.False(t, audit.Known("expunge"))
}

func TestAppend(t *testing.T) {
	t.Parallel()
	t.Run("writes a read whole", func(t *testing.T) {
		t.Parallel()
		_, text := written(t, event("read"))
		golden := filepath.Join("testdata", "read.json")
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.JSONEq(t, string(want), text)
	})
	t.Run("a client without a person is the one that asked", func(t *testing.T) {
		t.Parallel()
		e := event("read")
		e.Agent.User = ""
		value, text := written(t, e)
		require.Len(t, value["agent"], 2)
		require.Contains(t, text, `"requestor":true,"policy":["urn:ietf:params:oauth:jti:b6f1c0de-7a11"]`)
	})
	t.Run("nobody vouches for the zero agent", func(t *testing.T) {
		t.Parallel()
		e := event("read")
		e.Agent = audit.Agent{}
		require.True(t, e.Agent.Anonymous())
		value, text := written(t, e)
		require.Len(t, value["agent"], 2)
		require.NotContains(t, text, "policy")
	})
	t.Run("an opaque token is told of by its end alone", func(t *testing.T) {
		t.Parallel()
		e := event("read")
		token := strings.Repeat("secret--", 20) + "the-end"
		e.Agent.TokenID, e.Agent.Opaque = "", audit.Tail(token)
		_, text := written(t, e)
		require.Contains(t, text, `--the-end"]`)
		require.Len(t, audit.Tail(token), 32)
		require.Len(t, audit.Tail("12345678"), 2, "of a short one hardly anything")
		require.Empty(t, audit.Tail(""))
	})
	t.Run("failures claim no pattern and say why", func(t *testing.T) {
		t.Parallel()
		for status, outcome := range map[int]string{200: "0", 304: "0", 400: "4", 404: "4", 422: "4", 500: "8", 502: "8", 503: "12"} {
			e := event("read")
			e.Status, e.Reason = status, "not-found"
			value, text := written(t, e)
			require.Equal(t, outcome, value["outcome"])
			require.Equal(t, status < 400, strings.Contains(text, "IHE.BasicAudit"), status)
			require.Equal(t, status >= 400, value["outcomeDesc"] != nil, status)
		}
	})
	t.Run("one may stand for many", func(t *testing.T) {
		t.Parallel()
		e := event(audit.Unknown)
		e.Status, e.Reason, e.Count, e.Since = 404, "not-supported", 1234, at.Add(-time.Minute)
		value, _ := written(t, e)
		require.Contains(t, value["outcomeDesc"], "1234 requests since 2026-03-04T19:29:00Z")
	})
	t.Run("a patient known by an identifier", func(t *testing.T) {
		t.Parallel()
		e := event("read")
		e.Patient = "identifier:https://ward.example/patients|b-7"
		_, text := written(t, e)
		require.Contains(t, text, `{"type":"Patient","identifier":{"system":"https://ward.example/patients","value":"b-7"}}`)
	})
	t.Run("without a patient the plain pattern, without what it demands none", func(t *testing.T) {
		t.Parallel()
		e := event("read")
		e.Patient = ""
		_, text := written(t, e)
		require.Contains(t, text, `IHE.BasicAudit.Read"`)
		e.Entity = ""
		_, text = written(t, e)
		require.NotContains(t, text, "IHE.BasicAudit")
	})
}

// Whatever texts come in, the event is FHIR, and holds them as they were.
func TestAppendIsFHIRWhateverComesIn(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[ -~äß日]{0,20}`)
		e := event(rapid.SampledFrom([]string{"read", "create", "search-type", "operation", audit.Unknown, audit.Login}).Draw(t, "interaction"))
		e.Agent.Client, e.Agent.User, e.Agent.TokenID = "c"+word.Draw(t, "client")+"c", "u"+word.Draw(t, "user")+"u", word.Draw(t, "jti")
		e.Query = rapid.String().Draw(t, "query")
		e.Status = rapid.IntRange(200, 599).Draw(t, "status")
		e.Reason = word.Draw(t, "reason")
		text := audit.AppendWithID(nil, audit.Append(nil, &e), "a-1")
		document, err := fhir.Decode(text)
		require.NoError(t, err, "%s", text)
		defer document.Release()
		require.Equal(t, e.Agent.Client, document.Root().Get("agent").Get("who").Get("identifier").Get("value").Text())
	})
}

func BenchmarkAppend(b *testing.B) {
	e := event("read")
	buffer := make([]byte, 0, 4<<10)
	b.ReportAllocs()
	for b.Loop() {
		buffer = audit.Append(buffer[:0], &e)
	}
	b.SetBytes(int64(len(buffer)))
}
