package api

import (
	"context"
	"errors"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

// CDSClient is an EHR whose calls are answered, with the patients that it may ask
// about: those of its FHIR server alone, since ids of two servers mean two people.
type CDSClient struct {
	// Issuer is iss of its JWTs.
	Issuer string
	// Keys are its public keys, JWKSURL the address of them, "" if they are not at
	// one. A JWT may name that address and no other (jku).
	Keys    auth.KeySource
	JWKSURL string
	// Tenant is what its JWTs must have as tenant, "" for any and none.
	Tenant string
	// FHIRBase is the base of its FHIR server, by which scores may name its
	// patients; "" if they do not.
	FHIRBase string
	// Local says that Patient/[id] of this server are patients of this EHR.
	Local bool
	// Identifiers are the systems of identifiers by which it may name a patient in
	// its prefetch.
	Identifiers []string
}

// cdsCallers verifies who calls.
type cdsCallers struct {
	clients map[string]*CDSClient
	rules   auth.AssertionRules
	now     func() time.Time
}

func newCDSCallers(options *CDS, base string) *cdsCallers {
	callers := &cdsCallers{clients: map[string]*CDSClient{}, now: time.Now}
	if options == nil {
		return callers
	}
	if options.Now != nil {
		callers.now = options.Now
	}
	for i := range options.Clients {
		callers.clients[options.Clients[i].Issuer] = &options.Clients[i]
	}
	callers.rules = auth.AssertionRules{
		Audience: CDSServiceURL(base), Hook: true, Algorithms: auth.DefaultAlgorithms, Leeway: auth.DefaultLeeway, Now: time.Now,
		Client: func(issuer string) (auth.KeySource, string, bool) {
			client := callers.clients[issuer]
			if client == nil {
				return nil, "", false
			}
			return client.Keys, client.JWKSURL, true
		},
	}
	return callers
}

type cdsClientKey struct{}

// cdsClientOf is the client whose JWT a request carries, nil where none is asked
// for.
func cdsClientOf(ctx context.Context) *CDSClient {
	client, _ := ctx.Value(cdsClientKey{}).(*CDSClient)
	return client
}

// authenticateCDS verifies the JWT of a call (CDS Hooks 2.0, Trusting CDS
// Clients). Nothing else under the path tells anything, or is there.
func (s *Server) authenticateCDS(c *gin.Context) {
	if c.FullPath() != cdsServicePath || c.Request.Method != http.MethodPost || s.options.CDS.Open {
		return
	}
	client, proved, err := s.cds.caller(c.Request, s.raw.Once)
	if err == nil {
		err = s.identified(c, client.Issuer, client.Issuer)
	}
	if err != nil {
		s.options.Logger.WarnContext(c.Request.Context(), "a CDS client was refused", "request_id", requestID(c), "error", err)
		s.writeError(c, cdsRefusal(err))
		return
	}
	ctx := c.Request.Context()
	if t := trailOf(ctx); t != nil {
		t.agent.Client, t.agent.Issuer, t.agent.TokenID = client.Issuer, client.Issuer, proved.ID
	}
	c.Request = c.Request.WithContext(context.WithValue(ctx, cdsClientKey{}, client))
}

// authoriseCDS holds that a call was authenticated, wherever it came from.
func (s *Server) authoriseCDS(c *gin.Context) error {
	if s.options.CDS.Open || cdsClientOf(c.Request.Context()) != nil {
		return nil
	}
	return cdsRefusal(&auth.Error{Status: http.StatusUnauthorized, Reason: auth.ReasonMissing})
}

// caller is the client that a request's JWT proves. Once keeps that it was used.
func (c *cdsCallers) caller(request *http.Request, once func(context.Context, string, time.Time) (bool, error)) (*CDSClient, auth.Assertion, error) {
	token, err := auth.Bearer(request)
	if err != nil {
		return nil, auth.Assertion{}, err
	}
	ctx := request.Context()
	proved, err := c.rules.Verify(ctx, token)
	if err != nil {
		return nil, auth.Assertion{}, err
	}
	client := c.clients[proved.ClientID]
	if client.Tenant != "" && proved.Tenant != client.Tenant {
		return nil, auth.Assertion{}, refusedFor(auth.ReasonClaims)
	}
	fresh, err := once(ctx, onceName("cds", proved.ClientID, proved.ID), proved.Until)
	if err != nil {
		return nil, auth.Assertion{}, stored(ctx, err)
	}
	if !fresh {
		return nil, auth.Assertion{}, refusedFor(auth.ReasonReplay)
	}
	return client, proved, nil
}

func refusedFor(reason auth.Reason) error {
	return &auth.Error{Status: http.StatusUnauthorized, Code: auth.CodeInvalidToken, Reason: reason}
}

// cdsRefusal tells what is wrong in the words of CDS Hooks. All JWTs that are not
// accepted are told the same, so that trying teaches little, but for those that
// came too late.
func cdsRefusal(err error) error {
	var refused *auth.Error
	if !errors.As(err, &refused) || refused.Status == http.StatusServiceUnavailable {
		return err
	}
	told := *refused
	told.Realm = "cds-hooks"
	switch refused.Reason {
	case auth.ReasonMissing:
		told.Issue, told.Text = fhir.IssueLogin, "The call carries no JWT; sign one as CDS Hooks 2.0 describes and send it as Authorization: Bearer."
	case auth.ReasonExpired:
		told.Text = "The JWT has expired; sign a new one for each call."
	case auth.ReasonRequest:
	default:
		told.Issue = fhir.IssueUnknown
		told.Text = "The JWT is not accepted; sign one for each call, by RS384 or ES384, as an issuer that the operator has registered, with typ JWT and kid, aud (the address of this service), exp within five minutes, iat, and a jti not used before."
	}
	return &told
}
