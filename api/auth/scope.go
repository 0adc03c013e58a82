package auth

import (
	"errors"
	"net/url"
	"strings"
)

// Interaction is a set of what SMART names by the letters cruds (SMART App
// Launch 2.2.0, scopes and launch context).
type Interaction uint8

// The interactions, in the only order that a scope may name them in. Read is
// also vread and the history of an instance, Update also patch, Search also
// the history of a type.
const (
	Create Interaction = 1 << iota
	Read
	Update
	Delete
	Search
)

const letters = "cruds"

// String gives the letters.
func (i Interaction) String() string {
	var b []byte
	for n := range len(letters) {
		if i&(1<<n) != 0 {
			b = append(b, letters[n])
		}
	}
	return string(b)
}

// Context is whose data a scope speaks of.
type Context string

// The contexts of SMART's scopes.
const (
	PatientContext Context = "patient"
	UserContext    Context = "user"
	SystemContext  Context = "system"
)

// Scope is one SMART scope for resources, as patient/Observation.rs or
// system/Observation.rs?category=survey.
type Scope struct {
	Context Context
	// Type is a resource type, or "*" for every type.
	Type string
	// Allows are the interactions. Those of a v1 scope (.read, .write, .*)
	// are what SMART says it stands for.
	Allows Interaction
	// Filters narrow it to resources that pass all of them; nil for none.
	Filters []Filter
	// text is the scope as it was read.
	text string
}

// Filter is one parameter of a query-restricted scope: category or code.
type Filter struct {
	Param string
	// Tokens are the values, of which one is enough.
	Tokens []Token
}

// Token is the value of a token search: system|code, |code, system| or code.
type Token struct {
	// AnySystem is set for a code without a bar, which any system may have.
	AnySystem bool
	// System is "" with a bar before the code: the coding has no system.
	System string
	// Code is "" for any code of the system.
	Code string
}

// The faults of a scope; the messages repeat nothing of it.
var (
	errNotResource = errors.New("not a scope for resources")
	errScope       = errors.New("not a scope as SMART defines it")
	errQuery       = errors.New("a query restriction other than category and code by token")
)

// maxScopes bounds the work that one token can ask for. A server of two
// resource types needs about ten (the figure is our own).
const maxScopes = 200

// ParseScope reads one scope. It is strict: letters are in the order cruds,
// each once, and a restriction names category or code. Anything else is an
// error, and must then grant nothing, since leaving a restriction out would
// widen the scope.
func ParseScope(text string) (Scope, error) {
	where, rest, found := strings.Cut(text, "/")
	context := Context(where)
	if !found || context != PatientContext && context != UserContext && context != SystemContext {
		return Scope{}, errNotResource
	}
	rest, query, restricted := strings.Cut(rest, "?")
	kind, permission, found := strings.Cut(rest, ".")
	if !found || !isType(kind) {
		return Scope{}, errScope
	}
	allows, v1 := permissions(permission)
	if allows == 0 || v1 && restricted {
		return Scope{}, errScope
	}
	scope := Scope{Context: context, Type: kind, Allows: allows, text: text}
	if !restricted {
		return scope, nil
	}
	filters, err := parseFilters(query)
	scope.Filters = filters
	return scope, err
}

// isType takes * and names of FHIR's form: letters, the first a capital.
func isType(name string) bool {
	if name == "*" {
		return true
	}
	for i := range len(name) {
		upper, lower := name[i] >= 'A' && name[i] <= 'Z', name[i] >= 'a' && name[i] <= 'z'
		if !upper && (!lower || i == 0) {
			return false
		}
	}
	return name != "" && len(name) <= 64
}

// permissions reads the part after the dot; v1 says that it is of SMART 1.
func permissions(text string) (allows Interaction, v1 bool) {
	switch text {
	case "read":
		return Read | Search, true
	case "write":
		return Create | Update | Delete, true
	case "*":
		return Create | Read | Update | Delete | Search, true
	}
	next := 0
	for i := range len(text) {
		at := strings.IndexByte(letters[next:], text[i])
		if at < 0 {
			return 0, false
		}
		allows |= 1 << (next + at)
		next += at + 1
	}
	return allows, false
}

func parseFilters(query string) ([]Filter, error) {
	var filters []Filter
	for part := range strings.SplitSeq(query, "&") {
		param, raw, found := strings.Cut(part, "=")
		if !found || param != "category" && param != "code" {
			return nil, errQuery
		}
		tokens, err := parseTokens(raw)
		if err != nil {
			return nil, err
		}
		filters = append(filters, Filter{Param: param, Tokens: tokens})
	}
	return filters, nil
}

// parseTokens reads the values of one parameter. FHIR's escapes by backslash
// (R4 search.html 3.1.1.4.0.1) are not read: no code here has a comma.
func parseTokens(raw string) ([]Token, error) {
	value, err := url.PathUnescape(raw)
	if err != nil || strings.ContainsAny(value, "\\ ") || !isScopeText(value) {
		return nil, errQuery
	}
	var tokens []Token
	for item := range strings.SplitSeq(value, ",") {
		system, code, bar := strings.Cut(item, "|")
		if !bar {
			system, code = "", item
		}
		if system == "" && code == "" || strings.Contains(code, "|") {
			return nil, errQuery
		}
		tokens = append(tokens, Token{AnySystem: !bar, System: system, Code: code})
	}
	return tokens, nil
}

// isScopeText holds a value to printable US-ASCII without quote and backslash,
// and space (RFC 6749 section 3.3, scope-token).
func isScopeText(text string) bool {
	for i := range len(text) {
		if c := text[i]; c < 0x20 || c > 0x7e || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}

// ParseScopes reads a scope string (RFC 6749 section 3.3: tokens divided by one
// space). Scopes that are not for resources, as openid, and those that cannot
// be read strictly are left out, and so grant nothing: an issuer may know more
// than we do. The error is for a string that breaks the grammar, or is far
// longer than any use.
func ParseScopes(text string) (scopes []Scope, left []string, err error) {
	if text == "" || !isScopeText(text) || strings.Count(text, " ") >= maxScopes {
		return nil, nil, errScope
	}
	for item := range strings.SplitSeq(text, " ") {
		if item == "" {
			return nil, nil, errScope
		}
		scope, err := ParseScope(item)
		if err != nil {
			left = append(left, item)
			continue
		}
		scopes = append(scopes, scope)
	}
	return scopes, left, nil
}

// String gives the scope in the form of SMART 2, or as it was read.
func (s Scope) String() string {
	if s.text != "" {
		return s.text
	}
	var b strings.Builder
	b.WriteString(string(s.Context) + "/" + s.Type + "." + s.Allows.String())
	separator := byte('?')
	for _, filter := range s.Filters {
		b.WriteByte(separator)
		b.WriteString(filter.String())
		separator = '&'
	}
	return b.String()
}

// String gives the filter as param=value,value.
func (f Filter) String() string {
	values := make([]string, len(f.Tokens))
	for i, token := range f.Tokens {
		values[i] = token.String()
	}
	return f.Param + "=" + strings.Join(values, ",")
}

// unsafe are the characters that would end a value early if written plainly.
var unsafe = strings.NewReplacer("%", "%25", "&", "%26", " ", "%20")

// String gives the token as a search value.
func (t Token) String() string {
	if t.AnySystem {
		return unsafe.Replace(t.Code)
	}
	return unsafe.Replace(t.System + "|" + t.Code)
}

// Matches says whether a coding passes the token.
func (t Token) Matches(system, code string) bool {
	return (t.AnySystem || t.System == system) && (t.Code == "" || t.Code == code)
}
