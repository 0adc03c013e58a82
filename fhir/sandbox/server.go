package sandbox

import (
	"crypto/rand"
	"errors"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

const contentType = "application/fhir+json; charset=utf-8"

// defaultMaxBody bounds a request body in bytes.
const defaultMaxBody = 4 << 20

// Options configure a Server; the zero value works.
type Options struct {
	// RequirePatients refuses a resource that refers to a Patient of this
	// server which is not there, as servers with referential integrity do.
	RequirePatients bool
	// NewID gives the ids of new resources; nil means random ones.
	NewID func() string
	// Now tells the time; nil means time.Now.
	Now func() time.Time
	// MaxBody is the largest body in bytes; 0 means 4 MB.
	MaxBody int64
	// Kind is what the server can do; the zero value can do everything.
	Kind Kind
}

// types are those the server keeps.
var types = map[string]bool{
	"Patient": true, "Observation": true, "Provenance": true, "Device": true, "Practitioner": true,
	"QuestionnaireResponse": true, "DocumentReference": true, "DiagnosticReport": true, "RelatedPerson": true,
}

func (o *Options) supports(kind string) bool { return types[kind] }

// typeNames are the types in order.
func typeNames() []string { return slices.Sorted(maps.Keys(types)) }

// Server is the stand-in. Make one with New; it is safe for concurrent use.
type Server struct {
	opts Options

	mu       sync.Mutex
	state    *state
	faults   []Fault
	searched hapiSearches
}

// New makes an empty server.
func New(opts Options) *Server {
	if opts.NewID == nil {
		opts.NewID = func() string { return strings.ToLower(rand.Text()[:20]) }
	}
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.MaxBody == 0 {
		opts.MaxBody = defaultMaxBody
	}
	return &Server{opts: opts, state: newState(!opts.Kind.NoVersions), searched: hapiSearches{}}
}

// answer is what goes back over the wire.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// ServeHTTP answers FHIR requests at any base path that ends before the type.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	fault := s.next()
	if fault.before(w) {
		return
	}
	a := s.serve(r, fault.quirks)
	if fault.after(w, &a) {
		return
	}
	for name, values := range a.header {
		w.Header()[name] = values
	}
	w.WriteHeader(a.status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(a.body) // a client that hangs up needs no answer
	}
}

// serve carries out one request on the locked state.
func (s *Server) serve(r *http.Request, q quirks) answer {
	op, err := s.operation(r)
	if err != nil {
		return s.refusal(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	session := &session{
		st: s.state, opts: &s.opts, quirks: q, base: baseOf(r), now: s.opts.Now(),
		strict:  s.opts.Kind.HAPI || strings.Contains(r.Header.Get("Prefer"), "handling=strict"),
		minimal: strings.Contains(r.Header.Get("Prefer"), "return=minimal"),
	}
	if s.opts.Kind.HAPI && !strings.Contains(r.Header.Get("Cache-Control"), "no-cache") {
		session.searched = s.searched
	}
	if s.opts.Kind.HAPI && op.transaction {
		session.minimal = !strings.Contains(r.Header.Get("Prefer"), "return=representation")
	}
	result, failed := session.run(op)
	if failed != nil {
		s.state.rollback()
		if p, ok := errors.AsType[*problem](failed); ok {
			return s.refusal(p)
		}
		return refuse(http.StatusInternalServerError, codeException, "the server failed").answer()
	}
	s.state.commit()
	return s.answer(r, result, session.base)
}

// refusal is a problem as this kind of server tells it.
func (s *Server) refusal(p *problem) answer {
	a := p.answer()
	if s.opts.Kind.HAPI {
		a.body = encode(hapiOutcome(p))
	}
	return a
}

// answer turns a result into headers and a body.
func (s *Server) answer(r *http.Request, result result, base string) answer {
	a := answer{status: result.status, header: http.Header{}}
	a.header.Set("Content-Type", contentType)
	if result.bundle != nil {
		a.body = encode(result.bundle)
		return a
	}
	v := result.version
	if v == nil {
		return a
	}
	if !s.opts.Kind.NoVersions {
		a.header.Set("ETag", v.etag())
	}
	a.header.Set("Last-Modified", v.updated.UTC().Format(http.TimeFormat))
	if result.written {
		a.header.Set("Location", base+"/"+s.located(v))
	}
	if s.opts.Kind.HAPI {
		hapiHeaders(a.header, r.Method, base+"/"+s.located(v))
	}
	if result.status != http.StatusNotModified && !strings.Contains(r.Header.Get("Prefer"), "return=minimal") {
		a.body = v.body
	}
	return a
}

// located is the address of a version as far as this server tells versions.
func (s *Server) located(v *version) string {
	if s.opts.Kind.NoVersions {
		return v.key.String()
	}
	return v.path()
}

// operation reads method, path, headers and body.
func (s *Server) operation(r *http.Request) (operation, *problem) {
	op := operation{
		method: r.Method, query: r.URL.Query(), ifMatch: r.Header.Get("If-Match"), ifNoneMatch: r.Header.Get("If-None-Match"),
		ifNoneExist: r.Header.Get("If-None-Exist"), ifModified: r.Header.Get("If-Modified-Since"),
	}
	parts, at := pathOf(r)
	switch {
	case at < len(parts):
		op.address(parts[at:])
	case r.Method == http.MethodGet && parts[len(parts)-1] == "metadata":
		op.capabilities = true
	case r.Method == http.MethodPost:
		op.transaction = true
	default:
		return op, refuse(http.StatusNotFound, codeNotSupported, "this server has nothing at this path")
	}
	if r.Method == http.MethodPost && op.id == "_search" {
		return s.posted(op, r)
	}
	if r.Method != http.MethodPost && r.Method != http.MethodPut {
		return op, nil
	}
	body, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, s.opts.MaxBody))
	if err != nil {
		return op, refuse(http.StatusRequestEntityTooLarge, codeTooLong, "the body is too large or did not arrive")
	}
	if op.tree, err = parse(body); err != nil {
		return op, refuse(http.StatusBadRequest, codeStructure, "the body is not a JSON object")
	}
	return op, nil
}

