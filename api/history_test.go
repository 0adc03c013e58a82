package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// holdsHistory checks the rules of a history Bundle (R4 bundle.html: bdl-1 to
// bdl-5, bdl-7, bdl-8).
func (a answer) holdsHistory() {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
	document, err := fhir.Decode(a.body)
	require.NoError(a.t, err)
	defer document.Release()
	require.Equal(a.t, "history", a.text("type"))
	require.Equal(a.t, "self", a.text("link", 0, "relation"))
	seen := map[string]bool{}
	for i := range a.count("entry") {
		require.NotNil(a.t, a.at("entry", i, "request"), "bdl-3")
		require.NotNil(a.t, a.at("entry", i, "response"), "bdl-4")
		require.Nil(a.t, a.at("entry", i, "search"), "bdl-2")
		full := a.text("entry", i, "fullUrl")
		require.NotContains(a.t, full, "_history", "bdl-8")
		version := full + a.text("entry", i, "resource", "meta", "versionId")
		require.False(a.t, seen[version], "bdl-7")
		seen[version] = true
		if a.text("entry", i, "request", "method") == "DELETE" {
			require.Nil(a.t, a.at("entry", i, "resource"))
			continue
		}
		require.Equal(a.t, fmt.Sprintf(`W/"%s"`, a.text("entry", i, "resource", "meta", "versionId")), a.text("entry", i, "response", "etag"))
		require.Equal(a.t, a.text("entry", i, "resource", "meta", "lastUpdated"), a.text("entry", i, "response", "lastModified"))
	}
}

// tags are the versions of a history, as listed.
func (a answer) tags() []string {
	a.t.Helper()
	tags := []string{}
	for i := range a.count("entry") {
		tags = append(tags, a.text("entry", i, "response", "etag"))
	}
	return tags
}

func TestHistory(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("amended", "history-1")
	require.Equal(t, http.StatusNoContent, r.remove(body.id).status)
	ofResponse, ofScore := r.get(responses+"/"+body.id+"/_history"), r.get("/fhir/Observation/"+body.id+"/_history")

	r.run(t, "of a response tells each request and what became of it, newest first", func(t *testing.T, r *rig) {
		a := ofResponse
		a.holdsHistory()
		require.Equal(t, "3", a.text("total"))
		require.Equal(t, []string{`W/"3"`, `W/"2"`, `W/"1"`}, a.tags())
		for i, want := range []struct{ method, url, status string }{
			{"DELETE", "QuestionnaireResponse/" + body.id, "204 No Content"},
			{"PUT", "QuestionnaireResponse/" + body.id, "200 OK"},
			{"POST", "QuestionnaireResponse", "201 Created"},
		} {
			require.Equal(t, want.method, a.text("entry", i, "request", "method"))
			require.Equal(t, want.url, a.text("entry", i, "request", "url"))
			require.Equal(t, want.status, a.text("entry", i, "response", "status"))
			require.Equal(t, r.base+"/QuestionnaireResponse/"+body.id, a.text("entry", i, "fullUrl"))
		}
		require.Equal(t, "amended", a.text("entry", 1, "resource", "status"))
		require.Equal(t, "completed", a.text("entry", 2, "resource", "status"))
	})
	r.run(t, "of a score ends with its retraction", func(t *testing.T, _ *rig) {
		ofScore.holdsHistory()
		require.Equal(t, []string{`W/"3"`, `W/"2"`, `W/"1"`}, ofScore.tags())
		for i, status := range []string{"entered-in-error", "amended", "final"} {
			require.Equal(t, status, ofScore.text("entry", i, "resource", "status"))
			require.Equal(t, "PUT", ofScore.text("entry", i, "request", "method"))
		}
		require.Equal(t, "201 Created", ofScore.text("entry", 2, "response", "status"))
	})
	r.run(t, "entries are what vread gives", func(t *testing.T, r *rig) {
		require.Equal(t, r.get(responses+"/"+body.id+"/_history/1").at(), ofResponse.at("entry", 2, "resource"))
	})
	r.run(t, "has a HEAD without a body", func(t *testing.T, r *rig) {
		a := r.do(http.MethodHead, responses+"/"+body.id+"/_history", "")
		require.Equal(t, http.StatusOK, a.status)
		require.Empty(t, a.body)
	})
	for name, path := range map[string]string{
		"an unknown response":       responses + "/none/_history",
		"an unknown score":          "/fhir/Observation/none/_history",
		"an id that FHIR forbids":   responses + "/what_is_this/_history",
		"an id of another resource": "/fhir/Observation/" + body.id[:8] + "/_history",
	} {
		r.run(t, "of "+name+" is not found", func(t *testing.T, r *rig) {
			r.get(path).refused(http.StatusNotFound, "not-found")
		})
	}
	for _, path := range []string{responses + "/_history", "/fhir/_history", "/fhir/Observation/_history"} {
		r.run(t, path+", of a type or the system, is not offered", func(t *testing.T, r *rig) {
			require.Equal(t, http.StatusNotFound, r.get(path).status)
		})
	}
}

