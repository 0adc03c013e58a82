package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// patientKey is what a patient is found by: a relative reference for patients
// of this base, an absolute one for others, else the logical identifier.
func patientKey(subject fhir.Node, base string) string {
	if reference := subject.Get("reference"); reference.Exists() {
		return localReference(reference.Text(), base)
	}
	identifier := subject.Get("identifier")
	return "identifier:" + identifier.Get("system").Text() + "|" + identifier.Get("value").Text()
}

// localReference strips our own base and any version from a reference.
func localReference(text, base string) string {
	reference, ok := fhir.ParseReference([]byte(text))
	if !ok {
		return text
	}
	if reference.Base == strings.TrimSuffix(base, "/") {
		reference.Base = ""
	}
	reference.Version = ""
	return reference.String()
}

// addIdentifier indexes an identifier by value, and by system and value.
func addIdentifier(tokens []store.Token, identifier fhir.Node) []store.Token {
	value := identifier.Get("value").Text()
	if value == "" {
		return tokens
	}
	return append(tokens, store.Token{Param: "identifier", Value: value},
		store.Token{Param: "identifier", Value: identifier.Get("system").Text() + "|" + value})
}

// addReference indexes a reference, and the identifier within it, and gives the
// mark that it is there.
func addReference(index *store.Index, param string, reference fhir.Node, base string) {
	if text := reference.Get("reference"); text.Exists() {
		index.Tokens = append(index.Tokens, store.Token{Param: param, Value: localReference(text.Text(), base)})
	}
	addNamed(index, param, reference.Get("identifier"))
	mark(index, has(param))
}

// addNamed indexes the identifier within a reference.
func addNamed(index *store.Index, param string, identifier fhir.Node) {
	if value := identifier.Get("value").Text(); value != "" {
		index.Tokens = append(index.Tokens, store.Token{Param: param + ":identifier", Value: value},
			store.Token{Param: param + ":identifier", Value: identifier.Get("system").Text() + "|" + value})
	}
}

// mark writes numbers that say that something is there, or is not.
func mark(index *store.Index, params []string) {
	for _, param := range params {
		if !slices.ContainsFunc(index.Numbers, func(n store.Number) bool { return n.Param == param }) {
			index.Numbers = append(index.Numbers, store.Number{Param: param, Value: 1})
		}
	}
}

// responseReferences are the elements of a response behind the parameters that
// refer to something.
var responseReferences = []struct{ param, element string }{
	{"author", "author"}, {"source", "source"}, {"encounter", "encounter"}, {"based-on", "basedOn"}, {"part-of", "partOf"},
}

func (sub *submission) responseIndex() store.Index {
	return responseIndexOf(sub.response.Root, sub.server.options.BaseURL)
}

// responseIndexOf makes the index of a response, sent or stored.
func responseIndexOf(root fhir.Node, base string) store.Index {
	index := store.Index{Status: root.Get("status").Text()}
	if subject := root.Get("subject"); subject.Exists() {
		index.Patient = patientKey(subject, base)
		addNamed(&index, "subject", subject.Get("identifier"))
	}
	if authored, err := fhir.ParseDateTime(root.Get("authored").Bytes()); err == nil {
		index.Start, index.End = authored.Range()
	} else {
		mark(&index, lacks("authored"))
	}
	if index.Tokens = addIdentifier(index.Tokens, root.Get("identifier")); root.Get("identifier").Exists() {
		mark(&index, has("identifier"))
	}
	if q := root.Get("questionnaire"); q.Exists() {
		url, version, _ := strings.Cut(q.Text(), "|")
		index.Tokens = append(index.Tokens, store.Token{Param: "questionnaire", Value: url})
		if version != "" {
			index.Tokens = append(index.Tokens, store.Token{Param: "questionnaire", Value: url + "|" + version})
		}
	} else {
		mark(&index, lacks("questionnaire"))
	}
	for _, r := range responseReferences {
		for reference := range root.Each(r.element) {
			addReference(&index, r.param, reference, base)
		}
	}
	return index
}

