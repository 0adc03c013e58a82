package store

import (
	"context"

	"go.opentelemetry.io/otel/propagation"
)

// traceparent is the header of W3C Trace Context, and the form that traces are
// kept in. Its companion, tracestate, is not kept: it holds what others like.
const traceparent = "traceparent"

// TraceOf is the trace that a context is part of, as a delivery keeps it; "" for
// none.
func TraceOf(ctx context.Context) string {
	carrier := propagation.MapCarrier{}
	propagation.TraceContext{}.Inject(ctx, carrier)
	return carrier[traceparent]
}

// WithTrace makes a context part of a trace, as TraceOf gives it; "" is none.
func WithTrace(ctx context.Context, trace string) context.Context {
	if trace == "" {
		return ctx
	}
	return propagation.TraceContext{}.Extract(ctx, propagation.MapCarrier{traceparent: trace})
}

// Traced makes a context part of the trace that the delivery was wanted in.
func (d *Delivery) Traced(ctx context.Context) context.Context { return WithTrace(ctx, d.Trace) }
