package api

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir/store"
)

// asked is what a search asks for.
type asked struct {
	values url.Values
	// hidden says that the parameters came in a body, or sealed in a link, so that
	// they must not stand in a URL in plain text.
	hidden bool
}

// asked reads the parameters of a search: those of the URL, and of a POST those
// of the body too (R4 http.html 3.1.0.9).
func (s *Server) asked(c *gin.Context) (asked, error) {
	values, err := queryOf(c.Request.URL.RawQuery)
	if err != nil {
		return asked{}, err
	}
	a := asked{values: values}
	if c.Request.Method == http.MethodPost {
		a.hidden = true
		body, err := s.formBody(c)
		if err != nil {
			return asked{}, err
		}
		for name, each := range body {
			a.values[name] = append(a.values[name], each...)
		}
	}
	err = s.unseal(c.Request.Context(), &a)
	trailOf(c.Request.Context()).asks(a)
	return a, err
}

// formBody reads the body of a search. One without a body has its parameters in
// the URL alone.
func (s *Server) formBody(c *gin.Context) (url.Values, error) {
	if c.Request.ContentLength == 0 {
		return nil, nil
	}
	body, err := s.body(c)
	if err != nil {
		return nil, err
	}
	return queryOf(string(body))
}

// sealedParam carries in a link what must not be read in it: who follows it
// leaves nothing of a patient in the logs of any proxy on the way.
const sealedParam = "_sealed"

// plainParams may stand in any URL: they are about nobody.
var plainParams = []string{"_count", "_sort", "_total", "_summary", "_elements", "_include", "_revinclude", "_format", "_pretty",
	cursorParam, "status", "code", "category", "method", "questionnaire", "component-code", "combo-code", "max"}

// seal puts all parameters that may be about somebody into one that only this
// server can read.
func (s *Server) seal(ctx context.Context, used url.Values) (url.Values, error) {
	secret, plain := url.Values{}, url.Values{}
	for name, each := range used {
		if slices.Contains(plainParams, name) {
			plain[name] = each
		} else {
			secret[name] = each
		}
	}
	if len(secret) == 0 {
		return plain, nil
	}
	sealer, err := s.sealer(ctx)
	if err != nil {
		return nil, stored(ctx, err)
	}
	nonce := make([]byte, sealer.NonceSize())
	if _, err := rand.Read(nonce); err != nil {
		return nil, fmt.Errorf("api: no random bytes: %w", err)
	}
	plain.Set(sealedParam, base64.RawURLEncoding.EncodeToString(sealer.Seal(nonce, nonce, []byte(secret.Encode()), nil)))
	return plain, nil
}

// unseal reads what a link of ours carries.
func (s *Server) unseal(ctx context.Context, a *asked) error {
	sealed := a.values[sealedParam]
	a.values.Del(sealedParam)
	for _, text := range sealed {
		sealer, err := s.sealer(ctx)
		if err != nil {
			return stored(ctx, err)
		}
		values, err := opened(sealer, text)
		if err != nil {
			return fmt.Errorf("%w: %w", store.ErrPage, err)
		}
		maps.Copy(a.values, values)
		a.hidden = true
	}
	return nil
}

func opened(sealer cipher.AEAD, text string) (url.Values, error) {
	sealed, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(sealed) < sealer.NonceSize() {
		return nil, errors.New("api: a link that is not ours")
	}
	plain, err := sealer.Open(nil, sealed[:sealer.NonceSize()], sealed[sealer.NonceSize():], nil)
	if err != nil {
		return nil, errors.New("api: a link that is not ours")
	}
	return url.ParseQuery(string(plain))
}

// sealer encrypts with the key that all processes on the database share.
func (s *Server) sealer(ctx context.Context) (cipher.AEAD, error) {
	s.sealing.Lock()
	defer s.sealing.Unlock()
	if s.sealed != nil {
		return s.sealed, nil
	}
	key, err := s.options.Store.Secret(ctx, "search links")
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("api: the key of search links: %w", err)
	}
	s.sealed, err = cipher.NewGCM(block)
	return s.sealed, err
}

// posted are the searches of a table once more, by POST (R4 http.html 3.1.0.9).
func posted(routes []route) []route {
	var all []route
	for _, r := range routes {
		if r.interaction == "search-type" {
			all = append(all, route{http.MethodPost, r.path + "/_search", r.resource, r.interaction, "", r.handle})
		}
	}
	return all
}
