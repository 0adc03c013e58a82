package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
)

// Auth is how requests are authorised.
type Auth struct {
	// Verifier judges the access token of a request.
	Verifier interface {
		Request(*http.Request) (*auth.Grant, error)
	}
	// Configuration gives the document of .well-known/smart-configuration.
	Configuration func(context.Context) (auth.Configuration, error)
	// TokenEndpoint and KeysEndpoint give tokens, and the keys they are verified by,
	// where this server is its own authorization server; nil if it is not.
	TokenEndpoint, KeysEndpoint http.Handler
	// Description tells people in the CapabilityStatement how to get a token.
	Description string
}

// access is what a request may do. It is in the context of the request, where
// the guard of the store finds it.
type access struct {
	grant *auth.Grant
	// needs are those of the route, which what it reads is held to.
	needs []auth.Need
}

type accessKey struct{}

// accessOf is the access of a request, nil if there is none.
func accessOf(ctx context.Context) *access {
	a, _ := ctx.Value(accessKey{}).(*access)
	return a
}

// grantOf is the grant of a request, nil where requests are not authorised.
func grantOf(ctx context.Context) *auth.Grant {
	if a := accessOf(ctx); a != nil {
		return a.grant
	}
	return nil
}

// open are the interactions that need no token: what a client must know before
// it can get one.
var open = []string{"capabilities", smartConfiguration, tokenRequest, publishedKeys, cdsDiscovery}

// The interactions of the routes that are no FHIR.
const (
	smartConfiguration = "smart-configuration"
	tokenRequest       = "token"
	publishedKeys      = "keys"
)

// authenticate verifies the token of a request, whatever it asks for: also what
// is not there is told only to those who may ask.
func (s *Server) authenticate(c *gin.Context) {
	if isCDS(c.Request.URL.Path) {
		s.authenticateCDS(c)
		return
	}
	if s.options.Auth == nil || s.opens(c.Request.Method, c.FullPath()) {
		return
	}
	ctx := c.Request.Context()
	if whole := accessOf(ctx); whole != nil && ctx.Value(partOfBundle{}) != nil {
		trailOf(ctx).by(whole.grant, c.Request)
		c.Request = c.Request.WithContext(context.WithValue(ctx, accessKey{}, &access{grant: whole.grant}))
		return
	}
	grant, err := s.options.Auth.Verifier.Request(c.Request)
	if err == nil {
		err = s.identified(c, grant.Issuer, grant.ClientID)
	}
	if err != nil {
		s.writeError(c, err)
		return
	}
	trailOf(ctx).by(grant, c.Request)
	c.Request = c.Request.WithContext(context.WithValue(ctx, accessKey{}, &access{grant: grant}))
}

// by notes who asks, as the token says.
func (t *trail) by(grant *auth.Grant, request *http.Request) {
	if t == nil {
		return
	}
	a := &t.agent
	a.Client, a.Issuer, a.TokenID, a.User = grant.ClientID, grant.Issuer, grant.TokenID, grant.User
	if grant.Patient != "" {
		a.Patient = "Patient/" + grant.Patient
	}
	if a.TokenID == "" {
		a.Opaque = audit.Tail(request.Header.Get("Authorization"))
	}
}

// opens says whether a path is one of those that need no token.
func (s *Server) opens(method, path string) bool {
	for _, r := range s.routes {
		if r.path == path && slices.Contains(open, r.interaction) && (r.method == method || r.method == http.MethodGet && method == http.MethodHead) {
			return true
		}
	}
	return false
}

// authorise holds a request to the scopes of its token before anything is done.
func (s *Server) authorise(c *gin.Context, r route) error {
	if r.interaction == cdsCall {
		return s.authoriseCDS(c)
	}
	if s.options.Auth == nil || slices.Contains(open, r.interaction) {
		return nil
	}
	needs, known := r.needs(c.GetHeader("If-None-Exist") != "")
	if r.submits() && c.GetHeader("X-Provenance") != "" {
		needs = append(slices.Clone(needs), statementNeed)
	}
	a := accessOf(c.Request.Context())
	if !known || a == nil {
		return insufficient()
	}
	a.needs = needs
	if r.exports() {
		return a.permitAny(needs)
	}
	return a.permit(needs)
}

// statementNeed is what it takes to keep a Provenance of the sender's own.
var statementNeed = auth.Need{Type: "Provenance", Does: auth.Create}

