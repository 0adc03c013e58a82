package api_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/questionnaire"
)

const (
	fhirJSON = "application/fhir+json; fhirVersion=4.0; charset=utf-8"
	appJSON  = "application/json; fhirVersion=4.0; charset=utf-8"
	textJSON = "text/json; fhirVersion=4.0; charset=utf-8"
)

func TestAnswersAreInTheTypeAccepted(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for accept, want := range map[string]string{
		"":                                       fhirJSON,
		"*/*":                                    fhirJSON,
		"application/*":                          fhirJSON,
		"text/*":                                 textJSON,
		"application/fhir+json":                  fhirJSON,
		"application/json":                       appJSON,
		"text/json":                              textJSON,
		"APPLICATION/FHIR+JSON":                  fhirJSON,
		"application/fhir+json;q=.5":             "",
		"application/fhir+json; fhirVersion=4.0": fhirJSON,
		`application/fhir+json;fhirVersion="4.0";charset="UTF-8"`:               fhirJSON,
		"application/fhir+json; fhirVersion=4.0.1":                              fhirJSON,
		"application/fhir+json;q=0.1, application/json;q=0.9":                   appJSON,
		"application/json, application/fhir+json":                               fhirJSON,
		"application/fhir+xml, */*;q=0.1":                                       fhirJSON,
		"text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8":       fhirJSON,
		"application/fhir+json;q=0, */*":                                        appJSON,
		"application/fhir+json; fhirVersion=5.0, application/json":              appJSON,
		"application/fhir+json; fhirVersion=3.0, application/fhir+json;q=0.001": fhirJSON,
		`application/x;note="a, */*", text/json`:                                textJSON,
		"nonsense, application/json":                                            appJSON,
		"application/fhir+json; fhirVersion=5.0":                                "",
		"application/fhir+json; fhirVersion=4.3":                                "",
		"application/fhir+json; fhirVersion=3.0":                                "",
		"application/fhir+json; charset=iso-8859-1":                             "",
		"application/fhir+xml":                                                  "",
		"application/xml":                                                       "",
		"text/turtle":                                                           "",
		"application/fhir+json;q=0":                                             "",
		"*/*;q=0":                                                               "",
		"application/json;q=1.001":                                              "",
		"application/json;q=0.0001":                                             "",
		"application/json;q=x":                                                  "",
		"nonsense":                                                              "",
	} {
		r.run(t, "Accept "+accept, func(t *testing.T, r *rig) {
			a := r.get("/fhir/Device/tidemark-1.0.0", "Accept", accept)
			if want == "" {
				a.refused(http.StatusNotAcceptable, "not-supported")
				return
			}
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, want, a.header.Get("Content-Type"))
			require.Equal(t, "Accept, Accept-Encoding", a.header.Get("Vary"))
		})
	}
	r.run(t, "several Accept lines are one list", func(t *testing.T, r *rig) {
		request, err := http.NewRequest(http.MethodGet, r.base+"/metadata", nil)
		require.NoError(t, err)
		request.Header["Accept"] = []string{"application/fhir+xml", "text/json"}
		response, err := transport.RoundTrip(request)
		require.NoError(t, err)
		defer response.Body.Close()
		require.Equal(t, textJSON, response.Header.Get("Content-Type"))
	})
}

