package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

const responses = "/fhir/QuestionnaireResponse"

func TestSameContentAgain(t *testing.T) {
	t.Parallel()
	for _, identifier := range []string{"repeated-1", ""} {
		t.Run("is answered as the first time, identifier "+identifier, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			body := oona(identifier)
			first := r.create(body.json())
			second := r.create(body.json())
			require.Equal(t, string(first.body), string(second.body))
			for _, name := range []string{"Location", "ETag", "Last-Modified"} {
				require.Equal(t, first.header.Get(name), second.header.Get(name), name)
			}
			require.Equal(t, kept{1, 1, 1, 1}, r.kept())
		})
	}
	t.Run("is recognised whatever the white space, id, meta and narrative", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		body := oona("repeated-2")
		first := r.create(body.json())
		body.id = "another"
		body.members = `,"meta":{"versionId":"4"},"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">x</div>"}`
		spaced := strings.ReplaceAll(body.json(), `,"item"`, " ,\n\t\"item\"")
		require.Equal(t, first.id(), r.create(spaced).id())
		require.Equal(t, 1, r.kept().responses)
	})
	t.Run("after an amendment is still answered as the first time", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		body := oona("repeated-3")
		first := r.create(body.json())
		amended := body
		amended.id, amended.status, amended.itch = first.id(), "amended", "8"
		require.Equal(t, http.StatusOK, r.put(amended).status)
		late := r.create(body.json())
		require.Equal(t, string(first.body), string(late.body), "the version it created, and not a mix of two")
		require.Equal(t, first.header.Get("Location"), late.header.Get("Location"))
		require.Equal(t, first.header.Get("Last-Modified"), late.header.Get("Last-Modified"))
		require.Equal(t, "44.00", r.score(first.id()).text("valueQuantity", "value"), "the amendment stands")
	})
	t.Run("from many clients at once is stored once", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		var group sync.WaitGroup
		answers := make([]answer, 24)
		for i := range answers {
			group.Go(func() {
				a, err := send(r.origin, http.MethodPost, responses, oona("repeated-4").json())
				if err == nil {
					answers[i] = a
				}
			})
		}
		group.Wait()
		for _, a := range answers {
			require.Equal(t, http.StatusCreated, a.status)
			require.Equal(t, string(answers[0].body), string(a.body))
		}
		require.Equal(t, kept{1, 1, 1, 1}, r.kept())
	})
	t.Run("is not what only looks alike", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		body := oona("")
		r.create(body.json())
		for _, change := range []func(*response){
			func(b *response) { b.patient = "Patient/casper-quillfeather" },
			func(b *response) { b.authored = "2026-03-04T19:30:01+01:00" },
			func(b *response) { b.itch = "6.0" },
			func(b *response) { b.identifier = "repeated-5" },
		} {
			other := body
			change(&other)
			r.create(other.json())
		}
		require.Equal(t, 5, r.kept().responses)
	})
}

