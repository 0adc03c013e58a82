package login

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tidemark.example/tidemark/config/watch"
	"tidemark.example/tidemark/fhir/writeback"
)

// maxSecret is the largest file of a secret, in bytes (common practice: a token
// must fit into the headers of a request, of which most servers take 8 to 64 KiB).
const maxSecret = 64 << 10

// header is a Source whose value is made of a file.
type header struct{ value *watch.Value[string] }

// Authorization implements Source. A file that has become unreadable gives
// nothing, since what it held may have been withdrawn.
func (h header) Authorization(context.Context, string) (string, error) {
	value, _, err := h.value.Latest()
	if err != nil {
		return "", failed(writeback.ErrLogin, "%w", err)
	}
	return value, nil
}

// fromFile makes a Source of what a file holds.
func fromFile(setting, path string, now func() time.Time, make func(secret string) (string, error)) (Source, error) {
	load := func() (string, error) {
		secret, err := readSecret(path)
		if err != nil {
			return "", err
		}
		value, err := make(secret)
		if err != nil {
			return "", fmt.Errorf("%s: %w", path, err)
		}
		return value, nil
	}
	value, err := watch.New(load, now, path)
	if err != nil {
		return nil, &Fault{setting, err}
	}
	return header{value}, nil
}

// readSecret reads a file that holds a secret and perhaps the end of a line.
func readSecret(path string) (string, error) {
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, maxSecret+1))
	switch {
	case err != nil:
		return "", err
	case len(data) > maxSecret:
		return "", fmt.Errorf("%s is too large to hold a secret", path)
	}
	secret := strings.TrimRight(string(data), "\r\n")
	if secret == "" {
		return "", fmt.Errorf("%s is empty", path)
	}
	return secret, nil
}

// Basic sends a user and the password that a file holds (RFC 7617, in UTF-8).
// now is the clock, nil for the system's.
func Basic(user, passwordFile string, now func() time.Time) (Source, error) {
	if strings.Contains(user, ":") || !printable(user) {
		return nil, &Fault{"auth.user", errors.New("the user must have no colon and no control characters (RFC 7617 section 2)")}
	}
	return fromFile("auth.password_file", passwordFile, now, func(password string) (string, error) {
		if !printable(password) {
			return "", errors.New("a password has no control characters (RFC 7617 section 2) and is UTF-8, in one line")
		}
		return "Basic " + base64.StdEncoding.EncodeToString([]byte(user+":"+password)), nil
	})
}

func printable(text string) bool {
	return utf8.ValidString(text) && !strings.ContainsFunc(text, unicode.IsControl)
}

// bearerToken is what a token looks like (RFC 6750 section 2.1, b64token).
var bearerToken = regexp.MustCompile(`^[A-Za-z0-9\-._~+/]+=*$`)

// Bearer sends the token that a file holds, which somebody else renews.
func Bearer(tokenFile string, now func() time.Time) (Source, error) {
	return fromFile("auth.token_file", tokenFile, now, func(token string) (string, error) {
		if !bearerToken.MatchString(token) {
			return "", errors.New("the file must hold a token (RFC 6750 section 2.1) alone, in one line")
		}
		return "Bearer " + token, nil
	})
}
