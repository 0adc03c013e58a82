package api

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// batch does each entry by itself, as if it had been sent alone; whatever
// becomes of one, the others are done.
func (s *Server) batch(c *gin.Context, root fhir.Node) []entry {
	var entries []entry
	links, created := fhir.EntriesOf(root), []bool{}
	for node := range root.Each("entry") {
		created = append(created, node.Get("request").Get("method").Is(http.MethodPost))
	}
	for node := range root.Each("entry") {
		e, err := s.newEntry(node)
		if err == nil {
			err = standsAlone(links, created, len(entries), node.Get("resource"))
		}
		if err == nil {
			err = s.alone(c, &e)
		}
		if err != nil {
			f := classify(inEntry(err, node))
			s.report(c, f, err)
			if e.request == nil { // what is done through the router is counted there
				s.metrics.refused(f.reason())
				s.recordRefused(c, &e, f)
			}
			e.answer = entryAnswer{status: f.status, outcome: f.issues.JSON()}
		}
		entries = append(entries, e)
	}
	return entries
}

// alone does one entry of a batch.
func (s *Server) alone(c *gin.Context, e *entry) error {
	ctx := c.Request.Context()
	if err := s.authoriseEntry(ctx, e); err != nil {
		return err
	}
	if ours, err := s.response(e); err != nil {
		return err
	} else if !ours {
		if e.request, err = newSubrequest(c, e); err != nil {
			return err
		}
		e.answer, err = s.dispatch(c, e.request, e.node)
		return err
	}
	var err error
	if e.sub != nil {
		s.foresee(ctx, e.sub)
		err = s.options.Store.Write(ctx, e.sub.keys(), e.sub.apply, e.sub.ahead()...)
	} else {
		err = s.options.Store.Write(ctx, e.del.keys(), e.del.apply)
	}
	if err != nil {
		return stored(ctx, err)
	}
	return s.answer(ctx, e)
}

// standsAlone refuses references to other entries, which a batch must not have
// (R4 http.html 3.1.0.11.1): what they name is not known, or does not exist yet.
func standsAlone(links fhir.BundleEntries, created []bool, from int, resource fhir.Node) error {
	if !resource.Exists() {
		return nil
	}
	var issues fhir.Issues
	refuse := func(link fhir.Link, text string) {
		issues = append(issues, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueBusinessRule, Expression: link.At.Path(), Text: text})
	}
	resource.Links(nil, func(link fhir.Link) (fhir.Relinked, bool) {
		if link.Kind != fhir.LinkReference {
			return fhir.Relinked{}, false
		}
		to, _, found := links.Resolve(from, link.Text)
		switch {
		case fhir.IsURN(link.Text) || found && created[to]:
			refuse(link, "The reference names another entry, and the entries of a batch stand alone; send a transaction.")
		case isConditional(link.Text):
			refuse(link, "Conditional references are for transactions; give an identifier instead, or send a transaction.")
		}
		return fhir.Relinked{}, false
	})
	if len(issues) > 0 {
		return issues
	}
	return nil
}
