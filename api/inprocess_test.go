package api_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// record does one request without a network. Headers are name, value pairs; a
// body is sent as FHIR JSON unless a header says otherwise.
func record(t testing.TB, handler http.Handler, method, path, body string, headers ...string) answer {
	t.Helper()
	request := httptest.NewRequest(method, "http://tidemark.example/", strings.NewReader(body))
	target, query, _ := strings.Cut(path, "?")
	request.URL.Path, request.URL.RawQuery, request.RequestURI = target, query, path
	if body != "" {
		request.Header.Set("Content-Type", "application/fhir+json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, request)
	return answer{t: t, status: w.Code, header: w.Header(), body: w.Body.Bytes()}
}
