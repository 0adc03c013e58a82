package api_test

import (
	"net/http"

	"tidemark.example/tidemark/fhir/audit"
)

// portal is an invented client of an invented authorization server, with a
// person who uses it.
var portal = audit.Agent{
	Client: "fernway-portal", User: "ilse-varnholt", Issuer: "https://login.fernway-portal.example", TokenID: "b6f1c0de-7a11",
}

// as lets all requests come from an agent, as if a token had said so.
func (r *rig) as(agent audit.Agent) {
	r.t.Helper()
	next := r.http.Config.Handler
	r.http.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		next.ServeHTTP(w, request.WithContext(audit.WithAgent(request.Context(), agent)))
	})
}

// audited reads a score and gives the id of the AuditEvent of that.
func (r *rig) audited(id string) string {
	r.t.Helper()
	next := r.http.Config.Handler
	r.as(portal)
	r.score(id)
	r.http.Config.Handler = next
	return r.get("/fhir/AuditEvent?_count=1&agent="+portal.Client).text("entry", 0, "resource", "id")
}
