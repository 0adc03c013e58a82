package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
)

const scores = "/fhir/Observation"

// alone is a subtest on a server of the guarded kind that siblings share.
func (r *authRig) alone(t *testing.T, name string, test func(t *testing.T, r *authRig)) {
	t.Helper()
	r.run(t, name, func(t *testing.T, own *rig) { test(t, &authRig{rig: own}) })
}

// same holds two answers to be alike but for what the client sent itself.
func same(t *testing.T, nothing answer, missing subject, not answer, kept subject) {
	t.Helper()
	require.Equal(t, nothing.likeness(missing), not.likeness(kept))
	require.NotContains(t, string(not.body), whoAnswered)
}

func newMissing() subject { return subject{uuid.Must(uuid.NewV7()).String(), random()} }

// TestNotYoursIsNotThere: what the matrix does not reach in one request.
func TestNotYoursIsNotThere(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	r.alone(t, "after it was deleted either, while its own patient is told", func(t *testing.T, r *authRig) {
		kept, missing := subject{identifier: random()}, newMissing()
		kept.id = r.keep(withSecret(kept.identifier))
		require.Equal(t, http.StatusNoContent, r.as(r.everything(), http.MethodDelete, responses+"/"+kept.id, "").status)
		casper, oona := r.token("patient/*.cruds", casperID), r.token("patient/*.cruds", oonaID)
		for _, path := range []string{"", "/_history", "/_history/1", "/_history/2", "/$validate", "/$extract"} {
			same(t, r.as(casper, http.MethodGet, responses+"/"+missing.id+path, ""), missing, r.as(casper, http.MethodGet, responses+"/"+kept.id+path, ""), kept)
		}
		same(t, r.as(casper, http.MethodDelete, responses+"/"+missing.id, ""), missing, r.as(casper, http.MethodDelete, responses+"/"+kept.id, ""), kept)
		r.as(oona, http.MethodGet, responses+"/"+kept.id, "").refused(http.StatusGone, "deleted")
		require.Equal(t, http.StatusOK, r.as(oona, http.MethodGet, responses+"/"+kept.id+"/_history/1", "").status)
		require.Equal(t, http.StatusOK, r.as(oona, http.MethodGet, scores+"/"+kept.id, "").status, "the score stays, and says that it is wrong")
	})
	r.alone(t, "by any precondition", func(t *testing.T, r *authRig) {
		kept, missing := subject{identifier: random()}, newMissing()
		kept.id = r.keep(withSecret(kept.identifier))
		casper := r.token("patient/*.cruds", casperID)
		for _, header := range [][2]string{{"If-None-Match", `W/"1"`}, {"If-Match", `W/"1"`}, {"If-Match", "*"}, {"If-Modified-Since", "Wed, 25 Nov 2099 00:00:00 GMT"}} {
			for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPut, http.MethodDelete} {
				ask := func(s subject) answer {
					body := ""
					if method == http.MethodPut {
						content := filledFor(casperID, s.identifier)
						content.id, content.status = s.id, "amended"
						body = content.json()
					}
					return r.as(casper, method, responses+"/"+s.id, body, header[0], header[1])
				}
				nothing, not := ask(missing), ask(kept)
				if method == http.MethodHead {
					require.Equal(t, nothing.status, not.status)
					continue
				}
				same(t, nothing, missing, not, kept)
			}
		}
	})
	r.alone(t, "in a transaction that refers to it", func(t *testing.T, r *authRig) {
		kept, missing := subject{identifier: random()}, newMissing()
		kept.id = r.keep(withSecret(kept.identifier))
		casper := r.token("patient/*.cruds", casperID)
		for _, entries := range []func(subject) string{
			func(s subject) string {
				return `{"resource":` + strings.Replace(filledFor(casperID, "").json(), `"status"`, `"basedOn":[{"reference":"QuestionnaireResponse?identifier=`+portalSystem+`|`+s.identifier+`"}],"status"`, 1) +
					`,"request":{"method":"POST","url":"QuestionnaireResponse"}}`
			},
			func(s subject) string {
				return `{"resource":{"resourceType":"Provenance","target":[{"reference":"Observation/` + s.id + `"}],"recorded":"2026-03-04T19:30:00Z","agent":[{"who":{"display":"A portal"}}]},` +
					`"request":{"method":"POST","url":"Provenance"}}`
			},
			func(s subject) string { return `{"request":{"method":"GET","url":"Observation/` + s.id + `"}}` },
			func(s subject) string {
				return `{"request":{"method":"DELETE","url":"QuestionnaireResponse/` + s.id + `"}}`
			},
			func(s subject) string {
				return `{"request":{"method":"DELETE","url":"QuestionnaireResponse?identifier=` + portalSystem + `|` + s.identifier + `"}}`
			},
		} {
			ask := func(s subject) answer {
				return r.as(casper, http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"transaction","entry":[`+entries(s)+`]}`)
			}
			same(t, ask(missing), missing, ask(kept), kept)
		}
		require.Equal(t, "1", r.as(r.everything(), http.MethodGet, responses+"/"+kept.id, "").text("meta", "versionId"))
	})
	r.alone(t, "behind a place in somebody else's pages", func(t *testing.T, r *authRig) {
		for range 3 {
			r.keep(withSecret(random()))
			r.keep(filledFor("mirren-ashby-vale", random()))
		}
		oona, mirren := r.token("patient/*.rs", oonaID), r.token("patient/*.rs", "mirren-ashby-vale")
		page := r.as(oona, http.MethodGet, scores+"?_count=1&_sort=date", "")
		next := ""
		for i := range page.count("link") {
			if page.text("link", i, "relation") == "next" {
				next = page.text("link", i, "url")
			}
		}
		require.NotEmpty(t, next)
		other := r.as(mirren, http.MethodGet, next, "")
		require.Equal(t, http.StatusOK, other.status)
		require.Equal(t, "3", other.text("total"))
		require.NotContains(t, string(other.body), whoAnswered)
	})
}

// TestIdentifiersOfOthersAreNotInTheWay: a business identifier that somebody
// else's response has is as free as any, and stays theirs.
func TestIdentifiersOfOthersAreNotInTheWay(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	identifier := random()
	kept := r.keep(withSecret(identifier))
	casper := r.token("patient/*.cruds", casperID)
	body := filledFor(casperID, identifier)
	first := r.as(casper, http.MethodPost, responses, body.json())
	require.Equal(t, http.StatusCreated, first.status, "%s", first.body)
	require.NotEqual(t, kept, first.id())
	again := r.as(casper, http.MethodPost, responses, body.json())
	require.Equal(t, http.StatusCreated, again.status)
	require.Equal(t, first.id(), again.id(), "a repetition is known")
	body.itch = "9"
	changed := r.as(casper, http.MethodPost, responses, body.json())
	changed.refused(http.StatusConflict, "duplicate")
	require.NotContains(t, string(changed.body), kept)
	body.status = "amended"
	amended := r.as(casper, http.MethodPost, responses, body.json())
	require.Equal(t, http.StatusOK, amended.status, "%s", amended.body)
	require.Equal(t, first.id(), amended.id())
	body.id, body.itch = first.id(), "8"
	require.Equal(t, http.StatusOK, r.as(r.everything(), http.MethodPut, responses+"/"+first.id(), body.json()).status, "a system amends it too, by its id")
	require.Equal(t, "1", r.as(r.everything(), http.MethodGet, responses+"/"+kept, "").text("meta", "versionId"), "the other one is as it was")
	require.Equal(t, "2", r.as(r.everything(), http.MethodGet, responses+"?identifier="+portalSystem+"|"+identifier, "").text("total"))
}

// TestScopesSayWhatMayBeDone: nothing more than they name, whatever else they
// name.
func TestScopesSayWhatMayBeDone(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	refused := func(t *testing.T, a answer, scope string) {
		t.Helper()
		a.refused(http.StatusForbidden, "forbidden")
		require.Contains(t, a.header.Get("WWW-Authenticate"), `error="insufficient_scope"`)
		require.Contains(t, a.header.Get("WWW-Authenticate"), scope)
	}
	r.alone(t, "creating needs no reading, and gives the score that follows", func(t *testing.T, r *authRig) {
		token := r.token("system/QuestionnaireResponse.c", "")
		body := filledFor(oonaID, random())
		made := r.as(token, http.MethodPost, responses, body.json())
		require.Equal(t, http.StatusCreated, made.status, "%s", made.body)
		refused(t, r.as(token, http.MethodGet, responses+"/"+made.id(), ""), `scope="system/QuestionnaireResponse.r"`)
		require.Equal(t, http.StatusOK, r.as(r.everything(), http.MethodGet, scores+"/"+made.id(), "").status)
		require.Equal(t, http.StatusCreated, r.as(token, http.MethodPost, responses, body.json()).status, "a repetition is answered as the first time")
		body.status, body.itch = "amended", "7"
		refused(t, r.as(token, http.MethodPost, responses, body.json()), "system/QuestionnaireResponse.u")
		refused(t, r.as(token, http.MethodPost, responses, filledFor(oonaID, random()).json(), "If-None-Exist", "identifier=x"), "QuestionnaireResponse.cs")
		refused(t, r.as(token, http.MethodPost, responses, filledFor(oonaID, random()).json(), "X-Provenance", `{"resourceType":"Provenance"}`), "Provenance.c")
		require.Equal(t, "1", r.as(r.everything(), http.MethodGet, responses+"/"+made.id(), "").text("meta", "versionId"))
	})
	r.alone(t, "updating needs no creating, and creates nothing", func(t *testing.T, r *authRig) {
		identifier := random()
		id := r.keep(filledFor(oonaID, identifier))
		token := r.token("patient/QuestionnaireResponse.u", oonaID)
		body := filledFor(oonaID, identifier)
		refused(t, r.as(token, http.MethodPost, responses, body.json()), "QuestionnaireResponse.c")
		refused(t, r.as(token, http.MethodPut, responses+"?identifier="+identifier, body.json()), "QuestionnaireResponse.cus")
		body.id, body.status, body.itch = id, "amended", "7"
		require.Equal(t, http.StatusOK, r.as(token, http.MethodPut, responses+"/"+id, body.json()).status)
		refused(t, r.as(token, http.MethodDelete, responses+"/"+id, ""), "QuestionnaireResponse.d")
	})
	r.alone(t, "nothing is written about another patient, new or old", func(t *testing.T, r *authRig) {
		id := r.keep(filledFor(oonaID, random()))
		oona := r.token("patient/*.cruds", oonaID)
		refused(t, r.as(oona, http.MethodPost, responses, filledFor(casperID, random()).json()), "QuestionnaireResponse.c")
		moved := filledFor(casperID, random())
		moved.id, moved.status = id, "amended"
		refused(t, r.as(oona, http.MethodPut, responses+"/"+id, moved.json()), "QuestionnaireResponse.u")
		for _, subject := range []string{"https://elsewhere.example/fhir/Patient/" + oonaID, "urn:uuid:" + uuid.NewString(), "Group/" + oonaID} {
			body := filledFor(oonaID, random())
			body.patient = subject
			require.GreaterOrEqual(t, r.as(oona, http.MethodPost, responses, body.json()).status, 400, subject)
		}
		absolute := filledFor(oonaID, random())
		absolute.patient = r.base + "/Patient/" + oonaID
		require.Equal(t, http.StatusCreated, r.as(oona, http.MethodPost, responses, absolute.json()).status, "the same patient, by this base")
		refused(t, r.as(oona, http.MethodPost, "/fhir/Questionnaire/$process-response", filledFor(casperID, random()).json()), "QuestionnaireResponse.c")
	})
	r.alone(t, "each entry of a Bundle is held by itself", func(t *testing.T, r *authRig) {
		id := r.keep(filledFor(oonaID, random()))
		token := r.token("patient/QuestionnaireResponse.cr", oonaID)
		entries := `{"resource":` + filledFor(oonaID, "entry").json() + `,"request":{"method":"POST","url":"QuestionnaireResponse"}},` +
			`{"request":{"method":"DELETE","url":"QuestionnaireResponse/` + id + `"}},{"request":{"method":"GET","url":"Observation/` + id + `"}},` +
			`{"request":{"method":"GET","url":"QuestionnaireResponse/` + id + `"}},{"resource":` + filledFor(casperID, "entry").json() + `,"request":{"method":"POST","url":"QuestionnaireResponse"}}`
		r.as(token, http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"transaction","entry":[`+entries+`]}`).refused(http.StatusForbidden, "forbidden")
		require.Equal(t, "0", r.as(r.everything(), http.MethodGet, responses+"?identifier=entry", "").text("total"), "nothing was done")
		batch := r.as(token, http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"batch","entry":[`+entries+`]}`)
		for i, status := range []string{"201", "403", "403", "200", "403"} {
			require.Equal(t, status, batch.text("entry", i, "response", "status")[:3], "%d: %s", i, batch.body)
		}
		require.Equal(t, http.StatusOK, r.as(r.everything(), http.MethodGet, responses+"/"+id, "").status)
	})
	r.alone(t, "user/ grants nothing unless configured, patient/ nothing without a patient", func(t *testing.T, r *authRig) {
		for _, token := range []string{r.token("user/*.cruds", oonaID), r.token("patient/*.cruds", ""), r.token("openid fhirUser", oonaID)} {
			refused(t, r.as(token, http.MethodGet, scores, ""), "Observation.s")
		}
	})
	r.alone(t, "the audit trail is an auditor's", func(t *testing.T, r *authRig) {
		for _, token := range []string{r.everything(), r.token("patient/AuditEvent.rs", oonaID), r.token("system/AuditEvent.rs?category=x", "")} {
			refused(t, r.as(token, http.MethodGet, "/fhir/AuditEvent", ""), "AuditEvent")
		}
		id := r.keep(filledFor(oonaID, random()))
		trail := r.as(r.token("system/AuditEvent.rs", ""), http.MethodGet, "/fhir/AuditEvent?entity=QuestionnaireResponse/"+id, "")
		require.Equal(t, http.StatusOK, trail.status)
		require.Contains(t, string(trail.body), `"fernway-portal"`, "it says which client")
	})
	r.alone(t, "statements are kept and found by their patient", func(t *testing.T, r *authRig) {
		token := r.token("patient/QuestionnaireResponse.cd patient/Provenance.crs", oonaID)
		statement := `{"resourceType":"Provenance","recorded":"2026-03-04T19:30:00Z","agent":[{"who":{"display":"` + whoAnswered + `"}}]}`
		made := r.as(token, http.MethodPost, responses, filledFor(oonaID, random()).json(), "X-Provenance", statement)
		require.Equal(t, http.StatusCreated, made.status, "%s", made.body)
		query := "/fhir/Provenance?target=QuestionnaireResponse/" + made.id()
		found := r.as(token, http.MethodGet, query, "")
		require.Equal(t, "1", found.text("total"))
		require.Equal(t, http.StatusOK, r.as(token, http.MethodGet, "/fhir/Provenance/"+found.text("entry", 0, "resource", "id"), "").status)
		require.Equal(t, http.StatusNoContent, r.as(token, http.MethodDelete, responses+"/"+made.id(), "", "X-Provenance", statement).status)
		require.Equal(t, "2", r.as(token, http.MethodGet, query, "").text("total"))
		casper := r.token("patient/Provenance.crs", casperID)
		require.Equal(t, "0", r.as(casper, http.MethodGet, query, "").text("total"))
		r.as(casper, http.MethodGet, "/fhir/Provenance/"+found.text("entry", 0, "resource", "id"), "").refused(http.StatusNotFound, "not-found")
	})
	r.alone(t, "what is published is for any who may read it, and not for shared caches", func(t *testing.T, r *authRig) {
		form := "/fhir/Questionnaire/scorad-self-assessment"
		a := r.as(r.token("patient/Questionnaire.r", oonaID), http.MethodGet, form, "")
		require.Equal(t, http.StatusOK, a.status)
		require.Equal(t, "private, max-age=300", a.header.Get("Cache-Control"))
		refused(t, r.as(r.token("system/Questionnaire.r?code=x", ""), http.MethodGet, form, ""), "Questionnaire.r")
		refused(t, r.as(r.token("system/Observation.r", ""), http.MethodGet, form, ""), "Questionnaire.r")
	})
}

// TestScopesNarrowedByCategoryOrCode: the same resources by reading and by
// searching, and no count of the others.
func TestScopesNarrowedByCategoryOrCode(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	clinician := filledFor(oonaID, random())
	clinician.form, clinician.source = clinicianForm, "Practitioner/ilse-varnholt"
	kept := map[string]string{"self": r.keep(filledFor(oonaID, random())), "clinician": r.keep(clinician), "casper": r.keep(filledFor(casperID, random()))}
	const category, scorad = "http://terminology.hl7.org/CodeSystem/observation-category", "https://tidemark.example/fhir/CodeSystem/scorad"
	for scope, want := range map[string][]string{
		"system/Observation.rs?category=" + category + "|survey":                          {"self", "clinician", "casper"},
		"system/Observation.rs?category=" + category + "|exam":                            {"clinician"},
		"system/Observation.rs?category=exam":                                             {"clinician"},
		"system/Observation.rs?category=" + category + "|":                                {"self", "clinician", "casper"},
		"system/Observation.rs?category=|exam":                                            {},
		"system/Observation.rs?category=exam,laboratory":                                  {"clinician"},
		"system/Observation.rs?category=laboratory":                                       {},
		"system/Observation.rs?category=https://other.example|exam":                       {},
		"system/Observation.rs?code=" + scorad + "|scorad":                                {"self", "clinician", "casper"},
		"system/Observation.rs?code=scorad&category=exam":                                 {"clinician"},
		"system/Observation.rs?code=objective":                                            {},
		"patient/Observation.rs?category=exam":                                            {"clinician"},
		"patient/Observation.rs":                                                          {"self", "clinician"},
		"patient/Observation.rs system/Observation.rs?category=exam":                      {"self", "clinician"},
		"patient/Observation.rs?category=laboratory patient/Observation.rs?category=exam": {"clinician"},
		"patient/Observation.rs?category=laboratory system/Observation.rs?code=scorad":    {"self", "clinician", "casper"},
		"patient/Observation.rs?category=exam system/Observation.rs?category=survey":      {"self", "clinician", "casper"},
	} {
		r.alone(t, scope, func(t *testing.T, r *authRig) {
			token := r.token(scope, oonaID)
			found := r.as(token, http.MethodGet, scores, "")
			require.Equal(t, http.StatusOK, found.status, "%s", found.body)
			for name, id := range kept {
				permitted := false
				for _, each := range want {
					permitted = permitted || each == name
				}
				require.Equal(t, permitted, strings.Contains(string(found.body), id), "%s is found", name)
				for _, path := range []string{"", "/_history", "/_history/1"} {
					require.Equal(t, permitted, r.as(token, http.MethodGet, scores+"/"+id+path, "").status == http.StatusOK, "%s is read", name)
				}
			}
			require.Equal(t, len(want), found.count("entry"))
		})
	}
	r.alone(t, "responses have neither, so that nothing of them passes", func(t *testing.T, r *authRig) {
		token := r.token("patient/QuestionnaireResponse.crs?category=survey", oonaID)
		r.as(token, http.MethodGet, responses+"/"+kept["self"], "").refused(http.StatusNotFound, "not-found")
		require.Equal(t, "0", r.as(token, http.MethodGet, responses, "").text("total"))
		r.as(token, http.MethodPost, responses, filledFor(oonaID, random()).json()).refused(http.StatusForbidden, "forbidden")
	})
}

// TestRefusedTokensAreCountedAndNotLogged by reasons of a closed list.
func TestRefusedTokensAreCountedAndNotLogged(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	expired := r.token("system/*.rs", "", claims{"exp": 1_700_000_000})
	r.as(expired, http.MethodGet, scores, "").refused(http.StatusUnauthorized, "expired")
	r.as(r.token("system/Device.r", ""), http.MethodGet, scores, "").refused(http.StatusForbidden, "forbidden")
	r.get(scores).refused(http.StatusUnauthorized, "login")
	r.as(expired, http.MethodGet, "/fhir/nowhere", "").refused(http.StatusUnauthorized, "expired")
	r.as(r.everything(), http.MethodGet, "/fhir/nowhere", "").refused(http.StatusNotFound, "not-supported")
	families, err := r.metrics.Registry.Gather()
	require.NoError(t, err)
	counted := map[string]float64{}
	for _, family := range families {
		if family.GetName() == "tidemark_auth_refused_total" {
			for _, metric := range family.GetMetric() {
				counted[metric.GetLabel()[0].GetValue()] = metric.GetCounter().GetValue()
			}
		}
	}
	require.Equal(t, map[string]float64{string(auth.ReasonExpired): 2, string(auth.ReasonScope): 1, string(auth.ReasonMissing): 1}, counted)
	require.NotContains(t, r.log.String(), expired)
	require.NotContains(t, r.log.String(), "fernway-portal")
}

// TestOpenWithoutAToken: what a client must know before it can have one.
func TestOpenWithoutAToken(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	require.Equal(t, http.StatusOK, r.get("/fhir/metadata").status)
	require.Equal(t, "SMART-on-FHIR", r.get("/fhir/metadata").text("rest", 0, "security", "service", 0, "coding", 0, "code"))
	for _, accept := range []string{"application/json", "application/fhir+xml", "text/html"} {
		a := r.get("/fhir/.well-known/smart-configuration", "Accept", accept)
		require.Equal(t, http.StatusOK, a.status, accept)
		require.Equal(t, "application/json", a.header.Get("Content-Type"), "whatever is accepted")
		require.Equal(t, r.base+"/auth/token", a.text("token_endpoint"))
	}
	require.Equal(t, http.StatusNoContent, r.do(http.MethodOptions, scores, "").status)
	require.Equal(t, http.StatusOK, r.do(http.MethodHead, "/fhir/metadata", "").status)
	open := newRig(t)
	open.get("/fhir/.well-known/smart-configuration").refused(http.StatusNotFound, "not-supported")
}
