package api

import (
	"net/http"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// keys are the identity keys of all entries.
func (t *transaction) keys() []string {
	var keys []string
	for i := range t.entries {
		switch e := &t.entries[i]; {
		case e.sub != nil:
			keys = append(keys, e.sub.keys()...)
		case e.statement != nil:
			keys = append(keys, e.statement.key())
		}
	}
	return keys
}

// duplicates refuses one identity written twice, whose outcome would depend on
// the order of the entries.
func duplicates(entries []entry) fhir.Issues {
	var issues fhir.Issues
	seen := map[string]bool{}
	for i := range entries {
		e := &entries[i]
		names := e.names()
		for _, name := range names {
			if seen[name] {
				issues = append(issues, sameTwice(e.node))
				break
			}
		}
		for _, name := range names {
			seen[name] = true
		}
	}
	return issues
}

func sameTwice(node fhir.Node) fhir.Issue {
	return fhir.Issue{Severity: fhir.Error, Code: fhir.IssueDuplicate, Expression: node.Path(),
		Text: "The transaction names the same response, or the same fullUrl, twice."}
}

// names are what no other entry of a transaction may have: its fullUrl (bdl-7),
// and the response it writes.
func (e *entry) names() []string {
	var names []string
	if url := e.node.Get("fullUrl"); url.Exists() {
		names = append(names, "url:"+url.Text())
	}
	if e.sub != nil {
		names = append(names, e.sub.keys()...)
	}
	switch {
	case e.sub != nil && e.sub.update:
		names = append(names, "id:"+e.sub.planned)
	case e.del != nil && e.del.id != "":
		names = append(names, "id:"+e.del.id)
	}
	return names
}

// apply is the job.
func (t *transaction) apply(tx store.Tx) error {
	if err := t.recognise(tx); err != nil {
		return err
	}
	wrote := map[store.Key]bool{}
	for _, step := range []func(*entry, store.Tx) (store.Key, bool, error){deleting, creating, updating, stating} {
		for i := range t.entries {
			e := &t.entries[i]
			key, did, err := step(e, tx)
			if err != nil {
				return inEntry(err, e.node)
			}
			if did && wrote[key] {
				return failures(http.StatusUnprocessableEntity, sameTwice(e.node))
			}
			wrote[key] = wrote[key] || did
		}
	}
	if err := t.verify(tx); err != nil {
		return err
	}
	for i := range t.entries {
		if e := &t.entries[i]; e.request != nil {
			if err := e.request.exists(tx); err != nil {
				return inEntry(err, e.node)
			}
		}
	}
	return nil
}

// The steps of a transaction; each says which resource it wrote, if it did.

func deleting(e *entry, tx store.Tx) (store.Key, bool, error) {
	if e.del == nil {
		return store.Key{}, false, nil
	}
	err := e.del.apply(tx)
	return e.del.tombstone.Key, e.del.done, err
}

func creating(e *entry, tx store.Tx) (store.Key, bool, error) {
	return submitting(e, tx, e.method == http.MethodPost)
}

func updating(e *entry, tx store.Tx) (store.Key, bool, error) {
	return submitting(e, tx, e.method == http.MethodPut)
}

func submitting(e *entry, tx store.Tx, now bool) (store.Key, bool, error) {
	if e.sub == nil || !now {
		return store.Key{}, false, nil
	}
	err := e.sub.apply(tx)
	return e.sub.result.resource.Key, !e.sub.result.replayed, err
}

func stating(e *entry, tx store.Tx) (store.Key, bool, error) {
	if e.statement == nil {
		return store.Key{}, false, nil
	}
	return store.Key{}, false, e.statement.apply(tx)
}

// recognise finds out, before anything is written, which entries that others
// refer to are responses that are here already.
func (t *transaction) recognise(tx store.Tx) error {
	again := &replan{actual: map[int]target{}}
	for i := range t.entries {
		e := &t.entries[i]
		if e.sub == nil || e.sub.update || !t.links.used[i] {
			continue
		}
		key, err := e.sub.destination(tx)
		if err != nil {
			return inEntry(err, e.node)
		}
		if key.String() != t.links.names[i].reference {
			again.actual[i] = target{key: key, version: 1}
		}
	}
	if len(again.actual) > 0 {
		return again
	}
	return nil
}

// verify holds the links that were written against what has been written since.
func (t *transaction) verify(tx store.Tx) error {
	again := &replan{actual: map[int]target{}, found: map[string]string{}}
	for i := range t.entries {
		e := &t.entries[i]
		if e.sub == nil || e.sub.update || !t.links.used[i] {
			continue
		}
		is, name := e.sub.result.resource, t.links.names[i]
		if is.Key.String() != name.reference || is.Version != name.version && !e.sub.result.replayed {
			again.actual[i] = target{key: is.Key, version: is.Version}
		}
	}
	for text, search := range t.links.searches {
		page, err := tx.Search(search.query)
		switch {
		case err != nil:
			return err
		case len(page.Resources) == 0:
			return refusedAt(fhir.IssueNotFound, search.at.Path(), "The conditional reference matches nothing.")
		case len(page.Resources) > 1:
			return failures(http.StatusPreconditionFailed, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueMultipleMatches,
				Expression: search.at.Path(), Text: "The conditional reference matches more than one resource."})
		}
		if key := page.Resources[0].Key.String(); key != search.resolved {
			again.found[text] = key
		}
	}
	if len(again.actual)+len(again.found) > 0 {
		return again
	}
	return nil
}

// destination is the response that a create or a conditional update will write
// or answer with.
func (sub *submission) destination(tx store.Tx) (store.Key, error) {
	end, err := sub.acting(tx, auth.Create)
	defer end()
	if err != nil {
		return store.Key{}, err
	}
	for _, where := range []*condition{sub.where, sub.ifNoneExist} {
		if where == nil {
			continue
		}
		if match, found, err := where.find(tx); found || err != nil {
			return match.Key, err
		}
	}
	if _, identity, found, err := sub.content(tx); found || err != nil {
		return identity.Key, err
	}
	if sub.identifier != "" {
		if _, identity, found, err := sub.named(tx); found || err != nil {
			return identity.Key, err
		}
	}
	return store.Key{Type: "QuestionnaireResponse", ID: sub.planned}, nil
}
