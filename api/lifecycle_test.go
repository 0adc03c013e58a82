package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestCreate(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	// What a client puts into id, versionId and lastUpdated is ignored (R4 http.html 3.1.0.8).
	body := oona("created-1")
	body.id = "of-the-client"
	body.members = `,"meta":{"versionId":"77","lastUpdated":"2001-01-01T00:00:00Z","source":"https://fernway-portal.example"}`
	a := r.create(body.json())
	id := a.id()

	r.run(t, "says where the response is and in which version", func(t *testing.T, r *rig) {
		require.Equal(t, r.base+"/QuestionnaireResponse/"+id+"/_history/1", a.header.Get("Location"))
		require.Equal(t, `W/"1"`, a.header.Get("ETag"))
		modified, err := http.ParseTime(a.header.Get("Last-Modified"))
		require.NoError(t, err)
		require.Equal(t, modified.UTC().Format("2006-01-02T15:04:05"), a.text("meta", "lastUpdated")[:19])
	})
	r.run(t, "gives its own id, version and time and keeps the rest", func(t *testing.T, r *rig) {
		require.NotEqual(t, "of-the-client", id)
		require.Equal(t, "1", a.text("meta", "versionId"))
		require.NotContains(t, a.text("meta", "lastUpdated"), "2001")
		require.Equal(t, "https://fernway-portal.example", a.text("meta", "source"))
		require.Equal(t, "4", a.text("item", 2, "item", 1, "answer", 0, "valueDecimal"))
	})
	r.run(t, "stores response, score and provenance and wants the score delivered", func(t *testing.T, r *rig) {
		require.Equal(t, kept{1, 1, 1, 1}, r.kept())
	})
	r.run(t, "scores what was worked out by hand", func(t *testing.T, r *rig) {
		o := r.score(id)
		require.Equal(t, "42.00", o.text("valueQuantity", "value"))
		require.Equal(t, "moderate", o.text("interpretation", 0, "coding", 0, "code"))
		require.Equal(t, "final", o.text("status"))
		require.Equal(t, "Patient/oona-thistledown", o.text("subject", "reference"))
		require.Equal(t, "RelatedPerson/bram-thistledown", o.text("performer", 0, "reference"))
		require.Equal(t, "2026-03-01", o.text("effectivePeriod", "start"))
		require.Equal(t, "2026-03-04T19:30:00+01:00", o.text("effectivePeriod", "end"))
		require.Equal(t, r.base+"/QuestionnaireResponse/"+id+"/_history/1", o.text("derivedFrom", 0, "reference"))
		require.Equal(t, r.base+"/Device/tidemark-1.0.0", o.text("device", "reference"))
	})
	r.run(t, "the device that the score names can be read", func(t *testing.T, r *rig) {
		require.Equal(t, http.StatusOK, r.get(r.score(id).text("device", "reference")).status)
	})
}

func TestRead(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("read-1").json()).id()
	path := "/fhir/QuestionnaireResponse/" + id
	amended := oona("read-1")
	amended.id, amended.status, amended.itch = id, "amended", "7"
	require.Equal(t, http.StatusOK, r.put(amended).status)

	r.run(t, "current version", func(t *testing.T, r *rig) {
		a := r.get(path)
		require.Equal(t, http.StatusOK, a.status)
		require.Equal(t, `W/"2"`, a.header.Get("ETag"))
		require.Equal(t, "amended", a.text("status"))
	})
	r.run(t, "every version stays readable as it was", func(t *testing.T, r *rig) {
		first := r.get(path + "/_history/1")
		require.Equal(t, http.StatusOK, first.status)
		require.Equal(t, `W/"1"`, first.header.Get("ETag"))
		require.Equal(t, "completed", first.text("status"))
		require.Equal(t, "1", first.text("meta", "versionId"))
		require.Equal(t, "42.00", r.get("/fhir/Observation/"+id+"/_history/1").text("valueQuantity", "value"))
		require.Equal(t, "43.00", r.get("/fhir/Observation/"+id+"/_history/2").text("valueQuantity", "value"))
	})
	r.run(t, "the body of a create is what is read", func(t *testing.T, r *rig) {
		a := r.create(oona("read-2").json())
		require.JSONEq(t, string(a.body), string(r.get("/fhir/QuestionnaireResponse/"+a.id()).body))
	})
	for name, path := range map[string]string{
		"unknown id":               "/fhir/QuestionnaireResponse/no-such",
		"unknown version":          path + "/_history/3",
		"version 0":                path + "/_history/0",
		"version that is no count": path + "/_history/x",
		"id of another type":       "/fhir/Provenance/" + id,
		"id that FHIR forbids":     "/fhir/Observation/what_is_this",
		"id too long":              "/fhir/Observation/" + strings.Repeat("a", 65),
		"operation not offered":    "/fhir/Observation/$lastn-of-another-server",
		"form not published":       "/fhir/Questionnaire/other",
		"device not ours":          "/fhir/Device/other",
	} {
		r.run(t, name+" is not found", func(t *testing.T, r *rig) {
			r.get(path).refused(http.StatusNotFound, "not-found")
		})
	}
}

