package main

import (
	"fmt"
	"net/http"
	"strings"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// noToken lets nobody do anything.
type noToken struct{}

// Request implements the verifier of api.Auth.
func (noToken) Request(*http.Request) (*auth.Grant, error) {
	return nil, &auth.Error{Status: http.StatusUnauthorized, Issue: fhir.IssueLogin, Reason: auth.ReasonMissing}
}

// refusedLogin asks a server that wants tokens, on the same trail, without one.
func (e *emitter) refusedLogin(s store.Store) {
	guarded := api.New(api.Options{Store: s, BaseURL: base, Version: "1.0.0", Auth: &api.Auth{Verifier: noToken{}}}, api.NewMetrics())
	at := &emitter{ctx: e.ctx, handler: guarded.Handler(), err: e.err}
	at.call(http.MethodGet, "/Observation", nil, http.StatusUnauthorized)
	e.fail(at.err)
}

// audits saves an AuditEvent of each kind that what was done before has left,
// some of a person with a token and some of nobody.
func (e *emitter) audits(s store.Store) {
	nobody := e.ctx
	e.ctx = audit.WithAgent(nobody, audit.Agent{
		Client: "fernway-portal", User: "ilse-varnholt", Issuer: "https://login.fernway-portal.example", TokenID: "b6f1c0de-7a11", Address: "192.0.2.7",
	})
	id := e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(assessment{form: forms["self"], method: "direct", name: "audited", percent: "20", itch: "6.5", sleep: "4", grade: "moderate"}.response("completed", "")), http.StatusCreated).id()
	e.call(http.MethodGet, "/Observation/"+id, nil, http.StatusOK)
	e.call(http.MethodGet, "/Observation/"+id+"/_history/1", nil, http.StatusOK)
	e.call(http.MethodGet, "/Observation/"+id+"/_history", nil, http.StatusOK)
	e.call(http.MethodGet, "/Observation/none", nil, http.StatusNotFound)
	e.call(http.MethodGet, "/Observation?patient=oona-thistledown&_count=1", nil, http.StatusOK)
	e.call(http.MethodDelete, "/QuestionnaireResponse/"+id, nil, http.StatusNoContent)
	subscribed := e.call(http.MethodPost, "/Subscription", wish(""), http.StatusCreated).id()
	e.call(http.MethodPut, "/Subscription/"+subscribed, wish(subscribed), http.StatusOK)
	e.call(http.MethodDelete, "/Subscription/"+subscribed, nil, http.StatusNoContent)
	e.ctx = nobody
	e.refusedLogin(s)
	if e.err != nil {
		return
	}
	page, err := s.Audits(e.ctx, store.AuditQuery{Limit: 100000})
	if err != nil {
		e.fail(fmt.Errorf("reading the audit trail: %w", err))
		return
	}
	seen := map[string]bool{}
	for _, r := range page.Records {
		kind, _, _ := strings.Cut(r.Entity, "/")
		name := fmt.Sprintf("AuditEvent-%s-%s", r.Subtype, r.Outcome)
		if kind != "" {
			name += "-of-" + kind
		}
		if r.User != "" {
			name += "-person"
		}
		if !seen[name] {
			seen[name] = true
			e.get(name, "/AuditEvent/"+r.AuditPlace.String())
		}
	}
	if len(seen) < 12 {
		e.fail(fmt.Errorf("only %d kinds of AuditEvents were left", len(seen)))
	}
	e.get("Bundle-searchset-AuditEvent", "/AuditEvent?_count=3")
}