// posted is a search by POST (R4 http.html 3.1.0.9): its parameters are in the body, and in the URL if there are any.
func (s *Server) posted(op operation, r *http.Request) (operation, *problem) {
	r.Body = http.MaxBytesReader(nil, r.Body, s.opts.MaxBody)
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
		return op, refuse(http.StatusUnsupportedMediaType, codeNotSupported, "a search by POST is a form")
	}
	if err := r.ParseForm(); err != nil {
		return op, refuse(http.StatusBadRequest, codeStructure, "the form cannot be read")
	}
	op.method, op.id, op.query = http.MethodGet, "", r.Form
	return op, nil
}

// address reads a path from its type on.
func (op *operation) address(parts []string) {
	at := 0
	op.kind = parts[at]
	if at+1 < len(parts) && parts[at+1] != "_history" {
		at++
		op.id = parts[at]
	}
	if at+1 < len(parts) && parts[at+1] == "_history" {
		op.history = true
		if at+2 < len(parts) {
			op.version = parts[at+2]
		}
	}
}

// pathOf is the path in its parts, with the place of the type, which is their
// number if there is none.
func pathOf(r *http.Request) (parts []string, at int) {
	parts = strings.Split(strings.Trim(r.URL.Path, "/"), "/")
	at = slices.IndexFunc(parts, func(part string) bool { return types[part] })
	if at < 0 {
		at = len(parts)
	}
	return parts, at
}

// baseOf is the URL before the type, as the client wrote it.
func baseOf(r *http.Request) string {
	parts, at := pathOf(r)
	u := url.URL{Scheme: "http", Host: r.Host, Path: strings.Join(parts[:at], "/")}
	return u.String()
}

// Put stores a resource as it is, under the id it carries: what the hospital
// had before anything came. It panics on what is no resource, which is a fault
// of the test or the demo.
func (s *Server) Put(resource []byte) {
	tree, err := parse(resource)
	if err != nil || tree.text("resourceType") == "" || tree.text("id") == "" {
		panic("sandbox: Put needs a resource with an id")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state.put(key{tree.text("resourceType"), tree.text("id")}, tree, http.MethodPut, s.opts.Now())
	s.state.commit()
}

// Delete removes a resource as the hospital's own staff would; one that is not
// there stays so. No queued fault is spent on it.
func (s *Server) Delete(kind, id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if k := (key{kind, id}); s.state.live(k) != nil {
		s.state.remove(k, s.opts.Now())
		s.state.commit()
	}
}

// Current gives the JSON of all resources of a type that are not deleted, in
// order of their creation.
func (s *Server) Current(kind string) [][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all [][]byte
	for _, k := range s.state.order[kind] {
		if v := s.state.live(k); v != nil {
			all = append(all, v.body)
		}
	}
	return all
}

// Versions gives the JSON of every version of a resource, oldest first; a
// deletion is nil.
func (s *Server) Versions(kind, id string) [][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all [][]byte
	for _, v := range s.state.versions[key{kind, id}] {
		all = append(all, v.body)
	}
	return all
}
