package edge_test

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/edge"
)

// site is a running server whose handler tells what it sees of the request.
type site struct {
	t       *testing.T
	address string
	log     *lockedBuffer
}

// lockedBuffer collects a log that several goroutines write.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// watch is a time that a test and a server both use.
type watch struct {
	mu sync.Mutex
	at time.Time
}

func (w *watch) now() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.at
}

func (w *watch) pass(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = w.at.Add(d)
}

// open starts one; files are its TLS, nil for none.
func open(t *testing.T, files *edge.TLSFiles, now func() time.Time, adjust ...func(*edge.ListenOptions)) *site {
	t.Helper()
	s := &site{t: t, log: &lockedBuffer{}}
	logger := slog.New(slog.NewJSONHandler(s.log, nil))
	options := edge.ListenOptions{
		Refusal:     func(status int) []byte { return fmt.Appendf(nil, `{"status":%d}`, status) },
		ContentType: "application/fhir+json",
	}
	if files != nil {
		certificates, err := edge.LoadCertificates(*files, logger, now)
		require.NoError(t, err)
		options.Certificates = certificates
	}
	for _, each := range adjust {
		each(&options)
	}
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.address = inner.Addr().String()
	handler := http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		w.Header().Set("Content-Type", "application/fhir+json")
		peers := 0
		if request.TLS != nil {
			peers = len(request.TLS.PeerCertificates)
		}
		fmt.Fprintf(w, `{"tls":%t,"certificates":%d,"method":%q}`, request.TLS != nil, peers, request.Method)
	})
	server := edge.NewServer(handler, time.Minute, logger)
	go func() { _ = server.Serve(edge.Listen(inner, options)) }() // ends with Close
	t.Cleanup(func() { _ = server.Close() })
	return s
}

// ask makes one request on a connection of its own.
func (s *site) ask(config *tls.Config) (string, *tls.ConnectionState, error) {
	client := http.Client{Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true, ForceAttemptHTTP2: true}, Timeout: time.Minute}
	scheme := "https://"
	if config == nil {
		scheme = "http://"
	}
	response, err := client.Get(scheme + s.address + "/")
	if err != nil {
		return "", nil, err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	return string(body), response.TLS, err
}

// raw writes bytes and reads what comes back.
func (s *site) raw(text string) *http.Response {
	s.t.Helper()
	c, err := net.Dial("tcp", s.address)
	require.NoError(s.t, err)
	s.t.Cleanup(func() { _ = c.Close() })
	return exchange(s.t, c, text)
}

func exchange(t *testing.T, c net.Conn, text string) *http.Response {
	t.Helper()
	require.NoError(t, c.SetDeadline(time.Now().Add(time.Minute)))
	_, err := io.WriteString(c, text)
	require.NoError(t, err)
	response, err := http.ReadResponse(bufio.NewReader(c), nil)
	require.NoError(t, err)
	body, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	response.Body = io.NopCloser(bytes.NewReader(body))
	return response
}

