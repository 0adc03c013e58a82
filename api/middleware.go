package api

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir"
)

// maxCorrelation is the longest request id of a client's own that is sent back.
const maxCorrelation = 200

// observe gives each request an id, counts it and logs one line of it: route
// template, status and duration, and nothing that was sent.
func (s *Server) observe(c *gin.Context) {
	start := time.Now()
	given := c.GetHeader("X-Request-Id")
	id := given
	if !edge.IsRequestID(id) {
		id = newRequestID()
	}
	if given != "" && given != id && len(given) <= maxCorrelation {
		c.Header("X-Correlation-Id", given) // R4 http.html 3.1.0.1.14
	}
	c.Set(exchangeKey, &exchange{id: id, start: start, format: format{media: usualMedia(c.Request.URL.Path)}})
	c.Writer.Header()["X-Request-Id"] = []string{id}
	if c.Request.ContentLength != 0 {
		// Also for those that are refused before the body is read: the server
		// waits for it before it answers.
		readDeadline(c, time.Now().Add(s.options.BodyTimeout))
	}
	c.Next()
	s.account(c)
}

// account counts and logs an answer, once, before its body goes out: who has the
// answer finds it counted, and the connection does not wait for the log.
func (s *Server) account(c *gin.Context) {
	e := exchangeOf(c)
	if e.accounted || c.Request.Context().Value(partOfBundle{}) != nil {
		return
	}
	e.accounted = true
	route := c.FullPath()
	if route == "" {
		route = "none"
	}
	elapsed, status := time.Since(e.start), c.Writer.Status()
	m := s.meter(meterKey{route, methodLabel(c.Request.Method), statusClass(status)})
	m.count.Inc()
	observe(c.Request.Context(), m.latency, elapsed.Seconds())
	level := slog.LevelInfo
	if s.counted[route] && status < http.StatusBadRequest {
		level = slog.LevelDebug // what is published is the same for everybody, and such reads are counted
	}
	m.log.LogAttrs(c.Request.Context(), level, "request",
		slog.String("request_id", e.id), slog.Int("status", status), slog.Int64("duration_ms", elapsed.Milliseconds()))
}

// meterKey is what requests are counted by, all of it from closed lists.
type meterKey struct{ route, method, class string }

// meter counts and logs the requests of a key; its log knows route and method.
type meter struct {
	count   prometheus.Counter
	latency prometheus.Observer
	log     *slog.Logger
}

// meter is made once for each key, since to look up labels and to write the same
// words again costs more than an answer that stands ready.
func (s *Server) meter(key meterKey) *meter {
	if m, ok := s.meters.Load(key); ok {
		return m.(*meter)
	}
	m, _ := s.meters.LoadOrStore(key, &meter{
		count:   s.metrics.requests.WithLabelValues(key.route, key.method, key.class),
		latency: s.metrics.latency.WithLabelValues(key.route),
		log:     s.options.Logger.With(slog.String("method", key.method), slog.String("route", key.route)),
	})
	return m.(*meter)
}

// newRequestID makes a random UUID. It is no secret, so the runtime's own
// generator will do, which needs no system call.
func newRequestID() string {
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[:8], rand.Uint64())
	binary.BigEndian.PutUint64(id[8:], rand.Uint64())
	id[6], id[8] = id[6]&0x0f|0x40, id[8]&0x3f|0x80 // version 4 (RFC 9562 section 5.4)
	return id.String()
}

// readDeadline limits how long the body may take to arrive; the zero time does not.
func readDeadline(c *gin.Context, at time.Time) {
	// A writer without a connection has no deadline to set.
	_ = http.NewResponseController(c.Writer).SetReadDeadline(at)
}

// exchange is what the server keeps of one request while it answers it.
type exchange struct {
	id     string
	start  time.Time
	format format
	// accounted says that the answer was counted and logged.
	accounted bool
	// route is nil where there is none.
	route *route
	// ticket is its place among those worked on; nil for a part of a Bundle.
	ticket *edge.Ticket
	// reason is the code of the first fault of a refusal, "" of other answers.
	reason string
}

