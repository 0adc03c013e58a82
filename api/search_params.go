package api

import (
	"net/http"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// searchParam is how one search parameter becomes part of a query.
type searchParam struct {
	name string
	// kind, definition and text go into the CapabilityStatement; the definition
	// follows http://hl7.org/fhir/SearchParameter/.
	kind, definition, text string
	// modifiers are those offered, separated by spaces; Type stands for any type
	// of resource.
	modifiers string
	// marks are the numbers that say that a resource has a value, or with
	// marksAbsence that it has none; nil for what every resource of the type has.
	marks        []string
	marksAbsence bool
	apply        func(s *Server, p *parsed, c criterion) error
}

// The systems of the codes that are searched for.
const (
	responseStatus = "http://hl7.org/fhir/questionnaire-answers-status"
	scoreStatus    = "http://hl7.org/fhir/observation-status"
	categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"
)

// has and lacks name the numbers that mark that a response has a value of a
// parameter, or has none: whichever is the exception.
func has(param string) []string   { return []string{"has|" + param} }
func lacks(param string) []string { return []string{"lacks|" + param} }

// searchParams are those of each resource type, under HL7's own names (R4
// searchparameter-registry.html).
var searchParams = map[string][]searchParam{
	"QuestionnaireResponse": {
		{"patient", "reference", "QuestionnaireResponse-patient", "The patient the answers are about", "missing Type identifier", nil, false, patientParam},
		{"subject", "reference", "QuestionnaireResponse-subject", "The patient the answers are about", "missing Type identifier", nil, false, patientParam},
		{"questionnaire", "reference", "QuestionnaireResponse-questionnaire", "The form answered, as url or url|version", "missing", lacks("questionnaire"), true, tokens},
		{"status", "token", "QuestionnaireResponse-status", "Status of the response", "missing not", nil, false, statusParam(responseStatus)},
		{"authored", "date", "QuestionnaireResponse-authored", "When the answers were given", "missing", lacks("authored"), true, dateParam},
		{"identifier", "token", "QuestionnaireResponse-identifier", "The sender's own identifier", "missing not", has("identifier"), false, tokens},
		{"author", "reference", "QuestionnaireResponse-author", "Who recorded the answers", "missing Type identifier", has("author"), false, references("")},
		{"source", "reference", "QuestionnaireResponse-source", "Who answered", "missing Type identifier", has("source"), false, references("")},
		{"encounter", "reference", "QuestionnaireResponse-encounter", "Encounter the answers belong to", "missing Type identifier", has("encounter"), false, references("Encounter")},
		{"based-on", "reference", "QuestionnaireResponse-based-on", "Order or plan that the answers fulfil", "missing Type identifier", has("based-on"), false, references("")},
		{"part-of", "reference", "QuestionnaireResponse-part-of", "Observation or procedure that the answers are part of", "missing Type identifier", has("part-of"), false, references("")},
	},
	"Observation": {
		{"patient", "reference", "clinical-patient", "The patient the score is about", "missing Type identifier", nil, false, patientParam},
		{"subject", "reference", "Observation-subject", "The patient the score is about", "missing Type identifier", nil, false, patientParam},
		{"code", "token", "clinical-code", "SCORAD, the one code of these Observations", "missing not", nil, false, codeParam},
		{"category", "token", "Observation-category", "survey; exam for those rated by a clinician", "missing not", nil, false, categoryParam},
		{"date", "date", "clinical-date", "The period that was rated", "missing", nil, false, dateParam},
		{"status", "token", "Observation-status", "Status of the score. What was entered in error is found only if this parameter names that status, or all of the system.", "missing not", nil, false, statusParam(scoreStatus)},
		{"identifier", "token", "clinical-identifier", "The score's identifier", "missing not", nil, false, tokens},
		{"derived-from", "reference", "Observation-derived-from", "The response it was computed from", "missing Type", nil, false, references("QuestionnaireResponse")},
		{"method", "token", "Observation-method", "Rater and extent method", "missing not", nil, false, tokenCode(questionnaire.ScoradSystem)},
		{"device", "reference", "Observation-device", "The software that computed it", "missing Type", nil, false, deviceParam},
		{"component-code", "token", "Observation-component-code", "Code of a component", "missing not", componentMarks, false, componentCodeParam(false)},
		{"combo-code", "token", "Observation-combo-code", "Code of the score or of a component", "missing not", nil, false, componentCodeParam(true)},
		{"value-quantity", "quantity", "Observation-value-quantity", "SCORAD", "missing", ofValue(allUnits), false, quantityParam(true, false)},
		{"component-value-quantity", "quantity", "Observation-component-value-quantity", "Value of a component", "missing", ofComponents(allUnits, nil), false, quantityParam(false, true)},
		{"combo-value-quantity", "quantity", "Observation-combo-value-quantity", "SCORAD or the value of a component", "missing", append(ofValue(allUnits), ofComponents(allUnits, nil)...), false, quantityParam(true, true)},
		{"code-value-quantity", "composite", "Observation-code-value-quantity", "code$quantity of the score", "", nil, false, codeQuantityParam(true, false)},
		{"component-code-value-quantity", "composite", "Observation-component-code-value-quantity", "code$quantity of one component", "", nil, false, codeQuantityParam(false, true)},
		{"combo-code-value-quantity", "composite", "Observation-combo-code-value-quantity", "code$quantity of the score or of one component", "", nil, false, codeQuantityParam(true, true)},
	},
	"Task": {
		{"focus", "reference", "Task-focus", "The response that it is the receipt of", "missing Type", nil, false, focusParam},
		{"patient", "reference", "Task-patient", "The patient the answers are about", "missing Type identifier", nil, false, patientParam},
		{"subject", "reference", "Task-subject", "The patient the answers are about", "missing Type identifier", nil, false, patientParam},
	},
	"DiagnosticReport": {
		{"patient", "reference", "clinical-patient", "The patient the report is about", "missing Type identifier", nil, false, patientParam},
		{"subject", "reference", "DiagnosticReport-subject", "The patient the report is about", "missing Type identifier", nil, false, patientParam},
		{"code", "token", "clinical-code", "SCORAD, the one code of these reports", "missing not", nil, false, codeParam},
		{"category", "token", "DiagnosticReport-category", "survey; exam for a report on a score by a clinician", "missing not", nil, false, categoryParam},
		{"date", "date", "clinical-date", "The period that was rated", "missing", nil, false, dateParam},
	},
	"Provenance": {
		{"target", "reference", "Provenance-target", "The score it is about", "missing Type", nil, false, references("Observation")},
	},
}

// commonParams are those of every resource type; only what is computed as it is
// read is not found by when it last changed.
var commonParams = []searchParam{
	{"_id", "token", "Resource-id", "Logical id", "", nil, false, idParam},
	{"_lastUpdated", "date", "Resource-lastUpdated", "When the version was stored", "", nil, false, lastUpdatedParam},
}

// paramsOf are all parameters of a type.
func paramsOf(resource string) [][]searchParam {
	common := commonParams
	if isComputed(resource) {
		common = commonParams[:1]
	}
	return [][]searchParam{searchParams[resource], common}
}

// isComputed says whether resources of a type, or one by its reference, are made
// as they are read, from what is kept of other types.
func isComputed(resource string) bool {
	kind, _, _ := strings.Cut(resource, "/")
	return kind == "Task" || kind == "DiagnosticReport"
}

// isKept says whether resources of a type are stored; what is computed, which is
// found as they are, is not.
func isKept(resource string) bool { return !isComputed(resource) && searchParams[resource] != nil }

// paramNamed finds a parameter of a type, nil if there is none.
func paramNamed(resource, name string) *searchParam {
	for _, list := range paramsOf(resource) {
		for i := range list {
			if list[i].name == name {
				return &list[i]
			}
		}
	}
	return nil
}

// referenceKey is a reference as it is indexed: relative for our own base. A
// bare id is of the type that the modifier or else the parameter names. Ok is
// false for a reference to another type than the modifier's.
func (c criterion) referenceKey(value, base, usual string) (key string, ok bool) {
	key = localReference(value, base)
	if c.modifier != "" {
		usual = c.modifier
	}
	if !strings.Contains(key, "/") && usual != "" {
		return usual + "/" + key, true
	}
	return key, c.modifier == "" || strings.HasPrefix(key, c.modifier+"/") || strings.Contains(key, "/"+c.modifier+"/")
}

// referenceKeys are those of all alternatives.
func (c criterion) referenceKeys(base, usual string) []string {
	keys := []string{}
	for _, v := range alternatives(c.value) {
		if key, ok := c.referenceKey(v, base, usual); ok {
			keys = append(keys, key)
		}
	}
	return keys
}

// identified matches the identifier within a reference.
func (c criterion) identified(p *parsed, param string) error {
	values := alternatives(c.value)
	p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: param + ":identifier", Values: values, Rare: true})
	return wholeSystem(c.param.name, values)
}

