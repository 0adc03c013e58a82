package api

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// readAudit answers one AuditEvent. There is one version of each, for ever.
func (s *Server) readAudit(c *gin.Context) (reply, error) {
	place, ok := store.ParseAuditPlace(c.Param("id"))
	if !ok {
		return reply{}, store.ErrNotFound
	}
	found, err := s.options.Store.Audit(c.Request.Context(), place)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	return reply{status: http.StatusOK, body: auditBody(found), etag: etag(1), lastModified: found.Recorded}, nil
}

func auditBody(r store.AuditRecord) []byte {
	return audit.AppendWithID(make([]byte, 0, len(r.Event)+64), r.Event, r.AuditPlace.String())
}

// auditParam is one search parameter of the audit trail.
type auditParam struct {
	name, kind, definition, text string
	// modifiers are those it takes.
	modifiers string
	apply     func(s *Server, q *store.AuditQuery, modifier, value string) error
}

const searchParameters = "http://hl7.org/fhir/SearchParameter/"

var auditParams = []auditParam{
	{"date", "date", searchParameters + "AuditEvent-date", "When the event was recorded", "", func(_ *Server, q *store.AuditQuery, _, value string) error {
		return auditBetween(q, "date", value)
	}},
	{"_lastUpdated", "date", searchParameters + "Resource-lastUpdated", "When the event was recorded", "", func(_ *Server, q *store.AuditQuery, _, value string) error {
		return auditBetween(q, "_lastUpdated", value)
	}},
	{"patient", "reference", searchParameters + "AuditEvent-patient", "The patient whose data it was", "identifier", auditPatient},
	{"agent", "reference", searchParameters + "AuditEvent-agent", "Who acted: client or person, by the identifier within the reference", "identifier", auditAgent},
	{"entity", "reference", searchParameters + "AuditEvent-entity", "The resource or the patient it was about", "", auditEntity},
	{"action", "token", searchParameters + "AuditEvent-action", "C, R, U, D or E", "", auditToken(func(q *store.AuditQuery) *[]string { return &q.Actions })},
	{"outcome", "token", searchParameters + "AuditEvent-outcome", "0, 4, 8 or 12", "", auditToken(func(q *store.AuditQuery) *[]string { return &q.Outcomes })},
	{"type", "token", searchParameters + "AuditEvent-type", "rest, or 110114 for a token that was refused", "", auditToken(func(q *store.AuditQuery) *[]string { return &q.Types })},
	{"subtype", "token", searchParameters + "AuditEvent-subtype", "The interaction, such as search-type; vread and read are apart", "", auditToken(func(q *store.AuditQuery) *[]string { return &q.Subtypes })},
}

func auditBetween(q *store.AuditQuery, name, value string) error {
	r, err := timeRanges(name, value)
	q.Recorded = append(q.Recorded, r)
	return err
}

// auditToken matches codes, whatever their system: no two here are alike.
func auditToken(field func(*store.AuditQuery) *[]string) func(*Server, *store.AuditQuery, string, string) error {
	return func(_ *Server, q *store.AuditQuery, _, value string) error {
		var codes []string
		for _, v := range alternatives(value) {
			codes = append(codes, v[strings.LastIndexByte(v, '|')+1:])
		}
		return narrowAudit(field(q), codes)
	}
}

// narrowAudit sets the alternatives of a condition, which may be given once.
func narrowAudit(into *[]string, values []string) error {
	if *into != nil {
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "A parameter of AuditEvent is given once, with its alternatives separated by commas; only dates may be repeated.")
	}
	*into = values
	return nil
}

func auditPatient(s *Server, q *store.AuditQuery, modifier, value string) error {
	var keys []string
	for _, v := range alternatives(value) {
		key := localReference(v, s.options.BaseURL)
		switch {
		case modifier == "identifier":
			key = "identifier:" + v
		case !strings.Contains(key, "/"):
			key = "Patient/" + key
		}
		keys = append(keys, key)
	}
	return narrowAudit(&q.Patients, keys)
}

