package main

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/net/http/otelhttp"
	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/tracing"
	"tidemark.example/tidemark/config"
)

// flushTime is how long the last spans may take at the end.
const flushTime = 3 * time.Second

// trace records spans where the settings want them.
func (sv *service) trace(ctx context.Context, s *config.Settings, options *api.Options) error {
	if s.Endpoint == "" {
		return nil
	}
	made, err := tracing.New(ctx, tracing.Options{Endpoint: s.Endpoint, Share: s.Share(), Version: version()})
	if err != nil {
		return &badSetting{fmt.Errorf("starting with TIDEMARK_TRACES: %w", err)}
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { options.Logger.Warn("spans were not sent", "error", err) }))
	options.Traces = made
	sv.flush = func() {
		ctx, cancel := context.WithTimeout(context.Background(), flushTime)
		defer cancel()
		if err := made.Shutdown(ctx); err != nil {
			options.Logger.Warn("the last spans were not sent", "error", err)
		}
	}
	return nil
}

// passingOn tells a target of the trace that a request is part of.
func passingOn(network http.RoundTripper, traces trace.TracerProvider) http.RoundTripper {
	if traces == nil {
		traces = noop.NewTracerProvider()
	}
	return otelhttp.NewTransport(network, otelhttp.WithTracerProvider(traces), otelhttp.WithPropagators(tracing.Propagator{}),
		otelhttp.WithSpanNameFormatter(func(_ string, r *http.Request) string { return "request " + r.Method }))
}