func TestSameIdentifier(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "with other answers is refused and changes nothing", func(t *testing.T, r *rig) {
		body := oona("same-1")
		id := r.create(body.json()).id()
		body.itch = "1"
		a := r.do(http.MethodPost, responses, body.json())
		a.refused(http.StatusConflict, "duplicate")
		require.Contains(t, a.text("issue", 0, "details", "text"), "QuestionnaireResponse/"+id, "the sender learns which it is")
		require.Equal(t, "QuestionnaireResponse.identifier", a.text("issue", 0, "expression", 0))
		require.Equal(t, "1", r.score(id).text("meta", "versionId"))
	})
	for _, status := range []string{"in-progress", "stopped", "completed"} {
		r.run(t, "with status "+status+" is no amendment", func(t *testing.T, r *rig) {
			body := oona("same-2-" + status)
			r.create(body.json())
			body.status, body.itch = status, "2"
			r.do(http.MethodPost, responses, body.json()).refused(http.StatusConflict, "duplicate")
		})
	}
	r.run(t, "amends when the sender knows only its own identifier", func(t *testing.T, r *rig) {
		body := oona("same-3")
		id := r.create(body.json()).id()
		body.status, body.itch = "amended", "7"
		a := r.do(http.MethodPost, responses, body.json())
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, id, a.id())
		require.Equal(t, r.base+"/QuestionnaireResponse/"+id+"/_history/2", a.header.Get("Location"))
		require.Equal(t, "43.00", r.score(id).text("valueQuantity", "value"))
		again := r.do(http.MethodPost, responses, body.json())
		require.Equal(t, a.status, again.status, "the first answer was 200")
		require.Equal(t, string(a.body), string(again.body))
		require.Equal(t, a.header.Get("Location"), again.header.Get("Location"))
	})
	r.run(t, "retracts when the sender knows only its own identifier", func(t *testing.T, r *rig) {
		body := oona("same-4")
		id := r.create(body.json()).id()
		body.status = "entered-in-error"
		require.Equal(t, http.StatusOK, r.do(http.MethodPost, responses, body.json()).status)
		require.Equal(t, "entered-in-error", r.score(id).text("status"))
	})
	r.run(t, "amends by the rules of an update", func(t *testing.T, r *rig) {
		body := oona("same-5")
		r.create(body.json())
		body.status, body.patient = "amended", "Patient/casper-quillfeather"
		r.do(http.MethodPost, responses, body.json()).refused(http.StatusUnprocessableEntity, "business-rule")
	})
	r.run(t, "of another system is another response", func(t *testing.T, r *rig) {
		body := oona("same-6")
		first := r.create(body.json()).id()
		body.itch = "3"
		other := strings.Replace(body.json(), portalSystem, "https://other-portal.example/responses", 1)
		require.NotEqual(t, first, r.create(other).id())
	})
	r.run(t, "gives the score an identifier that stays", func(t *testing.T, r *rig) {
		body := oona("same-7")
		id := r.create(body.json()).id()
		identifier := r.score(id).text("identifier", 0, "value")
		require.Len(t, identifier, 32)
		require.NotContains(t, identifier, "same-7")
		require.Equal(t, "https://tidemark.example/fhir/sid/score", r.score(id).text("identifier", 0, "system"))
		body.status, body.itch = "amended", "0"
		r.do(http.MethodPost, responses, body.json())
		require.Equal(t, identifier, r.score(id).text("identifier", 0, "value"))
	})
}

func TestIfNoneExist(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	existing := r.create(oona("exists-1").json())
	query := "identifier=" + portalSystem + "|exists-1"
	create := func(r *rig, body response, condition string) answer {
		return r.do(http.MethodPost, responses, body.json(), "If-None-Exist", condition)
	}
	r.run(t, "without a match creates", func(t *testing.T, r *rig) {
		a := create(r, oona("exists-2"), "identifier="+portalSystem+"|exists-2")
		require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
	})
	r.run(t, "with one match gives that and ignores what was sent", func(t *testing.T, r *rig) {
		body := oona("exists-3")
		body.itch = "1"
		a := create(r, body, query)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, string(existing.body), string(a.body))
		require.Equal(t, "0", r.get(responses+"?identifier=exists-3").text("total"))
	})
	r.run(t, "with one match that is a repetition says so too", func(t *testing.T, r *rig) {
		a := create(r, oona("exists-1"), query)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, existing.id(), a.id())
	})
	r.run(t, "with several matches is refused", func(t *testing.T, r *rig) {
		for n := range 2 {
			body := oona(fmt.Sprint("exists-several-", n))
			body.patient = "Patient/mirren-ashby-vale"
			r.create(body.json())
		}
		body := oona("exists-4")
		body.patient = "Patient/mirren-ashby-vale"
		create(r, body, "patient=mirren-ashby-vale").refused(http.StatusPreconditionFailed, "multiple-matches")
	})
	r.run(t, "whose conditions exclude each other creates", func(t *testing.T, r *rig) {
		a := create(r, oona("exists-5"), "patient=casper-quillfeather&subject=Patient/oona-thistledown")
		require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
	})
	for name, condition := range map[string]string{
		"an unknown parameter":     "name=Oona",
		"a modifier":               "identifier:not=x",
		"no criterion":             "_count=1",
		"nothing but empty values": "identifier=",
		"a query that is none":     "identifier=%zz",
		"a date that is none":      "authored=yesterday",
	} {
		r.run(t, "with "+name+" is refused and not ignored", func(t *testing.T, r *rig) {
			a := create(r, oona("exists-refused-"+name), condition)
			require.Equal(t, http.StatusBadRequest, a.status, "%s", a.body)
			require.Equal(t, "OperationOutcome", a.text("resourceType"))
			require.Equal(t, "0", r.get(responses+"?identifier=exists-refused-"+strings.ReplaceAll(name, " ", "%20")).text("total"))
		})
	}
}
