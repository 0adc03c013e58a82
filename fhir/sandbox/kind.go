package sandbox

import (
	"net/http"
	"slices"
)

// Kind is what a server can do for as long as it runs; the zero value can do
// all that this package offers and says so.
type Kind struct {
	// NoConditionalUpdate and NoConditionalCreate are the statuses that these are
	// refused with, 0 where they are offered.
	NoConditionalUpdate, NoConditionalCreate int
	// IgnoreIfNoneExist creates whatever is there, as a server that never heard of
	// the header.
	IgnoreIfNoneExist bool
	// NoVersions tells no versions, in the resource or by ETag, and does not look
	// at If-Match.
	NoVersions bool
	// NoIdentifierSearch does not know the search parameter identifier.
	NoIdentifierSearch bool
	// NoTransaction refuses Bundles; TransactionOnly writes by nothing else.
	NoTransaction, TransactionOnly bool
	// HAPI decides and answers as HAPI FHIR's JPA server does where that differs
	// from R4 or from the rest of this package; see hapi.go. OwnReferences refuses
	// a reference to another server by its URL then, as HAPI does unless it is
	// told otherwise.
	HAPI, OwnReferences bool
	// Statement is what its CapabilityStatement says of all this.
	Statement Statement
}

// Statement is how far a CapabilityStatement can be believed.
type Statement uint8

// The statements.
const (
	// Truthful says what is so.
	Truthful Statement = iota
	// Boastful says that everything is offered, Modest that nothing is but read,
	// create and update.
	Boastful
	Modest
	// Silent has no CapabilityStatement.
	Silent
)

// refusesConditionalUpdate is the status that conditional update is refused
// with, 0 if it is not.
func (s *session) refusesConditionalUpdate() int {
	if s.quirks.noConditionalUpdate != 0 {
		return s.quirks.noConditionalUpdate
	}
	return s.opts.Kind.NoConditionalUpdate
}

// refusesConditionalCreate is the same for conditional create.
func (s *session) refusesConditionalCreate() int {
	if s.quirks.noConditionalCreate {
		return http.StatusBadRequest
	}
	return s.opts.Kind.NoConditionalCreate
}

// matchesVersions says whether If-Match is looked at.
func (s *session) matchesVersions() bool { return !s.quirks.ignoreIfMatch && !s.opts.Kind.NoVersions }

// capabilities serves GET metadata (R4 http.html 3.1.0.6).
func (s *session) capabilities() (result, error) {
	said := s.opts.Kind
	switch said.Statement {
	case Silent:
		return result{}, refuse(http.StatusNotFound, codeNotSupported, "this server has no CapabilityStatement")
	case Boastful:
		said = Kind{}
	case Modest:
		said = Kind{
			NoConditionalUpdate: http.StatusBadRequest, NoConditionalCreate: http.StatusBadRequest,
			NoVersions: true, NoIdentifierSearch: true, NoTransaction: true,
		}
	}
	rest := obj("mode", "server", "resource", said.resources())
	if !said.NoTransaction {
		rest.set("interaction", []any{obj("code", "transaction")})
	}
	return result{status: http.StatusOK, bundle: obj("resourceType", "CapabilityStatement", "status", "active",
		"date", s.now.UTC().Format(instantLayout), "kind", "instance", "implementation", obj("description", "Stand-in hospital server"),
		"fhirVersion", "4.0.1", "format", []any{"json"}, "rest", []any{rest})}, nil
}

// resources are the entries of the statement, one for each type in the order of
// their names.
func (k Kind) resources() []any {
	var all []any
	for _, kind := range typeNames() {
		codes := []string{"read", "search-type", "create", "update"}
		if k.TransactionOnly {
			codes = codes[:2]
		}
		var interactions, parameters []any
		for _, code := range codes {
			interactions = append(interactions, obj("code", code))
		}
		for _, name := range k.parameterNames(kind) {
			parameters = append(parameters, obj("name", name, "type", searchParameters(kind)[name].kind))
		}
		versioning := "versioned-update"
		if k.NoVersions {
			versioning = "no-version"
		}
		all = append(all, obj("type", kind, "interaction", interactions, "versioning", versioning, "updateCreate", !k.TransactionOnly,
			"conditionalCreate", k.NoConditionalCreate == 0 && !k.IgnoreIfNoneExist, "conditionalUpdate", k.NoConditionalUpdate == 0,
			"searchParam", parameters))
	}
	return all
}

// parameterNames are the search parameters of a type in order.
func (k Kind) parameterNames(kind string) []string {
	var names []string
	for name := range k.searchParameters(kind) {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// searchParameters answers what can be searched on a type by this kind.
func (k Kind) searchParameters(kind string) map[string]parameter {
	all := searchParameters(kind)
	if k.NoIdentifierSearch {
		delete(all, "identifier")
	}
	return all
}
