package edge

import (
	"context"
	"log/slog"
	"net"
	"net/http"
	"time"
)

// How a connection is kept.
const (
	// headerTimeout is how long the head of a request may take to arrive, a TLS
	// handshake included.
	headerTimeout = 10 * time.Second
	// idleTimeout is how long a connection may wait for its next request.
	idleTimeout = 2 * time.Minute
	// maxHeader is the most that the head of a request may hold, in bytes.
	maxHeader = 64 << 10
	// answerTime is how long a client may take to read its answer.
	answerTime = 30 * time.Second
)

// NewServer makes a server that gives nobody longer than needed; requestTime is
// how long a handler takes at most.
func NewServer(handler http.Handler, requestTime time.Duration, logger *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           withTLS(handler),
		ReadHeaderTimeout: headerTimeout,
		IdleTimeout:       idleTimeout,
		WriteTimeout:      requestTime + answerTime,
		MaxHeaderBytes:    maxHeader,
		ConnContext:       func(ctx context.Context, c net.Conn) context.Context { return context.WithValue(ctx, connKey{}, c) },
		ErrorLog:          slog.NewLogLogger(logger.Handler(), slog.LevelWarn),
		// OPTIONS * is for the handler, which answers like everything else.
		DisableGeneralOptionsHandler: true,
	}
}

// connKey is where the connection of a request is kept in its context.
type connKey struct{}

// withTLS tells the handler of the TLS of a connection that Listen encrypted,
// which net/http cannot see.
func withTLS(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		if c, ok := request.Context().Value(connKey{}).(*conn); ok {
			request.TLS = c.state()
		}
		next.ServeHTTP(w, request)
	})
}
