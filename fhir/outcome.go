package fhir

import (
	"encoding/json"
	"strconv"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
)

// Outcome makes the OperationOutcome that tells the issues; there is always at
// least one, as R4 demands.
func (i Issues) Outcome() models.OperationOutcome {
	var outcome models.OperationOutcome
	for _, issue := range i {
		outcome.Issue = append(outcome.Issue, issue.model())
	}
	if len(outcome.Issue) == 0 {
		outcome.Issue = append(outcome.Issue, Issue{
			Severity: Information, Code: IssueInformational, Text: "No issues were found.",
		}.model())
	}
	return outcome
}

// JSON is the OperationOutcome as it goes on the wire.
func (i Issues) JSON() []byte {
	body, err := json.Marshal(i.Outcome())
	if err != nil {
		// The types hold nothing that JSON cannot; see the test over all codes.
		return []byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]}`)
	}
	return body
}

func (i Issue) model() models.OperationOutcomeIssue {
	var m models.OperationOutcomeIssue
	setCode(&m.Severity, string(i.Severity))
	setCode(&m.Code, string(i.Code))
	text := i.Text
	m.Details = &models.CodeableConcept{Text: &text}
	if i.Detail != "" {
		m.Details.Coding = []models.Coding{{System: &i.DetailSystem, Code: &i.Detail}}
	}
	if i.Expression != "" {
		m.Expression = []string{i.Expression}
	}
	return m
}

// setCode fills an enumeration of the model library, which are numbers there.
func setCode(target json.Unmarshaler, code string) {
	if err := target.UnmarshalJSON([]byte(strconv.Quote(code))); err != nil {
		panic("fhir: " + err.Error())
	}
}
