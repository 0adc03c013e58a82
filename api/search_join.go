package api

import (
	"context"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// join is a reference that _include follows from what was found, and _revinclude
// back to it.
type join struct{ source, param, target string }

// String is how a search and the CapabilityStatement name it.
func (j join) String() string { return j.source + ":" + j.param }

// joins are those offered: _include at their source, _revinclude at their
// target.
var joins = []join{
	{"Observation", "derived-from", "QuestionnaireResponse"},
	{"Observation", "device", "Device"},
	{"Provenance", "target", "Observation"},
}

// revIncluded says whether a join is offered backwards: there is one Device, and
// all scores are of it.
func (j join) revIncluded() bool { return j.target != "Device" }

// maxJoined is how many resources may come along with one page.
const maxJoined = 1000

// readInclude reads source:param or source:param:target. What is not offered is
// as any parameter that is not.
func (p *parsed) readInclude(value string) (bool, error) {
	found, err := readJoin("_include", value, func(j join) bool { return j.source == p.resource })
	p.includes = append(p.includes, found...)
	return len(found) > 0, err
}

func (p *parsed) readRevInclude(value string) (bool, error) {
	found, err := readJoin("_revinclude", value, func(j join) bool { return j.target == p.resource && j.revIncluded() })
	p.revIncludes = append(p.revIncludes, found...)
	return len(found) > 0, err
}

func readJoin(name, value string, offered func(join) bool) ([]join, error) {
	parts := strings.Split(value, ":")
	if len(parts) < 2 && value != "*" || len(parts) > 3 || slices.Contains(parts, "") {
		return nil, badParam(name, "a type and a search parameter, as Observation:derived-from")
	}
	var found []join
	for _, j := range joins {
		named := len(parts) > 1 && parts[0] == j.source && (parts[1] == j.param || parts[1] == "*") && (len(parts) == 2 || parts[2] == j.target)
		if offered(j) && named {
			found = append(found, j)
		}
	}
	return found, nil
}

// joined finds what comes along with a page; more says that there was too much.
func (s *Server) joined(ctx context.Context, p *parsed, page []store.Resource) (along []store.Resource, more bool, err error) {
	if len(page) == 0 {
		return nil, false, nil
	}
	add := func(found store.Page, err error) error {
		along, more = append(along, found.Resources...), more || found.Next != ""
		return err
	}
	for _, j := range p.includes {
		if err := add(s.included(ctx, j, page)); err != nil {
			return nil, false, err
		}
	}
	for _, j := range p.revIncludes {
		if err := add(s.revIncluded(ctx, j, page)); err != nil {
			return nil, false, err
		}
	}
	return once(along, page), more, nil
}

// once leaves out what is there twice, or is on the page itself.
func once(along, page []store.Resource) []store.Resource {
	seen := map[store.Key]bool{}
	for _, r := range page {
		seen[r.Key] = true
	}
	return slices.DeleteFunc(along, func(r store.Resource) bool {
		before := seen[r.Key]
		seen[r.Key] = true
		return before
	})
}

// includedDevices are those that the scores of a page name, each once.
func (s *Server) includedDevices(page []store.Resource) (found store.Page, err error) {
	seen := map[string]bool{}
	for _, r := range page {
		document, err := fhir.Decode(r.Body)
		if err != nil {
			return store.Page{}, &fault{"a stored resource does not decode", err}
		}
		version, _ := observation.AlgorithmOf(document.Root())
		document.Release()
		if device, ok := s.device(observation.DeviceOf(version)); ok && !seen[version] {
			seen[version] = true
			found.Resources = append(found.Resources, device)
		}
	}
	return found, nil
}

// included finds what the resources of a page refer to.
func (s *Server) included(ctx context.Context, j join, page []store.Resource) (store.Page, error) {
	if j.target == "Device" {
		return s.includedDevices(page)
	}
	var ids []string
	for _, r := range page {
		found, err := s.referred(r, j)
		if err != nil {
			return store.Page{}, err
		}
		ids = append(ids, found...)
	}
	if len(ids) == 0 {
		return store.Page{}, nil
	}
	return s.options.Store.Search(ctx, withoutRetracted(store.Query{Type: j.target, IDs: ids, Sort: store.ByID, Limit: maxJoined}))
}

// withoutRetracted leaves out scores that were taken back: no list has them
// unless asked for.
func withoutRetracted(query store.Query) store.Query {
	if query.Type == "Observation" {
		query.NotStatuses = []string{retracted}
	}
	return query
}

// referenceElements are the elements behind the parameters of joins.
var referenceElements = map[string]string{"derived-from": "derivedFrom", "target": "target"}

// referred are the ids of our own resources that a resource refers to.
func (s *Server) referred(r store.Resource, j join) ([]string, error) {
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	var ids []string
	for reference := range document.Root().Each(referenceElements[j.param]) {
		key := localReference(reference.Get("reference").Text(), s.options.BaseURL)
		if kind, id, ok := strings.Cut(key, "/"); ok && kind == j.target && fhir.IsID(id) {
			ids = append(ids, id)
		}
	}
	return ids, nil
}

// revIncluded finds what refers to the resources of a page.
func (s *Server) revIncluded(ctx context.Context, j join, page []store.Resource) (store.Page, error) {
	var keys []string
	for _, r := range page {
		keys = append(keys, r.Key.String())
	}
	return s.options.Store.Search(ctx, withoutRetracted(store.Query{
		Type: j.source, Sort: store.ByID, Limit: maxJoined,
		Tokens: []store.TokenQuery{{Param: j.param, Values: keys, Rare: true}},
	}))
}
