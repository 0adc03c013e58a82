package authserver

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidemark.example/tidemark/api/auth"
)

// Client is a backend service that may get tokens.
type Client struct {
	// ID is client_id.
	ID string
	// Keys are its public keys, JWKSURL the address of them, "" if they are
	// not at one.
	Keys    auth.KeySource
	JWKSURL string
	// Scopes are those it may be granted, all of system/.
	Scopes []auth.Scope
}

// registration is one client of the file, with the names of RFC 7591 section 2
// and jwks_file, a path beside the file, of our own.
type registration struct {
	ID       string          `json:"client_id"`
	Name     string          `json:"client_name"`
	JWKSURL  string          `json:"jwks_uri"`
	JWKS     json.RawMessage `json:"jwks"`
	JWKSFile string          `json:"jwks_file"`
	Scope    string          `json:"scope"`
}

// ReadClients reads the file of registered clients:
//
//	{"clients": [{"client_id": "fernway-portal", "jwks_uri": "https://...",
//	  "scope": "system/QuestionnaireResponse.cu system/Observation.rs"}]}
//
// Each has its keys in one of jwks_uri, jwks and jwks_file. All that is wrong
// is in the error. Client and now are for fetching keys, and may be nil.
func ReadClients(path string, client *http.Client, now func() time.Time) ([]Client, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("authserver: clients: %w", err)
	}
	var file struct {
		Clients []registration `json:"clients"`
	}
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	err = decoder.Decode(&file)
	if err == nil && decoder.More() {
		err = errors.New("more than one JSON object")
	}
	if err != nil {
		return nil, fmt.Errorf("authserver: clients: %s: %w", path, err)
	}
	var clients []Client
	var faults []error
	seen := map[string]bool{}
	for i, item := range file.Clients {
		c, err := item.client(filepath.Dir(path), client, now)
		if seen[item.ID] {
			err = errors.Join(err, errors.New("client_id is there twice"))
		}
		seen[item.ID] = true
		if err != nil {
			faults = append(faults, fmt.Errorf("authserver: clients: %s: client %d: %w", path, i+1, err))
		}
		clients = append(clients, c)
	}
	return clients, errors.Join(faults...)
}

func (r registration) client(folder string, client *http.Client, now func() time.Time) (Client, error) {
	c := Client{ID: r.ID, JWKSURL: r.JWKSURL}
	var faults []error
	if r.ID == "" {
		faults = append(faults, errors.New("client_id is missing"))
	}
	var err error
	if c.Scopes, err = systemScopes(r.Scope); err != nil {
		faults = append(faults, err)
	}
	if c.Keys, err = r.keys(folder, client, now); err != nil {
		faults = append(faults, err)
	}
	return c, errors.Join(faults...)
}

// systemScopes reads scopes that are all of system/: a backend service has no
// user and no patient.
func systemScopes(text string) ([]auth.Scope, error) {
	scopes, left, err := auth.ParseScopes(text)
	if err != nil {
		return nil, fmt.Errorf("scope: %w", err)
	}
	if len(left) > 0 {
		return nil, fmt.Errorf("scope: cannot be read: %s", strings.Join(left, " "))
	}
	for _, scope := range scopes {
		if scope.Context != auth.SystemContext {
			return nil, fmt.Errorf("scope: %s is not of system/", scope)
		}
	}
	return scopes, nil
}

// keys gives the keys from the one place that is named.
func (r registration) keys(folder string, client *http.Client, now func() time.Time) (auth.KeySource, error) {
	places := 0
	for _, named := range []bool{r.JWKSURL != "", r.JWKS != nil, r.JWKSFile != ""} {
		if named {
			places++
		}
	}
	switch {
	case places != 1:
		return nil, errors.New("name one of jwks_uri, jwks and jwks_file")
	case r.JWKSURL != "":
		return auth.NewURLKeys(r.JWKSURL, client, now)
	case r.JWKSFile != "":
		path := r.JWKSFile
		if !filepath.IsAbs(path) {
			path = filepath.Join(folder, path)
		}
		return auth.NewFileKeys(path, now)
	}
	keys, err := auth.ParseKeys(r.JWKS)
	if err != nil {
		return nil, fmt.Errorf("jwks: %w", err)
	}
	if len(keys) == 0 {
		return nil, errors.New("jwks: no key that can verify RS384 or ES384")
	}
	return auth.NewFixedKeys(keys), nil
}
