package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// statement is a Provenance that the sender gives of what it writes: in the
// header X-Provenance, whose target is then the version written (R4
// provenance.html 6.3.4.4), or as an entry of a transaction. It is kept beside
// our own, which speaks of the score.
type statement struct {
	server *Server
	// document is that of the header and ends with the request.
	document *fhir.Document
	root     fhir.Node
	digest   string

	written store.Resource
}

// headerStatement reads X-Provenance; nil if there is none. It is JSON whatever
// the Content-Type, and has no target, which nobody knows before.
func (s *Server) headerStatement(c *gin.Context) (*statement, error) {
	headers := c.Request.Header.Values("X-Provenance")
	if len(headers) == 0 {
		return nil, nil
	}
	bad := func(code fhir.IssueType, text string) error {
		return malformed(code, "", "X-Provenance: "+text)
	}
	if len(headers) > 1 {
		return nil, bad(fhir.IssueStructure, "the header must be given once.")
	}
	text := strings.TrimSpace(headers[0])
	var members map[string]json.RawMessage
	if err := json.Unmarshal([]byte(text), &members); err != nil || len(members) == 0 {
		return nil, bad(fhir.IssueStructure, "it must be a Provenance as JSON.")
	}
	if _, given := members["target"]; given {
		return nil, bad(fhir.IssueInvalid, "leave target out; it is the version that the request writes.")
	}
	// The decoder demands a target; the one put in is replaced when it is written.
	document, err := fhir.Decode([]byte(`{"target":[{"display":"pending"}],` + text[1:]))
	if err == nil && document.Root().Type() != "Provenance" {
		document.Release()
		return nil, bad(fhir.IssueStructure, "it must be a Provenance.")
	}
	if err != nil {
		var issues fhir.Issues
		if !errors.As(err, &issues) {
			return nil, err
		}
		for i := range issues {
			issues[i].Text = "X-Provenance: " + issues[i].Text
		}
		return nil, &failure{http.StatusBadRequest, issues}
	}
	p := &statement{server: s, document: document, root: document.Root()}
	if err := p.check(); err != nil {
		document.Release()
		return nil, &failure{http.StatusBadRequest, classify(err).issues}
	}
	return p, nil
}

// release ends a statement of a header; nil is none.
func (p *statement) release() {
	if p != nil && p.document != nil {
		p.document.Release()
	}
}

// check holds what the decoder cannot: that the statement is understood whole,
// and that everything it names can be found by others.
func (p *statement) check() error {
	var issues fhir.Issues
	refuse := func(code fhir.IssueType, at fhir.Node, text string) {
		issues = append(issues, fhir.Issue{Severity: fhir.Error, Code: code, Expression: at.Path(), Text: text})
	}
	for _, member := range []string{"implicitRules", "modifierExtension"} {
		if at := p.root.Get(member); at.Exists() {
			refuse(fhir.IssueNotSupported, at, member+" is not known here, and the Provenance cannot be understood without it; leave it out.")
		}
	}
	for agent := range p.root.Each("agent") {
		if who := agent.Get("who"); !who.Get("reference").Exists() && !who.Get("identifier").Get("value").Exists() && !who.Get("display").Exists() {
			refuse(fhir.IssueRequired, who, "who names nobody; give a reference, an identifier or a display.")
		}
	}
	p.root.Links(nil, func(link fhir.Link) (fhir.Relinked, bool) {
		if link.Kind == fhir.LinkReference && (fhir.IsURN(link.Text) || isConditional(link.Text)) {
			refuse(fhir.IssueNotFound, link.At, "The reference has a meaning only within a transaction.")
		}
		return fhir.Relinked{}, false
	})
	if len(issues) > 0 {
		return issues
	}
	return nil
}

// keep writes the statement about versions of resources, with those as its
// targets.
func (p *statement) keep(tx store.Tx, targets ...target) error {
	end, err := acting(tx, statementNeed.Type, statementNeed.Does)
	defer end()
	if err != nil {
		return err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	var list []string
	index := store.Index{Patient: targets[0].patient}
	for _, t := range targets {
		if t.patient != index.Patient {
			index.Patient = "" // it is nobody's alone
		}
		list = append(list, `{"reference":"`+t.key.String()+"/_history/"+strconv.FormatInt(t.version, 10)+`"}`)
		index.Tokens = append(index.Tokens, store.Token{Param: "target", Value: t.key.String()})
	}
	key := store.Key{Type: "Provenance", ID: id.String()}
	p.written, err = tx.Put(key, http.MethodPost, index, func(version int64, at time.Time) ([]byte, error) {
		return fhir.AppendStamped(nil, p.root, fhir.Stamp{ID: key.ID, Version: version, LastUpdated: at},
			map[string]string{"target": "[" + strings.Join(list, ",") + "]"}), nil
	})
	askedFor(tx, key)
	return err
}

// target is a version that a statement is about.
type target struct {
	key     store.Key
	version int64
	// patient is what its patient is found by, "" for none.
	patient string
}

// key recognises the same statement again.
func (p *statement) key() string { return "provenance:" + p.digest }

// apply is the job of a statement in a transaction, done when its targets are
// written: they must be kept here, and become versioned.
func (p *statement) apply(tx store.Tx) error {
	p.written = store.Resource{}
	end, err := acting(tx, statementNeed.Type, statementNeed.Does)
	defer end()
	if err != nil {
		return err
	}
	identity, found, err := tx.Identity(p.key())
	if err != nil {
		return err
	}
	if found {
		p.written, err = tx.Get(identity.Key)
		if !errors.Is(err, store.ErrNotFound) {
			return err
		}
		// Its targets are not the sender's to see, as is told below.
	}
	var targets []target
	for node := range p.root.Each("target") {
		t, err := p.target(tx, node)
		if err != nil {
			return err
		}
		targets = append(targets, t)
	}
	if err := p.keep(tx, targets...); err != nil {
		return err
	}
	return tx.PutIdentity(p.key(), store.Identity{Key: p.written.Key, Digest: p.digest})
}

// target finds what a target names.
func (p *statement) target(tx store.Tx, node fhir.Node) (target, error) {
	at := node.Path()
	if reference := node.Get("reference"); reference.Exists() {
		at = reference.Path()
	}
	reference, ok := fhir.ParseReference([]byte(localReferenceOf(node, p.server.options.BaseURL)))
	if !ok || reference.Base != "" || reference.Type != "QuestionnaireResponse" && reference.Type != "Observation" {
		return target{}, refusedAt(fhir.IssueNotSupported, at, "A Provenance is kept here of responses and scores of this server only.")
	}
	key := store.Key{Type: reference.Type, ID: reference.ID}
	current, err := tx.Get(key)
	if errors.Is(err, store.ErrNotFound) || err == nil && current.Deleted && reference.Version == "" {
		return target{}, refusedAt(fhir.IssueNotFound, at, "The target is not here.")
	}
	if err != nil {
		return target{}, err
	}
	patient, err := p.server.patientOf(context.Background(), current)
	if err != nil {
		return target{}, err
	}
	if reference.Version == "" {
		return target{key, current.Version, patient}, nil
	}
	version, err := strconv.ParseInt(reference.Version, 10, 64)
	if err != nil || version < 1 || version > current.Version {
		return target{}, refusedAt(fhir.IssueNotFound, at, "The target has no such version.")
	}
	return target{key, version, patient}, nil
}

// localReferenceOf is a reference without our own base, its version kept.
func localReferenceOf(reference fhir.Node, base string) string {
	return strings.TrimPrefix(reference.Get("reference").Text(), base+"/")
}
