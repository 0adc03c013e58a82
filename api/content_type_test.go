package api_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
)

// notAPage holds an answer to be nothing that a browser would show as a page.
func notAPage(t *testing.T, what string, status int, h http.Header, body []byte) {
	t.Helper()
	require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), what)
	require.Equal(t, "default-src 'none'; frame-ancestors 'none'", h.Get("Content-Security-Policy"), what)
	require.Equal(t, "no-referrer", h.Get("Referrer-Policy"), what)
	require.NotEmpty(t, h.Get("Cache-Control"), what)
	if len(body) == 0 {
		return
	}
	kind, _, _ := strings.Cut(h.Get("Content-Type"), ";")
	require.Contains(t, []string{"application/fhir+json", "application/json", "text/json"}, kind, "%s: %d %s", what, status, body)
}

// TestNoRouteServesAPage: every route there is, found from the router, whatever
// it is asked with, answers in JSON that a browser neither runs nor guesses at.
func TestNoRouteServesAPage(t *testing.T) {
	t.Parallel()
	r := newRig(t, openCDS)
	page := `<div xmlns=\"http://www.w3.org/1999/xhtml\"><script>alert(1)</script></div>`
	sent := oona("page")
	sent.members = `,"text":{"status":"generated","div":"` + page + `"}`
	id := r.create(oona("page").json()).id()
	bodies := []string{"", sent.json(), oona("other").json(), "<html><script>alert(1)</script></html>", `{"resourceType":"Parameters"}`, hookCall("oona-thistledown"),
		`{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Observation"}}]}`}
	accepts := []string{"text/html", "application/xhtml+xml", "*/*", "application/json", "text/html, */*;q=0.1"}
	routes := api.New(api.Options{Store: r.store, BaseURL: r.base, CDS: &api.CDS{Open: true}}, api.NewMetrics()).Routes()
	require.Greater(t, len(routes), 60)
	seen := 0
	for _, route := range routes {
		path := strings.NewReplacer(":id", id, ":vid", "1").Replace(route.Path)
		for i, body := range bodies {
			if body != "" && !slices.Contains([]string{http.MethodPost, http.MethodPut}, route.Method) {
				continue
			}
			kind := "application/fhir+json"
			if strings.HasPrefix(body, "<") {
				kind = "text/html"
			}
			for _, query := range []string{"", "?_format=html", "?_format=json&patient=<script>alert(1)</script>", "?_pretty=true"} {
				a := r.do(route.Method, path+query, body, "Accept", accepts[i%len(accepts)], "Content-Type", kind)
				notAPage(t, route.Method+" "+path+query, a.status, a.header, a.body)
				seen++
			}
		}
	}
	for _, path := range []string{"/", "/index.html", "/fhir/<script>", "/fhir/Binary/1", "/favicon.ico"} {
		a := r.get(path, "Accept", "text/html")
		notAPage(t, path, a.status, a.header, a.body)
	}
	require.Greater(t, seen, 500)
	for _, path := range []string{responsePath + "/" + id, "/fhir/Observation/" + id, "/fhir/Observation?patient=oona-thistledown", "/fhir/Observation/none"} {
		require.Equal(t, "no-store", r.get(path).header.Get("Cache-Control"), "what is about a patient is kept by nobody on the way")
	}
}

func TestAdminServesNoPage(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	forms := r.server.FormsAdmin(config.Secret("an-invented-admin-token"))
	server := httptest.NewServer(api.Admin(r.store, r.metrics, forms.Mount))
	t.Cleanup(server.Close)
	for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
		for _, path := range []string{"/", "/metrics", "/healthz", "/readyz", "/Questionnaire", "/Questionnaire/x", "/<script>alert(1)</script>", "/debug/pprof/"} {
			request, err := http.NewRequest(method, server.URL+path, strings.NewReader("<html></html>"))
			require.NoError(t, err)
			request.Header.Set("Accept", "text/html")
			response, err := http.DefaultTransport.RoundTrip(request)
			require.NoError(t, err)
			body, err := io.ReadAll(response.Body)
			require.NoError(t, err)
			require.NoError(t, response.Body.Close())
			h := response.Header
			require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), path)
			require.Equal(t, "default-src 'none'; frame-ancestors 'none'", h.Get("Content-Security-Policy"))
			require.NotContains(t, h.Get("Content-Type"), "html", "%s %s: %s", method, path, body)
		}
	}
}
