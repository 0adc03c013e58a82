package api

import (
	"context"
	"net/http"
	"strconv"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// entryAnswer is what became of an entry.
type entryAnswer struct {
	status       int
	location     string
	etag         string
	lastModified string
	resource     []byte
	outcome      []byte
	// read says that the resource is what was asked for, which no preference
	// leaves out.
	read bool
}

// of tells a version that was written or read.
func (a *entryAnswer) of(s *Server, status int, r store.Resource) {
	a.status, a.etag, a.lastModified = status, etag(r.Version), r.LastUpdated.Format(fhir.InstantFormat)
	if !r.Deleted {
		a.location, a.resource = s.location(r.Key.String(), r.Version), r.Body
	}
}

// answer fills in what became of an entry that writes, once it is committed.
func (s *Server) answer(ctx context.Context, e *entry) error {
	var issues fhir.Issues
	switch {
	case e.sub != nil:
		s.submitted(e.sub)
		if err := s.asFirst(ctx, e.sub); err != nil {
			return err
		}
		e.answer.of(s, e.sub.result.status, e.sub.result.resource)
		issues = e.sub.issues()
	case e.del != nil:
		s.deleted(e.del)
		e.answer.status = http.StatusNoContent
		if e.del.tombstone.Version != 0 {
			e.answer.of(s, http.StatusNoContent, e.del.tombstone)
		}
	case e.statement != nil:
		e.answer.of(s, http.StatusCreated, e.statement.written)
	case e.elsewhere:
		e.answer.status = http.StatusOK
		issues = fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational, Expression: e.node.Path(),
			Text: "Resources of this type are not kept here, and this one was not stored; what refers to it names its URL, its id or its identifier."}}
	}
	if len(issues) > 0 {
		e.answer.outcome = issues.JSON()
	}
	return nil
}

// bundleReply is the answer to a Bundle: one entry for each request, in their
// order.
type bundleReply struct {
	kind, prefer string
	entries      []entry
}

func (b *bundleReply) reply() reply {
	body := []byte(`{"resourceType":"Bundle","type":"` + b.kind + `"`)
	for i := range b.entries {
		body = append(body, [2]string{`,{`, `,"entry":[{`}[boolIndex(i == 0)]...)
		body = b.append(body, b.entries[i].answer)
	}
	if len(b.entries) > 0 {
		body = append(body, ']')
	}
	r := reply{status: http.StatusOK, body: append(body, '}')}
	switch b.prefer {
	case "minimal", "representation", "OperationOutcome":
		r.prefer = b.prefer
	}
	return r
}

// append writes one answer. A preference changes what is told of writes alone.
func (b *bundleReply) append(body []byte, a entryAnswer) []byte {
	if !a.read && a.status < http.StatusBadRequest {
		switch b.prefer {
		case "minimal":
			a.resource = nil
		case "OperationOutcome":
			a.resource = nil
			if a.outcome == nil {
				a.outcome = fhir.Issues{}.JSON()
			}
		}
	}
	if a.resource != nil {
		body = append(append(append(body, `"resource":`...), a.resource...), ',')
	}
	body = append(body, `"response":{"status":`...)
	body = strconv.AppendQuote(body, strconv.Itoa(a.status)+" "+http.StatusText(a.status))
	for _, member := range []struct{ name, value string }{{"location", a.location}, {"etag", a.etag}, {"lastModified", a.lastModified}} {
		if member.value != "" {
			body = append(body, `,"`+member.name+`":`...)
			body = strconv.AppendQuote(body, member.value)
		}
	}
	if a.outcome != nil {
		body = append(append(body, `,"outcome":`...), a.outcome...)
	}
	return append(body, '}', '}')
}
