package config

import (
	"strconv"
	"strings"
)

// Tracing is where spans are sent.
type Tracing struct {
	// Endpoint is the base of an OTLP/HTTP collector; "" records no spans.
	Endpoint string
	share    string
}

// Share of the traces that begin here are recorded.
func (t Tracing) Share() float64 {
	share, _ := strconv.ParseFloat(t.share, 64) // Check has refused what is none
	return share
}

func tracingSettings() []Setting {
	return []Setting{
		{"TIDEMARK_TRACES", "", "base of an OpenTelemetry collector (OTLP over HTTP) that traces are sent to, as http://127.0.0.1:4318; empty sends none", func(s *Settings) *string { return &s.Endpoint }},
		{"TIDEMARK_TRACES_SHARE", "1", "share of the traces beginning here that is recorded, from 0 to 1; a request that comes with a trace is recorded if its sender records it", func(s *Settings) *string { return &s.Tracing.share }},
	}
}

func (s *Settings) checkTracing(bad func(name, format string, args ...any)) {
	if s.Endpoint != "" && (!isHTTP(s.Endpoint) || strings.HasSuffix(s.Endpoint, "/")) {
		bad("TIDEMARK_TRACES", "it must be an absolute http or https URL without user, query, fragment and a slash at its end")
	}
	if share, err := strconv.ParseFloat(s.Tracing.share, 64); err != nil || !(share >= 0 && share <= 1) {
		bad("TIDEMARK_TRACES_SHARE", "%q is no number from 0 to 1", s.Tracing.share)
	}
}