func TestFormatParameterOverridesAccept(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for format, want := range map[string]string{
		"":                          fhirJSON,
		"json":                      fhirJSON,
		"application/json":          appJSON,
		"text/json":                 textJSON,
		"application/fhir+json":     fhirJSON,
		"application%2Ffhir%2Bjson": fhirJSON,
		url.QueryEscape("application/fhir+json; fhirVersion=4.0"): fhirJSON,
		url.QueryEscape("application/fhir+json; fhirVersion=5.0"): "",
		"xml":                  "",
		"application/fhir+xml": "",
		"application/xml":      "",
		"text/xml":             "",
		"ttl":                  "",
		"text/turtle":          "",
		"html":                 "",
		"JSON":                 "",
	} {
		r.run(t, "_format="+format, func(t *testing.T, r *rig) {
			accept := "application/fhir+xml"
			if format == "" {
				accept = "" // an empty parameter says nothing
			}
			a := r.get("/fhir/metadata?_format="+format, "Accept", accept)
			if want == "" {
				a.refused(http.StatusNotAcceptable, "not-supported")
				require.Contains(t, a.text("issue", 0, "details", "text"), "XML is not offered")
				return
			}
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, want, a.header.Get("Content-Type"))
		})
	}
	r.run(t, "it says nothing of the body sent", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir/QuestionnaireResponse?_format=json", "<x/>", "Content-Type", "application/fhir+xml").
			refused(http.StatusUnsupportedMediaType, "not-supported")
	})
	r.run(t, "a query that cannot be read is refused", func(t *testing.T, r *rig) {
		r.get("/fhir/metadata?_format=application/fhir+json;fhirVersion=4.0").refused(http.StatusBadRequest, "value")
	})
}

func TestBodiesAreTakenByType(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for media, want := range map[string]int{
		"application/fhir+json":                http.StatusOK,
		"application/json":                     http.StatusOK,
		"text/json":                            http.StatusOK,
		"application/fhir+json; charset=utf-8": http.StatusOK,
		"application/fhir+json;charset=UTF-8;fhirVersion=4.0": http.StatusOK,
		"application/fhir+json; fhirVersion=4.0.1":            http.StatusOK,
		"application/fhir+json; fhirVersion=3.0":              http.StatusUnsupportedMediaType,
		"application/fhir+json; fhirVersion=4.3":              http.StatusUnsupportedMediaType,
		"application/fhir+json; fhirVersion=5.0":              http.StatusUnsupportedMediaType,
		"application/fhir+json; charset=latin1":               http.StatusUnsupportedMediaType,
		"application/fhir+json; charset":                      http.StatusUnsupportedMediaType,
		"application/fhir+xml":                                http.StatusUnsupportedMediaType,
		"application/x-www-form-urlencoded":                   http.StatusUnsupportedMediaType,
		"text/plain":                                          http.StatusUnsupportedMediaType,
		"":                                                    http.StatusUnsupportedMediaType,
	} {
		r.run(t, "Content-Type "+media, func(t *testing.T, r *rig) {
			a := r.do(http.MethodPost, "/fhir/QuestionnaireResponse/$extract", oona("a").json(), "Content-Type", media)
			if want != http.StatusOK {
				a.refused(want, "not-supported")
				return
			}
			require.Equal(t, want, a.status, "%s", a.body)
		})
	}
	r.run(t, "two versions in one request are refused", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir/QuestionnaireResponse/$extract", oona("a").json(),
			"Content-Type", "application/fhir+json; fhirVersion=4.0", "Accept", "application/fhir+json; fhirVersion=5.0").
			refused(http.StatusNotAcceptable, "not-supported")
	})
}

// tokens are the lexical parts of JSON, each as it was written.
var tokens = regexp.MustCompile(`"(?:[^"\\]|\\.)*"|-?[0-9][-+.0-9eE]*|true|false|null|[\[\]{}:,]`)

