package api

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// replayer reads the answers of stored scores again.
type replayer struct {
	store      store.Store
	forms      *Forms
	algorithms scoring.Algorithms
}

// replay is a stored response, read as it was when its score was written. Release
// it when its nodes are not needed any more.
type replay struct {
	document *fhir.Document
	catalog  *questionnaire.Catalog
	response questionnaire.Response
	// input is what the score is written from, but for the bands.
	input observation.Input
}

func (r *replay) release() { r.document.Release() }

// replay reads the response version that a score names, by the form and by the
// version of the arithmetic of that day. The cause says why it cannot.
func (p *replayer) replay(ctx context.Context, stored fhir.Node) (r *replay, cause string, err error) {
	source := stored.Get("derivedFrom").Get("reference").Text()
	document, cause, err := p.source(ctx, source)
	if err != nil || cause != "" {
		return nil, cause, err
	}
	defer func() {
		if r == nil {
			document.Release()
		}
	}()
	version, base := observation.AlgorithmOf(stored)
	algorithm, ok := p.algorithms.ByVersion(version)
	if !ok {
		return nil, "it names a version of the algorithm that this program does not have", nil
	}
	record, err := p.recordOf(ctx, stored, document.Root())
	if err != nil {
		return nil, "", err
	}
	catalog := p.forms.Catalog()
	if form, ok := catalog.Form(record.form); ok {
		catalog = catalog.At(form)
	}
	response, err := catalog.By(algorithm).Read(document.Root())
	if err != nil {
		return nil, "the stored response would be refused now", nil
	}
	issued, err := fhir.ParseDateTime(stored.Get("issued").Bytes())
	if err != nil {
		return nil, "it has no time of issue", nil
	}
	if !response.Status.Scored() {
		return nil, "the version of the response it names has no score", nil
	}
	r = &replay{document: document, catalog: catalog, response: response}
	r.input = observation.Input{
		Response: &r.response, Base: base, Identifier: stored.Get("identifier").Get("value").Text(),
		Status: statusOf(response.Status), Issued: issued.Time, DerivedFrom: source, Rescored: record.rescored,
		Remarks: observation.RemarksOf(stored),
	}
	if record.rescored {
		r.input.Status = amended
	}
	return r, "", nil
}

// source is the stored version of a response that a reference names.
func (p *replayer) source(ctx context.Context, text string) (document *fhir.Document, cause string, err error) {
	reference, ok := fhir.ParseReference([]byte(text))
	if !ok || reference.Version == "" {
		return nil, "it does not name a version of the response it was computed from", nil
	}
	var version int64
	if _, err := fmt.Sscan(reference.Version, &version); err != nil {
		return nil, "it names a version that is no number", nil
	}
	body, err := p.store.Version(ctx, store.Key{Type: reference.Type, ID: reference.ID}, version)
	if errors.Is(err, store.ErrNotFound) || err == nil && body.Deleted {
		return nil, "the version of the response it names is not stored", nil
	}
	if err != nil {
		return nil, "", err
	}
	if document, err = fhir.Decode(body.Body); err != nil {
		return nil, "the stored response is not valid", nil
	}
	return document, "", nil
}

// record is what the Provenance of a version of a score says that the score itself
// does not: the canonical of the form it was read by, which a response may name
// without its version, and that the same answers were computed again.
type record struct {
	form     string
	rescored bool
}

// recordOf finds the record where it may say more than score and response do.
func (p *replayer) recordOf(ctx context.Context, score, response fhir.Node) (record, error) {
	if strings.Contains(response.Get("questionnaire").Text(), "|") && !score.Get("status").Is(amended) {
		return record{}, nil
	}
	name := "Observation/" + score.Get("id").Text()
	query := store.Query{Type: "Provenance", Tokens: []store.TokenQuery{{Param: "target", Values: []string{name}}}, Sort: store.ByID, Limit: maxCount}
	for {
		page, err := p.store.Search(ctx, query)
		if err != nil {
			return record{}, err
		}
		for _, provenance := range page.Resources {
			found, ours, err := readRecord(provenance.Body, name+"/_history/"+score.Get("meta").Get("versionId").Text())
			if err != nil || ours {
				return found, err
			}
		}
		if query.After = page.Next; query.After == "" {
			return record{}, nil
		}
	}
}

// readRecord reads a Provenance, if it is ours of that version of a score: a sender
// may have left statements of its own beside it.
func readRecord(body []byte, target string) (found record, ours bool, err error) {
	document, err := fhir.Decode(body)
	if err != nil {
		return record{}, false, fmt.Errorf("api: a stored Provenance does not decode: %w", err)
	}
	defer document.Release()
	root := document.Root()
	assembler := root.Get("agent").Get("who").Get("reference").Text()
	if !root.Get("target").Get("reference").Is(target) || !strings.HasPrefix(assembler, "Device/"+observation.DeviceOf("")) {
		return record{}, false, nil
	}
	for entity := range root.Each("entity") {
		what := entity.Get("what")
		if what.Get("type").Is("Questionnaire") {
			found.form = what.Get("identifier").Get("value").Text()
		}
		found.rescored = found.rescored || entity.Get("role").Is(string(observation.Revision))
	}
	return found, true, nil
}
