package auth

import (
	"net/http"
	"strings"
)

// Bearer takes the access token from a request (RFC 6750 section 2.1). Tokens
// in the address or in a form are refused: addresses are logged.
func Bearer(r *http.Request) (string, error) {
	if strings.Contains(r.URL.RawQuery, "access_token=") {
		return "", badRequest("An access token stands in the address, where logs keep it; send it as Authorization: Bearer, and get a new one.")
	}
	values := r.Header.Values("Authorization")
	if len(values) == 0 {
		return "", missing()
	}
	if len(values) > 1 {
		return "", badRequest("The request has more than one Authorization header; send one.")
	}
	scheme, token, found := strings.Cut(values[0], " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return "", missing()
	}
	token = strings.TrimLeft(token, " ")
	if !found || !isBearer(token) {
		return "", badRequest("The Authorization header is not Bearer and a token.")
	}
	return token, nil
}

// isBearer holds a token to b64token (RFC 6750 section 2.1).
func isBearer(token string) bool {
	body := strings.TrimRight(token, "=")
	for i := range len(body) {
		c := body[i]
		letter := c|0x20 >= 'a' && c|0x20 <= 'z'
		if !letter && (c < '0' || c > '9') && !strings.ContainsRune("-._~+/", rune(c)) {
			return false
		}
	}
	return body != ""
}