func TestPretty(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(strings.Replace(oona("pretty").json(), `"valueDecimal":6`, `"valueDecimal":6.0`, 1)).id()
	for _, path := range []string{"/fhir/QuestionnaireResponse/" + id, "/fhir/Observation?_id=" + id, "/fhir/metadata", "/fhir/Questionnaire/scorad-self-assessment", "/fhir/Observation/none"} {
		r.run(t, path+" is laid out and says the same", func(t *testing.T, r *rig) {
			mark := "?"
			if strings.Contains(path, "?") {
				mark = "&"
			}
			plain, pretty := r.get(path), r.get(path+mark+"_pretty=true")
			require.Equal(t, plain.status, pretty.status)
			require.Contains(t, string(pretty.body), "{\n  \"")
			if !strings.Contains(path, "?") { // a search names its own URL and time
				require.Equal(t, tokens.FindAllString(string(plain.body), -1), tokens.FindAllString(string(pretty.body), -1))
			}
			require.True(t, json.Valid(pretty.body))
		})
	}
	r.run(t, "_pretty=false changes nothing", func(t *testing.T, r *rig) {
		require.Equal(t, r.get("/fhir/Observation/"+id).body, r.get("/fhir/Observation/"+id+"?_pretty=false").body)
		require.NotContains(t, string(r.get("/fhir/Observation/"+id+"?_pretty=").body), "\n")
	})
	r.run(t, "another value is refused", func(t *testing.T, r *rig) {
		r.get("/fhir/Observation/"+id+"?_pretty=1").refused(http.StatusBadRequest, "value")
	})
	r.run(t, "numbers keep their digits", func(t *testing.T, r *rig) {
		require.Contains(t, string(r.get("/fhir/QuestionnaireResponse/"+id+"?_pretty=true").body), `"valueDecimal": 6.0`)
	})
}

func zipped(t testing.TB, text string) string {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	_, err := w.Write([]byte(text))
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return b.String()
}

func unzipped(t testing.TB, body []byte) string {
	t.Helper()
	reader, err := gzip.NewReader(bytes.NewReader(body))
	require.NoError(t, err)
	text, err := io.ReadAll(reader)
	require.NoError(t, err)
	return string(text)
}

func TestAnswersAreCompressedOnRequest(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("zip").json()).id()
	long, short := "/fhir/Observation/"+id, "/fhir/Observation/none"
	for _, test := range []struct {
		path, accept string
		gzip         bool
	}{
		{long, "gzip", true}, {long, "x-gzip", true}, {long, "GZIP", true}, {long, "br, gzip;q=0.5", true}, {long, "*", true},
		{long, "gzip;q=1.0, identity; q=0.5, *;q=0", true}, {long, "identity;q=0, gzip;q=0.1", true},
		{long, "", false}, {long, "identity", false}, {long, "br", false}, {long, "gzip;q=0", false},
		{long, "gzip;q=0.5, identity", false}, {long, "*;q=0.5, gzip;q=0", false}, {long, "gzip;q=x", false},
		{short, "gzip", false}, {short, "gzip, identity;q=0", true}, {short, "gzip, *;q=0", true},
	} {
		r.run(t, test.path+" with "+test.accept, func(t *testing.T, r *rig) {
			plain := r.get(test.path)
			a := r.get(test.path, "Accept-Encoding", test.accept)
			require.Equal(t, plain.status, a.status)
			require.Contains(t, a.header.Get("Vary"), "Accept-Encoding")
			if !test.gzip {
				require.Empty(t, a.header.Get("Content-Encoding"))
				require.Equal(t, plain.body, a.body)
				return
			}
			require.Equal(t, "gzip", a.header.Get("Content-Encoding"))
			require.Equal(t, string(plain.body), unzipped(t, a.body))
			require.Equal(t, plain.header.Get("ETag"), a.header.Get("ETag"), "a weak tag is that of both")
		})
	}
	r.run(t, "neither gzip nor plain is refused", func(t *testing.T, r *rig) {
		r.get(long, "Accept-Encoding", "br, identity;q=0").refused(http.StatusNotAcceptable, "not-supported")
		r.get(long, "Accept-Encoding", "*;q=0").refused(http.StatusNotAcceptable, "not-supported")
	})
	r.run(t, "errors too, and laid out", func(t *testing.T, r *rig) {
		broken := oona("zip2")
		broken.itch, broken.grades = "11", "2"
		a := r.do(http.MethodPost, "/fhir/QuestionnaireResponse?_pretty=true", broken.json(), "Accept-Encoding", "gzip", "Accept", "application/json")
		require.Equal(t, http.StatusUnprocessableEntity, a.status)
		require.Equal(t, appJSON, a.header.Get("Content-Type"))
		require.Contains(t, unzipped(t, a.body), "\n  \"resourceType\": \"OperationOutcome\"")
	})
	r.run(t, "published forms are compressed and the same", func(t *testing.T, r *rig) {
		for _, p := range questionnaire.All() {
			path := "/fhir/" + p.Type + "/" + p.ID
			a := r.get(path, "Accept-Encoding", "gzip, identity;q=0")
			require.Equal(t, string(p.JSON), unzipped(t, a.body))
			pretty := r.get(path+"?_pretty=true", "Accept-Encoding", "gzip, identity;q=0")
			require.JSONEq(t, string(p.JSON), unzipped(t, pretty.body))
		}
	})
	r.run(t, "HEAD has the headers of the compressed answer", func(t *testing.T, r *rig) {
		get, head := r.get(long, "Accept-Encoding", "gzip"), r.do(http.MethodHead, long, "", "Accept-Encoding", "gzip")
		require.Equal(t, get.header.Get("Content-Length"), head.header.Get("Content-Length"))
		require.Equal(t, "gzip", head.header.Get("Content-Encoding"))
		require.Empty(t, head.body)
	})
}

