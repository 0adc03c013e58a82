package auth

import (
	"slices"
	"time"
)

// Grant is what a verified token allows. It does not change once made, and
// several goroutines may use it.
type Grant struct {
	// Issuer, Subject, ClientID and TokenID are the claims iss, sub,
	// client_id and jti. They name people and programs: audit may keep them,
	// logs and metrics must not.
	Issuer, Subject, ClientID, TokenID string
	// User is the claim fhirUser, a reference; "" for none.
	User string
	// Patient is the id of the Patient that patient/ scopes are bound to; ""
	// for none, and then they grant nothing.
	Patient string
	// Scopes are those that grant something here. Those of user/ are in it
	// only as far as the configuration lets them.
	Scopes []Scope
	// Expires is the claim exp.
	Expires time.Time
}

// audit is the one type that every-type scopes leave out: who may read about
// patients may not by that read who else did. An auditor's scope names it.
const audit = "AuditEvent"

// covers says whether a scope of the grant speaks of the type. One of patient/
// speaks of nothing in a grant without a patient.
func (g *Grant) covers(scope Scope, resource string) bool {
	if scope.Context == PatientContext && g.Patient == "" {
		return false
	}
	return scope.Type == resource || scope.Type == "*" && resource != audit
}

// Allows says whether the scopes cover all the interactions on the type, for
// some of its resources at least; Restriction then says for which. Each may be
// covered by another scope.
func (g *Grant) Allows(resource string, wanted Interaction) bool {
	var have Interaction
	for _, scope := range g.Scopes {
		if g.covers(scope, resource) {
			have |= scope.Allows
		}
	}
	return wanted != 0 && wanted&^have == 0
}

// Need is what a request asks for.
type Need struct {
	Type string
	Does Interaction
}

// Check gives nil if the scopes cover all the needs, and else an *Error 403
// that names the scopes that were needed.
func (g *Grant) Check(needs ...Need) error {
	for _, need := range needs {
		if !g.Allows(need.Type, need.Does) {
			return insufficient(g.enough(needs))
		}
	}
	return nil
}

// enough names scopes that would cover the needs, in the context of the token.
func (g *Grant) enough(needs []Need) string {
	context := SystemContext
	if g.Patient != "" {
		context = PatientContext
	}
	text := ""
	for i, need := range needs {
		if i > 0 {
			text += " "
		}
		text += Scope{Context: context, Type: need.Type, Allows: need.Does}.String()
	}
	return text
}

// Limit is one way in which a resource may be within a grant.
type Limit struct {
	// Patient is the id of the Patient whose compartment the resource must be
	// in; "" for any.
	Patient string
	// Filters must all be passed.
	Filters []Filter
}

// Restriction says which resources of a type a grant covers: those within one
// of the limits at least. None of them means no resource at all.
type Restriction []Limit

// Restriction gives the limits of an interaction, or of several when one
// resource must be within the limits of each by the same scope. A scope without
// limits leaves only itself, since the others then say nothing.
func (g *Grant) Restriction(resource string, wanted Interaction) Restriction {
	var limits Restriction
	for _, scope := range g.Scopes {
		if wanted == 0 || !g.covers(scope, resource) || wanted&^scope.Allows != 0 {
			continue
		}
		limit := Limit{Filters: scope.Filters}
		if scope.Context == PatientContext {
			limit.Patient = g.Patient
		}
		if limit.unlimited() {
			return Restriction{limit}
		}
		limits = append(limits, limit)
	}
	return limits
}

// Contexts gives those in which one scope covers all the interactions on the type
// and narrows it by no query, the widest first: system, user, patient.
func (g *Grant) Contexts(resource string, wanted Interaction) []Context {
	var all []Context
	for _, context := range []Context{SystemContext, UserContext, PatientContext} {
		if slices.ContainsFunc(g.Scopes, func(s Scope) bool {
			return s.Context == context && wanted != 0 && g.covers(s, resource) && wanted&^s.Allows == 0 && len(s.Filters) == 0
		}) {
			all = append(all, context)
		}
	}
	return all
}

func (l Limit) unlimited() bool { return l.Patient == "" && len(l.Filters) == 0 }

// Unrestricted says whether every resource of the type is covered.
func (r Restriction) Unrestricted() bool { return len(r) == 1 && r[0].unlimited() }

// Patients gives the ids of the patients that all the limits are bound to, and
// false if one of them is bound to none: a search may then not be narrowed by
// patient alone.
func (r Restriction) Patients() ([]string, bool) {
	var ids []string
	for _, limit := range r {
		if limit.Patient == "" {
			return nil, false
		}
		if !slices.Contains(ids, limit.Patient) {
			ids = append(ids, limit.Patient)
		}
	}
	return ids, len(r) > 0
}

// Facts are what a resource is judged by.
type Facts struct {
	// Patient is the id of the Patient whose compartment it is in; "" for
	// none, which no patient/ scope covers.
	Patient string
	// Codings gives those of category or code.
	Codings func(param string) []Coding
}

// Coding is a code of a system.
type Coding struct{ System, Code string }

// Permits says whether a resource is within the restriction. A create is
// judged by the new content, an update by the old and the new (SMART 2.2.0,
// scopes).
func (r Restriction) Permits(facts Facts) bool {
	for _, limit := range r {
		if limit.permits(facts) {
			return true
		}
	}
	return false
}

func (l Limit) permits(facts Facts) bool {
	if l.Patient != "" && l.Patient != facts.Patient {
		return false
	}
	for _, filter := range l.Filters {
		if facts.Codings == nil || !filter.passes(facts.Codings(filter.Param)) {
			return false
		}
	}
	return true
}

func (f Filter) passes(codings []Coding) bool {
	for _, coding := range codings {
		for _, token := range f.Tokens {
			if token.Matches(coding.System, coding.Code) {
				return true
			}
		}
	}
	return false
}
