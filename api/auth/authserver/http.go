package authserver

import (
	"encoding/json"
	"errors"
	"mime"
	"net/http"
	"net/url"
	"strconv"

	"tidemark.example/tidemark/api/auth"
)

// maxForm is the largest request read: an assertion and scopes.
const maxForm = 2 * auth.MaxToken

// keepKeys is how long the published keys may be kept, in seconds. It is less
// than RotationPause, so that the next key is known before it signs.
const keepKeys = 300

// TokenHandler is the token endpoint. Refused, if not nil, is told each
// refusal with its cause, for audit; it must not keep the request.
func (s *Server) TokenHandler(refused func(*http.Request, *Error)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store") // RFC 6749 section 5.1
		w.Header().Set("Pragma", "no-cache")
		if r.Method != http.MethodPost {
			w.Header().Set("Allow", http.MethodPost)
			answer(w, http.StatusMethodNotAllowed, oauthError{CodeInvalidRequest, "Tokens are asked for by POST."})
			return
		}
		request, err := readRequest(w, r)
		var response Response
		if err == nil {
			response, err = s.Token(r.Context(), request)
		}
		if err == nil {
			answer(w, http.StatusOK, response)
			return
		}
		var e *Error
		if !errors.As(err, &e) {
			e = unavailable(err)
		}
		if refused != nil {
			refused(r, e)
		}
		answer(w, e.Status, oauthError{e.Code, e.Text})
	})
}

// oauthError is the body of a refusal (RFC 6749 section 5.2).
type oauthError struct {
	Code string `json:"error"`
	Text string `json:"error_description"`
}

func answer(w http.ResponseWriter, status int, body any) {
	data, err := json.Marshal(body)
	if err != nil {
		status, data = http.StatusInternalServerError, nil
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	_, _ = w.Write(data) // a client that is gone has no one left to tell
}

// readRequest reads the form. Parameters are in the body only, each once (RFC
// 6749 section 3.2); the client proves itself in one way only (section 2.3).
func readRequest(w http.ResponseWriter, r *http.Request) (Request, error) {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "application/x-www-form-urlencoded" {
		return Request{}, bad(CodeInvalidRequest, "The request must be application/x-www-form-urlencoded.")
	}
	if r.URL.RawQuery != "" {
		return Request{}, bad(CodeInvalidRequest, "Parameters must be in the body, not in the address.")
	}
	if r.Header.Get("Authorization") != "" {
		return Request{}, bad(CodeInvalidRequest, "Clients prove themselves by client_assertion, without an Authorization header.")
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		e := bad(CodeInvalidRequest, "The form cannot be read, or is too long.")
		e.cause = err
		return Request{}, e
	}
	return fromForm(r.PostForm)
}

func fromForm(form url.Values) (Request, error) {
	var request Request
	for name, into := range map[string]*string{
		"grant_type": &request.GrantType, "client_assertion_type": &request.AssertionType, "client_assertion": &request.Assertion,
		"scope": &request.Scope, "client_id": &request.ClientID,
	} {
		values := form[name]
		if len(values) > 1 {
			return Request{}, bad(CodeInvalidRequest, "A parameter is there twice.")
		}
		if len(values) == 1 {
			*into = values[0]
		}
	}
	if form.Has("client_secret") {
		return Request{}, bad(CodeInvalidRequest, "Clients have no secret here; send client_assertion.")
	}
	return request, nil
}

// KeysHandler publishes the public keys.
func (s *Server) KeysHandler() http.Handler { return PublishKeys(s.options.Keys) }

// PublishKeys publishes the public keys of rings as one JWK Set. A ring that
// cannot be read is left out, since nothing can be signed by it either; if none
// can, the answer is 503.
func PublishKeys(rings ...*RingFile) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			w.WriteHeader(http.StatusMethodNotAllowed)
			return
		}
		data, err := publicKeys(rings)
		if err != nil {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		w.Header().Set("Content-Type", "application/jwk-set+json")
		w.Header().Set("Cache-Control", "public, max-age="+strconv.Itoa(keepKeys))
		w.Header().Set("X-Content-Type-Options", "nosniff")
		_, _ = w.Write(data) // a client that is gone has no one left to tell
	})
}

// publicKeys gives the keys of rings as a JWK Set, each key once.
func publicKeys(rings []*RingFile) ([]byte, error) {
	var keys []auth.Key
	var faults []error
	seen := map[string]bool{}
	for _, file := range rings {
		ring, err := file.Ring()
		if err != nil {
			faults = append(faults, err)
			continue
		}
		for _, key := range ring.Public() {
			if !seen[key.ID] {
				keys = append(keys, key)
			}
			seen[key.ID] = true
		}
	}
	if len(keys) == 0 {
		return nil, errors.Join(faults...)
	}
	return auth.FormatKeys(keys)
}

// Configuration is the smart-configuration of a server that uses this one.
// JWKSURL is where KeysHandler is, scopes those that make sense here.
func (s *Server) Configuration(jwksURL string, scopes []string) auth.Configuration {
	return auth.OwnConfiguration(s.options.TokenURL, jwksURL, scopes)
}