func TestCompressedBodies(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) { o.MaxBody = 1 << 20 })
	const path = "/fhir/QuestionnaireResponse"
	post := func(r *rig, body string, headers ...string) answer {
		return r.do(http.MethodPost, path, body, append([]string{"Content-Encoding", "gzip"}, headers...)...)
	}
	body := zipped(t, oona("in").json())
	r.run(t, "are taken like others", func(t *testing.T, r *rig) {
		require.Equal(t, http.StatusCreated, post(r, body).status)
		require.Equal(t, http.StatusCreated, post(r, zipped(t, oona("in2").json()), "Content-Encoding", "x-gzip").status)
		require.Equal(t, http.StatusCreated, post(r, oona("in3").json(), "Content-Encoding", "identity").status)
	})
	r.run(t, "may come in parts", func(t *testing.T, r *rig) {
		text := oona("in4").json()
		require.Equal(t, http.StatusCreated, post(r, zipped(t, text[:100])+zipped(t, text[100:])).status)
	})
	for _, coding := range []string{"br", "deflate", "gzip, gzip", "gzip,br", "zstd", "none"} {
		r.run(t, coding+" is refused", func(t *testing.T, r *rig) {
			post(r, body, "Content-Encoding", coding).refused(http.StatusUnsupportedMediaType, "not-supported")
		})
	}
	for name, broken := range map[string]string{
		"plain text": oona("in5").json(), "cut off": body[:len(body)-12], "without its end": body[:len(body)-4],
		"a changed byte": body[:60] + string(body[60]^0x55) + body[61:], "a wrong sum": body[:len(body)-8] + "\x00\x00\x00\x00" + body[len(body)-4:],
		"the head alone": body[:5], "rubbish behind": body + "rubbish",
	} {
		r.run(t, name+" is refused", func(t *testing.T, r *rig) { post(r, broken).refused(http.StatusBadRequest, "structure") })
	}
	r.run(t, "nothing at all is refused", func(t *testing.T, r *rig) {
		post(r, zipped(t, "")).refused(http.StatusBadRequest, "structure")
	})
	r.run(t, "too large when unpacked is refused", func(t *testing.T, r *rig) {
		var numbers strings.Builder
		for i := range 300_000 {
			numbers.WriteString(strings.Repeat("x", i%7) + string(rune('a'+i*i%23)))
		}
		text := `{"resourceType":"QuestionnaireResponse","language":"` + numbers.String() + `"}`
		small := zipped(t, text)
		require.Less(t, len(small)*20, len(text)*19)
		require.Greater(t, len(text), 1<<20)
		require.Less(t, len(small), 1<<20)
		post(r, small).refused(http.StatusRequestEntityTooLarge, "too-long")
	})
	r.run(t, "compressed beyond all measure is refused early", func(t *testing.T, r *rig) {
		text := `{"resourceType":"QuestionnaireResponse","language":"` + strings.Repeat("x", 1<<19) + `"}`
		small := zipped(t, text)
		require.Greater(t, len(text), 200*len(small))
		a := post(r, small)
		a.refused(http.StatusRequestEntityTooLarge, "too-long")
		require.Contains(t, a.text("issue", 0, "details", "text"), "compressed further")
	})
	r.run(t, "hundreds of like responses are not too much", func(t *testing.T, r *rig) {
		var entries []string
		for range 400 {
			entries = append(entries, `{"request":{"method":"POST","url":"QuestionnaireResponse"},"resource":`+oona("many").json()+`}`)
		}
		text := `{"resourceType":"Bundle","type":"batch","entry":[` + strings.Join(entries, ",") + `]}`
		require.Greater(t, len(text), 1<<19)
		require.Equal(t, http.StatusOK, r.do(http.MethodPost, "/fhir", zipped(t, text), "Content-Encoding", "gzip").status)
	})
	r.run(t, "chunked is taken", func(t *testing.T, r *rig) {
		request, err := http.NewRequest(http.MethodPost, r.origin+path, io.MultiReader(strings.NewReader(zipped(t, oona("in6").json()))))
		require.NoError(t, err)
		request.Header.Set("Content-Type", "application/fhir+json")
		request.Header.Set("Content-Encoding", "gzip")
		response, err := transport.RoundTrip(request)
		require.NoError(t, err)
		defer response.Body.Close()
		require.Equal(t, http.StatusCreated, response.StatusCode)
	})
}