func TestConditionalRead(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	created := r.create(oona("conditional-1").json())
	paths := map[string]string{
		"a response": "/fhir/QuestionnaireResponse/" + created.id(),
		"a score":    "/fhir/Observation/" + created.id(),
		"a version":  "/fhir/QuestionnaireResponse/" + created.id() + "/_history/1",
		"a form":     "/fhir/Questionnaire/scorad-self-assessment",
	}
	for name, path := range paths {
		r.run(t, name+" that has not changed is not sent again", func(t *testing.T, r *rig) {
			etag := r.get(path).header.Get("ETag")
			for _, method := range []string{http.MethodGet, http.MethodHead} {
				for _, header := range []string{etag, "*", `W/"other", ` + etag, strings.TrimPrefix(etag, "W/")} {
					a := r.do(method, path, "", "If-None-Match", header)
					require.Equal(t, http.StatusNotModified, a.status, "%s %s", method, header)
					require.Empty(t, a.body)
					require.Equal(t, etag, a.header.Get("ETag"))
				}
			}
		})
		r.run(t, name+" with another tag is sent", func(t *testing.T, r *rig) {
			require.Equal(t, http.StatusOK, r.get(path, "If-None-Match", `W/"other"`).status)
		})
	}
	r.run(t, "not modified since it was stored", func(t *testing.T, r *rig) {
		path, modified := paths["a response"], created.header.Get("Last-Modified")
		require.Equal(t, http.StatusNotModified, r.get(path, "If-Modified-Since", modified).status)
		require.Equal(t, http.StatusOK, r.get(path, "If-Modified-Since", "Mon, 01 Jan 2001 00:00:00 GMT").status)
		require.Equal(t, http.StatusOK, r.get(path, "If-Modified-Since", "yesterday").status)
		require.Equal(t, http.StatusOK, r.get(path, "If-Modified-Since", modified, "If-None-Match", `W/"7"`).status,
			"If-None-Match wins (RFC 9110 section 13.1.3)")
	})
}

func TestHead(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("head-1").json()).id()
	for _, path := range []string{
		"/fhir/metadata", "/fhir/QuestionnaireResponse/" + id, "/fhir/Observation/" + id + "/_history/1",
		"/fhir/Observation?patient=oona-thistledown", "/fhir/Questionnaire", "/fhir/Device",
		"/fhir/QuestionnaireResponse/none",
	} {
		r.run(t, path+" has the headers of GET and no body", func(t *testing.T, r *rig) {
			get, head := r.get(path), r.do(http.MethodHead, path, "")
			require.Equal(t, get.status, head.status)
			require.Empty(t, head.body)
			require.Equal(t, get.header.Get("Content-Length"), head.header.Get("Content-Length"))
			require.NotEmpty(t, head.header.Get("Content-Length"))
			for _, name := range []string{"Content-Type", "ETag", "Last-Modified"} {
				require.Equal(t, get.header.Get(name), head.header.Get(name), name)
			}
		})
	}
}

