package edge

import (
	"bytes"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"time"
)

// The most connections, by default. Those of one address are few enough for it
// not to take them all.
const (
	DefaultConnections      = 4096
	DefaultConnectionsOfOne = 512
)

const (
	// refusalTime is how long it may take to tell that this is TLS.
	refusalTime = 2 * time.Second
	// longestRefusal is more than net/http ever writes by itself, in bytes.
	longestRefusal = 512
)

// ListenOptions configure a listener.
type ListenOptions struct {
	// Certificates encrypt its connections; nil for none.
	Certificates *Certificates
	// Proxies may have as many connections as there are.
	Proxies Proxies
	// Connections are the most of all, OfOne the most of one client; 0 means the
	// defaults. One more is closed at once, so that the others go on.
	Connections, OfOne int
	// Refusal is the body to a status that is answered without a handler.
	Refusal func(status int) []byte
	// ContentType is that of a Refusal.
	ContentType string
}

// Listen holds the connections of a listener to the options.
func Listen(inner net.Listener, options ListenOptions) net.Listener {
	if options.Connections == 0 {
		options.Connections = DefaultConnections
	}
	if options.OfOne == 0 {
		options.OfOne = DefaultConnectionsOfOne
	}
	l := &listener{Listener: inner, options: options, of: map[string]int{}}
	if options.Certificates != nil {
		l.tls = options.Certificates.Config()
	}
	return l
}

type listener struct {
	net.Listener
	options ListenOptions
	tls     *tls.Config

	mu    sync.Mutex
	total int
	of    map[string]int
}

// Accept implements net.Listener.
func (l *listener) Accept() (net.Conn, error) {
	for {
		raw, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		address := peer(raw.RemoteAddr().String())
		if !l.enter(address) {
			_ = raw.Close() // there is nobody left to tell
			continue
		}
		c := &conn{Conn: raw, raw: raw, listener: l, address: address}
		if l.tls != nil {
			// The handshake comes with the first read, so it holds up nobody else.
			c.secure = tls.Server(raw, l.tls)
			c.Conn = c.secure
		}
		return c, nil
	}
}

func (l *listener) enter(address netip.Addr) bool {
	key := Key(address)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.total >= l.options.Connections || l.of[key] >= l.options.OfOne && !l.options.Proxies.has(address) {
		return false
	}
	l.total++
	l.of[key]++
	return true
}

func (l *listener) leave(address netip.Addr) {
	key := Key(address)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.total--
	if l.of[key]--; l.of[key] == 0 {
		delete(l.of, key)
	}
}

// conn is one connection. What net/http answers by itself, before any handler,
// it writes in one piece and as plain text; that is put in the form that all
// other answers have.
type conn struct {
	net.Conn
	raw      net.Conn
	secure   *tls.Conn
	listener *listener
	address  netip.Addr
	closed   sync.Once
	shaken   sync.Once
	tls      *tls.ConnectionState
}

// Close implements net.Conn.
func (c *conn) Close() error {
	c.closed.Do(func() { c.listener.leave(c.address) })
	return c.Conn.Close()
}

// CloseWrite ends what is sent, so that an answer arrives before the connection
// ends; net/http asks for it.
func (c *conn) CloseWrite() error {
	if half, ok := c.Conn.(interface{ CloseWrite() error }); ok {
		return half.CloseWrite()
	}
	return nil
}

// state is that of the TLS once there is a request, nil without.
func (c *conn) state() *tls.ConnectionState {
	if c.secure == nil {
		return nil
	}
	c.shaken.Do(func() {
		state := c.secure.ConnectionState()
		c.tls = &state
	})
	return c.tls
}

// Read implements net.Conn. Who speaks HTTP where TLS is spoken is told so.
func (c *conn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	var plain tls.RecordHeaderError
	if c.secure != nil && errors.As(err, &plain) && isHTTP(plain.RecordHeader[:]) {
		_ = c.raw.SetWriteDeadline(time.Now().Add(refusalTime))
		_, _ = c.raw.Write(c.listener.options.refusal(http.StatusBadRequest))
		return n, io.EOF
	}
	return n, err
}

// isHTTP says whether the first bytes are those of a request.
func isHTTP(head []byte) bool {
	for _, method := range []string{"GET /", "HEAD ", "POST ", "PUT /", "DELET", "PATCH", "OPTIO"} {
		if string(head) == method {
			return true
		}
	}
	return false
}

// plainHeaders are what net/http's own refusals have after their first line.
var plainHeaders = []byte("Content-Type: text/plain; charset=utf-8\r\nConnection: close\r\n\r\n")

// refusedStatus is the status of what net/http writes by itself: a short text in
// one line after those headers and no others. No handler's answer is like that.
func refusedStatus(p []byte) (int, bool) {
	line, rest, _ := bytes.Cut(p, []byte("\r\n"))
	text, plain := bytes.CutPrefix(rest, plainHeaders)
	status, is := bytes.CutPrefix(line, []byte("HTTP/1.1 "))
	if len(p) > longestRefusal || !plain || !is || len(status) < 3 || bytes.ContainsAny(text, "\r\n") {
		return 0, false
	}
	n, err := strconv.Atoi(string(status[:3]))
	return n, err == nil && n >= 400
}

// Write implements net.Conn.
func (c *conn) Write(p []byte) (int, error) {
	status, refused := refusedStatus(p)
	if !refused {
		return c.Conn.Write(p)
	}
	if _, err := c.Conn.Write(c.listener.options.refusal(status)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// refusal is a whole answer.
func (o *ListenOptions) refusal(status int) []byte {
	body := o.Refusal(status)
	return fmt.Appendf(nil, "HTTP/1.1 %d %s\r\nContent-Type: %s\r\nContent-Length: %d\r\nX-Content-Type-Options: nosniff\r\n"+
		"Cache-Control: no-store\r\nContent-Security-Policy: %s\r\nReferrer-Policy: no-referrer\r\nConnection: close\r\n\r\n%s",
		status, http.StatusText(status), o.ContentType, len(body), contentSecurity[0], body)
}
