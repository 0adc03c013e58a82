package authserver

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"time"

	"tidemark.example/tidemark/api/auth"
)

// MaxLifetime is the longest that an access token is good for, and how long it
// is unless configured shorter (SMART backend-services: 300 seconds).
const MaxLifetime = 300 * time.Second

// The names of the token request (RFC 6749 section 4.4.2, RFC 7523 section 2.2).
const (
	GrantClientCredentials = "client_credentials"
	AssertionJWT           = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
)

// The error codes of RFC 6749 section 5.2.
const (
	CodeInvalidRequest   = "invalid_request"
	CodeInvalidClient    = "invalid_client"
	CodeInvalidScope     = "invalid_scope"
	CodeUnsupportedGrant = "unsupported_grant_type"
	// CodeUnavailable is no code of RFC 6749 for a token endpoint, but its
	// name for the same at the other one (4.1.2.1); it comes with 503.
	CodeUnavailable = "temporarily_unavailable"
)

// Error is a refusal of the token endpoint.
type Error struct {
	// Status is the HTTP status: 400, or 503 when this server failed.
	Status int
	// Code is that of RFC 6749 section 5.2.
	Code string
	// Text is told to the client.
	Text  string
	cause error
}

// Error says why, which the client is not told with invalid_client.
func (e *Error) Error() string {
	text := "authserver: " + e.Code + ": " + e.Text
	if e.cause != nil {
		text += ": " + e.cause.Error()
	}
	return text
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.cause }

func bad(code, text string) *Error {
	return &Error{Status: http.StatusBadRequest, Code: code, Text: text}
}

// unauthenticated is the one answer to whatever is wrong with an assertion.
func unauthenticated(cause error) *Error {
	e := bad(CodeInvalidClient, "The client could not be authenticated.")
	e.cause = cause
	return e
}

func unavailable(cause error) *Error {
	return &Error{Status: http.StatusServiceUnavailable, Code: CodeUnavailable, Text: "No token can be issued now; repeat the request with a new assertion shortly.", cause: cause}
}

// Options configure a Server. All but those that say so are needed.
type Options struct {
	// Issuer is iss of the tokens, TokenURL the address of the token endpoint,
	// which assertions must be for, Audience aud of the tokens: the FHIR base.
	Issuer, TokenURL, Audience string
	// Keys sign the tokens.
	Keys *RingFile
	// Clients are the registered ones.
	Clients []Client
	// Replays remembers which assertions were used.
	Replays Replays
	// Lifetime is how long tokens are good for; 0 means MaxLifetime, and more
	// is refused.
	Lifetime time.Duration
	// Now is the clock; nil for the system's.
	Now func() time.Time
}

// Server issues access tokens. Make one with New.
type Server struct {
	options Options
	clients map[string]Client
	rules   auth.AssertionRules
}

// New makes a server. All that is wrong with the options is in the error.
func New(options Options) (*Server, error) {
	if options.Now == nil {
		options.Now = time.Now
	}
	if options.Lifetime == 0 {
		options.Lifetime = MaxLifetime
	}
	if err := options.check(); err != nil {
		return nil, err
	}
	s := &Server{options: options, clients: map[string]Client{}}
	for _, client := range options.Clients {
		s.clients[client.ID] = client
	}
	s.rules = auth.AssertionRules{Audience: options.TokenURL, Algorithms: auth.DefaultAlgorithms, Leeway: auth.DefaultLeeway, Client: s.keysOf, Now: options.Now}
	return s, nil
}

func (o *Options) check() error {
	var faults []error
	for name, missing := range map[string]bool{
		"Issuer": o.Issuer == "", "TokenURL": o.TokenURL == "", "Audience": o.Audience == "",
		"Keys": o.Keys == nil, "Replays": o.Replays == nil, "Clients": len(o.Clients) == 0,
	} {
		if missing {
			faults = append(faults, fmt.Errorf("authserver: %s is missing", name))
		}
	}
	if o.Lifetime < time.Second || o.Lifetime > MaxLifetime {
		faults = append(faults, fmt.Errorf("authserver: a lifetime of %s is not within a second and %s", o.Lifetime, MaxLifetime))
	}
	seen := map[string]bool{}
	for _, client := range o.Clients {
		if client.ID == "" || client.Keys == nil || len(client.Scopes) == 0 || seen[client.ID] {
			faults = append(faults, errors.New("authserver: a client without id, keys or scopes, or there twice"))
		}
		seen[client.ID] = true
	}
	return errors.Join(faults...)
}

