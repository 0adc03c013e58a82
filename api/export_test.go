package api

import (
	"slices"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
)

// Routes are those that the router really has, for the tests of what is claimed.
func (s *Server) Routes() gin.RoutesInfo { return s.engine().Routes() }

// Rule is a route with what it takes to use it.
type Rule struct {
	Method, Path, Resource, Interaction, Operation string
	// Open says that it takes no token, Ruled that a rule says what it takes.
	Open, Ruled bool
	Needs       []auth.Need
}

// Rules are those of all routes.
func (s *Server) Rules() []Rule {
	var all []Rule
	for _, r := range s.routes {
		rule := Rule{Method: r.method, Path: r.path, Resource: r.resource, Interaction: r.interaction, Operation: r.operation, Open: slices.Contains(open, r.interaction)}
		rule.Needs, rule.Ruled = r.needs(false)
		all = append(all, rule)
	}
	return all
}

// CountUnauthorised counts a refusal as a request without authority does.
func CountUnauthorised(m *Metrics, reason string) { m.unauthorised.WithLabelValues(reason).Inc() }
