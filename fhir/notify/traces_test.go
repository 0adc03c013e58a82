package notify

import (
	"testing"

	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/codes"
	sdk "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"
)

// TestTracesOfWhatIsTold: one call may tell of several requests. Each trace has a
// span of it, with what became of it; the endpoint hears of the first. What was
// in no trace is told in none, nor is a handshake.
func TestTracesOfWhatIsTold(t *testing.T) {
	t.Parallel()
	const (
		first, second           = "0af7651916cd43dd8448eb211c80319c", "4bf92f3577b34da6a3ce929d0e0e4736"
		firstCaller, nextCaller = "b7ad6b7169203331", "00f067aa0ba902b7"
	)
	spans := tracetest.NewSpanRecorder()
	b, p := newBench(t, func(o *Options) { o.Traces = sdk.NewTracerProvider(sdk.WithSpanProcessor(spans)) }), newPortal(t, answering(200))
	b.subscribe("a", resource(p.URL, number("max-count", "PositiveInt", 5)))
	b.step()
	b.score(1)
	b.step()
	require.Empty(t, spans.Ended())
	for _, c := range p.seen() {
		require.Empty(t, c.header.Values("Traceparent"))
	}

	p.behaves(answering(503))
	b.score(1)
	b.scoreIn("00-"+first+"-"+firstCaller+"-01", 2)
	b.scoreIn("00-"+second+"-"+nextCaller+"-01", 1)
	b.step()
	p.behaves(answering(200))
	b.clock.Add(b.read("a").Due.Sub(b.clock.Now()))
	b.step()
	calls, ended := p.seen(), spans.Ended()
	require.Len(t, ended, 4, "a span for each of two traces, twice")
	for i, became := range []struct {
		outcome string
		status  codes.Code
	}{{"failed", codes.Error}, {"accepted", codes.Unset}} {
		ofFirst, ofSecond := ended[2*i], ended[2*i+1]
		require.Equal(t, []string{first, second}, []string{ofFirst.SpanContext().TraceID().String(), ofSecond.SpanContext().TraceID().String()})
		require.Equal(t, []string{firstCaller, nextCaller}, []string{ofFirst.Parent().SpanID().String(), ofSecond.Parent().SpanID().String()})
		for _, span := range []sdk.ReadOnlySpan{ofFirst, ofSecond} {
			require.Equal(t, "notify", span.Name())
			require.Equal(t, []attribute.KeyValue{attribute.String("tidemark.outcome", became.outcome), attribute.Int("tidemark.attempt", i+1)}, span.Attributes())
			require.Equal(t, became.status, span.Status().Code)
		}
		call := calls[len(calls)-2+i]
		require.Equal(t, []string{"2", "3", "4", "5"}, call.numbers)
		require.Equal(t, "00-"+first+"-"+ofFirst.SpanContext().SpanID().String()+"-01", call.header.Get("Traceparent"))
	}
}