// TestWhatNetHTTPRefuses: what never reaches a handler is answered like all
// else, without TLS and with it.
func TestWhatNetHTTPRefuses(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	files := a.files()
	plain, secure := open(t, nil, nil), open(t, &files, nil)
	for name, c := range map[string]struct {
		text   string
		status int
	}{
		"no HTTP":                    {"oona-thistledown\r\n\r\n", 400},
		"no Host":                    {"GET / HTTP/1.1\r\n\r\n", 400},
		"a broken Host":              {"GET / HTTP/1.1\r\nHost: oona thistledown\r\n\r\n", 400},
		"two Hosts":                  {"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n", 400},
		"a header that is none":      {"GET / HTTP/1.1\r\nHost: a\r\noona thistledown: b\r\n\r\n", 400},
		"two lengths":                {"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n", 400},
		"a URL that is none":         {"GET /%zz HTTP/1.1\r\nHost: a\r\n\r\n", 400},
		"another coding":             {"POST / HTTP/1.1\r\nHost: a\r\nTransfer-Encoding: oona\r\n\r\n", 501},
		"a later HTTP":               {"GET / HTTP/3.0\r\nHost: a\r\n\r\n", 505},
		"more headers than are read": {"GET / HTTP/1.1\r\nHost: a\r\nX: " + strings.Repeat("x", 80<<10) + "\r\n\r\n", 431},
		"a longer URL than is read":  {"GET /" + strings.Repeat("x", 80<<10) + " HTTP/1.1\r\nHost: a\r\n\r\n", 431},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			own := *plain
			own.t = t
			encrypted, err := tls.Dial("tcp", secure.address, a.client(nil))
			require.NoError(t, err)
			defer encrypted.Close()
			for _, response := range []*http.Response{own.raw(c.text), exchange(t, encrypted, c.text)} {
				body, _ := io.ReadAll(response.Body)
				require.Equal(t, c.status, response.StatusCode)
				require.Equal(t, fmt.Sprintf(`{"status":%d}`, c.status), string(body))
				require.Equal(t, "application/fhir+json", response.Header.Get("Content-Type"))
				require.Equal(t, "nosniff", response.Header.Get("X-Content-Type-Options"))
				require.Equal(t, "no-store", response.Header.Get("Cache-Control"))
				require.Equal(t, "default-src 'none'; frame-ancestors 'none'", response.Header.Get("Content-Security-Policy"))
				require.True(t, response.Close, "the connection ends")
			}
		})
	}
	t.Cleanup(func() {
		require.NotContains(t, plain.log.String()+secure.log.String(), "oona", "nor does it go to the log")
	})
}

