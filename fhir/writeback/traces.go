package writeback

import (
	"context"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
)

// traced makes what follows a delivery's part of the trace of the request that
// wanted it, until what it gives is called. Attributes hold names of the settings
// and of closed lists only.
func (w *Worker) traced(ctx context.Context, s *delivering) (context.Context, func()) {
	ctx, span := w.options.Traces.Tracer("tidemark").Start(s.d.Traced(ctx), "deliver")
	s.attempt.Trace = span.SpanContext()
	return ctx, func() {
		span.SetAttributes(attribute.String("tidemark.target", s.attempt.Target), attribute.String("tidemark.outcome", string(s.attempt.Outcome)),
			attribute.String("tidemark.fault", string(s.attempt.Fault)), attribute.Int("tidemark.attempt", s.d.Attempts))
		if s.attempt.Fault != FaultNone {
			span.SetStatus(codes.Error, "")
		}
		span.End()
	}
}
