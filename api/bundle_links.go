package api

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// elsewhereTypes are the resources that portals send beside a response and that
// this server does not keep: who it is about, who answered, and where. The
// hospital has them; references to them are written so that it finds its own.
var elsewhereTypes = map[string]bool{
	"Patient": true, "RelatedPerson": true, "Practitioner": true, "PractitionerRole": true,
	"Organization": true, "Encounter": true, "Location": true,
}

// isConditional says whether a reference is a search.
func isConditional(text string) bool {
	_, _, _, conditional := fhir.ConditionalReference(text)
	return conditional
}

// called is what links to an entry become.
type called struct {
	// reference is relative for what is kept here, absolute for what is at
	// another server; version is that which a versioned reference names.
	reference string
	version   int64
	// logical is set instead where only an identifier is known.
	logical fhir.Relinked
	// fault says why nothing can refer to the entry; keep that links stay as they
	// are, since they already say what they should.
	fault string
	keep  bool
}

// linker rewrites the links of a transaction (R4 bundle.html 2.36.4.1).
type linker struct {
	server  *Server
	entries fhir.BundleEntries
	// names are what each entry is called after the transaction; used are those
	// whose name was written somewhere.
	names []called
	used  map[int]bool
	// searches are the conditional references to what is kept here, each with
	// the reference written for it.
	searches map[string]*search
	faults   fhir.Issues
}

// search is a conditional reference to something kept here.
type search struct {
	at       fhir.Node
	query    store.Query
	resolved string
}

// nameOf works out what links to an entry become. The id is what a response that
// is created would get.
func (s *Server) nameOf(e *entry, id string) called {
	resource := e.node.Get("resource")
	fullURL := e.node.Get("fullUrl").Text()
	path, query, conditional := strings.Cut(e.path, "?")
	switch {
	case !resource.Exists() || fullURL == "":
		return called{keep: true}
	case e.method == http.MethodPut && !conditional:
		// Its id is the sender's, and so are the references by it.
		return called{keep: !fhir.IsURN(fullURL), reference: path}
	case path == "QuestionnaireResponse":
		return called{reference: path + "/" + id, version: 1}
	case !elsewhereTypes[path]:
		return called{fault: "Nothing can refer to the entry, which is not kept here."}
	}
	if reference, ok := fhir.ParseReference([]byte(fullURL)); ok {
		return called{reference: reference.String()}
	}
	if !conditional {
		query = e.node.Get("request").Get("ifNoneExist").Text()
	}
	if identifier, ok := identifierOf(resource, query); ok {
		return called{logical: fhir.Relinked{Type: path, Identifier: identifier}}
	}
	return called{fault: "The entry referred to is not kept here and has no identifier with system and value that a chart could find it by; add one to the resource."}
}

// identifierOf is the identifier that a resource is known by elsewhere, as JSON:
// that of its condition, else the official one, else the first.
func identifierOf(resource fhir.Node, query string) (string, bool) {
	if identifier, ok := searchedIdentifier(query); ok {
		return identifier, true
	}
	found := fhir.Node{}
	for identifier := range resource.Each("identifier") {
		complete := identifier.Get("system").Exists() && identifier.Get("value").Exists() && !identifier.Get("use").Is("old")
		if complete && (!found.Exists() || identifier.Get("use").Is("official") && !found.Get("use").Is("official")) {
			found = identifier
		}
	}
	if !found.Exists() {
		return "", false
	}
	return `{"system":` + string(found.Get("system").Raw()) + `,"value":` + string(found.Get("value").Raw()) + `}`, true
}

// searchedIdentifier reads a search that asks for one identifier, with its
// system, and nothing else.
func searchedIdentifier(query string) (string, bool) {
	values, err := url.ParseQuery(query)
	if err != nil || len(values) != 1 || len(values["identifier"]) != 1 {
		return "", false
	}
	all := alternatives(values.Get("identifier"))
	system, value, qualified := strings.Cut(all[0], "|")
	if len(all) != 1 || !qualified || system == "" || value == "" || !printable(all[0]) {
		return "", false
	}
	return `{"system":` + strconv.Quote(system) + `,"value":` + strconv.Quote(value) + `}`, true
}