func TestOptionsAndAllow(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("options").json()).id()
	for path, want := range map[string]string{
		"/fhir":                                   "POST, OPTIONS",
		"/fhir/metadata":                          "GET, HEAD, OPTIONS",
		"/fhir/Observation/" + id:                 "GET, HEAD, OPTIONS",
		"/fhir/QuestionnaireResponse":             "POST",
		"/fhir/QuestionnaireResponse/" + id:       "PUT",
		"/fhir/QuestionnaireResponse/$extract":    "POST, OPTIONS",
		"/fhir/Observation/" + id + "/_history/1": "GET, HEAD, OPTIONS",
	} {
		r.run(t, "OPTIONS "+path, func(t *testing.T, r *rig) {
			a := r.do(http.MethodOptions, path, "", "Accept", "application/fhir+xml")
			require.Equal(t, http.StatusNoContent, a.status)
			require.Empty(t, a.body)
			require.Contains(t, a.header.Get("Allow"), want)
			require.Contains(t, a.header.Get("Allow"), "OPTIONS")
		})
		r.run(t, "PATCH "+path+" says what the path takes", func(t *testing.T, r *rig) {
			a := r.do("TRACE", path, "")
			a.refused(http.StatusMethodNotAllowed, "not-supported")
			require.Contains(t, a.header.Get("Allow"), want)
		})
	}
	r.run(t, "OPTIONS where nothing is", func(t *testing.T, r *rig) {
		r.do(http.MethodOptions, "/fhir/Patient", "").refused(http.StatusNotFound, "not-supported")
		r.do(http.MethodOptions, "/fhir/Observation/$nothing", "").refused(http.StatusNotFound, "not-supported")
	})
}

