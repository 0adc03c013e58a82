package api

import (
	"github.com/gin-gonic/gin"
	"go.opentelemetry.io/contrib/instrumentation/github.com/gin-gonic/gin/otelgin"
	"go.opentelemetry.io/otel/propagation"

	"tidemark.example/tidemark/api/tracing"
)

// traced makes a request part of the trace that it comes with (W3C Trace Context),
// or that begins with it. Where no spans are recorded it is only told apart, so
// that the log has it and targets get it; that costs nothing without the header.
func (s *Server) traced() gin.HandlerFunc {
	if s.options.Traces == nil {
		return func(c *gin.Context) {
			if c.Request.Header["Traceparent"] != nil {
				c.Request = c.Request.WithContext(tracing.Propagator{}.Extract(c.Request.Context(), propagation.HeaderCarrier(c.Request.Header)))
			}
		}
	}
	return otelgin.Middleware(tracing.Name, otelgin.WithTracerProvider(s.options.Traces), otelgin.WithPropagators(tracing.Propagator{}),
		otelgin.WithSpanNameFormatter(func(c *gin.Context) string {
			route := c.FullPath()
			if route == "" {
				route = "none"
			}
			return methodLabel(c.Request.Method) + " " + route
		}))
}
