package test_test

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	otlp "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"

	"tidemark.example/tidemark/fhir/sandbox"
)

// spans is an OpenTelemetry collector (OTLP over HTTP) that keeps what it is sent.
type spans struct {
	*httptest.Server

	mu  sync.Mutex
	all []*otlp.Span
	raw bytes.Buffer
}

func newSpans(t *testing.T) *spans {
	t.Helper()
	s := &spans{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		var sent collector.ExportTraceServiceRequest
		if err != nil || r.URL.Path != "/v1/traces" || proto.Unmarshal(body, &sent) != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.raw.Write(body)
		for _, of := range sent.GetResourceSpans() {
			for _, scope := range of.GetScopeSpans() {
				s.all = append(s.all, scope.GetSpans()...)
			}
		}
	}))
	t.Cleanup(s.Close)
	return s
}

// of are the spans of a trace by their ids.
func (s *spans) of(traceID string) map[string]*otlp.Span {
	s.mu.Lock()
	defer s.mu.Unlock()
	found := map[string]*otlp.Span{}
	for _, each := range s.all {
		if hex.EncodeToString(each.GetTraceId()) == traceID {
			found[hex.EncodeToString(each.GetSpanId())] = each
		}
	}
	return found
}

// lineage are the names of the spans from one up to that of its caller.
func lineage(spans map[string]*otlp.Span, from *otlp.Span) (names []string, above string) {
	for from != nil {
		names = append(names, from.GetName())
		above = hex.EncodeToString(from.GetParentSpanId())
		from = spans[above]
	}
	return names, above
}

// heard is a hospital that remembers the traceparents of what it was sent.
type heard struct {
	*sandbox.Server
	mu     sync.Mutex
	header []http.Header
}

// ServeHTTP implements http.Handler.
func (h *heard) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	h.header = append(h.header, r.Header.Clone())
	h.mu.Unlock()
	h.Server.ServeHTTP(w, r)
}

// saidOf are the attributes of a span that are text.
func saidOf(span *otlp.Span) map[string]string {
	said := map[string]string{}
	for _, attribute := range span.GetAttributes() {
		said[attribute.GetKey()] = attribute.GetValue().GetStringValue()
	}
	return said
}

// attentive is a portal that subscribed, and remembers the headers of what it was
// told.
type attentive struct {
	*subscriber
	heard
}

func newAttentive(t *testing.T) *attentive {
	t.Helper()
	l := &attentive{subscriber: newSubscriber(t, 1)}
	l.kind = true
	l.web = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		l.heard.mu.Lock()
		l.header = append(l.header, r.Header.Clone())
		l.heard.mu.Unlock()
		l.subscriber.ServeHTTP(w, r)
	}))
	t.Cleanup(l.web.Close)
	return l
}

// told says whether it was told of anything of a trace.
func (l *attentive) told(traceID string) bool {
	l.heard.mu.Lock()
	defer l.heard.mu.Unlock()
	return slices.ContainsFunc(l.header, func(h http.Header) bool { return strings.Contains(h.Get("Traceparent"), traceID) })
}

// sends makes a request with headers, as name, value.
func sends(t *testing.T, method, url string, body []byte, headers ...string) (int, string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, url, bytes.NewReader(body))
	require.NoError(t, err)
	request.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	response, err := client.Do(request)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return response.StatusCode, string(text)
}

