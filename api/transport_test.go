package api_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
)

// raw is one connection on which a request is written byte by byte.
type raw struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func (r *rig) dial(t *testing.T) *raw {
	conn, err := net.Dial("tcp", strings.TrimPrefix(r.origin, "http://"))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	require.NoError(t, conn.SetDeadline(time.Now().Add(slowMachine)))
	return &raw{t, conn, bufio.NewReader(conn)}
}

// start writes the head of a POST, and what there is of its body.
func (c *raw) start(path, body string, headers ...string) {
	c.t.Helper()
	_, err := fmt.Fprintf(c.conn, "POST %s HTTP/1.1\r\nHost: tidemark.example\r\n%s\r\n\r\n%s", path, strings.Join(headers, "\r\n"), body)
	require.NoError(c.t, err)
}

// answer reads what came back, and whether the connection ends with it.
func (c *raw) answer() answer {
	c.t.Helper()
	response, err := http.ReadResponse(c.in, nil)
	require.NoError(c.t, err)
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	require.NoError(c.t, err)
	return answer{t: c.t, status: response.StatusCode, header: response.Header, body: body}
}

const (
	responsePath = "/fhir/QuestionnaireResponse"
	asFHIR       = "Content-Type: application/fhir+json"
	chunked      = "Transfer-Encoding: chunked"
)

func TestBodySize(t *testing.T) {
	t.Parallel()
	body := oona("size").json()
	r := newRig(t, func(o *api.Options) { o.MaxBody = int64(len(body)) })
	paths := []string{responsePath, responsePath + "/$extract", "/fhir"}
	for _, path := range paths {
		r.run(t, path+" announced as too large is refused before it is sent", func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(path, "{", asFHIR, fmt.Sprint("Content-Length: ", 1<<40))
			c.answer().refused(http.StatusRequestEntityTooLarge, "too-long")
			_, err := c.in.ReadByte()
			require.Error(t, err, "the connection ends")
		})
		r.run(t, path+" that waits to be asked for its body is not", func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(path, "", asFHIR, "Expect: 100-continue", fmt.Sprint("Content-Length: ", 1<<20))
			c.answer().refused(http.StatusRequestEntityTooLarge, "too-long")
		})
		r.run(t, path+" too large in chunks is refused", func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(path, fmt.Sprintf("%x\r\n%s \r\n", len(body)+1, body), asFHIR, chunked)
			c.answer().refused(http.StatusRequestEntityTooLarge, "too-long")
		})
		r.run(t, path+" one byte too large is refused", func(t *testing.T, r *rig) {
			r.do(http.MethodPost, path, body+" ").refused(http.StatusRequestEntityTooLarge, "too-long")
		})
	}
	r.run(t, "as large as allowed is taken, in chunks too", func(t *testing.T, r *rig) {
		c := r.dial(t)
		c.start(responsePath, fmt.Sprintf("%x\r\n%s\r\n%x\r\n%s\r\n0\r\n\r\n", 100, body[:100], len(body)-100, body[100:]), asFHIR, chunked)
		require.Equal(t, http.StatusCreated, c.answer().status)
		require.Equal(t, http.StatusCreated, r.do(http.MethodPost, responsePath, body).status, "the same again")
	})
}