func TestCORS(t *testing.T) {
	t.Parallel()
	const portal = "https://fernway-portal.example"
	r := newRig(t, func(o *api.Options) { o.CORSOrigins = []string{portal, "http://localhost:3000"} })
	closed := newRig(t)
	r.run(t, "a page of a listed origin may read", func(t *testing.T, r *rig) {
		a := r.get("/fhir/metadata", "Origin", portal)
		require.Equal(t, portal, a.header.Get("Access-Control-Allow-Origin"))
		for _, name := range []string{"ETag", "Location", "Last-Modified", "Content-Location", "X-Request-Id"} {
			require.Contains(t, a.header.Get("Access-Control-Expose-Headers"), name)
		}
		require.Equal(t, []string{"Origin", "Accept, Accept-Encoding"}, a.header.Values("Vary"))
		require.Empty(t, a.header.Get("Access-Control-Allow-Credentials"))
	})
	r.run(t, "and read what was refused", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation/none", "Origin", portal)
		a.refused(http.StatusNotFound, "not-found")
		require.Equal(t, portal, a.header.Get("Access-Control-Allow-Origin"))
	})
	r.run(t, "and ask before it sends", func(t *testing.T, r *rig) {
		a := r.do(http.MethodOptions, "/fhir/QuestionnaireResponse", "", "Origin", portal, "Access-Control-Request-Method", "POST", "Access-Control-Request-Headers", "content-type,prefer")
		require.Equal(t, http.StatusNoContent, a.status)
		require.Equal(t, portal, a.header.Get("Access-Control-Allow-Origin"))
		require.Contains(t, a.header.Get("Access-Control-Allow-Methods"), "POST")
		for _, name := range []string{"Authorization", "Content-Type", "Prefer", "If-Match", "If-None-Match", "If-None-Exist"} {
			require.Contains(t, a.header.Get("Access-Control-Allow-Headers"), name)
		}
		require.NotEmpty(t, a.header.Get("Access-Control-Max-Age"))
	})
	for name, origin := range map[string]string{
		"another": "https://other.example", "a longer": portal + ".evil.example", "another scheme": "http://fernway-portal.example",
		"null": "null", "another case": "https://FERNWAY-portal.example", "none": "",
	} {
		r.run(t, name+" origin is told nothing", func(t *testing.T, r *rig) {
			for _, a := range []answer{
				r.get("/fhir/metadata", "Origin", origin),
				r.do(http.MethodOptions, "/fhir/metadata", "", "Origin", origin, "Access-Control-Request-Method", "GET"),
			} {
				require.Empty(t, a.header.Get("Access-Control-Allow-Origin"))
				require.Contains(t, a.header.Values("Vary"), "Origin", "or a cache would give one origin's answer to another")
			}
		})
	}
	closed.run(t, "without a list no origin may", func(t *testing.T, r *rig) {
		a := r.get("/fhir/metadata", "Origin", portal)
		require.Empty(t, a.header.Get("Access-Control-Allow-Origin"))
		require.NotContains(t, a.header.Values("Vary"), "Origin")
	})
}

func TestRequestIDs(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "are echoed where they are UUIDs or trace ids", func(t *testing.T, r *rig) {
		for _, id := range []string{"0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d", "0B1E5A6C-7D2F-4C3B-9A18-5E6F7A8B9C0D", "4bf92f3577b34da6a3ce929d0e0e4736"} {
			a := r.get("/fhir/metadata", "X-Request-Id", id)
			require.Equal(t, id, a.header.Get("X-Request-Id"))
			require.Empty(t, a.header.Get("X-Correlation-Id"))
		}
	})
	r.run(t, "are replaced where there is room for a patient in them, and come back beside ours", func(t *testing.T, r *rig) {
		for _, id := range []string{"oona-thistledown-2021-03-04", "OONA.THISTLEDOWN", "portal-17", "0b1e5a6c7-d2f-4c3b-9a18-5e6f7a8b9c0d", "0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9cxd"} {
			a := r.get("/fhir/metadata", "X-Request-Id", id)
			require.Equal(t, id, a.header.Get("X-Correlation-Id"))
			require.Regexp(t, `^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`, a.header.Get("X-Request-Id"))
			require.NotContains(t, r.log.String(), id)
		}
	})
	r.run(t, "come back beside ours when they cannot be one", func(t *testing.T, r *rig) {
		a := r.get("/fhir/metadata", "X-Request-Id", "portal 17")
		require.Equal(t, "portal 17", a.header.Get("X-Correlation-Id"))
		require.NotEmpty(t, a.header.Get("X-Request-Id"))
		require.NotContains(t, r.log.String(), "portal 17")
	})
	r.run(t, "and are dropped when too long", func(t *testing.T, r *rig) {
		require.Empty(t, r.get("/fhir/metadata", "X-Request-Id", strings.Repeat("x", 201)).header.Get("X-Correlation-Id"))
	})
}