// exchangeKey is where a request's exchange is kept.
const exchangeKey = "exchange"

func exchangeOf(c *gin.Context) *exchange {
	if e, ok := c.Get(exchangeKey); ok {
		return e.(*exchange)
	}
	return &exchange{format: format{media: jsonTypes[0]}}
}

func requestID(c *gin.Context) string { return exchangeOf(c).id }

// Values of headers that are the same for all answers. They are shared and must
// not be changed; http.Header replaces and copies, and never does.
var (
	varies      = []string{"Accept, Accept-Encoding"}
	codedAsGzip = []string{"gzip"}
)

// recover turns a panic into an answer; its cause goes to the log alone. The
// value of a panic is not logged, since it may quote a resource.
func (s *Server) recover(c *gin.Context) {
	defer func() {
		r := recover()
		if err, failed := r.(error); failed && errors.Is(err, http.ErrAbortHandler) {
			panic(r) // an answer that has begun and cannot be finished: the connection must break off
		}
		if r != nil {
			s.options.Logger.Error("panic", "request_id", requestID(c), "route", c.FullPath(),
				"type", fmt.Sprintf("%T", r), "stack", string(debug.Stack()))
			s.writeError(c, fail(http.StatusInternalServerError, fhir.IssueException, "The server failed; the request id leads its operator to the cause."))
		}
	}()
	c.Next()
}

// body reads the whole body within its limits of size and time; both sizes
// count where it is compressed.
func (s *Server) body(c *gin.Context) ([]byte, error) {
	size := max(c.Request.ContentLength, 0)
	if size > s.options.MaxBody {
		return nil, bodyError(c, &http.MaxBytesError{Limit: s.options.MaxBody})
	}
	var reader io.Reader = http.MaxBytesReader(c.Writer, c.Request.Body, s.options.MaxBody)
	if contentCoding(c.Request.Header) != "" {
		inflated, err := newInflater(reader, s.options.MaxBody)
		if err != nil {
			return nil, bodyError(c, err)
		}
		defer inflated.release()
		reader = inflated
	}
	buffer, err := readAll(reader, size)
	if err != nil {
		return nil, bodyError(c, err)
	}
	readDeadline(c, time.Time{})
	if len(buffer) == 0 {
		return nil, fail(http.StatusBadRequest, fhir.IssueStructure, "The body is empty; send what this path takes, as JSON.")
	}
	return buffer, nil
}

// readAll reads to the end into a buffer of the size expected.
func readAll(reader io.Reader, size int64) ([]byte, error) {
	buffer := make([]byte, 0, size+1)
	for {
		if len(buffer) == cap(buffer) {
			buffer = slices.Grow(buffer, 512+cap(buffer))
		}
		n, err := reader.Read(buffer[len(buffer):cap(buffer)])
		buffer = buffer[:len(buffer)+n]
		if err == io.EOF {
			return buffer, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// bodyError is why a body did not arrive: too large, too slow, or cut short and
// wrongly framed, which is the sender's fault too. The connection ends, so that
// the answer does not wait for the rest.
func bodyError(c *gin.Context, err error) error {
	c.Header("Connection", "close")
	var tooLarge *http.MaxBytesError
	var said *failure
	if errors.As(err, &tooLarge) || errors.As(err, &said) || isTimeout(err) {
		return fmt.Errorf("reading the body: %w", err)
	}
	return fail(http.StatusBadRequest, fhir.IssueStructure, "The body did not arrive whole; send as many bytes as announced, or well-formed chunks.")
}

// prefer is all that the client prefers; the header may come more than once (RFC
// 7240 section 2).
func prefer(c *gin.Context) string { return strings.Join(c.Request.Header.Values("Prefer"), ", ") }