// auditAgent matches client or person by the names that the authorization server
// knows them by, with the modifier :identifier or without: they have no others.
func auditAgent(_ *Server, q *store.AuditQuery, _, value string) error {
	var names []string
	for _, v := range alternatives(value) {
		names = append(names, v[strings.LastIndexByte(v, '|')+1:])
	}
	return narrowAudit(&q.Agents, names)
}

func auditEntity(s *Server, q *store.AuditQuery, _, value string) error {
	var entities, patients []string
	for _, v := range alternatives(value) {
		key := localReference(v, s.options.BaseURL)
		if strings.HasPrefix(key, "Patient/") {
			patients = append(patients, key)
		} else {
			entities = append(entities, key)
		}
	}
	if len(entities) > 0 && len(patients) > 0 {
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "entity takes patients or other resources, not both at once.")
	}
	if len(patients) > 0 {
		return narrowAudit(&q.Patients, patients)
	}
	return narrowAudit(&q.Entities, entities)
}

// searchAudit finds AuditEvents, newest first. How many there are in all is not
// counted: the trail only grows.
func (s *Server) searchAudit(c *gin.Context) (reply, error) {
	asked, err := s.asked(c)
	if err != nil {
		return reply{}, err
	}
	p := parsed{resource: "AuditEvent", path: "AuditEvent", used: url.Values{}}
	query := store.AuditQuery{Limit: defaultCount}
	for _, name := range slices.Sorted(maps.Keys(asked.values)) {
		for _, value := range asked.values[name] {
			used, err := s.auditParam(&query, name, value)
			switch {
			case err != nil:
				return reply{}, err
			case used:
				p.used.Add(name, value)
			case value != "" && strict(c):
				return reply{}, unsupported("AuditEvent", name)
			case value != "" && !slices.Contains(p.ignored, name):
				p.ignored = append(p.ignored, name)
			}
		}
	}
	return s.auditPage(c, &p, query, asked)
}

// auditParam takes one parameter into account and says whether it did.
func (s *Server) auditParam(query *store.AuditQuery, name, value string) (used bool, err error) {
	bare, modifier, modified := strings.Cut(name, ":")
	at := slices.IndexFunc(auditParams, func(p auditParam) bool { return p.name == bare })
	switch {
	case at >= 0 && modified && modifier != auditParams[at].modifiers, at < 0 && checkModifier(name) != nil:
		return false, checkModifier(name)
	case value == "":
		return false, nil
	case at >= 0:
		return true, auditParams[at].apply(s, query, modifier, value)
	case name == "_count":
		query.Limit, err = countParam(value)
		return true, err
	case name == cursorParam:
		query.After = value
		return true, nil
	case name == "_sort":
		if value != "-date" && value != "-_lastUpdated" {
			return true, badParam(name, "-date: the newest come first")
		}
		return true, nil
	}
	return name == "_format" || name == "_pretty", nil
}

// auditPage answers one page.
func (s *Server) auditPage(c *gin.Context, p *parsed, query store.AuditQuery, asked asked) (reply, error) {
	page, err := s.options.Store.Audits(c.Request.Context(), query)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	b := newSearchset(s.options.BaseURL)
	if total := len(page.Records); query.After == "" && page.Next == "" && query.Limit > 0 {
		b.total = &total
	}
	for _, r := range page.Records {
		b.add("AuditEvent/"+r.AuditPlace.String(), auditBody(r), "match")
	}
	if issues := p.told(false, handled(c) == "lenient"); len(issues) > 0 {
		b.outcome(issues.JSON())
	}
	p.query.After = query.After
	if b.links, err = s.links(c, p, store.Page{Next: page.Next}, asked); err != nil {
		return reply{}, err
	}
	return reply{status: http.StatusOK, body: b.close(), handling: handled(c)}, nil
}
