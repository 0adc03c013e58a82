package sandbox

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestConditionalUpdate(t *testing.T) {
	t.Parallel()
	t.Run("NoMatchCreates", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		r := b.send("PUT", byIdentifier("a"), observed(identified("a")))
		created := r.fhir(http.StatusCreated)
		require.Equal(t, "n1", created.text("id"))
		require.Equal(t, "1", created.child("meta").text("versionId"))
		require.Equal(t, "2024-05-10T12:00:01.000Z", created.child("meta").text("lastUpdated"))
		require.Equal(t, `W/"1"`, r.header.Get("ETag"))
		require.Equal(t, "Fri, 10 May 2024 12:00:01 GMT", r.header.Get("Last-Modified"))
		require.Equal(t, b.url+"/Observation/n1/_history/1", r.header.Get("Location"))
	})
	t.Run("NoMatchTakesTheIdOfTheBody", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		require.Equal(t, "own", b.send("PUT", byIdentifier("a"), observed(named("own", "a"))).fhir(http.StatusCreated).text("id"))
	})
	t.Run("OneMatchUpdates", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", byIdentifier("a"), observed(identified("a")))
		r := b.send("PUT", byIdentifier("a"), observed(identified("a")+`,"language":"en"`))
		updated := r.fhir(http.StatusOK)
		require.Equal(t, "n1", updated.text("id"))
		require.Equal(t, `W/"2"`, r.header.Get("ETag"))
		require.Equal(t, "en", updated.text("language"))
		require.Equal(t, []string{"n1"}, b.send("GET", byIdentifier("a"), "").found())
	})
	t.Run("OneMatchWithAnotherIdIsRefused", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", byIdentifier("a"), observed(identified("a")))
		b.send("PUT", byIdentifier("a"), observed(named("other", "a"))).refused(http.StatusBadRequest, codeValue)
	})
	t.Run("ManyMatchesAreRefused", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("POST", "Observation", observed(identified("a")))
		b.send("POST", "Observation", observed(identified("a")))
		b.send("PUT", byIdentifier("a"), observed(identified("a"))).refused(http.StatusPreconditionFailed, codeMultiple)
		require.Len(t, b.server.Versions("Observation", "n1"), 1, "nothing was written")
	})
	t.Run("IfNoneMatchCreatesOnly", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", byIdentifier("a"), observed(identified("a")), "If-None-Match", "*").fhir(http.StatusCreated)
		b.send("PUT", byIdentifier("a"), observed(identified("a")), "If-None-Match", "*").refused(http.StatusPreconditionFailed, codeConflict)
	})
	t.Run("DeletedIsNoMatch", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", byIdentifier("a"), observed(identified("a")))
		b.server.Delete("Observation", "n1")
		require.Equal(t, "n2", b.send("PUT", byIdentifier("a"), observed(identified("a"))).fhir(http.StatusCreated).text("id"))
	})
	t.Run("WithoutCriteriaIsRefused", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", "Observation", observed("")).refused(http.StatusBadRequest, codeRequired)
		b.send("PUT", "Observation?identifier=", observed("")).refused(http.StatusBadRequest, codeRequired)
		b.send("PUT", "Observation?colour=red", observed("")).refused(http.StatusBadRequest, codeNotSupported)
	})
}

func TestConditionalCreate(t *testing.T) {
	t.Parallel()
	const query = "identifier=http://s.example%7Ca"
	t.Run("NoMatchCreates", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		require.Equal(t, "n1", b.send("POST", "Observation", observed(identified("a")), "If-None-Exist", query).fhir(http.StatusCreated).text("id"))
	})
	t.Run("OneMatchIsAnsweredAsItIs", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("POST", "Observation", observed(identified("a")))
		r := b.send("POST", "Observation", observed(identified("a")+`,"language":"en"`), "If-None-Exist", "?"+query)
		require.Empty(t, r.fhir(http.StatusOK).text("language"), "the post is ignored")
		require.Equal(t, `W/"1"`, r.header.Get("ETag"))
		require.Len(t, b.server.Current("Observation"), 1)
	})
	t.Run("ManyMatchesAreRefused", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("POST", "Observation", observed(identified("a")))
		b.send("POST", "Observation", observed(identified("a")))
		b.send("POST", "Observation", observed(identified("a")), "If-None-Exist", query).refused(http.StatusPreconditionFailed, codeMultiple)
	})
	t.Run("WhatIsNoQueryIsRefused", func(t *testing.T) {
		t.Parallel()
		newBench(t).send("POST", "Observation", observed(""), "If-None-Exist", "identifier=%zz").refused(http.StatusBadRequest, codeValue)
	})
	t.Run("UnconditionalMakesAnotherEachTime", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		body := observed(named("mine", "a"))
		require.Equal(t, "n1", b.send("POST", "Observation", body).fhir(http.StatusCreated).text("id"), "the client's id is ignored")
		require.Equal(t, "n2", b.send("POST", "Observation", body).fhir(http.StatusCreated).text("id"))
	})
}