func TestSlowBodies(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) { o.BodyTimeout = 300 * time.Millisecond })
	body := oona("slow").json()
	length := fmt.Sprint("Content-Length: ", len(body))
	for _, path := range []string{responsePath, responsePath + "/$extract", "/fhir"} {
		r.run(t, path+" that stops arriving is given up", func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(path, body[:50], asFHIR, length)
			c.answer().refused(http.StatusRequestTimeout, "timeout")
		})
		r.run(t, path+" in chunks that stop is given up", func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(path, fmt.Sprintf("%x\r\n%s", 100, body[:50]), asFHIR, chunked)
			c.answer().refused(http.StatusRequestTimeout, "timeout")
		})
	}
	r.run(t, "that trickles has the time of all, not of each byte", func(t *testing.T, r *rig) {
		c := r.dial(t)
		c.start(responsePath, body[:1], asFHIR, length)
		go func() {
			for i := 1; i < len(body); i++ {
				time.Sleep(20 * time.Millisecond)
				if _, err := io.WriteString(c.conn, body[i:i+1]); err != nil {
					return
				}
			}
		}()
		c.answer().refused(http.StatusRequestTimeout, "timeout") // if each byte had that time, all of it would be taken
	})
	// Before it answers the server reads what was not read: that has a limit too.
	for name, c := range map[string]struct {
		path, media string
		status      int
	}{
		"of a wrong media type":  {responsePath, "Content-Type: text/plain", http.StatusUnsupportedMediaType},
		"to no path":             {"/fhir/nothing", asFHIR, http.StatusNotFound},
		"to a path that is read": {"/fhir/metadata", asFHIR, http.StatusMethodNotAllowed},
	} {
		r.run(t, name+" is refused without the whole of it", func(t *testing.T, r *rig) {
			conn := r.dial(t)
			conn.start(c.path, body[:50], c.media, length)
			require.Equal(t, c.status, conn.answer().status)
		})
	}
}

// TestTimeOfABodyEndsWithIt: the next request on a connection has a time of its
// own. This one is long enough for a busy machine to read what has arrived.
func TestTimeOfABodyEndsWithIt(t *testing.T) {
	t.Parallel()
	const limit = 5 * time.Second
	r := newRig(t, func(o *api.Options) { o.BodyTimeout = limit })
	c := r.dial(t)
	for i := range 2 {
		text := oona(fmt.Sprint("slow-", i)).json()
		c.start(responsePath, text, asFHIR, fmt.Sprint("Content-Length: ", len(text)))
		require.Equal(t, http.StatusCreated, c.answer().status)
		time.Sleep([...]time.Duration{limit + limit/10, 0}[i])
	}
}

func TestBodiesCutShort(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("cut").json()
	r.run(t, "by a client that goes silent for good is no fault of the server's", func(t *testing.T, r *rig) {
		c := r.dial(t)
		c.start(responsePath, body[:50], asFHIR, fmt.Sprint("Content-Length: ", len(body)))
		require.NoError(t, c.conn.(*net.TCPConn).CloseWrite())
		c.answer().refused(http.StatusBadRequest, "structure")
	})
	for name, text := range map[string]string{"no length": "zz\r\n{}\r\n", "longer than it says": "2\r\n{}{}\r\n0\r\n\r\n"} {
		r.run(t, "a chunk with "+name, func(t *testing.T, r *rig) {
			c := r.dial(t)
			c.start(responsePath, text, asFHIR, chunked)
			c.answer().refused(http.StatusBadRequest, "structure")
		})
	}
	t.Cleanup(func() {
		require.Equal(t, kept{}, r.kept())
		require.NotContains(t, r.log.String(), `"level":"ERROR"`)
	})
}

// failing is a store that answers with an error, or panics.
type failing struct {
	store.Store
	err   error
	panic any
}

func (f failing) fail() error {
	if f.panic != nil {
		panic(f.panic)
	}
	return f.err
}

// Get implements store.Store.
func (f failing) Get(context.Context, store.Key) (store.Resource, error) {
	return store.Resource{}, f.fail()
}

// Version implements store.Store.
func (f failing) Version(context.Context, store.Key, int64) (store.Resource, error) {
	return store.Resource{}, f.fail()
}

// Search implements store.Store.
func (f failing) Search(context.Context, store.Query) (store.Page, error) {
	return store.Page{}, f.fail()
}

// Write implements store.Store.
func (f failing) Write(context.Context, []string, store.Job, ...store.Heads) error { return f.fail() }

