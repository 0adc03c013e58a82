package api

import (
	"errors"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// transaction is a Bundle of which everything is done or nothing (R4 http.html
// 3.1.0.11.2), in this order whatever that of its entries: deletions, creations,
// updates, the statements about them, and then what is asked for.
type transaction struct {
	server *Server
	gin    *gin.Context
	// original is the Bundle as sent, document the one whose links are rewritten.
	original, document *fhir.Document
	entries            []entry
	links              *linker
	// planned are the ids that created responses get; actual those of entries
	// that turned out to be another response, with their versions.
	planned []string
	actual  map[int]target
	// found is what conditional references turned out to name.
	found map[string]string
}

// maxPlans is how often the links of a transaction are worked out: once more if
// an entry turned out to be a response that is here already, and again if what
// is here changed meanwhile.
const maxPlans = 4

// replan says that links were written by names that turned out to be wrong. The
// job is rolled back, and the transaction tried again by the right ones.
type replan struct {
	actual map[int]target
	found  map[string]string
}

func (*replan) Error() string { return "api: links of a transaction must be written again" }

func (s *Server) transaction(c *gin.Context, original *fhir.Document) ([]entry, error) {
	t := &transaction{server: s, gin: c, original: original, actual: map[int]target{}, found: map[string]string{}}
	defer t.release()
	for range maxPlans {
		err := t.try()
		var again *replan
		if !errors.As(err, &again) {
			return t.entries, err
		}
		for i, name := range again.actual {
			t.actual[i] = name
		}
		for text, name := range again.found {
			t.found[text] = name
		}
	}
	return nil, fail(http.StatusConflict, fhir.IssueTransient, "What the transaction refers to changes too fast; repeat it.")
}

// release ends the document that a plan made.
func (t *transaction) release() {
	if t.document != nil && t.document != t.original {
		t.document.Release()
	}
	t.document = nil
}

// try plans the transaction and does it.
func (t *transaction) try() error {
	s, ctx := t.server, t.gin.Request.Context()
	if err := t.plan(); err != nil {
		return err
	}
	if err := t.rehearse(); err != nil {
		return err
	}
	var ahead []store.Heads
	for i := range t.entries {
		if e := &t.entries[i]; e.sub != nil {
			e.sub.born = bornOf(t.patientOf(i), e.sub.response.Authored)
			s.foresee(ctx, e.sub)
			ahead = append(ahead, e.sub.ahead()...)
		}
	}
	if err := s.options.Store.Write(ctx, t.keys(), t.apply, ahead...); err != nil {
		var again *replan
		if errors.As(err, &again) {
			return again
		}
		return stored(ctx, err)
	}
	for i := range t.entries {
		if e := &t.entries[i]; e.request == nil {
			if err := s.answer(ctx, e); err != nil {
				return err
			}
		}
	}
	t.read()
	return nil
}

// plan rewrites the links and reads all entries, with all the faults of all.
func (t *transaction) plan() error {
	t.release()
	var refused failure
	raw := t.requests(&refused)
	if len(refused.issues) > 0 {
		// Whether links lead anywhere cannot be told; the other faults can.
		t.document = t.original
	} else if err := t.relink(raw, &refused); err != nil {
		return err
	}
	t.entries = nil
	i := 0
	for node := range t.document.Root().Each("entry") {
		e, err := t.entry(node, i)
		if err != nil && raw[i].method != "" {
			refused.add(inEntry(err, node))
		}
		t.entries = append(t.entries, e)
		i++
	}
	if len(refused.issues) > 0 {
		return &refused
	}
	if issues := duplicates(t.entries); len(issues) > 0 {
		return issues
	}
	return nil
}

// add gathers faults. What is not valid FHIR decides the status over what only
// breaks rules.
func (f *failure) add(err error) {
	one := classify(err)
	f.issues = append(f.issues, one.issues...)
	if f.status == 0 || one.status != http.StatusUnprocessableEntity {
		f.status = one.status
	}
}

// requests reads what the entries ask for, before their resources are read. One
// that was refused has no method.
func (t *transaction) requests(refused *failure) []entry {
	var raw []entry
	for node := range t.original.Root().Each("entry") {
		e, err := t.server.newEntry(node)
		if err != nil {
			refused.add(inEntry(err, node))
			e.method = ""
		}
		raw = append(raw, e)
	}
	return raw
}

// relink rewrites the links and decodes the Bundle again, if there are any.
func (t *transaction) relink(raw []entry, refused *failure) error {
	l := &linker{server: t.server, entries: fhir.EntriesOf(t.original.Root()), used: map[int]bool{}, searches: map[string]*search{}}
	t.links = l
	for i := range raw {
		if i == len(t.planned) {
			id, err := uuid.NewV7()
			if err != nil {
				return err
			}
			t.planned = append(t.planned, id.String())
		}
		name := t.server.nameOf(&raw[i], t.planned[i])
		if actual, ok := t.actual[i]; ok {
			name.reference, name.version = actual.key.String(), actual.version
		}
		l.names = append(l.names, name)
	}
	if err := t.lookUp(); err != nil {
		return err
	}
	var edits []fhir.Edit
	for i := range raw {
		if resource := raw[i].node.Get("resource"); resource.Exists() && raw[i].keeps() {
			edits = resource.Links(edits, l.visitor(i))
		}
	}
	if len(l.faults) > 0 {
		refused.add(l.faults)
	}
	if t.document = t.original; len(edits) > 0 {
		document, err := fhir.Decode(t.original.Edited(edits))
		if err != nil {
			return &fault{"a Bundle whose links were rewritten does not decode", err}
		}
		t.document = document
	}
	return nil
}

// keeps says whether the resource of an entry is kept, so that its links matter.
func (e *entry) keeps() bool {
	path, _, _ := strings.Cut(e.path, "?")
	kind, _, _ := strings.Cut(path, "/")
	return kind == "QuestionnaireResponse" || kind == "Provenance"
}

// lookUp resolves conditional references by what is stored, so that a repeated
// transaction finds at once what it found the first time.
func (t *transaction) lookUp() error {
	ctx := t.gin.Request.Context()
	var texts []string
	for node := range t.original.Root().Each("entry") {
		node.Get("resource").Links(nil, func(link fhir.Link) (fhir.Relinked, bool) {
			if link.Kind == fhir.LinkReference && isConditional(link.Text) {
				texts = append(texts, link.Text)
				if to, ok := t.links.conditional(link); ok && t.found[link.Text] != "" && to.Literal != "" {
					t.links.searches[link.Text].resolved = t.found[link.Text]
				}
			}
			return fhir.Relinked{}, false
		})
	}
	t.links.faults = nil // they are told when the links are written
	for _, text := range texts {
		search := t.links.searches[text]
		if search == nil || t.found[text] != "" {
			continue
		}
		page, err := t.server.options.Store.Search(ctx, search.query)
		if err != nil {
			return stored(ctx, err)
		}
		if len(page.Resources) == 1 {
			search.resolved = page.Resources[0].Key.String()
		}
	}
	return nil
}

// entry reads one entry of the rewritten Bundle.
func (t *transaction) entry(node fhir.Node, index int) (entry, error) {
	s := t.server
	e, err := s.newEntry(node)
	if err != nil {
		return e, err
	}
	if err := s.authoriseEntry(t.gin.Request.Context(), &e); err != nil {
		return e, err
	}
	if ours, err := s.response(&e); ours || err != nil {
		if e.sub != nil && !e.sub.update && index < len(t.planned) {
			e.sub.planned = t.planned[index]
		}
		return e, err
	}
	path, query, conditional := strings.Cut(e.path, "?")
	kind, id, hasID := strings.Cut(path, "/")
	switch {
	case e.method == http.MethodGet || e.method == http.MethodHead:
		e.request, err = newSubrequest(t.gin, &e)
		return e, err
	case e.method == http.MethodPost && path == "Provenance" && !conditional:
		return e, t.statement(&e)
	case elsewhereTypes[kind] && (e.method == http.MethodPost && !hasID || e.method == http.MethodPut && (fhir.IsID(id) || conditional && query != "")):
		e.elsewhere = true
		resource, err := e.resource()
		if err == nil && resource.Type() != kind {
			err = malformed(fhir.IssueStructure, resource.Path(), "The url names another type of resource.")
		}
		return e, err
	}
	return e, refusedAt(fhir.IssueNotSupported, node.Get("request").Path(),
		"A transaction here takes POST, PUT and DELETE of QuestionnaireResponse, POST of Provenance, GET, and persons and places beside a response, which are not kept; operations are for batches.")
}

// statement reads an entry that is a Provenance.
func (t *transaction) statement(e *entry) error {
	resource, err := e.resource()
	if err != nil {
		return err
	}
	if resource.Type() != "Provenance" {
		return malformed(fhir.IssueStructure, resource.Path(), "The url names another type of resource.")
	}
	e.statement = &statement{server: t.server, root: resource, digest: resource.Digest()}
	return e.statement.check()
}
