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

// Difference is a stored score that the stored answers do not lead to.
type Difference struct {
	Key store.Key
	// Cause says what differs, without values.
	Cause string
}

// Verify computes every stored score again from the response version it names
// and reports those that differ. What was entered in error is passed over. The
// address of the server may have changed since a score was written; that is no
// difference.
func Verify(ctx context.Context, s store.Store, bands scoring.BandSet, report func(Difference)) (checked int, err error) {
	forms := NewForms(s)
	if err := forms.Load(ctx); err != nil {
		return 0, err
	}
	err = s.Each(ctx, "Observation", func(stored store.Resource) error {
		document, err := fhir.Decode(stored.Body)
		if err != nil {
			report(Difference{stored.Key, "the stored Observation is not valid"})
			return nil
		}
		defer document.Release()
		if document.Root().Get("status").Is("entered-in-error") {
			return nil
		}
		checked++
		cause, err := recompute(ctx, s, forms, bands, document.Root())
		if err != nil {
			return fmt.Errorf("api: verifying %s: %w", stored.Key, err)
		}
		if cause != "" {
			report(Difference{stored.Key, cause})
		}
		return nil
	})
	return checked, err
}

// recompute says how a stored Observation differs from what its response leads
// to now, "" if it does not.
func recompute(ctx context.Context, s store.Store, forms *Forms, bands scoring.BandSet, stored fhir.Node) (string, error) {
	source := stored.Get("derivedFrom").Get("reference").Text()
	reference, ok := fhir.ParseReference([]byte(source))
	if !ok || reference.Version == "" {
		return "it does not name a version of the response it was computed from", nil
	}
	var version int64
	if _, err := fmt.Sscan(reference.Version, &version); err != nil {
		return "it names a version that is no number", nil
	}
	body, err := s.Version(ctx, store.Key{Type: reference.Type, ID: reference.ID}, version)
	if errors.Is(err, store.ErrNotFound) || err == nil && body.Deleted {
		return "the version of the response it names is not stored", nil
	}
	if err != nil {
		return "", err
	}
	document, err := fhir.Decode(body.Body)
	if err != nil {
		return "the stored response is not valid", nil
	}
	defer document.Release()
	catalog, err := catalogAt(ctx, s, forms.Catalog(), stored, document.Root())
	if err != nil {
		return "", err
	}
	response, err := catalog.Read(document.Root())
	if err != nil {
		return "the stored response would be refused now", nil
	}
	issued, err := fhir.ParseDateTime(stored.Get("issued").Bytes())
	if err != nil {
		return "it has no time of issue", nil
	}
	if !response.Status.Scored() {
		return "the version of the response it names has no score", nil
	}
	again, err := fhir.Decode(observation.Append(nil, &observation.Input{
		Response: &response, Base: strings.TrimSuffix(stored.Get("device").Get("reference").Text(), "/Device/"+observation.DeviceID),
		Identifier: stored.Get("identifier").Get("value").Text(), Status: statusOf(response.Status),
		Issued: issued.Time, DerivedFrom: source, Bands: &bands,
	}))
	if err != nil {
		return "", fmt.Errorf("the recomputed Observation is not valid: %w", err)
	}
	defer again.Release()
	return compare(stored, again.Root()), nil
}

// catalogAt resolves the form as it was resolved when the score was written: a
// response that names no version was read by the newest of that day, which is on
// record in the Provenance of the score.
func catalogAt(ctx context.Context, s store.Store, catalog *questionnaire.Catalog, score, response fhir.Node) (*questionnaire.Catalog, error) {
	if strings.Contains(response.Get("questionnaire").Text(), "|") {
		return catalog, nil
	}
	name := "Observation/" + score.Get("id").Text()
	query := store.Query{Type: "Provenance", Tokens: []store.TokenQuery{{Param: "target", Values: []string{name}}}, Sort: store.ByID, Limit: maxCount}
	for {
		page, err := s.Search(ctx, query)
		if err != nil {
			return nil, err
		}
		for _, provenance := range page.Resources {
			canonical, err := formOf(provenance.Body, name+"/_history/"+score.Get("meta").Get("versionId").Text())
			if err != nil {
				return nil, err
			}
			if form, ok := catalog.Form(canonical); ok {
				return catalog.At(form), nil
			}
		}
		if query.After = page.Next; query.After == "" {
			return catalog, nil
		}
	}
}

// formOf is the canonical of the form that the Provenance of one version of a
// score names, "" if it is that of another or names none.
func formOf(body []byte, target string) (string, error) {
	document, err := fhir.Decode(body)
	if err != nil {
		return "", fmt.Errorf("api: a stored Provenance does not decode: %w", err)
	}
	defer document.Release()
	root := document.Root()
	if !root.Get("target").Get("reference").Is(target) {
		return "", nil
	}
	for entity := range root.Each("entity") {
		if what := entity.Get("what"); what.Get("type").Is("Questionnaire") {
			return what.Get("identifier").Get("value").Text(), nil
		}
	}
	return "", nil
}

// compare names the first member that differs.
func compare(stored, again fhir.Node) string {
	if stored.Digest() == again.Digest() {
		return ""
	}
	for _, member := range []string{"status", "valueQuantity", "dataAbsentReason", "interpretation", "component", "method", "subject", "effectivePeriod"} {
		if !same(stored, again, member) {
			return member + " differs from what the answers lead to"
		}
	}
	return "it differs from what the answers lead to outside value and components"
}

func same(a, b fhir.Node, member string) bool {
	x, y := a.Get(member), b.Get(member)
	for x.Exists() && y.Exists() {
		if string(x.Raw()) != string(y.Raw()) {
			return false
		}
		x, y = x.GetNext(), y.GetNext()
	}
	return x.Exists() == y.Exists()
}
