// Package tracing makes spans (OpenTelemetry) of what the program does, and gives
// them to a collector without anything that was sent: what leaves is a list of
// attributes that hold templates, methods, statuses and names of the settings.
// Libraries write paths, addresses and agents into spans as well, so the list is
// held where spans leave.
package tracing

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracehttp"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdk "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
)

// Name is that of the program's own spans' scope.
const Name = "tidemark"

// Options say where spans go.
type Options struct {
	// Endpoint is the base of an OTLP/HTTP collector, as http://127.0.0.1:4318.
	Endpoint string
	// Share of the traces that begin here are recorded, from 0 to 1; those that
	// come with a request are if their sender records them.
	Share float64
	// Version is that of the program.
	Version string
}

// every is how often spans are sent.
const every = time.Second

// New makes what spans are recorded by. A collector that does not answer costs
// spans, and nothing else.
func New(ctx context.Context, options Options) (*sdk.TracerProvider, error) {
	to, err := otlptracehttp.New(ctx, otlptracehttp.WithEndpointURL(options.Endpoint+"/v1/traces"))
	if err != nil {
		return nil, fmt.Errorf("tracing: %w", err)
	}
	return sdk.NewTracerProvider(
		sdk.WithBatcher(silent{to}, sdk.WithBatchTimeout(every)),
		sdk.WithSampler(sdk.ParentBased(sdk.TraceIDRatioBased(options.Share))),
		sdk.WithResource(resource.NewSchemaless(attribute.String("service.name", Name), attribute.String("service.version", options.Version))),
	), nil
}

// kept are the attributes that may leave. Everything else may hold what a client,
// a patient or a hospital has sent.
var kept = []attribute.Key{
	"http.request.method", "http.route", "http.response.status_code", "error.type",
	"tidemark.target", "tidemark.outcome", "tidemark.fault", "tidemark.attempt",
}

// silent exports spans without what was sent.
type silent struct{ sdk.SpanExporter }

// ExportSpans implements sdk.SpanExporter.
func (s silent) ExportSpans(ctx context.Context, spans []sdk.ReadOnlySpan) error {
	told := make([]sdk.ReadOnlySpan, len(spans))
	for i, each := range spans {
		told[i] = span{each}
	}
	return s.SpanExporter.ExportSpans(ctx, told)
}

// span is one without what was sent. Its name is made by the program.
type span struct{ sdk.ReadOnlySpan }

// Attributes are those that are kept. The type of an error is one of Go, or a
// status, and never its text.
func (s span) Attributes() []attribute.KeyValue {
	return slices.DeleteFunc(slices.Clone(s.ReadOnlySpan.Attributes()), func(a attribute.KeyValue) bool { return !slices.Contains(kept, a.Key) })
}

// Events are none: a recorded error has a text.
func (s span) Events() []sdk.Event { return nil }

// Links are none.
func (s span) Links() []sdk.Link { return nil }

// Status has no text.
func (s span) Status() sdk.Status { return sdk.Status{Code: s.ReadOnlySpan.Status().Code} }

// Propagator reads and writes traceparent alone. What others put into tracestate
// and baggage may be anything, and would be sent on to hospitals.
type Propagator struct{}

// traceparent is the header of W3C Trace Context.
const traceparent = "traceparent"

// Fields implements propagation.TextMapPropagator.
func (Propagator) Fields() []string { return []string{traceparent} }

// Inject implements propagation.TextMapPropagator.
func (Propagator) Inject(ctx context.Context, carrier propagation.TextMapCarrier) {
	propagation.TraceContext{}.Inject(ctx, alone{carrier})
}

// Extract implements propagation.TextMapPropagator.
func (Propagator) Extract(ctx context.Context, carrier propagation.TextMapCarrier) context.Context {
	return propagation.TraceContext{}.Extract(ctx, alone{carrier})
}

// alone is a carrier of traceparent and nothing else.
type alone struct{ propagation.TextMapCarrier }

// Get implements propagation.TextMapCarrier.
func (a alone) Get(key string) string {
	if key != traceparent {
		return ""
	}
	return a.TextMapCarrier.Get(key)
}

// Set implements propagation.TextMapCarrier.
func (a alone) Set(key, value string) {
	if key == traceparent {
		a.TextMapCarrier.Set(key, value)
	}
}

// Logs adds the trace that a line belongs to.
func Logs(next slog.Handler) slog.Handler { return &logs{next} }

type logs struct{ slog.Handler }

// Handle implements slog.Handler.
func (l *logs) Handle(ctx context.Context, record slog.Record) error {
	if of := trace.SpanContextFromContext(ctx); of.IsValid() {
		record.AddAttrs(slog.String("trace_id", of.TraceID().String()), slog.String("span_id", of.SpanID().String()))
	}
	return l.Handler.Handle(ctx, record)
}

// WithAttrs implements slog.Handler.
func (l *logs) WithAttrs(attrs []slog.Attr) slog.Handler { return &logs{l.Handler.WithAttrs(attrs)} }

// WithGroup implements slog.Handler.
func (l *logs) WithGroup(name string) slog.Handler { return &logs{l.Handler.WithGroup(name)} }