func TestUpdate(t *testing.T) {
	t.Parallel()
	t.Run("MayChooseAnId", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		require.Equal(t, "own", b.send("PUT", "Observation/own", observed(named("own", "a"))).fhir(http.StatusCreated).text("id"))
	})
	for name, c := range map[string]struct {
		header, value string
		status        int
	}{
		"WithoutIfMatchOverwrites":         {"X-Nothing", "", http.StatusOK},
		"IfMatchOfTheCurrentVersionPasses": {"If-Match", `W/"2"`, http.StatusOK},
		"IfMatchOfAnythingPasses":          {"If-Match", `*`, http.StatusOK},
		"IfMatchOfAnEarlierVersionFails":   {"If-Match", `W/"1"`, http.StatusPreconditionFailed},
		"IfMatchOfALaterVersionFails":      {"If-Match", `W/"3"`, http.StatusPreconditionFailed},
		"IfNoneMatchOfAnythingFails":       {"If-None-Match", `*`, http.StatusPreconditionFailed},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.send("PUT", "Observation/o", observed(named("o", "a")))
			b.send("PUT", "Observation/o", observed(named("o", "a")))
			r := b.send("PUT", "Observation/o", observed(named("o", "b")), c.header, c.value)
			versions := b.server.Versions("Observation", "o")
			if c.status == http.StatusOK {
				require.Equal(t, "3", r.fhir(c.status).child("meta").text("versionId"))
				require.Len(t, versions, 3)
				return
			}
			r.refused(c.status, codeConflict)
			require.Len(t, versions, 2)
			require.Equal(t, []string{"o"}, b.send("GET", byIdentifier("a"), "").found())
		})
	}
	t.Run("IfMatchOfWhatIsNotThereFails", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.send("PUT", "Observation/o", observed(named("o", "a")), "If-Match", `W/"1"`).refused(http.StatusPreconditionFailed, codeConflict)
		b.send("PUT", "Observation/o", observed(named("o", "a")))
		b.send("DELETE", "Observation/o", "")
		b.send("PUT", "Observation/o", observed(named("o", "a")), "If-Match", `W/"2"`).refused(http.StatusPreconditionFailed, codeConflict)
	})
	t.Run("MetaOfTheClientKeepsAllButVersionAndTime", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		body := observed(named("o", "a") + `,"meta":{"versionId":"99","lastUpdated":"1999-01-01T00:00:00Z","profile":["http://p.example"]}`)
		meta := b.send("PUT", "Observation/o", body).fhir(http.StatusCreated).child("meta")
		require.Equal(t, "1", meta.text("versionId"))
		require.Equal(t, "2024-05-10T12:00:01.000Z", meta.text("lastUpdated"))
		require.Equal(t, []any{"http://p.example"}, meta.list("profile"))
	})
	t.Run("NumbersStayAsTheyWereWritten", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		r := b.send("PUT", "Observation/o", observed(named("o", "a")+`,"valueQuantity":{"value":10.50,"unit":"<&>"}`))
		r.fhir(http.StatusCreated)
		require.Contains(t, r.body, `"value":10.50,"unit":"<&>"`)
	})
	t.Run("MinimalAnswersNoBody", func(t *testing.T) {
		t.Parallel()
		r := newBench(t).send("PUT", "Observation/o", observed(named("o", "a")), "Prefer", "return=minimal")
		require.Equal(t, http.StatusCreated, r.status)
		require.Empty(t, r.body)
		require.Equal(t, `W/"1"`, r.header.Get("ETag"))
	})
}

