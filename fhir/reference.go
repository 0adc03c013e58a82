package fhir

import (
	"bytes"

	"tidemark.example/tidemark/fhir/schema"
)

// Reference is a literal reference to a resource of a server.
type Reference struct {
	// Base is what stands before the type, without the slash; "" for a
	// relative reference.
	Base string
	Type string
	ID   string
	// Version is that of a version-specific reference, "" for none.
	Version string
}

// ParseReference reads [base/]Type/id[/_history/version] (R4 references.html
// 2.3.0.3). References of another form, such as urn:uuid or #id, are not read.
func ParseReference(text []byte) (Reference, bool) {
	var r Reference
	if at := bytes.LastIndex(text, []byte("/_history/")); at >= 0 {
		r.Version = string(text[at+len("/_history/"):])
		text = text[:at]
		if !IsID(r.Version) {
			return Reference{}, false
		}
	}
	slash := bytes.LastIndexByte(text, '/')
	if slash < 1 {
		return Reference{}, false
	}
	start := bytes.LastIndexByte(text[:slash], '/') + 1
	if start > 1 {
		r.Base = string(text[:start-1])
	}
	r.Type, r.ID = schema.ResourceName(text[start:slash]), string(text[slash+1:])
	if r.Type == "" || !IsID(r.ID) || start == 1 {
		return Reference{}, false
	}
	return r, true
}

// String writes the reference as it was read.
func (r Reference) String() string {
	text := r.Type + "/" + r.ID
	if r.Base != "" {
		text = r.Base + "/" + text
	}
	if r.Version != "" {
		text += "/_history/" + r.Version
	}
	return text
}