func TestUpdate(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	stored := func(r *rig, identifier string) response {
		body := oona(identifier)
		body.id = r.create(body.json()).id()
		body.status, body.itch = "amended", "7.5"
		return body
	}
	r.run(t, "is the next version under the same id", func(t *testing.T, r *rig) {
		body := stored(r, "update-1")
		a := r.put(body)
		require.Equal(t, http.StatusOK, a.status)
		require.Equal(t, body.id, a.id())
		require.Equal(t, `W/"2"`, a.header.Get("ETag"))
		require.Equal(t, r.base+"/QuestionnaireResponse/"+body.id+"/_history/2", a.header.Get("Location"))
	})
	r.run(t, "with the current version in If-Match is taken", func(t *testing.T, r *rig) {
		body := stored(r, "update-2")
		require.Equal(t, http.StatusOK, r.put(body, "If-Match", `W/"1"`).status)
		body.itch = "8"
		require.Equal(t, http.StatusOK, r.put(body, "If-Match", `"2"`).status)
	})
	r.run(t, "with another version in If-Match overwrites nothing", func(t *testing.T, r *rig) {
		body := stored(r, "update-3")
		require.Equal(t, http.StatusOK, r.put(body).status)
		body.itch = "9"
		r.put(body, "If-Match", `W/"1"`).refused(http.StatusPreconditionFailed, "conflict")
		r.put(body, "If-Match", `W/"3"`).refused(http.StatusPreconditionFailed, "conflict")
		require.Equal(t, "43.50", r.score(body.id).text("valueQuantity", "value"))
	})
	r.run(t, "repeated after a lost answer gets that answer, If-Match or not", func(t *testing.T, r *rig) {
		body := stored(r, "update-4")
		first := r.put(body, "If-Match", `W/"1"`)
		again := r.put(body, "If-Match", `W/"1"`)
		require.Equal(t, first.status, again.status, "%s", again.body)
		require.Equal(t, first.body, again.body)
		require.Equal(t, first.header.Get("Location"), again.header.Get("Location"))
		require.Equal(t, "2", r.score(body.id).text("meta", "versionId"))
	})
	for _, header := range []string{"x", `W/""`, `W/"0"`, `W/"-1"`, `W/"1", W/"2"`} {
		r.run(t, "with If-Match "+header+" that names no version is refused", func(t *testing.T, r *rig) {
			body := stored(r, "update-header-"+header)
			r.put(body, "If-Match", header).refused(http.StatusBadRequest, "value")
			require.Equal(t, "1", r.score(body.id).text("meta", "versionId"))
		})
	}
	r.run(t, "of an id that no one was given is refused", func(t *testing.T, r *rig) {
		body := oona("update-5")
		body.id = "chosen-by-the-client"
		r.put(body).refused(http.StatusMethodNotAllowed, "not-supported")
	})
	r.run(t, "whose body has another id, or none, is refused", func(t *testing.T, r *rig) {
		body := stored(r, "update-6")
		path := "/fhir/QuestionnaireResponse/" + body.id
		body.id = "another"
		r.do(http.MethodPut, path, body.json()).refused(http.StatusBadRequest, "invalid")
		body.id = ""
		r.do(http.MethodPut, path, body.json()).refused(http.StatusBadRequest, "invalid")
	})
	for name, change := range map[string]func(*response){
		"patient":    func(b *response) { b.patient = "Patient/casper-quillfeather" },
		"identifier": func(b *response) { b.identifier = "another" },
		"form":       func(b *response) { b.form, b.source = clinicianForm, "Practitioner/ilse-varnholt" },
	} {
		r.run(t, "that changes the "+name+" is refused", func(t *testing.T, r *rig) {
			body := stored(r, "update-keeps-"+name)
			change(&body)
			r.put(body).refused(http.StatusUnprocessableEntity, "business-rule")
		})
	}
	r.run(t, "that takes an identifier of another response is refused", func(t *testing.T, r *rig) {
		stored(r, "update-taken")
		body := oona("")
		body.authored = "2026-03-05T10:00:00Z"
		body.id = r.create(body.json()).id()
		body.status, body.identifier = "amended", "update-taken"
		r.put(body).refused(http.StatusConflict, "duplicate")
	})
	r.run(t, "to the same content as another response is its own", func(t *testing.T, r *rig) {
		one, two := oona(""), oona("")
		one.authored, two.authored = "2026-04-05T10:00:00Z", "2026-04-05T10:00:00Z"
		one.itch, two.itch = "1", "2"
		one.id, two.id = r.create(one.json()).id(), r.create(two.json()).id()
		one.status, two.status, one.itch, two.itch = "amended", "amended", "3", "3"
		require.Equal(t, http.StatusOK, r.put(one).status)
		a := r.put(two)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, two.id, a.id())
	})
}

func TestPrefer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "minimal has headers and no body", func(t *testing.T, r *rig) {
		a := r.create(oona("prefer-1").json(), "Prefer", "return=minimal")
		require.Empty(t, a.body)
		require.Equal(t, "return=minimal", a.header.Get("Preference-Applied"))
		require.Equal(t, `W/"1"`, a.header.Get("ETag"))
		require.Equal(t, http.StatusOK, r.get(a.header.Get("Location")).status)
	})
	r.run(t, "representation has the resource", func(t *testing.T, r *rig) {
		a := r.create(oona("prefer-2").json(), "Prefer", "return=representation")
		require.Equal(t, "QuestionnaireResponse", a.text("resourceType"))
		require.Equal(t, "return=representation", a.header.Get("Preference-Applied"))
	})
	r.run(t, "OperationOutcome has the warnings", func(t *testing.T, r *rig) {
		body := oona("prefer-3")
		body.extent = "0" // signs on no skin: warning W01
		a := r.create(body.json(), "Prefer", "return=OperationOutcome")
		require.Equal(t, "OperationOutcome", a.text("resourceType"))
		require.Equal(t, "warning", a.text("issue", 0, "severity"))
		require.Equal(t, "lesions-without-extent", a.text("issue", 0, "details", "coding", 0, "code"))
		require.Equal(t, "return=OperationOutcome", a.header.Get("Preference-Applied"))
	})
	r.run(t, "OperationOutcome of a clean response says so", func(t *testing.T, r *rig) {
		body := oona("prefer-4")
		body.status = "in-progress" // which is not set beside other scores
		a := r.create(body.json(), "Prefer", "return=OperationOutcome")
		require.Equal(t, 1, a.count("issue"))
		require.Equal(t, "information", a.text("issue", 0, "severity"))
	})
	r.run(t, "nothing asked has the resource and claims no preference", func(t *testing.T, r *rig) {
		a := r.create(oona("prefer-5").json())
		require.Equal(t, "QuestionnaireResponse", a.text("resourceType"))
		require.Empty(t, a.header.Get("Preference-Applied"))
	})
	r.run(t, "minimal does not hide a refusal", func(t *testing.T, r *rig) {
		body := oona("prefer-6")
		body.itch = "11"
		r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body.json(), "Prefer", "return=minimal").
			refused(http.StatusUnprocessableEntity, "value")
	})
}
