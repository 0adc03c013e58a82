package api

import (
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
)

// token lets the token endpoint answer, and puts on record what it answered,
// before the answer goes out: no token is given of which nothing is known.
func (s *Server) token(endpoint http.Handler) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		answer := &recorder{header: http.Header{}}
		endpoint.ServeHTTP(answer, c.Request)
		answer.WriteHeader(http.StatusOK)
		if t := trailOf(c.Request.Context()); t != nil {
			if t.entity, t.query = "", ""; answer.status < http.StatusBadRequest {
				t.agent.Client = assertedClient(c.Request.PostForm.Get("client_assertion"))
			}
		}
		if r := s.recorded(c, reply{status: answer.status}); r.status != answer.status {
			return r, nil
		}
		maps.Copy(c.Writer.Header(), answer.header)
		c.Status(answer.status)
		c.Writer.WriteHeaderNow()
		// A client that hangs up has its answer as much as it ever will.
		_, _ = c.Writer.Write(answer.body.Bytes())
		return reply{sent: true}, nil
	}
}

// assertedClient is who an assertion says that it is of. It is asked only of one
// that the token endpoint has verified.
func assertedClient(assertion string) string {
	parts := strings.Split(assertion, ".")
	if len(parts) != 3 {
		return ""
	}
	var claims struct {
		Subject string `json:"sub"`
	}
	text, err := base64.RawURLEncoding.DecodeString(parts[1])
	if err != nil || json.Unmarshal(text, &claims) != nil {
		return ""
	}
	return claims.Subject
}
