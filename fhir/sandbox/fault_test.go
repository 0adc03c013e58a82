package sandbox

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// withOne is a server that holds the Observation o under the identifier a.
func withOne(t testing.TB) *bench {
	b := newBench(t)
	b.server.Put([]byte(observed(named("o", "a") + `,"component":[{"code":{"text":"itch"}}]`)))
	return b
}

// update is a body that changes it.
var update = observed(named("o", "a") + `,"language":"en","component":[{"code":{"text":"itch"}}]`)

func TestFaults(t *testing.T) {
	t.Parallel()
	t.Run("RefuseDoesNothing", func(t *testing.T) {
		t.Parallel()
		for status, code := range map[int]string{
			400: codeStructure, 401: codeLogin, 403: codeForbidden, 404: codeNotFound, 405: codeNotSupported, 409: codeDuplicate,
			410: codeDeleted, 412: codeConflict, 413: codeTooLong, 415: codeNotSupported, 422: codeBusinessRule, 429: codeThrottled,
			500: codeException, 502: codeTransient, 503: codeTransient, 504: codeTransient,
		} {
			b := withOne(t)
			b.server.Misbehave(Refuse(status, "120"))
			r := b.send("PUT", "Observation/o", update)
			r.refused(status, code)
			require.Equal(t, "120", r.header.Get("Retry-After"))
			require.Equal(t, status == 401, r.header.Get("WWW-Authenticate") != "")
			require.Len(t, b.server.Versions("Observation", "o"), 1)
		}
	})
	t.Run("RefuseWithoutRetryAfter", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(Refuse(503, ""))
		require.NotContains(t, b.send("GET", "Observation/o", "").header, "Retry-After")
	})
	t.Run("FailAfterWriteDoesIt", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(FailAfterWrite(503))
		b.send("PUT", "Observation/o", update).refused(503, codeTransient)
		require.Len(t, b.server.Versions("Observation", "o"), 2)
	})
	t.Run("LostHangsUp", func(t *testing.T) {
		t.Parallel()
		for applied, versions := range map[bool]int{true: 2, false: 1} {
			b := withOne(t)
			b.server.Misbehave(Lost(applied))
			_, err := b.try("PUT", "Observation/o", update)
			require.True(t, errors.Is(err, io.EOF) || err != nil && strings.Contains(err.Error(), "EOF"), "%v", err)
			require.Len(t, b.server.Versions("Observation", "o"), versions)
			b.send("GET", "Observation/o", "").fhir(200)
		}
	})
	t.Run("HTMLDoesNothing", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(HTML())
		r := b.send("PUT", "Observation/o", update)
		require.Equal(t, http.StatusOK, r.status)
		require.Equal(t, "text/html", r.header.Get("Content-Type"))
		require.Len(t, b.server.Versions("Observation", "o"), 1)
	})
	t.Run("NoETagDoesItAll", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(NoETag())
		r := b.send("PUT", "Observation/o", update)
		require.Equal(t, "2", r.fhir(200).child("meta").text("versionId"))
		require.NotContains(t, r.header, "Etag")
		require.NotContains(t, r.header, "Last-Modified")
	})
	t.Run("EachIsForOneRequestInTurn", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(Refuse(500, ""), Fault{})
		b.server.Misbehave(Refuse(502, ""))
		for _, status := range []int{500, 200, 502, 200} {
			require.Equal(t, status, b.send("GET", "Observation/o", "").status)
		}
	})
}

// TestQuirks: each way to differ from the standard is only that.
func TestQuirks(t *testing.T) {
	t.Parallel()
	t.Run("NoConditionalUpdateRefusesThatOnly", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(NoConditionalUpdate(405), NoConditionalUpdate(400))
		b.send("PUT", byIdentifier("a"), update).refused(405, codeNotSupported)
		b.send("PUT", "Observation/o", update).fhir(200)
	})
	t.Run("NoConditionalCreateRefusesThatOnly", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(NoConditionalCreate(), NoConditionalCreate())
		b.send("POST", "Observation", update, "If-None-Exist", "identifier=a").refused(400, codeNotSupported)
		b.send("POST", "Observation", update).fhir(201)
	})
	t.Run("NoUpdateCreateRefusesIdsOfTheClient", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(NoUpdateCreate(), NoUpdateCreate(), NoUpdateCreate())
		b.send("PUT", "Observation/mine", observed(named("mine", "z"))).refused(405, codeNotSupported)
		b.send("PUT", "Observation/o", update).fhir(200)
		b.send("PUT", byIdentifier("z"), observed(identified("z"))).fhir(201)
	})
	t.Run("ChangeIDsGivesItsOwn", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(ChangeIDs())
		require.Equal(t, "n1", b.send("PUT", "Observation/mine", observed(named("mine", "z"))).fhir(201).text("id"))
	})
	t.Run("IgnoreIfMatchOverwrites", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(IgnoreIfMatch())
		b.send("PUT", "Observation/o", update, "If-Match", `W/"77"`).fhir(200)
		b.send("PUT", "Observation/o", update, "If-Match", `W/"77"`).refused(412, codeConflict)
	})
	t.Run("DropComponentsKeepsTheRest", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(DropComponents())
		kept := b.send("PUT", "Observation/o", update).fhir(200)
		require.Nil(t, kept.get("component"))
		require.Equal(t, "en", kept.text("language"))
	})
	t.Run("StaleSearchFindsNothing", func(t *testing.T) {
		t.Parallel()
		b := withOne(t)
		b.server.Misbehave(StaleSearch())
		require.Empty(t, b.send("GET", byIdentifier("a"), "").found())
		require.Equal(t, []string{"o"}, b.send("GET", byIdentifier("a"), "").found())
	})
}

// TestServesManyAtOnce: clients that race for one resource make one, and every
// version counts.
func TestServesManyAtOnce(t *testing.T) {
	t.Parallel()
	b := newBench(t, func(o *Options) { o.Now = nil; o.NewID = nil })
	const clients = 16
	statuses := make(chan int, clients)
	for range clients {
		go func() {
			r, err := b.try("PUT", byIdentifier("a"), observed(identified("a")), "If-None-Match", "*")
			if err != nil {
				statuses <- 0
				return
			}
			statuses <- r.status
		}()
	}
	count := map[int]int{}
	for range clients {
		count[<-statuses]++
	}
	require.Equal(t, map[int]int{http.StatusCreated: 1, http.StatusPreconditionFailed: clients - 1}, count)
	require.Len(t, b.server.Current("Observation"), 1)
}