// TestOneTraceToTheChart: a portal's trace goes on through the request and the
// delivery of the score into the hospital's server, and through the notification to
// who subscribed; the log and the metrics lead to it, and nothing else of the portal's headers is passed on.
func TestOneTraceToTheChart(t *testing.T) {
	t.Parallel()
	const traceID, caller = "0af7651916cd43dd8448eb211c80319c", "b7ad6b7169203331"
	for name, recorded := range map[string]bool{"with a collector": true, "without": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			told, hospital := newSpans(t), &heard{Server: sandbox.New(sandbox.Options{})}
			web := httptest.NewServer(hospital)
			t.Cleanup(web.Close)
			settings := append([]string{"TIDEMARK_EHR_URL=" + web.URL + "/fhir"}, subscriberSettings...)
			if recorded {
				settings = append(settings, "TIDEMARK_TRACES="+told.URL)
			}
			s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), settings...)
			portal := newAttentive(t)
			portal.begins(t, s.fhir)
			status, text := sends(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("traced", "6"),
				"Traceparent", "00-"+traceID+"-"+caller+"-01", "Tracestate", "portal=oona", "Baggage", "patient=oona", "X-Request-Id", traceID)
			require.Equal(t, http.StatusCreated, status, text)
			require.Eventually(t, func() bool { return len(hospital.Current("Observation")) == 1 }, patience, 20*time.Millisecond)
			parents := hospital.traced(t, traceID)
			require.Eventually(t, func() bool { return portal.told(traceID) }, patience, 20*time.Millisecond)
			toldBy := portal.traced(t, traceID)
			require.Regexp(t, `"msg":"request".*"request_id":"`+traceID+`".*"trace_id":"`+traceID+`"`, s.log.String())
			require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_delay_seconds_count", "") == 1 }, patience, 20*time.Millisecond)
			_, text = sends(t, http.MethodGet, s.admin+"/metrics", nil, "Accept", "application/openmetrics-text; version=1.0.0")
			for _, slow := range []string{"tidemark_http_request_duration_seconds", "tidemark_writeback_delay_seconds"} {
				require.Regexp(t, regexp.MustCompile(slow+`_bucket\{.*# \{trace_id="`+traceID+`"\}`), text, "an exemplar of it")
			}
			require.Equal(t, 0, s.stop(), "%s", s.log)
			found := told.of(traceID)
			if !recorded {
				require.Equal(t, map[string]bool{caller: true}, parents, "the hospital hears of the portal's span")
				require.Equal(t, map[string]bool{caller: true}, toldBy, "and so does who subscribed")
				require.Empty(t, found)
				return
			}
			for parent := range toldBy {
				names, above := lineage(found, found[parent])
				require.Equal(t, []string{"notify", "POST /fhir/QuestionnaireResponse"}, names)
				require.Equal(t, caller, above)
				require.Subset(t, saidOf(found[parent]), map[string]string{"tidemark.outcome": "accepted"})
			}
			for parent := range parents {
				names, above := lineage(found, found[parent])
				require.Len(t, names, 3, parent)
				require.Equal(t, []string{"deliver", "POST /fhir/QuestionnaireResponse"}, names[1:])
				require.Subset(t, saidOf(found[hex.EncodeToString(found[parent].GetParentSpanId())]), map[string]string{"tidemark.target": "ehr", "tidemark.outcome": "delivered", "tidemark.fault": "none"})
				require.Contains(t, names[0], "request ")
				require.Equal(t, caller, above)
			}
		})
	}
}

// traced holds what the hospital was sent of a score to the trace, and gives the
// spans that sent it.
func (h *heard) traced(t *testing.T, traceID string) map[string]bool {
	t.Helper()
	h.mu.Lock()
	defer h.mu.Unlock()
	parents := map[string]bool{}
	for _, header := range h.header {
		require.Empty(t, header.Values("Tracestate"))
		require.Empty(t, header.Values("Baggage"))
		if part := strings.Split(header.Get("Traceparent"), "-"); len(part) == 4 && part[1] == traceID {
			parents[part[2]] = true
		}
	}
	require.NotEmpty(t, parents)
	return parents
}

// marks are put into everything that can be sent, and nothing that the program
// tells of itself may hold one.
var marks = []string{"Xanthippe", "quillwort", "4711-secret-id", "1987-06-05", "token-of-zebulon", "hedgerow"}