func TestReadAndHistory(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.send("POST", "Observation", observed(identified("a")))
	b.send("PUT", "Observation/n1", observed(named("n1", "b")))
	read := b.send("GET", "Observation/n1", "")
	require.Equal(t, "2", read.fhir(http.StatusOK).child("meta").text("versionId"))
	require.Empty(t, read.header.Get("Location"))
	b.send("HEAD", "Observation/n1", "")

	require.Equal(t, http.StatusNotModified, b.send("GET", "Observation/n1", "", "If-None-Match", `W/"2"`).status)
	require.Equal(t, http.StatusOK, b.send("GET", "Observation/n1", "", "If-None-Match", `W/"1"`).status)
	require.Equal(t, http.StatusNotModified, b.send("GET", "Observation/n1", "", "If-Modified-Since", read.header.Get("Last-Modified")).status)
	require.Equal(t, http.StatusOK, b.send("GET", "Observation/n1", "", "If-Modified-Since", "Fri, 10 May 2024 12:00:01 GMT").status)

	first := b.send("GET", "Observation/n1/_history/1", "")
	require.Equal(t, "a", first.fhir(http.StatusOK).list("identifier")[0].(*object).text("value"))
	require.Equal(t, `W/"1"`, first.header.Get("ETag"))
	b.send("GET", "Observation/n1/_history/9", "").refused(http.StatusNotFound, codeNotFound)

	require.Equal(t, http.StatusNoContent, b.send("DELETE", "Observation/n1", "").status)
	require.Equal(t, http.StatusNoContent, b.send("DELETE", "Observation/n1", "").status, "it is gone already")
	b.send("GET", "Observation/n1", "").refused(http.StatusGone, codeDeleted)
	b.send("GET", "Observation/n1/_history/3", "").refused(http.StatusGone, codeDeleted)
	b.send("GET", "Observation/n1/_history/2", "").fhir(http.StatusOK)

	history := b.send("GET", "Observation/n1/_history", "").fhir(http.StatusOK)
	require.Equal(t, "history", history.text("type"))
	var lines []string
	for _, each := range history.list("entry") {
		entry := each.(*object)
		lines = append(lines, strings.Join([]string{
			entry.child("request").text("method"), entry.child("request").text("url"),
			entry.child("response").text("status"), entry.child("response").text("etag"),
		}, " "))
		require.Equal(t, entry.child("request").text("method") == "DELETE", entry.child("resource") == nil)
	}
	require.Equal(t, []string{
		`DELETE Observation/n1 204 No Content W/"3"`, `PUT Observation/n1 200 OK W/"2"`, `POST Observation 201 Created W/"1"`,
	}, lines, "newest first")
	require.Equal(t, [][]byte{[]byte(first.body), []byte(read.body), nil}, b.server.Versions("Observation", "n1"))
	require.Empty(t, b.server.Current("Observation"))
}

func TestConditionalDelete(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	require.Equal(t, http.StatusNoContent, b.send("DELETE", byIdentifier("a"), "").status, "no match")
	for range 2 {
		b.send("POST", "Observation", observed(identified("a")))
	}
	b.send("DELETE", byIdentifier("a"), "").refused(http.StatusPreconditionFailed, codeMultiple)
	b.send("DELETE", "Observation/n1", "", "If-Match", `W/"7"`).refused(http.StatusPreconditionFailed, codeConflict)
	b.server.Delete("Observation", "n1")
	b.server.Delete("Observation", "n1")
	require.Equal(t, http.StatusNoContent, b.send("DELETE", byIdentifier("a"), "").status, "one match")
	require.Empty(t, b.server.Current("Observation"))
	require.Len(t, b.server.Versions("Observation", "n1"), 2, "deleting twice is deleting once")
}

