package sandbox

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// transacted is one entry of a transaction on its way.
type transacted struct {
	op      operation
	fullURL string
	// key is what the entry writes, known before anything is written so that the
	// others can refer to it.
	key key
}

// transaction serves a transaction at the base (R4 http.html 3.1.0.11): all or
// nothing, creates before updates, with references between entries replaced.
func (s *session) transaction(bundle *object) (result, error) {
	switch {
	case s.opts.Kind.NoTransaction:
		return result{}, refuse(http.StatusBadRequest, codeNotSupported, "this server takes no transactions")
	case bundle == nil || bundle.text("resourceType") != "Bundle" || bundle.text("type") != "transaction":
		return result{}, refuse(http.StatusBadRequest, codeNotSupported, "the base takes transactions only")
	}
	s.bundled = true
	var entries []*transacted
	for i, each := range bundle.list("entry") {
		e, err := s.entry(each)
		if err != nil {
			return result{}, at(err, i)
		}
		entries = append(entries, e)
	}
	links, err := identities(entries)
	if err != nil {
		return result{}, err
	}
	answers := make([]any, len(entries))
	for _, method := range []string{http.MethodPost, http.MethodPut} {
		for i, e := range entries {
			if e.op.method != method {
				continue
			}
			relink(e.op.tree, links)
			s.assigned = e.key.id
			written, err := s.run(e.op)
			s.assigned = ""
			if err != nil {
				return result{}, at(err, i)
			}
			answers[i] = s.entryAnswer(written)
		}
	}
	return result{status: http.StatusOK, bundle: obj("resourceType", "Bundle", "type", "transaction-response", "entry", answers)}, nil
}

// entry reads one entry and decides what it writes.
func (s *session) entry(each any) (*transacted, error) {
	o, _ := each.(*object)
	if o == nil || o.child("request") == nil || o.child("resource") == nil {
		return nil, refuse(http.StatusBadRequest, codeStructure, "an entry needs a request and a resource")
	}
	request := o.child("request")
	to, err := url.Parse(request.text("url"))
	if err != nil {
		return nil, refuse(http.StatusBadRequest, codeValue, "the url of the request is none")
	}
	e := &transacted{fullURL: o.text("fullUrl")}
	e.op = operation{
		method: request.text("method"), query: to.Query(), ifMatch: request.text("ifMatch"),
		ifNoneMatch: request.text("ifNoneMatch"), ifNoneExist: request.text("ifNoneExist"), tree: clone(o.child("resource")).(*object),
	}
	e.op.kind, e.op.id, _ = strings.Cut(to.Path, "/")
	if e.op.method != http.MethodPost && e.op.method != http.MethodPut {
		return nil, refuse(http.StatusBadRequest, codeNotSupported, "this server's transactions create and update only")
	}
	e.key, err = s.target(e.op)
	return e, err
}

// target is what an operation will write, or leave since it is there.
func (s *session) target(op operation) (key, error) {
	var found []*version
	var err error
	switch {
	case op.id != "":
		return key{op.kind, op.id}, nil
	case op.method == http.MethodPost && op.ifNoneExist != "" && !s.opts.Kind.IgnoreIfNoneExist:
		var existing *version
		if existing, err = s.existing(op); existing != nil {
			found = []*version{existing}
		}
	case op.method == http.MethodPut:
		if status := s.refusesConditionalUpdate(); status != 0 {
			return key{}, refuse(status, codeNotSupported, "conditional update is not supported")
		}
		found, err = s.matching(op.kind, op.query)
	}
	if err != nil || len(found) == 0 {
		return key{op.kind, s.opts.NewID()}, err
	}
	return found[0].key, nil
}

// identities are the references by which entries call each other. An identity
// that is written twice fails the transaction.
func identities(entries []*transacted) (map[string]string, error) {
	links := map[string]string{}
	var written []key
	for _, e := range entries {
		if slices.Contains(written, e.key) {
			return nil, refuse(http.StatusBadRequest, codeInvalid, "two entries write the same resource")
		}
		written = append(written, e.key)
		if e.fullURL != "" {
			links[e.fullURL] = e.key.String()
		}
	}
	return links, nil
}

// relink replaces references between entries.
func relink(value any, links map[string]string) {
	switch v := value.(type) {
	case *object:
		if to, linked := links[v.text("reference")]; linked {
			v.set("reference", to)
		}
		for _, m := range v.members {
			relink(m.value, links)
		}
	case []any:
		for _, each := range v {
			relink(each, links)
		}
	}
}

// entryAnswer is the entry of the answer.
func (s *session) entryAnswer(r result) *object {
	response := obj("status", strconv.Itoa(r.status)+" "+http.StatusText(r.status))
	if r.version == nil {
		return obj("response", response)
	}
	location := r.version.key.String()
	if !s.opts.Kind.NoVersions {
		location = r.version.path()
		response.set("etag", s.entryTag(r.version))
	}
	response.set("location", location)
	if s.minimal {
		return obj("response", response)
	}
	return obj("fullUrl", s.base+"/"+r.version.key.String(), "resource", r.version.tree, "response", response)
}

// entryTag is the version in the answer to an entry, where HAPI leaves off what
// makes it an entity tag.
func (s *session) entryTag(v *version) string {
	if s.opts.Kind.HAPI {
		return hapiTag(v.etag())
	}
	return v.etag()
}

// at says which entry a fault is of.
func at(err error, entry int) error {
	if p, ok := err.(*problem); ok { //nolint:errorlint // every refusal of this package is one, unwrapped
		fault := *p
		fault.expression = "Bundle.entry[" + strconv.Itoa(entry) + "]"
		if rest, found := strings.CutPrefix(p.expression, "Observation"); found {
			fault.expression += ".resource" + rest
		}
		return &fault
	}
	return err
}
