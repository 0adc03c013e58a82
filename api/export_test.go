package api

import (
	"slices"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/edge"
)

// never is longer than any test takes.
const never = 365 * 24 * time.Hour

// StandStill stops the clocks by which requests are counted: clients get nothing
// back of what they have used up, and what the audit trail tells together it tells
// at Close. A test that takes long then sees what one sees that takes no time.
func (s *Server) StandStill() {
	at := time.Now()
	now := func() time.Time { return at }
	s.limiter = edge.NewLimiter(s.options.Limits, now)
	s.refusals.now, s.refusals.summary = now, never
	s.published.every = never
}

// ClockedBy gives the clock by which unknown forms are looked for.
func (f *Forms) ClockedBy(now func() time.Time) { f.now = now }

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
