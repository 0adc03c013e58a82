package sandbox

import (
	"bytes"
	"net/http"
	"strings"
	"time"
)

// What is here is how HAPI FHIR's JPA server 8.8 differs, in what a client of
// ours meets, from what R4 says or from what this package does where R4 leaves
// it open (Kind.HAPI). hapi_test.go holds both to the same requests and answers.
//
// Not imitated: that it forgets elements it does not know, instead of refusing
// them; that it numbers what it creates; that a CapabilityStatement takes it
// some ten seconds the first time.

// hapiSearchAge is how long HAPI answers a search with what it found before,
// unless the request says no-cache.
const hapiSearchAge = time.Minute

// hapiPrecondition decides on an update or deletion of what exists in the
// version given by the id in the address, which may be a deletion, or nil if there
// was never any or the address has no id. HAPI looks at If-Match only where there
// is one, of an update; it never looks at If-None-Match of a write.
func hapiPrecondition(op operation, current *version) error {
	if op.method != http.MethodPut || op.ifMatch == "" || current == nil || hapiTag(op.ifMatch) == hapiTag(current.etag()) {
		return nil
	}
	return refuse(http.StatusConflict, codeProcessing, "this is not the current version")
}

// hapiTag is the version in an entity tag, which HAPI takes in any dress.
func hapiTag(tag string) string { return strings.Trim(strings.TrimPrefix(tag, "W/"), `"`) }

// hapiID refuses the ids that HAPI keeps for itself.
func hapiID(op operation) error {
	if op.id != "" && strings.Trim(op.id, "0123456789") == "" {
		return refuse(http.StatusBadRequest, codeProcessing, "clients may only assign ids with at least one character that is no digit")
	}
	return nil
}

// hapiReferences is the refusal of a resource for what it refers to, after it
// was given the references that HAPI keeps: without a version, and without the
// server's own base.
func (s *session) hapiReferences(value any) error {
	switch v := value.(type) {
	case *object:
		if err := s.hapiReference(v); err != nil {
			return err
		}
		for _, m := range v.members {
			if err := s.hapiReferences(m.value); err != nil {
				return err
			}
		}
	case []any:
		for _, each := range v {
			if err := s.hapiReferences(each); err != nil {
				return err
			}
		}
	}
	return nil
}

// hapiReference judges and rewrites the one reference of an object, if it is one.
func (s *session) hapiReference(o *object) error {
	text := o.text("reference")
	if text == "" || strings.HasPrefix(text, "#") {
		return nil
	}
	text, _, _ = strings.Cut(relative(text, s.base), "/_history/")
	o.set("reference", text)
	kind, id, local := strings.Cut(text, "/")
	switch {
	case strings.Contains(text, "://"):
		if s.opts.Kind.OwnReferences {
			return refuse(http.StatusBadRequest, codeProcessing, "this server is not configured to allow references to others")
		}
	case local && s.opts.supports(kind) && s.st.live(key{kind, id}) == nil:
		return refuse(http.StatusBadRequest, codeProcessing, "the %s referred to is not on this server", kind)
	}
	return nil
}

// hapiSame says whether a resource would be stored as it is already, of which
// HAPI makes no new version.
func hapiSame(before *version, tree *object) bool {
	return before != nil && bytes.Equal(hapiContent(before.tree), hapiContent(tree))
}

// hapiContent is a resource without what the server gives it.
func hapiContent(tree *object) []byte {
	own := clone(tree).(*object)
	own.remove("id")
	if meta := own.child("meta"); meta != nil {
		meta.remove("versionId")
		meta.remove("lastUpdated")
		if len(meta.members) == 0 {
			own.remove("meta")
		}
	}
	return encode(own)
}

// hapiDeleted is the answer to every deletion, whether there was anything or not.
func hapiDeleted() result {
	return result{status: http.StatusOK, bundle: outcome("information", codeInformational, "deleted, or not there", "")}
}

// hapiHeaders moves the address of a version to where HAPI tells it: of
// everything as Content-Location, and of what a POST came to as Location too.
func hapiHeaders(header http.Header, method, location string) {
	header.Set("Content-Location", location)
	header.Del("Location")
	if method == http.MethodPost {
		header.Set("Location", location)
	}
}

// hapiOutcome is an OperationOutcome as HAPI words it: one code for all, no
// element, and the sentence among the diagnostics.
func hapiOutcome(p *problem) *object {
	return obj("resourceType", "OperationOutcome", "issue", []any{obj("severity", "error", "code", codeProcessing, "diagnostics", p.text)})
}

// hapiSearches are the searches that were answered, by their address.
type hapiSearches map[string]hapiSearch

type hapiSearch struct {
	at     time.Time
	bundle *object
}

// recall is the answer given before to a search, nil if there is none so young.
func (h hapiSearches) recall(address string, now time.Time) *object {
	if before, found := h[address]; found && now.Sub(before.at) < hapiSearchAge {
		return before.bundle
	}
	return nil
}