// needs are the scopes that a route asks for; false if no rule says, and then
// nobody may. If-None-Exist makes a create a conditional one.
func (r route) needs(ifNoneExist bool) ([]auth.Need, bool) {
	instance := strings.Contains(r.path, "/:id")
	switch {
	case r.interaction == cdsCall:
		return nil, true // its client was named by the operator, with whom it may ask about
	case r.operation == "" && r.exports():
		return auth.ExportNeeds(false), true
	case r.operation != "":
		return auth.OperationNeeds(r.operation, r.resource, instance)
	case r.interaction == "create" && ifNoneExist:
		return auth.InteractionNeeds("conditional-create", r.resource)
	case r.interaction == conditionalUpdate, r.interaction == conditionalDelete:
		return auth.InteractionNeeds(strings.ReplaceAll(r.interaction, " ", "-"), r.resource)
	}
	return auth.InteractionNeeds(r.interaction, r.resource)
}

// inCompartment are the types whose resources are somebody's. The guard of the
// store holds each of them to the grant.
var inCompartment = []string{"QuestionnaireResponse", "Observation", "Provenance", "Task", "DiagnosticReport"}

// forAnyone are the types that hold nobody's data. Any scope that names them
// will do, but for one that narrows them, which nothing here can hold.
var forAnyone = append([]string{"Device", "Basic"}, publishedTypes...)

// permit says whether the grant covers the needs. Of types that are neither
// somebody's nor for anyone, it must cover every resource: so an auditor's
// scope is never one of a patient.
func (a *access) permit(needs []auth.Need) error {
	if err := a.grant.Check(needs...); err != nil {
		return err
	}
	for _, need := range needs {
		restriction := a.grant.Restriction(need.Type, need.Does)
		switch {
		case slices.Contains(inCompartment, need.Type), restriction.Unrestricted():
		case need.Type == "Subscription" && len(a.grant.Contexts(need.Type, need.Does)) > 0: // the guard shows each its own
		case slices.Contains(forAnyone, need.Type) && slices.ContainsFunc(restriction, func(l auth.Limit) bool { return len(l.Filters) == 0 }):
		default:
			return insufficient(need)
		}
	}
	return nil
}

// permitAny says whether the grant covers one of the types of an export, and the
// group if it is of one.
func (a *access) permitAny(needs []auth.Need) error {
	some := false
	for _, need := range needs {
		err := a.permit([]auth.Need{need})
		if need.Type == "Group" && err != nil {
			return insufficient(needs...)
		}
		some = some || need.Type != "Group" && err == nil
	}
	if !some {
		return insufficient(needs...)
	}
	return nil
}

// insufficient is the refusal of a good token that does not cover what is asked.
func insufficient(needs ...auth.Need) error {
	e := &auth.Error{Status: http.StatusForbidden, Code: auth.CodeInsufficientScope, Issue: fhir.IssueForbidden, Reason: auth.ReasonScope,
		Text: "The scopes of the access token do not cover this request."}
	var scopes []auth.Scope
	for _, need := range needs {
		scopes = append(scopes, auth.Scope{Context: auth.SystemContext, Type: need.Type, Allows: need.Does})
	}
	e.Scope = auth.FormatScopes(scopes)
	return e
}

// authoriseEntry holds an entry of a Bundle to the scopes before any entry is
// done. What no route takes needs none: it is refused, or kept by nobody.
func (s *Server) authoriseEntry(ctx context.Context, e *entry) error {
	a := accessOf(ctx)
	if s.options.Auth == nil {
		return nil
	}
	if a == nil {
		return insufficient()
	}
	path, _, _ := strings.Cut(e.path, "?")
	if e.method == http.MethodPost && path == "Provenance" {
		return a.permit([]auth.Need{statementNeed})
	}
	kind, _, _ := strings.Cut(path, "/")
	for _, r := range s.routes {
		if r.resource != kind || r.method != e.method && (e.method != http.MethodHead || r.method != http.MethodGet) || !matches(r.path, "/fhir/"+path) {
			continue
		}
		needs, known := r.needs(e.node.Get("request").Get("ifNoneExist").Exists())
		if !known {
			return insufficient()
		}
		return a.permit(needs)
	}
	return nil
}

// challenge adds what RFC 6750 section 3 asks for to the refusal of a token, and
// counts it.
func (s *Server) challenge(c *gin.Context, err error) {
	var refused *auth.Error
	if !errors.As(err, &refused) {
		return
	}
	s.metrics.unauthorised.WithLabelValues(string(refused.Reason)).Inc()
	if header := refused.WWWAuthenticate(); header != "" {
		c.Header("WWW-Authenticate", header)
	}
}