// everything that needs the store.
func (r *rig) everything() map[string]answer {
	body := oona("everything")
	update := body
	update.id = "a"
	return map[string]answer{
		"read":        r.get("/fhir/Observation/a"),
		"vread":       r.get("/fhir/QuestionnaireResponse/a/_history/1"),
		"search":      r.get("/fhir/Observation?patient=oona-thistledown"),
		"create":      r.do(http.MethodPost, responsePath, body.json()),
		"update":      r.put(update),
		"transaction": r.bundle("transaction", postOf(body)),
	}
}

const secret = "disk I/O error in /var/lib/tidemark: Oona Thistledown"

func TestStoreFailures(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		store  failing
		status int
		code   string
	}{
		"closed":            {failing{err: store.ErrClosed}, http.StatusServiceUnavailable, "transient"},
		"unknown outcome":   {failing{err: fmt.Errorf("commit: %w", store.ErrUnknownOutcome)}, http.StatusServiceUnavailable, "no-store"},
		"broken disk":       {failing{err: errors.New(secret)}, http.StatusServiceUnavailable, "no-store"},
		"database too slow": {failing{err: fmt.Errorf("dial: %w", context.DeadlineExceeded)}, http.StatusServiceUnavailable, "no-store"},
		"panic":             {failing{panic: secret}, http.StatusInternalServerError, "exception"},
		"panic with error":  {failing{panic: errors.New(secret)}, http.StatusInternalServerError, "exception"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, func(o *api.Options) { c.store.Store = o.Store; o.Store = c.store })
			for what, a := range r.everything() {
				a.refused(c.status, c.code)
				require.Equal(t, c.status == http.StatusServiceUnavailable, a.header.Get("Retry-After") != "", what)
				require.NotContains(t, string(a.body), "disk")
				require.NotContains(t, string(a.body), "Oona")
				require.NotContains(t, string(a.body), "goroutine")
				require.Contains(t, r.log.String(), a.header.Get("X-Request-Id"), "the log leads from the request to the cause")
			}
			require.Contains(t, r.log.String(), `"level":"ERROR"`)
			batch := r.bundle("batch", postOf(oona("batched")), entryOf(http.MethodGet, "Observation/a", ""))
			if c.status == http.StatusServiceUnavailable {
				require.Equal(t, http.StatusOK, batch.status)
				require.Equal(t, "503 Service Unavailable", batch.text("entry", 1, "response", "status"))
				require.Equal(t, c.code, batch.text("entry", 0, "response", "outcome", "issue", 0, "code"))
			} else {
				batch.refused(c.status, c.code)
				require.NotContains(t, r.log.String(), secret, "the value of a panic may quote a resource")
			}
			require.Equal(t, http.StatusOK, r.get("/fhir/metadata").status, "and it goes on")
		})
	}
}

// TestStoredFaultsAreNotTheSenders: what the store holds and cannot be read is
// the server's fault, though it shows as issues like those of a request.
func TestStoredFaultsAreNotTheSenders(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("rotten").json()).id()
	require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Put(store.Key{Type: "QuestionnaireResponse", ID: id}, http.MethodPut, store.Index{}, func(int64, time.Time) ([]byte, error) {
			return []byte(`{"resourceType":"QuestionnaireResponse","flavour":"sour"}`), nil
		})
		return err
	}))
	body := oona("rotten")
	body.id, body.status, body.itch = id, "amended", "7"
	a := r.put(body)
	a.refused(http.StatusInternalServerError, "exception")
	require.NotContains(t, string(a.body), "flavour")
	require.Contains(t, r.log.String(), "a stored response does not decode")
}

func TestClosedStore(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.create(oona("before").json())
	require.NoError(t, r.store.Close())
	for what, a := range r.everything() {
		t.Log(what)
		a.refused(http.StatusServiceUnavailable, "transient")
		require.Equal(t, "2", a.header.Get("Retry-After"))
	}
}