func patientParam(s *Server, p *parsed, c criterion) error {
	if c.modifier == "identifier" {
		return c.identified(p, "subject")
	}
	keys := []string{}
	for _, v := range alternatives(c.value) {
		key, ok := v, strings.HasPrefix(v, "identifier:")
		if !ok {
			key, ok = c.referenceKey(v, s.options.BaseURL, "Patient")
		}
		if ok {
			keys = append(keys, key)
		}
	}
	p.query.Patients = p.narrow(p.query.Patients, keys)
	p.none = p.none || len(keys) == 0
	return nil
}

// statusParam matches a code, alone or with its one system.
func statusParam(system string) func(*Server, *parsed, criterion) error {
	return func(_ *Server, p *parsed, c criterion) error {
		codes := []string{}
		for _, v := range alternatives(c.value) {
			code, ok := codeOf(v, system)
			switch {
			case ok && code == "":
				// Any code of the system.
				p.statusAsked = p.statusAsked || !c.not()
				p.none = p.none || c.not()
				return nil
			case ok:
				codes = append(codes, code)
			}
		}
		if c.not() {
			p.query.NotStatuses = append(p.query.NotStatuses, codes...)
			return nil
		}
		p.statusAsked = true
		p.query.Statuses = p.narrow(p.query.Statuses, codes)
		p.none = p.none || len(codes) == 0
		return nil
	}
}