func (sub *submission) observationIndex(response store.Resource) store.Index {
	method := sub.response.Form.Rater.String() + "-" + sub.response.Assessment.Method.String()
	_, end := sub.response.Authored.Range()
	year, month, day := observation.Window(sub.response.Authored).Date()
	return scoreIndex(sub.response.Subject, sub.server.options.BaseURL, store.Index{
		Status: statusOf(sub.response.Status),
		Start:  time.Date(year, month, day, 0, 0, 0, 0, time.UTC), End: end,
	}, sub.scoreIdentifier(), response.Key.String(), method, sub.response.Algorithm, observation.Measures(&sub.response))
}

// scoreIndex completes the index of an Observation.
func scoreIndex(subject fhir.Node, base string, index store.Index, identifier, derivedFrom, method, algorithm string, measures []observation.Measure) store.Index {
	index.Patient = patientKey(subject, base)
	index.Tokens = append(make([]store.Token, 0, 6),
		store.Token{Param: "identifier", Value: identifier},
		store.Token{Param: "identifier", Value: observation.IdentifierSystem + "|" + identifier},
		store.Token{Param: "derived-from", Value: derivedFrom},
		store.Token{Param: "method", Value: method})
	index.Tokens = append(index.Tokens, deviceToken(algorithm)...)
	addNamed(&index, "subject", subject.Get("identifier"))
	index.Numbers = make([]store.Number, len(measures))
	for i, m := range measures {
		index.Numbers[i] = store.Number{Param: valueMark + m.Unit, Value: m.Fiftieths}
		if m.Code != observation.Total {
			index.Numbers[i].Param = componentMark + m.Unit + "|" + m.Code
		}
	}
	return index
}

// observationIndexOf makes the index of a stored Observation again.
func observationIndexOf(root fhir.Node, base string) store.Index {
	period := root.Get("effectivePeriod")
	start, _ := fhir.ParseDateTime(period.Get("start").Bytes())
	end, _ := fhir.ParseDateTime(period.Get("end").Bytes())
	_, last := end.Range()
	algorithm, _ := observation.AlgorithmOf(root)
	return scoreIndex(root.Get("subject"), base, store.Index{Status: root.Get("status").Text(), Start: start.Time, End: last},
		root.Get("identifier").Get("value").Text(), localReference(root.Get("derivedFrom").Get("reference").Text(), base),
		root.Get("method").Get("coding").Get("code").Text(), algorithm, observation.MeasuresOf(root))
}

// provenanceIndexOf makes the index of a stored Provenance again.
func provenanceIndexOf(root fhir.Node, from facts) (index store.Index, err error) {
	for target := range root.Each("target") {
		index.Tokens = append(index.Tokens, store.Token{Param: "target", Value: localReference(target.Get("reference").Text(), from.base)})
	}
	index.Patient, err = from.patient(root)
	return index, err
}

// indexGeneration counts the changes of what is indexed; raise it with each, and
// what is stored is indexed again at the next start.
const indexGeneration = 2

// Reindex brings the index of a database that an earlier program wrote to what
// this one searches by. It must be done before anything is served.
func Reindex(ctx context.Context, s store.Store, base string) error {
	return s.Reindex(ctx, indexGeneration, func(r store.Resource) (store.Index, bool, error) {
		if !slices.Contains(inCompartment, r.Type) {
			return store.Index{}, false, nil
		}
		document, err := fhir.Decode(r.Body)
		if err != nil {
			return store.Index{}, false, fmt.Errorf("api: a stored resource does not decode: %w", err)
		}
		defer document.Release()
		switch r.Type {
		case "Observation":
			return observationIndexOf(document.Root(), base), true, nil
		case "Provenance":
			index, err := provenanceIndexOf(document.Root(), factsOf(ctx, s, base))
			return index, true, err
		}
		return responseIndexOf(document.Root(), base), true, nil
	})
}
