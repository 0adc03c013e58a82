package sandbox

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

// parameter is one search parameter of this server: its R4 type, and how it reads a resource.
type parameter struct {
	kind     string   // token, reference or date
	elements []string // root elements looked at
	target   string   // for references: only this type counts; empty means any
}

// tagElement stands for meta.tag, the one element searched that lies within another.
const tagElement = "meta.tag"

// shared parameters exist on every type.
var shared = map[string]parameter{
	"_id":          {kind: "token", elements: []string{"id"}},
	"_lastUpdated": {kind: "date", elements: []string{"meta"}},
	"_tag":         {kind: "token", elements: []string{tagElement}},
}

var (
	identifier = parameter{kind: "token", elements: []string{"identifier"}}
	status     = parameter{kind: "token", elements: []string{"status"}}
)

// parameters lists the search parameters by type; a type that is not here has the shared ones and identifier.
var parameters = map[string]map[string]parameter{
	"Observation": {
		"identifier":   identifier,
		"status":       {kind: "token", elements: status.elements},
		"subject":      {kind: "reference", elements: []string{"subject"}},
		"patient":      {kind: "reference", elements: []string{"subject"}, target: "Patient"},
		"code":         {kind: "token", elements: []string{"code"}},
		"category":     {kind: "token", elements: []string{"category"}},
		"date":         {kind: "date", elements: []string{"effectiveDateTime", "effectivePeriod", "effectiveInstant"}},
		"derived-from": {kind: "reference", elements: []string{"derivedFrom"}},
		"has-member":   {kind: "reference", elements: []string{"hasMember"}},
	},
	"QuestionnaireResponse": {
		"identifier": {kind: "token", elements: identifier.elements},
		"status":     {kind: "token", elements: status.elements},
		"subject":    {kind: "reference", elements: []string{"subject"}},
		"patient":    {kind: "reference", elements: []string{"subject"}, target: "Patient"},
		"authored":   {kind: "date", elements: []string{"authored"}},
	},
	"DiagnosticReport": {
		"identifier": identifier,
		"status":     {kind: "token", elements: status.elements},
		"subject":    {kind: "reference", elements: []string{"subject"}},
		"patient":    {kind: "reference", elements: []string{"subject"}, target: "Patient"},
		"code":       {kind: "token", elements: []string{"code"}},
		"category":   {kind: "token", elements: []string{"category"}},
		"date":       {kind: "date", elements: []string{"effectiveDateTime", "effectivePeriod"}},
	},
	"DocumentReference": {
		"identifier": identifier,
		"status":     {kind: "token", elements: status.elements},
		"subject":    {kind: "reference", elements: []string{"subject"}},
		"patient":    {kind: "reference", elements: []string{"subject"}, target: "Patient"},
		"category":   {kind: "token", elements: []string{"category"}},
		"date":       {kind: "date", elements: []string{"date"}},
	},
	"Provenance": {
		"target":   {kind: "reference", elements: []string{"target"}},
		"recorded": {kind: "date", elements: []string{"recorded"}},
	},
}

// searchParameters answers what can be searched on a type.
func searchParameters(kind string) map[string]parameter {
	all := map[string]parameter{}
	for name, p := range shared {
		all[name] = p
	}
	own, ok := parameters[kind]
	if !ok {
		own = map[string]parameter{"identifier": {kind: "token", elements: identifier.elements}}
	}
	for name, p := range own {
		all[name] = p
	}
	return all
}

// criterion is one parameter of a query: the values are alternatives.
type criterion struct {
	name   string
	param  parameter
	values []string
}

// resultParameters shape the answer and select nothing.
var resultParameters = []string{"_count", "_format", "_pretty", "_summary", "_total", "_sort"}

// criteria reads the query. Unknown parameters are refused when strict, else left out (R4 search.html 3.1.1.3); a
// modifier this server does not know is always refused.
func criteria(known map[string]parameter, kind string, query url.Values, strict bool) ([]criterion, error) {
	var all []criterion
	for _, full := range sortedNames(query) {
		name, modifier, _ := strings.Cut(full, ":")
		p, ok := known[name]
		if slices.Contains(resultParameters, full) || (!ok && !strict) {
			continue
		}
		if !ok {
			return nil, refuse(http.StatusBadRequest, codeNotSupported, "unknown search parameter %q for %s", name, kind)
		}
		if modifier != "" && (p.kind != "reference" || modifier != "Patient") {
			return nil, refuse(http.StatusBadRequest, codeNotSupported, "unknown modifier %q of search parameter %q", modifier, name)
		}
		if modifier != "" {
			p.target = modifier
		}
		more, err := alternatives(name, p, query[full])
		if err != nil {
			return nil, err
		}
		all = append(all, more...)
	}
	return all, nil
}

func alternatives(name string, p parameter, given []string) ([]criterion, error) {
	var all []criterion
	for _, one := range given {
		if one == "" {
			continue // An empty parameter is ignored (R4 search.html).
		}
		values := splitEscaped(one, ',')
		if p.kind == "date" {
			for _, v := range values {
				if _, err := parseDateQuery(v); err != nil {
					return nil, refuse(http.StatusBadRequest, codeValue, "search parameter %q: %v", name, err)
				}
			}
		}
		all = append(all, criterion{name, p, values})
	}
	return all, nil
}