func idParam(_ *Server, p *parsed, c criterion) error {
	p.query.IDs = p.narrow(p.query.IDs, alternatives(c.value))
	return nil
}

// tokens matches values as they were indexed: value, or system|value.
func tokens(_ *Server, p *parsed, c criterion) error {
	values := alternatives(c.value)
	p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: c.param.name, Values: values, Not: c.not(), Rare: c.param.name != "questionnaire"})
	if c.param.name == "questionnaire" {
		return nil
	}
	return wholeSystem(c.param.name, values)
}

// wholeSystem refuses to look for all identifiers of a system, which are not
// indexed by it.
func wholeSystem(name string, values []string) error {
	if slices.ContainsFunc(values, func(v string) bool { return strings.HasSuffix(v, "|") }) {
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "The search parameter "+name+" takes a value, or system|value; all of a system cannot be asked for.")
	}
	return nil
}

// references matches a relative reference, or an absolute one of our base. The
// usual type is that of a bare id.
func references(usual string) func(*Server, *parsed, criterion) error {
	return func(s *Server, p *parsed, c criterion) error {
		if c.modifier == "identifier" {
			return c.identified(p, c.param.name)
		}
		p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: c.param.name, Values: c.referenceKeys(s.options.BaseURL, usual), Rare: true})
		return nil
	}
}

// firstDevice is that of scores whose index does not name their Device, which
// saves each of them a row.
const firstDevice = "Device/tidemark-1.0.0"

// deviceToken is what a score is found by of its Device, as its version of the
// algorithm has it; none for the first.
func deviceToken(algorithm string) []store.Token {
	if device := "Device/" + observation.DeviceOf(algorithm); algorithm != "" && device != firstDevice {
		return []store.Token{{Param: "device", Value: device}}
	}
	return nil
}

// deviceParam finds scores by the Device that computed them.
func deviceParam(s *Server, p *parsed, c criterion) error {
	asked := c.referenceKeys(s.options.BaseURL, "Device")
	var named, others []string
	for _, version := range s.options.Algorithms.Versions() {
		device := "Device/" + observation.DeviceOf(version)
		switch {
		case slices.Contains(asked, device):
			named = append(named, device)
		case device != firstDevice:
			others = append(others, device)
		}
	}
	first := slices.Contains(named, firstDevice)
	switch {
	case len(named) == 0:
		p.none = true
	case !first:
		p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: "device", Values: named})
	case len(others) > 0:
		p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: "device", Values: others, Not: true})
	}
	return nil
}

// tokenCode matches a code that is indexed without its one system.
func tokenCode(system string) func(*Server, *parsed, criterion) error {
	return func(_ *Server, p *parsed, c criterion) error {
		var values []string
		for _, v := range alternatives(c.value) {
			code, ok := codeOf(v, system)
			switch {
			case ok && code == "":
				p.none = p.none || c.not()
				return nil
			case ok:
				values = append(values, code)
			}
		}
		p.none = p.none || len(values) == 0 && !c.not()
		p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: c.param.name, Values: values, Not: c.not()})
		return nil
	}
}

// codeOf takes code, system|code and system| apart; ok is false for another
// system. The code is "" for system| alone.
func codeOf(value, system string) (code string, ok bool) {
	s, code, qualified := strings.Cut(value, "|")
	if !qualified {
		return value, true
	}
	return code, s == system
}

// codeParam knows that every Observation here has the same code.
func codeParam(_ *Server, p *parsed, c criterion) error {
	p.none = p.none || slices.ContainsFunc(alternatives(c.value), isTotal) == c.not()
	return nil
}

// categoryParam knows that all are surveys, and those of clinicians exams too.
func categoryParam(_ *Server, p *parsed, c criterion) error {
	exam := false
	for _, v := range alternatives(c.value) {
		code, ok := codeOf(v, categorySystem)
		if ok && (code == "" || code == "survey") {
			p.none = p.none || c.not()
			return nil
		}
		exam = exam || ok && code == "exam"
	}
	if !exam {
		p.none = p.none || !c.not()
		return nil
	}
	p.query.Tokens = append(p.query.Tokens, store.TokenQuery{Param: "method", Not: c.not(), Values: []string{"clinician-regions", "clinician-hands", "clinician-direct"}})
	return nil
}
