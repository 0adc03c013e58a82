package notify

import (
	"context"
	"net/http"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// tracesOf are the traces that events come from, each once, in their order; not of
// those that the client may not see any more.
func tracesOf(events []store.Event, told []subscription.Event) (traces []string) {
	seen := map[string]bool{"": true}
	for i, e := range events {
		if told[i].Focus != "" && !seen[e.Trace] {
			seen[e.Trace] = true
			traces = append(traces, e.Trace)
		}
	}
	return traces
}

// traced makes a call part of the traces of the requests that it tells of: each
// gets a span, and the call goes on with the first, since a request has one
// parent. What it gives is called with what became of the call. Attributes hold
// words of closed lists only.
func (w *Worker) traced(ctx context.Context, traces []string, attempt int) (context.Context, func(Reason)) {
	if len(traces) == 0 {
		return ctx, func(Reason) {}
	}
	var spans []trace.Span
	first := ctx
	for i, each := range traces {
		within, span := w.options.Traces.Tracer("tidemark").Start(store.WithTrace(ctx, each), "notify")
		if i == 0 {
			first = within
		}
		spans = append(spans, span)
	}
	return first, func(reason Reason) {
		for _, span := range spans {
			span.SetAttributes(attribute.String("tidemark.outcome", string(reason)), attribute.Int("tidemark.attempt", attempt))
			if reason != Accepted {
				span.SetStatus(codes.Error, "")
			}
			span.End()
		}
	}
}

// passOn tells an endpoint of the trace by traceparent (W3C Trace Context). There is
// no more to tell: tracestate is not kept.
func passOn(request *http.Request) {
	propagation.TraceContext{}.Inject(request.Context(), propagation.HeaderCarrier(request.Header))
}
