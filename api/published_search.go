package api

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// fixed is a resource that no request changes: something published, or the
// Device. Its values, by parameter, are what searches find it by.
type fixed struct {
	reference string
	body      []byte
	values    map[string][]string
}

func newFixed(resource, id string, body []byte, root fhir.Node) fixed {
	f := fixed{reference: resource + "/" + id, body: body, values: map[string][]string{}}
	for _, p := range fixedParams[resource] {
		f.values[p.name] = p.values(root)
	}
	return f
}

// searchFixed finds fixed resources, and forms with those that are registered.
// They never or hardly change while the program runs, so a page begins behind as
// many as were on those before.
func (s *Server) searchFixed(resource string, all []fixed) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		asked, err := s.asked(c)
		if err != nil {
			return reply{}, err
		}
		query := asked.values
		p := fixedSearch{params: fixedParams[resource], found: slices.Clone(all), count: maxCount, used: url.Values{}}
		if resource == "Questionnaire" {
			p.found = append(p.found, s.registeredForms()...)
		}
		for _, name := range slices.Sorted(maps.Keys(query)) {
			for _, value := range query[name] {
				used, err := p.apply(name, value)
				if err != nil {
					return reply{}, err
				}
				if !used && value != "" && strict(c) {
					return reply{}, unsupported(resource, name)
				}
			}
		}
		return p.reply(s.options.BaseURL, resource), nil
	}
}

// fixedSearch is a search of fixed resources and what it has found so far.
type fixedSearch struct {
	params         []fixedParam
	found          []fixed
	count, skipped int
	used           url.Values
}

// apply takes one value into account and says whether it did.
func (p *fixedSearch) apply(name, value string) (used bool, err error) {
	bare, modifier, _ := strings.Cut(name, ":")
	at := slices.IndexFunc(p.params, func(q fixedParam) bool { return q.name == bare })
	switch {
	case value == "" && at < 0:
		return false, checkModifier(name)
	case value == "":
		return false, nil
	case at >= 0:
		p.used.Add(name, value)
		return true, p.narrow(p.params[at], modifier, value)
	case checkModifier(name) != nil:
		return false, checkModifier(name)
	case name == "_count":
		p.count, err = countParam(value)
		p.used.Set(name, strconv.Itoa(p.count))
	case name == cursorParam:
		p.used.Set(name, value)
		if p.skipped, err = strconv.Atoi(value); err != nil || p.skipped < 0 {
			return false, store.ErrPage
		}
	case name == "_format" || name == "_pretty":
		p.used.Set(name, value)
	default:
		return false, nil
	}
	return true, err
}

// reply writes the page.
func (p *fixedSearch) reply(base, resource string) reply {
	b := newSearchset(base)
	from := min(p.skipped, len(p.found))
	to := min(from+p.count, len(p.found))
	for _, f := range p.found[from:to] {
		b.add(f.reference, f.body, "match")
	}
	self, next := base+"/"+resource, ""
	if p.count > 0 && to < len(p.found) {
		after := maps.Clone(p.used)
		after.Set(cursorParam, strconv.Itoa(to))
		next = self + "?" + after.Encode()
	}
	if len(p.used) > 0 {
		self += "?" + p.used.Encode()
	}
	total := len(p.found)
	b.total, b.links = &total, []link{{"self", self}}
	if next != "" {
		b.links = append(b.links, link{"next", next})
	}
	return reply{status: http.StatusOK, body: b.close()}
}

// narrow keeps what one of the alternatives matches.
func (p *fixedSearch) narrow(param fixedParam, modifier, value string) error {
	compile := param.match
	if modifier != "" {
		if compile = param.modified[modifier]; compile == nil {
			return checkModifier(param.name + ":" + modifier)
		}
	}
	var matches []func(has string) bool
	for _, wanted := range alternatives(value) {
		match, err := compile(param.name, wanted)
		if err != nil {
			return err
		}
		matches = append(matches, match)
	}
	p.found = slices.DeleteFunc(p.found, func(f fixed) bool { return !matchesAny(f.values[param.name], matches) })
	return nil
}

func matchesAny(values []string, matches []func(string) bool) bool {
	return slices.ContainsFunc(values, func(has string) bool {
		return slices.ContainsFunc(matches, func(match func(string) bool) bool { return match(has) })
	})
}
