package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/questionnaire"
)

// site is a hospital that takes scores otherwise than as they are stored.
type site struct {
	name    string
	mode    writeback.Mode
	profile observation.Profile
}

const snomed = "http://snomed.info/sct"

// sites have each shape, each way of altering what is sent, and each shape in a
// transaction.
var sites = []site{
	{name: "panel", profile: observation.Profile{Shape: observation.PanelShape}},
	{name: "panel-logical", profile: observation.Profile{Shape: observation.PanelShape, Logical: true}},
	{name: "observations", profile: observation.Profile{Shape: observation.Singles}},
	{name: "document", profile: observation.Profile{Shape: observation.Document}},
	{name: "codings", profile: observation.Profile{Systems: []string{snomed, questionnaire.ScoradSystem}, Codings: own()}},
	{name: "altered", profile: altered("")},
	{name: "altered-observations", profile: altered(observation.Singles)},
	{name: "altered-document", profile: altered(observation.Document)},
	{name: "transaction", mode: writeback.Transaction},
	{name: "transaction-panel", mode: writeback.Transaction, profile: observation.Profile{Shape: observation.PanelShape}},
	{name: "transaction-document", mode: writeback.Transaction, profile: observation.Profile{Shape: observation.Document}},
	{name: "transaction-altered", mode: writeback.Transaction, profile: altered("")},
}

// own are a hospital's codings of its own.
func own() map[string][]questionnaire.Coding {
	const system = "https://brindlemoor.example/codes"
	return map[string][]questionnaire.Coding{
		observation.Total: {{System: system, Code: "SKIN-7", Display: "Skin score"}},
		"symptoms-itch":   {{System: system, Code: "SKIN-8"}},
	}
}

// altered is whatever can be altered at once: codings without ours, another
// category, no narrative.
func altered(shape observation.Shape) observation.Profile {
	return observation.Profile{
		Shape: shape, Systems: []string{snomed}, Codings: own(), WithoutNarrative: true,
		Category: []questionnaire.Coding{{System: "http://terminology.hl7.org/CodeSystem/observation-category", Code: "exam", Display: "Exam"}},
	}
}

// sent saves what each of the sites is sent.
func (e *emitter) sent() {
	for _, s := range sites {
		if e.err == nil {
			e.fail(e.sentTo(s))
		}
	}
}

// sentTo has a service of its own deliver to a site: a score of each form, then
// one that was amended, by which it lost its total and parts, and one retracted.
func (e *emitter) sentTo(s site) (err error) {
	scratch, err := os.MkdirTemp("", "tidemark-emit-site-")
	if err != nil {
		return fmt.Errorf("making a directory for the database: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(scratch)) }()
	db, err := sqlite.Open(e.ctx, filepath.Join(scratch, "tidemark.db"), sqlite.Options{})
	if err != nil {
		return fmt.Errorf("opening the database: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	h := &hospital{server: sandbox.New(sandbox.Options{})}
	listener := httptest.NewServer(h)
	defer listener.Close()
	worker, err := writeback.New(db, writeback.Target{Name: s.name, Base: listener.URL + "/fhir", Mode: s.mode, Profile: s.profile}, writeback.Options{})
	if err != nil {
		return err
	}
	server := api.New(api.Options{
		Store: db, BaseURL: base, Version: "1.0.0", Targets: []api.Target{{Name: s.name, Base: "https://ehr.brindlemoor.example/fhir", Members: s.profile.Shape.Members}},
	}, api.NewMetrics())
	at := &emitter{ctx: e.ctx, dir: e.dir, handler: server.Handler(), alike: e.alike}
	ctx, stop := context.WithCancel(e.ctx)
	done := make(chan error, 1)
	go func() { done <- worker.Run(ctx) }()
	at.livesAt(s, db, worker)
	stop()
	at.fail(<-done)
	at.keepSent(s, h)
	e.written += at.written
	return at.err
}

// livesAt has two responses delivered, and then changed.
func (e *emitter) livesAt(s site, db *sqlite.Store, worker *writeback.Worker) {
	lives := map[string]assessment{
		"amended":          {form: forms["self"], method: "hands", percent: "7.5", itch: "5", sleep: "3", grade: "mild", name: s.name + "-1"},
		"entered-in-error": {form: forms["clinician"], method: "direct", percent: "40", itch: "7", sleep: "6.5", grade: "severe", name: s.name + "-2"},
	}
	ids := map[string]string{}
	for status, a := range lives {
		ids[status] = e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(a.response("completed", "")), http.StatusCreated).id()
	}
	e.quiet(db, worker)
	for status, a := range lives {
		a.sleep = ""
		e.call(http.MethodPut, "/QuestionnaireResponse/"+ids[status], e.encode(a.response(status, ids[status])), http.StatusOK)
	}
	e.quiet(db, worker)
	e.get("Task-sent-to-"+s.name, "/Task/"+ids["amended"])
}

// anyID is what differs between two resources that are alike.
var anyID = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}|[0-9a-f]{32}|"id":"[a-z0-9]{20}"|/[a-z0-9]{20}"|2[0-9]{3}-[01][0-9]-[0-3][0-9]T[0-9:.]+(Z|[+-][0-9:]+)`)

// onePart is in a transaction of a part of a panel; of these one is enough, since
// all parts are judged by themselves.
var onePart = regexp.MustCompile(`^.{0,900}"value":"[0-9a-f]{32}\.(also-seen|extent|intensity|objective|subjective|symptoms-sleep)`)

// keepSent saves what a hospital got, named after its type; what others got in
// the same words, but for ids and times, is saved once.
func (e *emitter) keepSent(s site, h *hospital) {
	if len(h.sent) < 2 {
		e.fail(fmt.Errorf("%s was sent %d resources", s.name, len(h.sent)))
	}
	for i, body := range h.sent {
		var resource struct{ ResourceType string }
		if err := json.Unmarshal(body, &resource); err != nil {
			e.fail(fmt.Errorf("what %s was sent is no resource: %w", s.name, err))
		}
		like := string(anyID.ReplaceAll(body, nil))
		if e.alike[like] || resource.ResourceType == "Bundle" && onePart.Match(body) {
			continue
		}
		e.alike[like] = true
		e.save(fmt.Sprintf("%s-sent-to-%s-%d", resource.ResourceType, s.name, i+1), body)
	}
}