// printable says whether a text may stand in JSON as Go quotes it.
func printable(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool { return r < 0x20 || r == 0x7F || r == 0xFFFD || !strconv.IsPrint(r) })
}

// visitor is what an entry's links become.
func (l *linker) visitor(from int) func(fhir.Link) (fhir.Relinked, bool) {
	return func(link fhir.Link) (fhir.Relinked, bool) {
		if link.Kind == fhir.LinkURI && !strings.Contains(link.Text, ":") {
			return fhir.Relinked{}, false // it is relative to something else
		}
		to, versioned, found := l.entries.Resolve(from, link.Text)
		switch {
		case found:
			return l.relink(link, to, versioned)
		case link.Kind != fhir.LinkReference:
		case fhir.IsURN(link.Text):
			l.fault(link.At, fhir.IssueNotFound, "No entry of the Bundle has this fullUrl.")
		case isConditional(link.Text):
			return l.conditional(link)
		}
		return fhir.Relinked{}, false
	}
}

func (l *linker) fault(at fhir.Node, code fhir.IssueType, text string) {
	l.faults = append(l.faults, fhir.Issue{Severity: fhir.Error, Code: code, Expression: at.Path(), Text: text})
}

func (l *linker) relink(link fhir.Link, to int, versioned bool) (fhir.Relinked, bool) {
	name := l.names[to]
	reference := link.Kind == fhir.LinkReference
	switch {
	case name.keep:
		return fhir.Relinked{}, false
	case name.fault != "":
		if reference {
			l.fault(link.At, fhir.IssueBusinessRule, name.fault)
		}
		return fhir.Relinked{}, false
	case name.reference == "":
		return name.logical, reference
	}
	l.used[to] = true
	text := name.reference
	if versioned && name.version != 0 {
		text += "/_history/" + strconv.FormatInt(name.version, 10)
	}
	if !reference && !strings.Contains(text, ":") {
		text = l.server.options.BaseURL + "/" + text
	}
	return fhir.Relinked{Literal: text}, true
}

// conditional turns a search into a reference. What is not kept here cannot be
// searched for: a search by one identifier becomes the logical reference that
// says the same, and the hospital resolves it.
func (l *linker) conditional(link fhir.Link) (fhir.Relinked, bool) {
	base, kind, query, _ := fhir.ConditionalReference(link.Text)
	if base != "" && base != l.server.options.BaseURL {
		l.fault(link.At, fhir.IssueNotSupported, "A conditional reference is a search of this server, and this one is of another.")
		return fhir.Relinked{}, false
	}
	if isKept(kind) {
		return l.search(link, kind, query)
	}
	if identifier, ok := searchedIdentifier(query); ok {
		return fhir.Relinked{Type: kind, Identifier: identifier}, true
	}
	l.fault(link.At, fhir.IssueNotSupported, "Resources of this type are not kept here, so only a search by one identifier, as identifier=system|value, can stand for one.")
	return fhir.Relinked{}, false
}

// search writes what the reference was found to name, or something that stands
// for it until the transaction has looked.
func (l *linker) search(link fhir.Link, kind, query string) (fhir.Relinked, bool) {
	found := l.searches[link.Text]
	if found == nil {
		values, err := url.ParseQuery(query)
		if err == nil {
			var p parsed
			if p, err = l.server.parseSearch(kind, values, true); err == nil && p.criteria > 0 && !p.none {
				p.query.Limit, p.query.Total, p.query.After = 2, false, ""
				found = &search{query: p.query, resolved: kind + "/unresolved"}
			}
		}
		if found == nil {
			l.fault(link.At, fhir.IssueValue, "The conditional reference is no search that this server can do.")
			return fhir.Relinked{}, false
		}
		l.searches[link.Text] = found
	}
	found.at = link.At
	return fhir.Relinked{Literal: found.resolved}, true
}
