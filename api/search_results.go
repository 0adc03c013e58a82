package api

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// results writes a page of matches, what comes along with them, and what is to
// be told about the search.
func (s *Server) results(c *gin.Context, p *parsed, page store.Page, asked asked) (reply, error) {
	b := newSearchset(s.options.BaseURL)
	for _, r := range page.Resources {
		body, err := p.shaped(r.Body, p.elements)
		if err != nil {
			return reply{}, err
		}
		b.add(r.Key.String(), body, "match")
	}
	along, more, err := s.joined(c.Request.Context(), p, page.Resources)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	for _, r := range along {
		body, err := p.shaped(r.Body, nil)
		if err != nil {
			return reply{}, err
		}
		b.add(r.Key.String(), body, "include")
	}
	if issues := p.told(more, handled(c) == "lenient"); len(issues) > 0 && p.query.Limit > 0 {
		b.outcome(issues.JSON())
	}
	if p.query.Total {
		b.total = &page.Total
	}
	if b.links, err = s.links(c, p, page, asked); err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusOK, body: b.close(), handling: handled(c)}, nil
}

// told is what the searcher should know about the answer: what was ignored, if
// it asked for that in so many words (others read the self link), and what is
// missing.
func (p *parsed) told(more, lenient bool) fhir.Issues {
	var issues fhir.Issues
	if lenient && len(p.ignored) > 0 {
		names := make([]string, len(p.ignored))
		for i, name := range p.ignored {
			names[i] = clipName(name)
		}
		issues = append(issues, fhir.Issue{Severity: fhir.Warning, Code: fhir.IssueNotSupported,
			Text: "Ignored, since this server does not offer it for " + p.resource + ": " + strings.Join(names, ", ") + ". Prefer: handling=strict refuses such a search."})
	}
	if more {
		issues = append(issues, fhir.Issue{Severity: fhir.Warning, Code: fhir.IssueIncomplete,
			Text: "More belongs to these matches than is included; ask for smaller pages."})
	}
	return issues
}

// shaped gives the part of a resource that was asked for, marked as a part.
func (p *parsed) shaped(body []byte, elements []string) ([]byte, error) {
	var keep func(*fhir.Element) bool
	switch {
	case elements != nil:
		keep = func(e *fhir.Element) bool {
			return slices.ContainsFunc(elements, func(name string) bool { return fhir.Names(e, name) })
		}
	case p.summary == "true":
		keep = func(e *fhir.Element) bool { return e.Summary }
	case p.summary == "text":
		keep = func(e *fhir.Element) bool { return e.Name == "text" }
	case p.summary == "data":
		keep = func(e *fhir.Element) bool { return e.Name != "text" }
	default:
		return body, nil
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	return fhir.AppendSubset(make([]byte, 0, len(body)), document.Root(), keep), nil
}

// links are the places of the pages, by their relation.
func (s *Server) links(c *gin.Context, p *parsed, page store.Page, asked asked) ([]link, error) {
	at := func(cursor string) (string, error) {
		used := maps.Clone(p.used)
		used.Del(cursorParam)
		if cursor != "" {
			used.Set(cursorParam, cursor)
		}
		return s.address(c, p.path, used, asked)
	}
	places := []struct{ relation, cursor string }{{"self", p.query.After}}
	paged := page.Next != "" || page.Prev != ""
	if paged {
		places = append(places, struct{ relation, cursor string }{"first", ""})
	}
	for _, place := range []struct{ relation, cursor string }{{"previous", page.Prev}, {"next", page.Next}, {"last", page.Last}} {
		if place.cursor != "" {
			places = append(places, place)
		}
	}
	var all []link
	for _, place := range places {
		address, err := at(place.cursor)
		if err != nil {
			return nil, err
		}
		all = append(all, link{place.relation, address})
	}
	return all, nil
}

// address is that of a search. What a POST kept out of the URL stays out of it.
func (s *Server) address(c *gin.Context, path string, used url.Values, asked asked) (string, error) {
	if asked.hidden {
		var err error
		if used, err = s.seal(c.Request.Context(), used); err != nil {
			return "", err
		}
	}
	address := s.options.BaseURL + "/" + path
	if len(used) > 0 {
		address += "?" + used.Encode()
	}
	return address, nil
}