func TestOrdinaryRequests(t *testing.T) {
	t.Parallel()
	s := open(t, nil, nil)
	body, _, err := s.ask(nil)
	require.NoError(t, err)
	require.Equal(t, `{"tls":false,"certificates":0,"method":"GET"}`, body)
	response := s.raw("OPTIONS * HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
	require.Equal(t, "application/fhir+json", response.Header.Get("Content-Type"), "the handler answers for the whole server too")
	// HTTP/2 is not spoken, so that a connection is one request at a time.
	response = s.raw("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n")
	require.Equal(t, "HTTP/1.1", response.Proto)
}

func TestTLS(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	files := a.files()
	s := open(t, &files, nil)

	t.Run("is seen by the handler", func(t *testing.T) {
		t.Parallel()
		body, state, err := s.ask(a.client(nil))
		require.NoError(t, err)
		require.Equal(t, `{"tls":true,"certificates":0,"method":"GET"}`, body)
		require.EqualValues(t, tls.VersionTLS13, state.Version)
		require.Equal(t, "http/1.1", state.NegotiatedProtocol)
	})
	t.Run("of version 1.2 is by suites that are forward secret and authenticated", func(t *testing.T) {
		t.Parallel()
		config := a.client(nil)
		config.MaxVersion = tls.VersionTLS12
		_, state, err := s.ask(config)
		require.NoError(t, err)
		require.Contains(t, tls.CipherSuiteName(state.CipherSuite), "ECDHE")
		for _, suite := range append(tls.CipherSuites(), tls.InsecureCipherSuites()...) {
			config := a.client(nil)
			config.MaxVersion, config.CipherSuites = tls.VersionTLS12, []uint16{suite.ID}
			if _, _, err := s.ask(config); err == nil {
				require.Regexp(t, `^TLS_ECDHE_.*(GCM_SHA256|GCM_SHA384|POLY1305_SHA256)$`, suite.Name)
			}
		}
	})
	t.Run("older than 1.2 is not spoken", func(t *testing.T) {
		t.Parallel()
		for _, version := range []uint16{tls.VersionTLS10, tls.VersionTLS11} {
			config := a.client(nil)
			config.MinVersion, config.MaxVersion = version, version
			_, _, err := s.ask(config)
			require.ErrorContains(t, err, "protocol version")
		}
	})
	t.Run("is told of where HTTP is spoken", func(t *testing.T) {
		t.Parallel()
		own := *s
		own.t = t
		for _, text := range []string{"GET / HTTP/1.1\r\nHost: a\r\n\r\n", "POST /fhir HTTP/1.1\r\nHost: a\r\n\r\n"} {
			response := own.raw(text)
			require.Equal(t, http.StatusBadRequest, response.StatusCode)
			require.Equal(t, "application/fhir+json", response.Header.Get("Content-Type"))
		}
	})
}

func TestCertificatesOfClients(t *testing.T) {
	t.Parallel()
	a, others := newAuthority(t), newAuthority(t)
	with := func(t *testing.T, require bool) (*site, edge.TLSFiles, *watch) {
		files := a.files()
		files.ClientCA, files.Require = filepath.Join(t.TempDir(), "ca.crt"), require
		replace(t, files.ClientCA, a.pem())
		w := &watch{at: time.Now()}
		return open(t, &files, w.now), files, w
	}
	const known, unknown = `{"tls":true,"certificates":1,"method":"GET"}`, `{"tls":true,"certificates":0,"method":"GET"}`

	t.Run("required: only those of the authority are let in", func(t *testing.T) {
		t.Parallel()
		s, _, _ := with(t, true)
		body, _, err := s.ask(a.client(a))
		require.NoError(t, err)
		require.Equal(t, known, body)
		_, _, err = s.ask(a.client(nil))
		require.Error(t, err)
		_, _, err = s.ask(a.client(others))
		require.Error(t, err)
	})
	t.Run("optional: none is let in, a false one is not", func(t *testing.T) {
		t.Parallel()
		s, _, _ := with(t, false)
		body, _, err := s.ask(a.client(a))
		require.NoError(t, err)
		require.Equal(t, known, body)
		body, _, err = s.ask(a.client(nil))
		require.NoError(t, err)
		require.Equal(t, unknown, body)
		_, _, err = s.ask(a.client(others))
		require.Error(t, err)
	})
	t.Run("of an authority taken away are refused, also in a session that was begun", func(t *testing.T) {
		t.Parallel()
		s, files, w := with(t, true)
		for _, version := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
			replace(t, files.ClientCA, a.pem())
			w.pass(2 * time.Second)
			config := a.client(a)
			config.MaxVersion = version
			for range 2 {
				_, state, err := s.ask(config)
				require.NoError(t, err)
				require.False(t, state.DidResume)
			}
			replace(t, files.ClientCA, others.pem())
			w.pass(2 * time.Second)
			_, _, err := s.ask(config)
			require.Error(t, err)
		}
	})
}

func TestFilesThatChange(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	files := a.files()
	first := a.renew(files)
	w := &watch{at: time.Now()}
	s := open(t, &files, w.now)
	serial := func() string {
		t.Helper()
		_, state, err := s.ask(a.client(nil))
		require.NoError(t, err)
		return state.PeerCertificates[0].SerialNumber.String()
	}
	require.Equal(t, first.String(), serial())

	second := a.renew(files)
	require.Equal(t, first.String(), serial(), "the files are looked at once a second")
	w.pass(time.Second)
	require.Equal(t, second.String(), serial(), "and then the new certificate is in use")

	// A certificate whose key has not come yet, as for a moment while they are
	// renewed; then nonsense; then nothing.
	cert, key, third := a.issue()
	replace(t, files.Cert, cert)
	w.pass(time.Second)
	require.Equal(t, second.String(), serial())
	replace(t, files.Key, key)
	w.pass(time.Second)
	require.Equal(t, third.String(), serial())
	replace(t, files.Cert, []byte("no PEM"))
	w.pass(time.Second)
	require.Equal(t, third.String(), serial())
	require.NoError(t, os.Remove(files.Cert))
	w.pass(time.Second)
	require.Equal(t, third.String(), serial())
	require.Equal(t, 3, strings.Count(s.log.String(), "stay in use"), "each change that cannot be used is told once")
	require.NotContains(t, s.log.String(), "BEGIN")
}