func sortedNames(query url.Values) []string {
	names := make([]string, 0, len(query))
	for name := range query {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// find answers the live resources of a type that meet every criterion, oldest first.
func (st *state) find(kind string, all []criterion, base string) []*version {
	var found []*version
	for _, k := range st.candidates(kind, all) {
		if v := st.live(k); v != nil && meets(v, all, base) {
			found = append(found, v)
		}
	}
	return found
}

// candidates narrows by the index when one criterion is a full identifier or an id, so that a demo with many scores
// does not scan them all on each write.
func (st *state) candidates(kind string, all []criterion) []key {
	for _, c := range all {
		if len(c.values) != 1 {
			continue
		}
		if c.name == "_id" {
			return []key{{kind, c.values[0]}}
		}
		parts := splitEscaped(c.values[0], '|')
		if c.name == "identifier" && len(parts) == 2 && parts[0] != "" && parts[1] != "" {
			return st.index[indexName(kind, unescape(parts[0]), unescape(parts[1]))]
		}
	}
	return st.order[kind]
}

func meets(v *version, all []criterion, base string) bool {
	for _, c := range all {
		if !slices.ContainsFunc(c.values, func(want string) bool { return c.param.matches(v, want, base) }) {
			return false
		}
	}
	return true
}

func (p parameter) matches(v *version, want, base string) bool {
	switch p.kind {
	case "token":
		return p.matchesToken(v.tree, want)
	case "reference":
		return p.matchesReference(v.tree, want, base)
	default:
		return p.matchesDate(v.tree, want)
	}
}

// matchesToken compares system and code of codes, Identifiers, Codings and CodeableConcepts.
func (p parameter) matchesToken(tree *object, want string) bool {
	parts := splitEscaped(want, '|')
	system, code, anySystem := "", unescape(parts[0]), true
	if len(parts) > 1 {
		system, code, anySystem = unescape(parts[0]), unescape(parts[1]), false
	}
	for _, token := range tokens(tree, p.elements) {
		if (anySystem || token[0] == system) && (token[1] == code || (!anySystem && code == "")) {
			return true
		}
	}
	return false
}

// tokens are the system and code pairs of the elements.
func tokens(tree *object, elements []string) [][2]string {
	var all [][2]string
	for _, element := range elements {
		if meta := tree.child("meta"); element == tagElement && meta != nil {
			tree = obj(tagElement, obj("coding", meta.list("tag")))
		}
		for _, item := range tree.list(element) {
			switch v := item.(type) {
			case string:
				all = append(all, [2]string{"", v})
			case *object:
				if v.text("value") != "" {
					all = append(all, [2]string{v.text("system"), v.text("value")})
				}
				for _, coding := range v.list("coding") {
					if c, ok := coding.(*object); ok {
						all = append(all, [2]string{c.text("system"), c.text("code")})
					}
				}
			}
		}
	}
	return all
}

// matchesReference compares ids, relative and absolute references; absolute ones of this server are made relative.
func (p parameter) matchesReference(tree *object, want, base string) bool {
	want = relative(unescape(want), base)
	for _, element := range p.elements {
		for _, item := range tree.list(element) {
			o, ok := item.(*object)
			if !ok {
				continue
			}
			have := relative(o.text("reference"), base)
			kind, id, split := strings.Cut(have, "/")
			if p.target != "" && kind != p.target {
				continue
			}
			if have == want || (split && id == want) {
				return true
			}
		}
	}
	return false
}

// relative strips this server's base and a version from a reference.
func relative(reference, base string) string {
	reference = strings.TrimPrefix(reference, base+"/")
	if strings.HasPrefix(reference, "http") || strings.HasPrefix(reference, "urn:") {
		return reference
	}
	reference, _, _ = strings.Cut(reference, "/_history/")
	return reference
}

// splitEscaped splits at a separator that is not escaped by a backslash; the escapes stay for unescape.
func splitEscaped(s string, separator byte) []string {
	var parts []string
	start := 0
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == '\\':
			i++
		case s[i] == separator:
			parts = append(parts, s[start:i])
			start = i + 1
		}
	}
	return append(parts, s[start:])
}

var escapes = strings.NewReplacer(`\$`, "$", `\,`, ",", `\|`, "|", `\\`, `\`)

func unescape(s string) string { return escapes.Replace(s) }

// searchset is the Bundle that answers a search. The self link names the parameters that were used.
func searchset(found []*version, kind, base string, query url.Values, used []criterion) (*object, error) {
	self := url.Values{}
	for _, c := range used {
		self.Add(c.name, strings.Join(c.values, ","))
	}
	total := len(found)
	limit, err := count(query)
	if err != nil {
		return nil, err
	}
	if limit >= 0 && limit < total {
		found = found[:limit]
		self.Set("_count", strconv.Itoa(limit))
	}
	bundle := obj("resourceType", "Bundle", "type", "searchset", "total", total,
		"link", []any{obj("relation", "self", "url", base+"/"+kind+"?"+self.Encode())})
	entries := []any{}
	for _, v := range found {
		entries = append(entries, obj("fullUrl", base+"/"+v.key.String(), "resource", v.tree, "search", obj("mode", "match")))
	}
	if len(entries) > 0 {
		bundle.set("entry", entries)
	}
	return bundle, nil
}

// count answers the page size asked for, or -1 for no limit.
func count(query url.Values) (int, error) {
	if query.Get("_summary") == "count" {
		return 0, nil
	}
	if !query.Has("_count") {
		return -1, nil
	}
	n, err := strconv.Atoi(query.Get("_count"))
	if err != nil || n < 0 {
		return 0, refuse(http.StatusBadRequest, codeValue, "_count is not a whole number from 0")
	}
	return n, nil
}
