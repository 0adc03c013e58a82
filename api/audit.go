package api

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// auditPatience is how long an answer waits for its entry of the audit trail,
// whether or not its client still does.
const auditPatience = 10 * time.Second

// maxAuditQuery is the most of a query, in bytes, that is kept of a request that
// was refused; one that was answered is kept whole.
const maxAuditQuery = 4 << 10

// trail is what a request has touched on its way. It is in the request's
// context, where the store notes what it gives out; a part of a Bundle that goes
// through the router has one of its own.
type trail struct {
	// interaction is that of the route, entity the resource it names, if any.
	interaction, entity string
	// query is what is asked for, beyond the entity.
	query, request string
	agent          audit.Agent
	// seen is what was read.
	seen []store.Resource
	// committed says that a write has put its entries on disk with its effects.
	committed bool
	// rehearsing says that what parts of a Bundle read is given to nobody, and
	// done that nothing more is to be recorded.
	rehearsing, done bool
}

type trailKey struct{}

// trailOf is the trail of a request, nil where nobody's request is done.
func trailOf(ctx context.Context) *trail {
	t, _ := ctx.Value(trailKey{}).(*trail)
	return t
}

// trace begins the trail of a request, unless it is for what is published: that
// is counted, since nobody's data is in it, and keeps clear of what costs time.
func (s *Server) trace(c *gin.Context) {
	if s.counted[c.FullPath()] && c.Request.Context().Value(partOfBundle{}) == nil {
		return
	}
	t := s.newTrail(c)
	c.Request = c.Request.WithContext(context.WithValue(c.Request.Context(), trailKey{}, t))
}

func (s *Server) newTrail(c *gin.Context) *trail {
	t := &trail{request: requestID(c), agent: audit.AgentOf(c.Request.Context())}
	if grant := grantOf(c.Request.Context()); grant != nil {
		t.by(grant, c.Request)
	}
	if t.agent.Address == "" {
		if client := s.options.Proxies.Client(c.Request); client.IsValid() {
			t.agent.Address = client.String()
		}
	}
	t.query = c.Request.Method + " " + c.Request.URL.RequestURI()
	if whole := trailOf(c.Request.Context()); whole != nil {
		t.done = whole.rehearsing
	}
	return t
}

// follow notes the route that a request takes.
func (t *trail) follow(c *gin.Context, r route) {
	if t == nil {
		return
	}
	t.interaction, t.query = auditInteraction(r), ""
	if id := c.Param("id"); fhir.IsID(id) && r.resource != "" {
		t.entity = r.resource + "/" + id
		if vid := c.Param("vid"); fhir.IsID(vid) {
			t.entity += "/_history/" + vid
		}
	}
	if r.operation != "" || r.interaction == "search-type" || t.entity == "" {
		t.query = strings.TrimPrefix(strings.TrimPrefix(c.Request.URL.Path, "/fhir"), "/")
		if c.Request.URL.RawQuery != "" {
			t.query += "?" + c.Request.URL.RawQuery
		}
	}
}

// auditInteraction is how events call what a route does.
func auditInteraction(r route) string {
	switch {
	case r.operation != "", r.interaction == cdsCall, r.exports():
		return "operation"
	case r.interaction == tokenRequest:
		return audit.Login
	case r.interaction == smartConfiguration, r.interaction == publishedKeys, r.interaction == cdsDiscovery:
		return "capabilities"
	case r.interaction == conditionalUpdate:
		return "update"
	case r.interaction == conditionalDelete:
		return "delete"
	}
	return r.interaction
}

// batch notes that a Bundle is a batch.
func (t *trail) batch() {
	if t != nil {
		t.interaction = "batch"
	}
}

// asks notes the parameters of a search as they are understood, where they did
// not come in the URL.
func (t *trail) asks(a asked) {
	if t != nil && a.hidden {
		t.query, _, _ = strings.Cut(t.query, "?")
		t.query += "?" + a.values.Encode()
	}
}

// note keeps what the store gave out.
func (t *trail) note(resources ...store.Resource) {
	if t != nil {
		t.seen = append(t.seen, resources...)
	}
}

// event is one of this request, with what is known before its outcome.
func (s *Server) event(t *trail) audit.Event { return eventOf(t, s.options.BaseURL) }

// eventOf is one of a trail at the server of a base.
func eventOf(t *trail, base string) audit.Event {
	return audit.Event{
		Interaction: t.interaction, Recorded: time.Now(), Status: http.StatusOK, Agent: t.agent,
		Base: base, Observer: "Device/" + observation.DeviceID, Request: t.request,
	}
}

// entryOf is an event as the store keeps it.
func entryOf(e *audit.Event) store.Audit {
	entity, _, _ := strings.Cut(e.Entity, "/_history/")
	return store.Audit{
		Recorded: e.Recorded, Event: audit.Append(make([]byte, 0, 2<<10), e),
		Patient: e.Patient, Client: e.Agent.Client, User: e.Agent.User, Entity: entity,
		Type: e.Type(), Subtype: e.Subtype(), Action: e.Action(), Outcome: e.Outcome(),
	}
}

