package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// performerType is the extension that says who answers a form (SDC 4).
const performerType = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-performerType"

// Registration is what became of a form that was put in.
type Registration struct {
	Form *questionnaire.Form
	// Created says that its id was new, Unchanged that all was stored already.
	Created, Unchanged bool
	// Version is the stored version, 0 if Unchanged.
	Version int64
}

// Register maps a form and keeps it, so that responses to it are scored from
// then on, here and after every restart. Rater is the operator's word on who
// rates, and is written into what is kept. A form that cannot be mapped is
// refused with everything that is missing. What url|version says never changes,
// since scores rest on it; its status and date may.
func (f *Forms) Register(ctx context.Context, data []byte, rater scoring.Optional[scoring.Rater]) (Registration, error) {
	return f.register(ctx, data, rater, unrecorded)
}

// formRecord puts a version of a form on record, in the transaction that writes it.
type formRecord func(tx store.Tx, interaction string, key store.Key, version int64) error

// unrecorded is for what the operator does by files: those are the record.
func unrecorded(store.Tx, string, store.Key, int64) error { return nil }

func (f *Forms) register(ctx context.Context, data []byte, rater scoring.Optional[scoring.Rater], record formRecord) (Registration, error) {
	form, err := questionnaire.Map(data, rater)
	if err != nil {
		return Registration{}, err
	}
	document, err := fhir.Decode(form.JSON)
	if err != nil {
		return Registration{}, err
	}
	defer document.Release()
	r := registering{form: form, root: document.Root(), replace: map[string]string{}, record: record}
	if rater.Answered {
		r.add("extension", withPerformers(r.root, rater.Value))
	}
	if err := r.sum(); err != nil {
		return Registration{}, err
	}
	if err := f.store.Write(ctx, []string{"form:" + form.Canonical, "form-id:" + form.ID}, r.apply); err != nil {
		return Registration{}, err
	}
	if err := f.Load(ctx); err != nil {
		return Registration{}, err
	}
	r.result.Form = form
	return r.result, nil
}

// registering is one form on its way into the store; apply may run twice.
type registering struct {
	form *questionnaire.Form
	root fhir.Node
	// record is told what was written, or found to be there.
	record formRecord
	// replace are members that are kept otherwise than they were sent, added
	// those that were not sent, each with a comma before it.
	replace map[string]string
	added   string
	// digest is of all that must not change, status of what may.
	digest, status string
	result         Registration
}

// add gives the form a member, in the place of the one that was sent.
func (r *registering) add(name, text string) {
	if r.root.Get(name).Exists() {
		r.replace[name] = text
		return
	}
	r.added += `,"` + name + `":` + text
}

// body is the form as it is kept.
func (r *registering) body(stamp fhir.Stamp, replace map[string]string) []byte {
	body := fhir.AppendStamped(nil, r.root, stamp, replace)
	return append(append(body[:len(body)-1], r.added...), '}')
}

// sum digests what the version says, whatever its status and date.
func (r *registering) sum() error {
	fixed := map[string]string{"status": `"active"`, "date": ""}
	for name, text := range r.replace {
		fixed[name] = text
	}
	document, err := fhir.Decode(r.body(fhir.Stamp{ID: "x", Version: 1, LastUpdated: time.Unix(0, 0).UTC()}, fixed))
	if err != nil {
		return fmt.Errorf("api: a form that was mapped does not decode: %w", err)
	}
	defer document.Release()
	r.digest, r.status = document.Root().Digest(), r.form.Status
	return nil
}

// apply is the job.
func (r *registering) apply(tx store.Tx) error {
	r.result = Registration{}
	key, name := store.Key{Type: "Questionnaire", ID: r.form.ID}, "form:"+r.form.Canonical
	identity, found, err := tx.Identity(name)
	if err != nil {
		return err
	}
	digest, status, _ := strings.Cut(identity.Digest, " ")
	switch {
	case found && identity.Key != key:
		return r.conflict(fhir.IssueDuplicate, "url", "This url and version is registered as "+identity.Key.String()+"; use that id, or give the form a url of its own.")
	case found && digest != r.digest:
		return r.conflict(fhir.IssueConflict, "version", "This version is registered with other content, and scores may rest on it; give what has changed a new version.")
	case found && status == r.status:
		r.result.Unchanged = true
		there, err := tx.Get(key)
		if err != nil {
			return err
		}
		return r.record(tx, "update", key, there.Version)
	}
	if err := r.checkID(tx, key); err != nil {
		return err
	}
	written, err := putForm(tx, key, r.form, func(stamp fhir.Stamp) []byte { return r.body(stamp, r.replace) })
	if err != nil {
		return err
	}
	r.result.Version, r.result.Created = written.Version, written.Version == 1
	if err := r.record(tx, interactionOf(r.result.Created), key, written.Version); err != nil {
		return err
	}
	return tx.PutIdentity(name, store.Identity{Key: key, Digest: r.digest + " " + r.status})
}

