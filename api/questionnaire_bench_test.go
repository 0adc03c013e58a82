package api_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/questionnaire"
)

// bareForm serves the same bytes, those of the headers too, with nothing but Gin.
func bareForm(tb testing.TB, body []byte, headers http.Header) *httptest.Server {
	tb.Helper()
	gin.SetMode(gin.ReleaseMode)
	engine := gin.New()
	engine.GET("/fhir/Questionnaire/:id", func(c *gin.Context) {
		h := c.Writer.Header()
		for name, values := range headers {
			h[name] = values
		}
		c.Data(http.StatusOK, "application/fhir+json; fhirVersion=4.0; charset=utf-8", body)
	})
	server := httptest.NewServer(engine)
	tb.Cleanup(server.Close)
	return server
}

// getter is one connection over which the same request is made again and again.
// Every answer has as many bytes as the first, which is read with care; the
// others are only taken in, so that the servers are measured and not a client.
type getter struct {
	tb      testing.TB
	conn    net.Conn
	request []byte
	answer  []byte
}

func newGetter(tb testing.TB, origin, path, coding string, want []byte) *getter {
	tb.Helper()
	address := strings.TrimPrefix(origin, "http://")
	conn, err := net.Dial("tcp", address)
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, conn.Close()) })
	accept := ""
	if coding != "" {
		accept = "Accept-Encoding: " + coding + "\r\n"
	}
	g := &getter{tb: tb, conn: conn}
	g.request = fmt.Appendf(nil, "GET %s HTTP/1.1\r\nHost: %s\r\nAccept: application/fhir+json\r\n%s\r\n", path, address, accept)
	_, err = conn.Write(g.request)
	require.NoError(tb, err)
	var raw bytes.Buffer
	response, err := http.ReadResponse(bufio.NewReader(io.TeeReader(conn, &raw)), nil)
	require.NoError(tb, err)
	body, err := io.ReadAll(response.Body)
	require.NoError(tb, err)
	require.Equal(tb, http.StatusOK, response.StatusCode)
	require.Equal(tb, want, body, "the same bytes")
	g.answer = make([]byte, raw.Len())
	return g
}

func (g *getter) get() {
	_, err := g.conn.Write(g.request)
	require.NoError(g.tb, err)
	_, err = io.ReadFull(g.conn, g.answer)
	require.NoError(g.tb, err)
}

// rounds alternate between both servers, so that what else the machine does
// falls on both.
const rounds = 60

// BenchmarkQuestionnaire measures GET Questionnaire side by side with a bare Gin
// handler that serves the same bytes, over HTTP on one connection each, logging
// and counting as the real program does. It reports the median rate against the
// bare one's; at least 0.9 is wanted.
func BenchmarkQuestionnaire(b *testing.B) {
	form, ok := questionnaire.Find("Questionnaire", questionnaire.Base+"/Questionnaire/"+questionnaire.SelfAssessment)
	require.True(b, ok)
	r := newRig(b, func(o *api.Options) { o.Logger = slog.New(slog.NewJSONHandler(io.Discard, nil)) })
	const path = "/fhir/Questionnaire/" + questionnaire.SelfAssessment
	for _, coding := range []string{"", "gzip"} {
		b.Run("coding="+coding, func(b *testing.B) {
			body := form.JSON
			headers := []string{}
			if coding != "" {
				headers = []string{"Accept-Encoding", coding}
			}
			answer := r.get(path, headers...)
			answer.header.Del("Date")
			if coding != "" {
				body = answer.body
			}
			ours, bare := newGetter(b, r.origin, path, coding, body), newGetter(b, bareForm(b, body, answer.header).URL, path, coding, body)
			var ratios, microseconds []float64
			each := max(b.N/rounds, 1)
			b.ResetTimer()
			for round := range rounds {
				took := [2]time.Duration{}
				for turn := range took {
					i := (turn + round) % 2 // neither is always the first
					g := [...]*getter{ours, bare}[i]
					start := time.Now()
					for range each {
						g.get()
					}
					took[i] = time.Since(start)
				}
				require.True(b, bytes.HasPrefix(ours.answer, []byte("HTTP/1.1 200")))
				ratios = append(ratios, float64(took[1])/float64(took[0]))
				microseconds = append(microseconds, float64(took[0].Microseconds())/float64(each))
			}
			slices.Sort(ratios)
			slices.Sort(microseconds)
			b.ReportMetric(ratios[len(ratios)/2], "of-bare")
			b.ReportMetric(microseconds[len(microseconds)/2], "us/get")
		})
	}
}
