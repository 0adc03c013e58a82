package questionnaire

import (
	"bytes"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// Extensions that say who answers a form and what its questions may be answered
// with (SDC 4; R4 extension registry).
const (
	performerTypeURL        = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-performerType"
	enableWhenExpressionURL = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-enableWhenExpression"
	minQuantityURL          = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-minQuantity"
	maxQuantityURL          = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-maxQuantity"
	minValueURL             = "http://hl7.org/fhir/StructureDefinition/minValue"
	maxValueURL             = "http://hl7.org/fhir/StructureDefinition/maxValue"
	maxDecimalPlacesURL     = "http://hl7.org/fhir/StructureDefinition/maxDecimalPlaces"
	unitURL                 = "http://hl7.org/fhir/StructureDefinition/questionnaire-unit"
	unitOptionURL           = "http://hl7.org/fhir/StructureDefinition/questionnaire-unitOption"
	unitValueSetURL         = "http://hl7.org/fhir/StructureDefinition/questionnaire-unitValueSet"
)

// Map reads a Questionnaire of a portal's own and finds out which of its items
// ask what our forms ask, so that responses to it can be read and scored like
// ours. An item is recognised by a code of CodeSystem/scorad, else by a
// definition that points at an item of our form, else, in a form derived from
// ours, by our linkId. Rater is the operator's word on who rates by the form,
// unanswered to go by what the form says.
//
// A form that leaves anything open is refused, as fhir.Issues with everything
// that is missing, ambiguous or twice: nothing is guessed from words or order.
func Map(data []byte, rater scoring.Optional[scoring.Rater]) (*Form, error) {
	document, err := fhir.Decode(data)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	m := mapper{root: document.Root(), taken: map[string]int{}, judged: map[int]verdict{}}
	if m.root.Type() != "Questionnaire" {
		return nil, fhir.Issues{{
			Severity: fhir.Error, Code: fhir.IssueStructure, Class: fhir.Malformed, Expression: m.root.Path(),
			Text: "A Questionnaire is expected here, not another resource.",
		}}
	}
	m.form = m.newForm(bytes.Clone(data))
	m.readHeader()
	m.readRater(rater)
	m.add(m.root, -1, false)
	m.checkComplete()
	m.each(m.checkAnswers)
	m.checkMethods()
	m.each(m.checkEnabling)
	m.each(m.checkRequired)
	if m.issues.Refused() {
		return nil, m.issues
	}
	m.form.sort()
	m.form.Warnings = m.issues
	return m.form, nil
}

// mapper maps one form.
type mapper struct {
	root fhir.Node
	form *Form
	// nodes are the items' own, by the index of the item.
	nodes []fhir.Node
	// derived says that the form is derived from one of ours.
	derived bool
	// taken gives, by our linkId, the index of the item that asks the same.
	taken map[string]int
	// offered are the ways of giving the extent that the form has items for.
	offered []scoring.Method
	// unclear says that the question for the method is missing or has options
	// that are not understood, so that what depends on it is not judged as well.
	unclear bool
	judged  map[int]verdict
	issues  fhir.Issues
}

// each visits the items that mean something to the score.
func (m *mapper) each(visit func(index int)) {
	for index := range m.form.items {
		if m.form.items[index].role != roleNone {
			visit(index)
		}
	}
}

// shown says by the method answered whether an item is enabled.
type shown [methodCount]bool

// always is an item that nothing switches off.
var always = shown{true, true, true, true}

// verdict is when an item is asked; open says that it could not be judged, and
// that a fault has said so.
type verdict struct {
	shown
	open bool
}

func (m *mapper) newForm(data []byte) *Form {
	text := func(name string) string { return m.root.Get(name).Text() }
	form := &Form{Published: Published{
		Type: "Questionnaire", ID: text("id"), URL: text("url"), Version: text("version"), Name: text("name"),
		Title: text("title"), Status: text("status"), Date: text("date"), JSON: data,
	}, byLink: map[string]int{}}
	form.Canonical = form.URL + "|" + form.Version
	form.quoted = quote(form.Canonical)
	form.StoredVersion = m.root.Get("meta").Get("versionId").Text()
	return form
}

// fault adds an error, warn a warning, about a node and, where there is one, the
// item it belongs to.
func (m *mapper) fault(code fhir.IssueType, at fhir.Node, it *item, text string) {
	m.issues = append(m.issues, issueAbout(fhir.Error, code, at, it, text))
}

func (m *mapper) warn(code fhir.IssueType, at fhir.Node, it *item, text string) {
	m.issues = append(m.issues, issueAbout(fhir.Warning, code, at, it, text))
}

// readHeader checks what a form needs to be found by and to be understood at all.
func (m *mapper) readHeader() {
	form, root := m.form, m.root
	switch {
	case form.ID == "":
		m.fault(fhir.IssueRequired, root, nil, "id is missing; the form is served under it.")
	case Ours().canonicalOf(form.ID) != "":
		m.fault(fhir.IssueDuplicate, root.Get("id"), nil, "The id is that of a form published by Tidemark; give the form another.")
	}
	switch {
	case form.URL == "":
		m.fault(fhir.IssueRequired, root, nil, "url is missing; responses name the form by it.")
	case strings.ContainsAny(form.URL, "|# "):
		m.fault(fhir.IssueValue, root.Get("url"), nil, "url must not contain |, # or a space (cnl-1), or no response could name the form.")
	case strings.HasPrefix(form.URL, Base+"/"):
		m.fault(fhir.IssueDuplicate, root.Get("url"), nil, "url is below "+Base+", where Tidemark's own forms are; give the form a url of its own, and name ours in derivedFrom.")
	}
	switch {
	case form.Version == "":
		m.fault(fhir.IssueRequired, root, nil, "version is missing; a score must say for ever which version of the form was answered.")
	case strings.ContainsAny(form.Version, "|# "):
		m.fault(fhir.IssueValue, root.Get("version"), nil, "version must not contain |, # or a space.")
	}
	if form.Status != "active" {
		m.warn(fhir.IssueBusinessRule, root.Get("status"), nil, "The form is not active; each response to it will be warned of.")
	}
	if rules := root.Get("implicitRules"); rules.Exists() {
		m.fault(fhir.IssueNotSupported, rules, nil, "implicitRules are not known here, and the form cannot be understood without them; leave them out.")
	}
	m.checkSubject()
}

func (m *mapper) checkSubject() {
	first := m.root.Get("subjectType")
	for subject := range m.root.Each("subjectType") {
		if subject.Is("Patient") {
			return
		}
	}
	if first.Exists() {
		m.fault(fhir.IssueValue, first, nil, "subjectType must allow Patient, since scores are of patients.")
	}
}

// readRater settles who rates, which decides the form of ours that the items are
// compared with: the operator's word, else performerType, else derivedFrom.
func (m *mapper) readRater(setting scoring.Optional[scoring.Rater]) {
	performers, derived := m.performers(), m.derivedFrom()
	stated := performers
	if !stated[0] && !stated[1] {
		stated = derived
	}
	const say = "say it by the extension " + performerTypeURL + " (Patient, RelatedPerson; or Practitioner, PractitionerRole), or register the form with rater=self or rater=clinician."
	switch {
	case setting.Answered && performers != [2]bool{} && !performers[setting.Value]:
		m.fault(fhir.IssueConflict, m.extension(performerTypeURL), nil, "The form was registered for another kind of rater than its performerType says; correct one of them.")
	case setting.Answered:
		stated = [2]bool{scoring.RatedBySelf: setting.Value == scoring.RatedBySelf, scoring.RatedByClinician: setting.Value == scoring.RatedByClinician}
	case stated == [2]bool{true, true}:
		m.fault(fhir.IssueMultipleMatches, m.root, nil, "The form is for patients or carers as well as for clinicians, whose scores are never mixed; make two forms, or "+say)
	case stated == [2]bool{}:
		m.fault(fhir.IssueRequired, m.root, nil, "It cannot be told whether the patient or a carer rates, or a clinician; "+say)
	}
	id := SelfAssessment
	if stated[scoring.RatedByClinician] || stated == [2]bool{} {
		id, m.form.Rater = ClinicianAssessment, scoring.RatedByClinician
	}
	m.form.Ours, _ = FormByCanonical(Base + "/Questionnaire/" + id)
}

func (m *mapper) extension(url string) fhir.Node { return extensionOf(m.root, url) }

// extensionOf is the first extension of a URL.
func extensionOf(node fhir.Node, url string) fhir.Node {
	for extension := range node.Each("extension") {
		if extension.Get("url").Is(url) {
			return extension
		}
	}
	return fhir.Node{}
}

// performers says by scoring.Rater who may answer, by the form's own word.
func (m *mapper) performers() (stated [2]bool) {
	for extension := range m.root.Each("extension") {
		if !extension.Get("url").Is(performerTypeURL) {
			continue
		}
		switch extension.Choice("value[x]").Text() {
		case "Patient", "RelatedPerson":
			stated[scoring.RatedBySelf] = true
		case "Practitioner", "PractitionerRole":
			stated[scoring.RatedByClinician] = true
		}
	}
	return stated
}

// derivedFrom says by scoring.Rater from which of our forms this one is derived.
func (m *mapper) derivedFrom() (from [2]bool) {
	for node := range m.root.Each("derivedFrom") {
		url, _, _ := strings.Cut(node.Text(), "|")
		if !strings.HasPrefix(url, Base+"/") {
			continue
		}
		ours, ok := FormByCanonical(node.Text())
		if !ok {
			m.fault(fhir.IssueNotFound, node, nil, "No such form, or not in that version, is published here; the forms are "+Ours().canonicals()+".")
			continue
		}
		m.derived, from[ours.Rater] = true, true
	}
	return from
}