// recorded puts what an answer tells on record, before it is given. What was
// read and cannot be recorded is not given: the answer is then another one.
func (s *Server) recorded(c *gin.Context, r reply) reply {
	ctx := c.Request.Context()
	t, refused := trailOf(ctx), r.status >= http.StatusBadRequest
	if t == nil && s.counted[c.FullPath()] {
		if !refused {
			s.published.count(c)
			return r
		}
		t = s.newTrail(c)
		if route := exchangeOf(c).route; route != nil {
			t.follow(c, *route)
		}
	}
	if t == nil || t.done {
		return r
	}
	t.done = true
	if t.committed && !refused && t.interaction != "batch" {
		return r
	}
	events, err := s.outcome(ctx, t, r.status, exchangeOf(c).reason)
	if err == nil && refused && !s.refusals.allow(&events[0]) {
		return r
	}
	if err == nil {
		err = s.appendAudit(ctx, events)
	}
	if err == nil {
		return r
	}
	s.metrics.auditLost.Add(float64(max(1, len(events))))
	s.options.Logger.ErrorContext(ctx, "audit lost", "request_id", t.request, "route", c.FullPath(), "status", r.status, "error", err)
	if refused || t.givesNothing() {
		return r
	}
	c.Header("Retry-After", "2")
	return reply{status: http.StatusServiceUnavailable, body: refusalBody(c, one(http.StatusServiceUnavailable, fhir.IssueNoStore,
		"The server cannot record this access, and gives nothing that it cannot record; repeat the request shortly."))}
}

// givesNothing says whether an answer tells nothing of what is stored, so that
// it may be given without an entry: what the server offers, and what became of
// the parts of a Bundle, each of which has its own.
func (t *trail) givesNothing() bool {
	return t.interaction == "capabilities" || t.interaction == "batch" || t.interaction == "transaction"
}

// appendAudit writes entries and waits until they are on disk.
func (s *Server) appendAudit(ctx context.Context, events []audit.Event) (err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), auditPatience)
	defer cancel()
	entries := make([]store.Audit, len(events))
	for i := range events {
		entries[i] = entryOf(&events[i])
	}
	defer func() {
		if value := recover(); value != nil {
			err = fmt.Errorf("api: the audit trail panicked with a %T", value)
		}
	}()
	err = s.raw.Write(ctx, nil, func(tx store.Tx) error {
		for _, entry := range entries {
			if err := tx.Audit(entry); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil {
		s.metrics.audited(events)
	}
	return err
}

// outcome are the events of a request that wrote nothing: one, or one for each
// patient whose data it gave out.
func (s *Server) outcome(ctx context.Context, t *trail, status int, reason string) ([]audit.Event, error) {
	e := s.event(t)
	e.Status, e.Reason, e.Entity, e.Query = status, reason, t.entity, t.query
	if status == http.StatusUnauthorized {
		e.Interaction = audit.Login
	}
	if status >= http.StatusBadRequest {
		e.Query = e.Query[:min(len(e.Query), maxAuditQuery)]
	}
	patients, err := s.patients(ctx, t.seen)
	if err != nil && status < http.StatusBadRequest {
		return nil, err
	}
	switch t.interaction {
	case "read", "vread":
		if len(t.seen) == 1 && status < http.StatusBadRequest && !isComputed(t.entity) {
			e.Entity = versioned(t.seen[0])
		}
	case "batch", "transaction":
		return []audit.Event{e}, nil
	}
	if len(patients) == 1 {
		e.Patient = patients[0]
	}
	if len(patients) < 2 || status >= http.StatusBadRequest {
		return []audit.Event{e}, nil
	}
	var events []audit.Event
	for _, patient := range patients {
		e.Patient = patient
		events = append(events, e)
	}
	return events, nil
}

// patients are those that some resources are about, each once.
func (s *Server) patients(ctx context.Context, seen []store.Resource) ([]string, error) {
	var patients []string
	for _, r := range seen {
		patient, err := s.patientOf(ctx, r)
		if err != nil {
			return nil, err
		}
		if patient != "" && !slices.Contains(patients, patient) {
			patients = append(patients, patient)
		}
	}
	return patients, nil
}

// recordRefused puts an entry of a batch on record that was refused before it
// came to the store or to the router.
func (s *Server) recordRefused(c *gin.Context, e *entry, f *failure) {
	t := trailOf(c.Request.Context())
	if t == nil || t.done {
		return
	}
	event := s.event(t)
	event.Interaction, event.Status, event.Reason = interactions[e.method], f.status, f.reason()
	if event.Interaction == "" {
		event.Interaction = audit.Unknown
	}
	path, _, _ := strings.Cut(e.path, "?")
	if kind, id, ok := strings.Cut(path, "/"); ok && kind == "QuestionnaireResponse" && fhir.IsID(id) {
		event.Entity = path
	} else {
		event.Query = e.method + " " + e.path
		event.Query = event.Query[:min(len(event.Query), maxAuditQuery)]
	}
	if !s.refusals.allow(&event) {
		return
	}
	if err := s.appendAudit(c.Request.Context(), []audit.Event{event}); err != nil {
		s.metrics.auditLost.Inc()
		s.options.Logger.ErrorContext(c.Request.Context(), "audit lost", "request_id", t.request, "status", f.status, "error", err)
	}
}