// marked is a response with a mark in each of its fields.
func marked(identifier string) []byte {
	var response map[string]any
	if json.Unmarshal(oona(identifier+" 4711-secret-id", "6"), &response) != nil {
		return nil
	}
	name := map[string]any{"reference": "Patient/Xanthippe-" + identifier, "display": "Xanthippe quillwort",
		"identifier": map[string]any{"system": "https://hedgerow.example/mrn", "value": "4711-secret-id"}}
	response["subject"] = name
	response["text"] = map[string]any{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml">Xanthippe, born 1987-06-05</div>`}
	response["extension"] = []any{map[string]any{"url": "https://hedgerow.example/born", "valueDate": "1987-06-05"}}
	body, err := json.Marshal(response)
	if err != nil {
		return nil
	}
	return body
}

// TestNothingSentIsTold floods the program with marked values (a name of an element
// is none: the error says which is unknown), well and badly
// formed, and finds none of them in its log, metrics, traces and errors.
func TestNothingSentIsTold(t *testing.T) {
	t.Parallel()
	told, moody := newSpans(t), newMoody(t)
	s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), append(subscriberSettings, "TIDEMARK_TRACES="+told.URL, "TIDEMARK_EHR_URL="+moody.URL+"/fhir")...)
	newAttentive(t).begins(t, s.fhir)
	headers := []string{"Authorization", "Bearer token-of-zebulon", "X-Request-Id", "Xanthippe", "Tracestate", "hedgerow=Xanthippe", "Baggage", "name=Xanthippe",
		"Traceparent", "00-Xanthippe-quillwort-01", "User-Agent", "hedgerow/1", "Referer", "https://hedgerow.example/Xanthippe", "Forwarded", "for=hedgerow",
		"If-None-Exist", "identifier=https://hedgerow.example/mrn|4711-secret-id", "Prefer", "return=hedgerow"}
	var errors strings.Builder
	refused := func(method, path string, body []byte) {
		status, text := sends(t, method, s.fhir+path, body, headers...)
		if status >= 400 {
			fmt.Fprintln(&errors, text)
		}
	}
	for i := range 5 {
		status, text := sends(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", marked(fmt.Sprint(i)), headers[:14]...)
		require.Equal(t, http.StatusCreated, status, text)
		whole := string(marked(fmt.Sprint("bad-", i)))
		for _, bad := range []string{
			strings.Replace(whole, `"moderate"`, `"Xanthippe"`, 1), strings.Replace(whole, `"completed"`, `"quillwort"`, 1), strings.Replace(whole, "intensity.erythema", "Xanthippe", 1),
			strings.Replace(whole, `"valueDecimal":6`, `"valueString":"1987-06-05"`, 1), strings.Replace(whole, `"subject"`, `"nickname":"Xanthippe","subject"`, 1), whole[:len(whole)/2], whole + "Xanthippe",
		} {
			refused(http.MethodPost, "/QuestionnaireResponse", []byte(bad))
			refused(http.MethodPost, "", []byte(`{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"POST","url":"QuestionnaireResponse/Xanthippe"},"resource":`+whole+`}]}`))
		}
		for _, path := range []string{"/Observation/Xanthippe", "/Patient/4711-secret-id", "/Observation?patient=Xanthippe&date=1987-06-05x", "/Observation?nickname=quillwort", "/hedgerow/Xanthippe/_history/4711-secret-id", "/Task/Xanthippe"} {
			refused(http.MethodGet, path, nil)
			refused(http.MethodPut, path, marked("put"))
		}
		refused("XANTHIPPE", "/metadata", nil)
	}
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_notifications_total", "event-notification") > 0 }, patience, 20*time.Millisecond)
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_parked", "") == 5 }, patience, 20*time.Millisecond)
	_, plain := sends(t, http.MethodGet, s.admin+"/metrics", nil)
	_, open := sends(t, http.MethodGet, s.admin+"/metrics", nil, "Accept", "application/openmetrics-text; version=1.0.0")
	require.Equal(t, 0, s.stop())
	told.mu.Lock()
	defer told.mu.Unlock()
	require.Greater(t, len(told.all), 100)
	require.Greater(t, strings.Count(errors.String(), `"OperationOutcome"`), 80)
	require.Greater(t, strings.Count(s.log.String(), `"trace_id"`), 100)
	for what, text := range map[string]string{"log": s.log.String(), "metrics": plain, "OpenMetrics": open, "traces": told.raw.String(), "errors": errors.String()} {
		for _, mark := range marks {
			require.NotContains(t, strings.ToLower(text), strings.ToLower(mark), what)
		}
	}
}