// TestRefusals: every error is an OperationOutcome that a client can act on.
func TestRefusals(t *testing.T) {
	t.Parallel()
	deep := strings.Repeat(`[`, maxDepth+2)
	for name, c := range map[string]struct {
		method, path, body string
		status             int
		code               string
	}{
		"UnknownType":            {"GET", "Appointment/1", "", 404, codeNotSupported},
		"NoType":                 {"GET", "", "", 404, codeNotSupported},
		"NotThere":               {"GET", "Observation/none", "", 404, codeNotFound},
		"HistoryOfWhatIsNot":     {"GET", "Observation/none/_history", "", 404, codeNotFound},
		"HistoryOfAType":         {"GET", "Observation/_history", "", 404, codeNotSupported},
		"IdThatIsNone":           {"GET", "Observation/a_b", "", 400, codeValue},
		"IdTooLong":              {"GET", "Observation/" + strings.Repeat("a", 65), "", 400, codeValue},
		"Patch":                  {"PATCH", "Observation/o", `{}`, 405, codeNotSupported},
		"CreateAtAnInstance":     {"POST", "Observation/o", observed(""), 405, codeNotSupported},
		"UpdateOfAVersion":       {"PUT", "Observation/o/_history/1", observed(named("o", "a")), 405, codeNotSupported},
		"DeletionOfAVersion":     {"DELETE", "Observation/o/_history/1", "", 405, codeNotSupported},
		"NoBody":                 {"PUT", "Observation/o", "", 400, codeStructure},
		"NotJSON":                {"PUT", "Observation/o", `{"name":"Thistledown"`, 400, codeStructure},
		"NoObject":               {"PUT", "Observation/o", `["Thistledown"]`, 400, codeStructure},
		"MoreThanOneObject":      {"PUT", "Observation/o", `{}{}`, 400, codeStructure},
		"NotUTF8":                {"PUT", "Observation/o", "{\"a\":\"\xff\"}", 400, codeStructure},
		"NameTwice":              {"PUT", "Observation/o", `{"id":"o","id":"p"}`, 400, codeStructure},
		"TooDeep":                {"PUT", "Observation/o", `{"a":` + deep, 400, codeStructure},
		"TooLarge":               {"PUT", "Observation/o", observed(`,"note":[{"text":"` + strings.Repeat("x", 5000) + `"}]`), 413, codeTooLong},
		"AnotherType":            {"PUT", "Observation/o", `{"resourceType":"Patient","id":"o"}`, 400, codeStructure},
		"AnotherId":              {"PUT", "Observation/o", observed(named("p", "a")), 400, codeValue},
		"WithoutId":              {"PUT", "Observation/o", observed(""), 400, codeValue},
		"IdThatIsNoText":         {"PUT", "Observation/o", observed(`,"id":7`), 400, codeStructure},
		"IdOfTheBodyThatIsNone":  {"PUT", byIdentifier("a"), observed(`,"id":"a b"`), 400, codeValue},
		"CountThatIsNone":        {"GET", "Observation?_count=many", "", 400, codeValue},
		"CountBelowZero":         {"GET", "Observation?_count=-1", "", 400, codeValue},
		"DateThatIsNone":         {"GET", "Observation?date=yesterday", "", 400, codeValue},
		"ModifierThatIsNotKnown": {"GET", "Observation?status:not=final", "", 400, codeNotSupported},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, func(o *Options) { o.MaxBody = 4000 })
			b.send(c.method, c.path, c.body).refused(c.status, c.code)
			require.Empty(t, b.server.Current("Observation"), "nothing was kept")
		})
	}
	t.Run("PatientThatIsNotThere", func(t *testing.T) {
		t.Parallel()
		b := newBench(t, func(o *Options) { o.RequirePatients = true })
		r := b.send("POST", "Observation", observed(`,"subject":{"reference":"Patient/oona"}`))
		r.refused(http.StatusUnprocessableEntity, codeNotFound)
		require.Contains(t, r.body, `"expression":["Observation.subject.reference"]`)
		b.send("POST", "Observation", observed(`,"performer":[{"display":"x"},{"reference":"`+b.url+`/Patient/oona"}]`)).
			refused(http.StatusUnprocessableEntity, codeNotFound)
		b.server.Put([]byte(`{"resourceType":"Patient","id":"oona"}`))
		b.send("POST", "Observation", observed(`,"subject":{"reference":"Patient/oona"}`)).fhir(http.StatusCreated)
		b.send("POST", "Observation", observed(`,"subject":{"reference":"https://elsewhere.example/Patient/oona"}`)).fhir(http.StatusCreated)
	})
}

func TestPutNeedsAResource(t *testing.T) {
	t.Parallel()
	for _, body := range []string{``, `[]`, `{"id":"o"}`, `{"resourceType":"Patient"}`} {
		require.Panics(t, func() { New(Options{}).Put([]byte(body)) })
	}
	s := New(Options{})
	s.Put([]byte(`{"resourceType":"Patient","id":"oona"}`))
	require.Len(t, s.Current("Patient"), 1)
}
