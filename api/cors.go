package api

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"
)

// What browser portals may send and read (R4 http.html 3.1.0.1.13). Credentials
// are not among it: tokens travel in Authorization, which the page sets itself.
const (
	corsSends   = "Accept, Authorization, Content-Encoding, Content-Type, If-Match, If-Modified-Since, If-None-Exist, If-None-Match, Prefer, X-Provenance, X-Request-Id"
	corsReads   = "Allow, Content-Location, ETag, Expires, Last-Modified, Link, Location, Preference-Applied, Retry-After, WWW-Authenticate, X-Correlation-Id, X-Progress, X-Request-Id"
	corsSeconds = "600"
)

// cors lets the pages of the origins listed use the server; none by default.
func (s *Server) cors(c *gin.Context) {
	if len(s.options.CORSOrigins) == 0 {
		return
	}
	h := c.Writer.Header()
	// Also for those not listed, or a cache would answer one as another.
	h.Add("Vary", "Origin")
	origin := c.GetHeader("Origin")
	if origin == "" || !slices.Contains(s.options.CORSOrigins, origin) {
		return
	}
	h.Set("Access-Control-Allow-Origin", origin)
	h.Set("Access-Control-Expose-Headers", corsReads)
	if c.Request.Method == http.MethodOptions && c.GetHeader("Access-Control-Request-Method") != "" {
		h.Set("Access-Control-Allow-Methods", strings.Join(s.allowed(c.Request.URL.Path), ", "))
		h.Set("Access-Control-Allow-Headers", corsSends)
		h.Set("Access-Control-Max-Age", corsSeconds)
	}
}

// answerOptions tells what a path takes.
func (s *Server) answerOptions(c *gin.Context) {
	if c.Request.Method != http.MethodOptions {
		return
	}
	allowed := s.allowed(c.Request.URL.Path)
	if len(allowed) == 0 {
		return // noRoute says so
	}
	c.Header("Allow", strings.Join(allowed, ", "))
	c.Status(http.StatusNoContent)
	c.Writer.WriteHeaderNow()
	c.Abort()
}

// allowed lists the methods of a path; none if there is nothing.
func (s *Server) allowed(path string) []string {
	var methods []string
	for _, r := range s.routes {
		if matches(r.path, path) && !slices.Contains(methods, r.method) {
			methods = append(methods, r.method)
			if r.method == http.MethodGet {
				methods = append(methods, http.MethodHead)
			}
		}
	}
	if len(methods) > 0 {
		methods = append(methods, http.MethodOptions)
	}
	return methods
}
