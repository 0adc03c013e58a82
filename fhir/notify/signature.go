package notify

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// label is the name of our signature among those that a message may have.
const label = "tidemark"

// component is one covered part of a message with its value (RFC 9421 section 2).
type component struct{ name, value string }

// signatureParams writes the covered components and the parameters of a
// signature (RFC 9421 section 2.3).
func signatureParams(covered []component, parameters string) string {
	names := make([]string, len(covered))
	for i, c := range covered {
		names[i] = `"` + c.name + `"`
	}
	return "(" + strings.Join(names, " ") + ")" + parameters
}

// signatureBase is what is signed (RFC 9421 section 2.5).
func signatureBase(covered []component, params string) string {
	var b strings.Builder
	for _, c := range covered {
		b.WriteString(`"` + c.name + `": ` + c.value + "\n")
	}
	return b.String() + `"@signature-params": ` + params
}

// mac is HMAC with SHA-256 in base64 (RFC 9421 section 3.3.3).
func mac(key []byte, text string) string {
	hash := hmac.New(sha256.New, key)
	hash.Write([]byte(text))
	return base64.StdEncoding.EncodeToString(hash.Sum(nil))
}

// contentDigest is the header of RFC 9530 for a body.
func contentDigest(body []byte) string {
	digest := sha256.Sum256(body)
	return "sha-256=:" + base64.StdEncoding.EncodeToString(digest[:]) + ":"
}

// sign adds Content-Digest, Signature-Input and Signature to a request: HTTP
// Message Signatures (RFC 9421) over the method, the URL, the content type and
// the digest of the body, with the time. Keyid is the id of the subscription.
func sign(request *http.Request, body, key []byte, keyid string, at time.Time) {
	digest := contentDigest(body)
	request.Header.Set("Content-Digest", digest)
	covered := []component{
		{"@method", request.Method}, {"@target-uri", request.URL.String()},
		{"content-type", request.Header.Get("Content-Type")}, {"content-digest", digest},
	}
	params := signatureParams(covered, ";created="+strconv.FormatInt(at.Unix(), 10)+`;keyid="`+keyid+`";alg="hmac-sha256"`)
	request.Header.Set("Signature-Input", label+"="+params)
	request.Header.Set("Signature", label+"=:"+mac(key, signatureBase(covered, params))+":")
}