func interactionOf(created bool) string {
	if created {
		return "create"
	}
	return "update"
}

// checkID holds an id to the url it was first used for.
func (r *registering) checkID(tx store.Tx, key store.Key) error {
	current, err := tx.Get(key)
	if errors.Is(err, store.ErrNotFound) || err == nil && current.Deleted {
		return nil
	}
	if err != nil {
		return err
	}
	document, err := fhir.Decode(current.Body)
	if err != nil {
		return fmt.Errorf("api: a stored form does not decode: %w", err)
	}
	defer document.Release()
	if !document.Root().Get("url").Is(r.form.URL) {
		return r.conflict(fhir.IssueDuplicate, "id", "This id is that of a form with another url; give the form an id of its own.")
	}
	return nil
}

func (r *registering) conflict(code fhir.IssueType, member, text string) error {
	return failures(http.StatusConflict, fhir.Issue{Severity: fhir.Error, Code: code, Expression: "Questionnaire." + member, Text: text})
}

func putForm(tx store.Tx, key store.Key, form *questionnaire.Form, body func(fhir.Stamp) []byte) (store.Resource, error) {
	index := store.Index{Status: form.Status, Tokens: []store.Token{{Param: "url", Value: form.URL}, {Param: "version", Value: form.Version}}}
	return tx.Put(key, http.MethodPut, index, func(version int64, at time.Time) ([]byte, error) {
		return body(fhir.Stamp{ID: key.ID, Version: version, LastUpdated: at}), nil
	})
}

// withPerformers gives the form's extensions, with those in their midst that say
// who rates.
func withPerformers(root fhir.Node, rater scoring.Rater) string {
	names := []string{"Patient", "RelatedPerson"}
	if rater == scoring.RatedByClinician {
		names = []string{"Practitioner", "PractitionerRole"}
	}
	var all []string
	for extension := range root.Each("extension") {
		if !extension.Get("url").Is(performerType) {
			all = append(all, string(extension.Raw()))
		}
	}
	for _, name := range names {
		all = append(all, `{"url":"`+performerType+`","valueCode":"`+name+`"}`)
	}
	return "[" + strings.Join(all, ",") + "]"
}

// Retire sets every version of a registered form to retired. It stays readable,
// and responses to it are still scored, with a warning: they may have been
// answered while it was in use.
func (f *Forms) Retire(ctx context.Context, id string) error {
	return f.retireAll(ctx, id, unrecorded)
}

func (f *Forms) retireAll(ctx context.Context, id string, record formRecord) error {
	if err := f.Load(ctx); err != nil {
		return err
	}
	found := false
	for _, form := range f.registered() {
		if form.ID != id {
			continue
		}
		found = true
		if form.Status == "retired" {
			continue
		}
		if err := f.retire(ctx, form, record); err != nil {
			return err
		}
	}
	if !found {
		return errNoForm
	}
	return f.Load(ctx)
}

func (f *Forms) retire(ctx context.Context, form *questionnaire.Form, record formRecord) error {
	document, err := fhir.Decode(form.JSON)
	if err != nil {
		return fmt.Errorf("api: a stored form does not decode: %w", err)
	}
	defer document.Release()
	retired := *form
	retired.Status = "retired"
	key, name := store.Key{Type: "Questionnaire", ID: form.ID}, "form:"+form.Canonical
	return f.store.Write(ctx, []string{name, "form-id:" + form.ID}, func(tx store.Tx) error {
		identity, found, err := tx.Identity(name)
		if err != nil || !found {
			return errors.Join(err, errNoForm)
		}
		written, err := putForm(tx, key, &retired, func(stamp fhir.Stamp) []byte {
			return fhir.AppendStamped(nil, document.Root(), stamp, map[string]string{"status": `"retired"`})
		})
		if err == nil {
			err = record(tx, "update", key, written.Version)
		}
		if err != nil {
			return err
		}
		digest, _, _ := strings.Cut(identity.Digest, " ")
		return tx.PutIdentity(name, store.Identity{Key: key, Digest: digest + " retired"})
	})
}