func TestLoadCertificates(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	good, other := a.files(), a.files()
	empty := filepath.Join(t.TempDir(), "empty")
	replace(t, empty, nil)
	for name, files := range map[string]edge.TLSFiles{
		"no certificate":             {Cert: good.Cert + "-none", Key: good.Key},
		"no key":                     {Cert: good.Cert, Key: good.Key + "-none"},
		"the key of another":         {Cert: good.Cert, Key: other.Key},
		"a certificate for a key":    {Cert: good.Cert, Key: good.Cert},
		"no authorities":             {Cert: good.Cert, Key: good.Key, ClientCA: good.Cert + "-none"},
		"no authority in their file": {Cert: good.Cert, Key: good.Key, ClientCA: empty},
	} {
		t.Run(name+" is told at the start", func(t *testing.T) {
			t.Parallel()
			_, err := edge.LoadCertificates(files, slog.New(slog.DiscardHandler), nil)
			require.Error(t, err)
			require.NotContains(t, err.Error(), "PRIVATE")
		})
	}
}

func TestConnections(t *testing.T) {
	t.Parallel()
	// served says whether a new connection gets an answer.
	served := func(s *site) (net.Conn, bool) {
		c, err := net.Dial("tcp", s.address)
		require.NoError(t, err)
		require.NoError(t, c.SetDeadline(time.Now().Add(time.Minute)))
		_, _ = io.WriteString(c, "GET / HTTP/1.1\r\nHost: a\r\n\r\n")
		_, err = bufio.NewReader(c).ReadByte()
		return c, err == nil
	}

	t.Run("of one address are bounded, and one that ends makes room", func(t *testing.T) {
		t.Parallel()
		s := open(t, nil, nil, func(o *edge.ListenOptions) { o.OfOne = 2 })
		first, ok := served(s)
		require.True(t, ok)
		second, ok := served(s)
		require.True(t, ok)
		defer second.Close()
		_, ok = served(s)
		require.False(t, ok)
		require.NoError(t, first.Close())
		require.Eventually(t, func() bool {
			c, ok := served(s)
			_ = c.Close()
			return ok
		}, time.Minute, 10*time.Millisecond)
	})
	t.Run("of a proxy are not", func(t *testing.T) {
		t.Parallel()
		s := open(t, nil, nil, func(o *edge.ListenOptions) {
			o.OfOne, o.Proxies = 1, edge.Proxies{netip.MustParsePrefix("127.0.0.0/8")}
		})
		for range 3 {
			c, ok := served(s)
			require.True(t, ok)
			defer c.Close()
		}
	})
	t.Run("of all are bounded", func(t *testing.T) {
		t.Parallel()
		s := open(t, nil, nil, func(o *edge.ListenOptions) {
			o.Connections, o.Proxies = 2, edge.Proxies{netip.MustParsePrefix("127.0.0.0/8")}
		})
		for want, n := range []int{1, 1, 0} {
			c, ok := served(s)
			require.Equal(t, n == 1, ok, want)
			defer c.Close()
		}
	})
}

func TestTimesOfAConnection(t *testing.T) {
	t.Parallel()
	server := edge.NewServer(http.NotFoundHandler(), time.Minute, slog.New(slog.DiscardHandler))
	require.Equal(t, 10*time.Second, server.ReadHeaderTimeout)
	require.Equal(t, 2*time.Minute, server.IdleTimeout)
	require.Equal(t, 90*time.Second, server.WriteTimeout, "the request's time and then some to read the answer")
	require.Equal(t, 64<<10, server.MaxHeaderBytes)
}