func TestHistoryPages(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("completed", "history-pages")
	body.status = "amended"
	for n := range 4 {
		body.itch = fmt.Sprint(n)
		require.Equal(t, http.StatusOK, r.put(body).status)
	}
	path := responses + "/" + body.id + "/_history"

	r.run(t, "follow one another to the end", func(t *testing.T, r *rig) {
		next, got := path+"?_count=2", []string{}
		for range 5 {
			a := r.get(next)
			a.holdsHistory()
			require.Equal(t, "5", a.text("total"), "of all pages")
			require.LessOrEqual(t, a.count("entry"), 2)
			got = append(got, a.tags()...)
			if a.count("link") == 1 {
				break
			}
			require.Equal(t, "next", a.text("link", 1, "relation"))
			next = a.text("link", 1, "url")
		}
		require.Equal(t, []string{`W/"5"`, `W/"4"`, `W/"3"`, `W/"2"`, `W/"1"`}, got)
	})
	r.run(t, "stay the same when a version is added", func(t *testing.T, r *rig) {
		body := r.reach("amended", "history-stable")
		first := r.get(responses + "/" + body.id + "/_history?_count=1")
		body.itch = "9"
		require.Equal(t, http.StatusOK, r.put(body).status)
		second := r.get(first.text("link", 1, "url"))
		require.Equal(t, []string{`W/"1"`}, second.tags())
	})
	r.run(t, "of count 0 tell the total alone", func(t *testing.T, r *rig) {
		a := r.get(path + "?_count=0")
		a.holdsHistory()
		require.Equal(t, "5", a.text("total"))
		require.Nil(t, a.at("entry"))
		require.Equal(t, 1, a.count("link"))
	})
	r.run(t, "name the parameters used in the self link", func(t *testing.T, r *rig) {
		require.Equal(t, r.origin+path+"?_count=2", r.get(path+"?_count=2&colour=red").text("link", 0, "url"))
	})
	for name, c := range map[string]struct{ query, code string }{
		"a count that is none":        {"_count=x", "value"},
		"a negative count":            {"_count=-1", "value"},
		"a time that is none":         {"_since=yesterday", "value"},
		"a moment that is none":       {"_at=noon", "value"},
		"a page that is none":         {"_before=x", "value"},
		"a parameter twice":           {"_count=1&_count=2", "value"},
		"a modifier":                  {"_since:exact=2026-03-04", "not-supported"},
		"an unknown one, if strictly": {"colour=red", "not-supported"},
	} {
		r.run(t, "with "+name+" are refused", func(t *testing.T, r *rig) {
			r.get(path+"?"+c.query, "Prefer", "handling=strict").refused(http.StatusBadRequest, c.code)
		})
	}
}

func TestHistoryByTime(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("completed", "history-time")
	body.status = "amended"
	var written []time.Time
	for n := range 3 {
		time.Sleep(5 * time.Millisecond) // the clock of versions counts milliseconds
		body.itch = fmt.Sprint(n)
		a := r.put(body)
		at, err := time.Parse(time.RFC3339, a.text("meta", "lastUpdated"))
		require.NoError(t, err)
		written = append(written, at)
	}
	get := func(r *rig, name string, at time.Time) answer {
		a := r.get(responses + "/" + body.id + "/_history?" + name + "=" + url.QueryEscape(at.Format(time.RFC3339Nano)))
		a.holdsHistory()
		require.Nil(t, a.at("total"), "unknown without reading all versions")
		return a
	}
	r.run(t, "since a version has it and all that follow", func(t *testing.T, r *rig) {
		require.Equal(t, []string{`W/"4"`, `W/"3"`}, get(r, "_since", written[1]).tags())
	})
	r.run(t, "since just after a version has only those that follow", func(t *testing.T, r *rig) {
		require.Equal(t, []string{`W/"4"`}, get(r, "_since", written[1].Add(time.Millisecond)).tags())
	})
	r.run(t, "since the future has none", func(t *testing.T, r *rig) {
		require.Empty(t, get(r, "_since", time.Now().Add(time.Hour)).tags())
	})
	r.run(t, "at a moment has the version that was current", func(t *testing.T, r *rig) {
		require.Equal(t, []string{`W/"3"`}, get(r, "_at", written[1].Add(time.Millisecond)).tags())
		require.Equal(t, []string{`W/"4"`}, get(r, "_at", time.Now().Add(time.Hour)).tags())
		require.Empty(t, get(r, "_at", written[0].Add(-time.Hour)).tags())
	})
	r.run(t, "at a day has every version that was current in it", func(t *testing.T, r *rig) {
		a := r.get(responses + "/" + body.id + "/_history?_at=" + written[0].Format("2006"))
		require.Len(t, a.tags(), 4)
	})
	r.run(t, "pages within a time go on within it", func(t *testing.T, r *rig) {
		a := r.get(responses + "/" + body.id + "/_history?_count=1&_since=" + url.QueryEscape(written[1].Format(time.RFC3339Nano)))
		require.Equal(t, []string{`W/"4"`}, a.tags())
		next := r.get(a.text("link", 1, "url"))
		require.Equal(t, []string{`W/"3"`}, next.tags())
		require.Equal(t, 1, next.count("link"))
	})
}
