package tracing_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/protobuf/proto"

	"tidemark.example/tidemark/api/tracing"
)

// The machine's own settings of OpenTelemetry are not those of these tests.
func TestMain(m *testing.M) {
	for _, setting := range os.Environ() {
		if name, _, _ := strings.Cut(setting, "="); strings.HasPrefix(name, "OTEL_") {
			_ = os.Unsetenv(name) // it is there
		}
	}
	os.Exit(m.Run())
}

// told runs what makes spans, with a provider of a share, and gives what a
// collector was told by its end.
func told(t *testing.T, share float64, run func(trace.Tracer)) *collector.ExportTraceServiceRequest {
	t.Helper()
	var mu sync.Mutex
	all := &collector.ExportTraceServiceRequest{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		var sent collector.ExportTraceServiceRequest
		if err != nil || proto.Unmarshal(body, &sent) != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		all.ResourceSpans = append(all.ResourceSpans, sent.GetResourceSpans()...)
	}))
	t.Cleanup(server.Close)
	provider, err := tracing.New(t.Context(), tracing.Options{Endpoint: server.URL, Share: share, Version: "9.9.9-test"})
	require.NoError(t, err)
	run(provider.Tracer("test"))
	require.NoError(t, provider.Shutdown(t.Context()))
	mu.Lock()
	defer mu.Unlock()
	return all
}

// from is a context that a request came with.
func from(sampled trace.TraceFlags) context.Context {
	return trace.ContextWithRemoteSpanContext(context.Background(), trace.NewSpanContext(trace.SpanContextConfig{
		TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}, TraceFlags: sampled, Remote: true,
	}))
}

// TestShare: it is of the traces that begin here; of the others their sender decides.
func TestShare(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		share    float64
		from     context.Context
		recorded bool
	}{
		"none of those that begin here": {0, context.Background(), false},
		"all of those that begin here":  {1, context.Background(), true},
		"one that its sender records":   {0, from(trace.FlagsSampled), true},
		"one that its sender does not":  {1, from(0), false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all := told(t, c.share, func(tracer trace.Tracer) {
				_, span := tracer.Start(c.from, "one")
				span.End()
			})
			require.Equal(t, c.recorded, len(all.GetResourceSpans()) > 0)
		})
	}
}

// TestSpansTellWhatIsOnTheList: whatever a library writes of what was sent stays here.
func TestSpansTellWhatIsOnTheList(t *testing.T) {
	t.Parallel()
	const mark = "oona-thistledown"
	all := told(t, 1, func(tracer trace.Tracer) {
		_, span := tracer.Start(context.Background(), "one", trace.WithLinks(trace.Link{
			SpanContext: trace.SpanContextFromContext(from(trace.FlagsSampled)), Attributes: []attribute.KeyValue{attribute.String("who", mark)},
		}))
		span.SetAttributes(attribute.String("http.route", "/fhir/Observation/:id"), attribute.String("url.path", "/fhir/Observation/"+mark), attribute.Int("http.response.status_code", 500))
		span.AddEvent(mark)
		span.RecordError(errors.New(mark))
		span.SetStatus(codes.Error, mark)
		span.End()
	})
	require.Len(t, all.GetResourceSpans(), 1)
	require.NotContains(t, all.String(), mark)
	of := map[string]string{}
	for _, a := range all.GetResourceSpans()[0].GetResource().GetAttributes() {
		of[a.GetKey()] = a.GetValue().GetStringValue()
	}
	require.Equal(t, map[string]string{"service.name": "tidemark", "service.version": "9.9.9-test"}, of)
	span := all.GetResourceSpans()[0].GetScopeSpans()[0].GetSpans()[0]
	require.Len(t, span.GetAttributes(), 2)
	require.Empty(t, span.GetEvents())
	require.Empty(t, span.GetLinks())
	require.EqualValues(t, 2, span.GetStatus().GetCode(), "that it failed")
	require.Empty(t, span.GetStatus().GetMessage())
}

// TestTraceparentAlone: neither tracestate nor baggage is read or passed on, which a
// portal may have put a name into.
func TestTraceparentAlone(t *testing.T) {
	t.Parallel()
	in := propagation.HeaderCarrier{}
	in.Set("Traceparent", "00-01000000000000000000000000000000-0200000000000000-01")
	in.Set("Tracestate", "portal=oona")
	in.Set("Baggage", "patient=oona")
	ctx := tracing.Propagator{}.Extract(context.Background(), in)
	require.Empty(t, trace.SpanContextFromContext(ctx).TraceState().String())
	state, err := trace.ParseTraceState("portal=oona")
	require.NoError(t, err)
	ctx = trace.ContextWithSpanContext(ctx, trace.SpanContextFromContext(ctx).WithTraceState(state))
	out := propagation.HeaderCarrier{}
	tracing.Propagator{}.Inject(ctx, out)
	require.Equal(t, http.Header{"Traceparent": in["Traceparent"]}, http.Header(out))
	require.Equal(t, []string{"traceparent"}, tracing.Propagator{}.Fields())
}

// TestLogsLeadToTheTrace: whatever was added to a logger before.
func TestLogsLeadToTheTrace(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	logger := slog.New(tracing.Logs(slog.NewJSONHandler(&out, nil))).With("a", 1)
	logger.InfoContext(from(0), "traced")
	require.Contains(t, out.String(), `"trace_id":"01000000000000000000000000000000","span_id":"0200000000000000"`)
	out.Reset()
	logger.Info("not traced")
	require.NotContains(t, out.String(), "trace_id")
	logger.WithGroup("of").InfoContext(from(0), "traced")
	require.Contains(t, out.String(), `"trace_id"`)
}