func (s *Server) keysOf(id string) (auth.KeySource, string, bool) {
	client, known := s.clients[id]
	return client.Keys, client.JWKSURL, known
}

// Request is what a client asks for.
type Request struct {
	GrantType, AssertionType, Assertion, Scope string
	// ClientID is client_id if it was sent beside the assertion, which must
	// then be of the same client (RFC 7521 section 4.2); "" if not.
	ClientID string
}

// Response is the answer (RFC 6749 section 5.1).
type Response struct {
	AccessToken string `json:"access_token"`
	TokenType   string `json:"token_type"`
	ExpiresIn   int    `json:"expires_in"`
	// Scope is what was granted, which may be less than what was asked for.
	Scope string `json:"scope"`
}

// Token gives a client a token, or an *Error. The assertion is used up by it
// once it has proved the client, whether or not a token follows.
func (s *Server) Token(ctx context.Context, r Request) (Response, error) {
	if refused := r.check(); refused != nil {
		return Response{}, refused
	}
	proved, err := s.rules.Verify(ctx, r.Assertion)
	if err != nil {
		return Response{}, unauthenticated(err)
	}
	if r.ClientID != "" && r.ClientID != proved.ClientID {
		return Response{}, unauthenticated(errors.New("client_id is of another client"))
	}
	fresh, err := s.options.Replays.Use(ctx, proved.ClientID, proved.ID, proved.Until)
	if err != nil {
		return Response{}, unavailable(err)
	}
	if !fresh {
		return Response{}, unauthenticated(errors.New("the assertion was used before"))
	}
	granted, err := s.granted(s.clients[proved.ClientID], r.Scope)
	if err != nil {
		return Response{}, err
	}
	return s.issue(proved.ClientID, granted)
}

// check asks for the parameters of RFC 6749 and 7523.
func (r Request) check() *Error {
	switch {
	case r.GrantType == "":
		return bad(CodeInvalidRequest, "grant_type is missing.")
	case r.GrantType != GrantClientCredentials:
		return bad(CodeUnsupportedGrant, "grant_type must be client_credentials.")
	case r.AssertionType != AssertionJWT:
		return bad(CodeInvalidRequest, "client_assertion_type must be "+AssertionJWT+".")
	case r.Assertion == "":
		return bad(CodeInvalidRequest, "client_assertion is missing.")
	case r.Scope == "":
		return bad(CodeInvalidScope, "scope is missing; ask for scopes of system/.")
	}
	return nil
}

// granted gives of the scopes asked for those the client is registered with.
// Others are left out, as SMART lets a server do, unless nothing remains.
func (s *Server) granted(client Client, text string) (string, error) {
	asked, _, err := auth.ParseScopes(text)
	if err != nil {
		return "", bad(CodeInvalidScope, "scope is not a list of scopes with one space between two.")
	}
	granted := auth.FormatScopes(auth.Within(asked, client.Scopes))
	if granted == "" {
		return "", bad(CodeInvalidScope, "None of the scopes asked for is among those this client is registered with.")
	}
	if len(granted) > auth.MaxToken/4 {
		return "", bad(CodeInvalidScope, "More scopes are asked for than a token can carry.")
	}
	return granted, nil
}

// claims are those of an access token (RFC 9068 section 2.2).
type claims struct {
	Issuer   string `json:"iss"`
	Subject  string `json:"sub"`
	Audience string `json:"aud"`
	ClientID string `json:"client_id"`
	ID       string `json:"jti"`
	Issued   int64  `json:"iat"`
	Expires  int64  `json:"exp"`
	Scope    string `json:"scope"`
}

func (s *Server) issue(client, scope string) (Response, error) {
	ring, err := s.options.Keys.Ring()
	if err != nil {
		return Response{}, unavailable(err)
	}
	now := s.options.Now()
	token, err := ring.Sign("at+jwt", claims{Issuer: s.options.Issuer, Subject: client, Audience: s.options.Audience, ClientID: client,
		ID: rand.Text(), Issued: now.Unix(), Expires: now.Add(s.options.Lifetime).Unix(), Scope: scope})
	if err != nil {
		return Response{}, unavailable(err)
	}
	return Response{AccessToken: token, TokenType: "bearer", ExpiresIn: int(s.options.Lifetime / time.Second), Scope: scope}, nil
}

func encode(data []byte) string { return base64.RawURLEncoding.EncodeToString(data) }
