package observation

import (
	"encoding/base64"
	"encoding/json"
	"time"

	"tidemark.example/tidemark/questionnaire"
)

// Canary is a resource that tries out what a server does with scores and is none:
// what it is, it says by code and in words. HL7's code for test data is both its
// code and its security label (v3-ActReason HTEST, as in IHE's examples).
type Canary struct {
	// Identifier is its value in CanarySystem.
	Identifier string
	// Patient is the reference to a test patient, "" for none.
	Patient string
	// Void says that it is entered in error; it is final otherwise.
	Void bool
	// At is when it was written.
	At time.Time
}

// The words of a canary.
const (
	canaryTitle = "Connection test of Tidemark, not a clinical result"
	canaryNote  = "Written by tidemark check to see that results arrive, and entered in error right after. It says nothing about anybody."
)

// testData is HL7's code for test data.
var testData = questionnaire.Coding{System: "http://terminology.hl7.org/CodeSystem/v3-ActReason", Code: "HTEST", Display: "test health data"}

// surveyCategory is that of scores (R4 valueset-observation-category.html).
var surveyCategory = questionnaire.Coding{System: "http://terminology.hl7.org/CodeSystem/observation-category", Code: "survey", Display: "Survey"}

// noteCategory is that of documents, see documentCategory.
var noteCategory = questionnaire.Coding{System: "http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category", Code: "clinical-note", Display: "Clinical Note"}

// CanaryMembers are the resources that a canary is at a server of this profile, in
// the order in which to write them: of each kind in which a score comes, one.
func (p *Profile) CanaryMembers() []string {
	switch p.Shape {
	case Document:
		return []string{DocumentMember}
	case PanelShape:
		return []string{Whole, PanelMember}
	default:
		return []string{Whole}
	}
}

// canaryObservation is a canary in the order of R4's elements.
type canaryObservation struct {
	ResourceType string           `json:"resourceType"`
	Meta         canaryMeta       `json:"meta"`
	Text         *canaryText      `json:"text,omitempty"`
	Identifier   []canaryID       `json:"identifier"`
	Status       string           `json:"status"`
	DocStatus    string           `json:"docStatus,omitempty"`
	Category     []canaryConcept  `json:"category,omitempty"`
	Type         *canaryConcept   `json:"type,omitempty"`
	Code         *canaryConcept   `json:"code,omitempty"`
	Subject      *canaryReference `json:"subject,omitempty"`
	Effective    string           `json:"effectiveDateTime,omitempty"`
	Issued       string           `json:"issued,omitempty"`
	Date         string           `json:"date,omitempty"`
	Value        *canaryQuantity  `json:"valueQuantity,omitempty"`
	Note         []canaryNoteText `json:"note,omitempty"`
	Members      []canaryMember   `json:"hasMember,omitempty"`
	Component    []canaryPart     `json:"component,omitempty"`
	Description  string           `json:"description,omitempty"`
	Content      []canaryContent  `json:"content,omitempty"`
}

type (
	canaryMeta struct {
		Security []canaryCoding `json:"security"`
	}
	canaryText struct {
		Status string `json:"status"`
		Div    string `json:"div"`
	}
	canaryID struct {
		System string `json:"system"`
		Value  string `json:"value"`
	}
	canaryCoding struct {
		System  string `json:"system"`
		Code    string `json:"code"`
		Display string `json:"display,omitempty"`
	}
	canaryConcept struct {
		Coding []canaryCoding `json:"coding,omitempty"`
		Text   string         `json:"text,omitempty"`
	}
	canaryReference struct {
		Reference string `json:"reference"`
	}
	canaryMember struct {
		Reference  string    `json:"reference,omitempty"`
		Type       string    `json:"type,omitempty"`
		Identifier *canaryID `json:"identifier,omitempty"`
	}
	canaryQuantity struct {
		Value  int    `json:"value"`
		Unit   string `json:"unit"`
		System string `json:"system"`
		Code   string `json:"code"`
	}
	canaryPart struct {
		Code  canaryConcept  `json:"code"`
		Value canaryQuantity `json:"valueQuantity"`
	}
	canaryNoteText struct {
		Text string `json:"text"`
	}
	canaryContent struct {
		Attachment struct {
			ContentType string `json:"contentType"`
			Data        string `json:"data"`
			Title       string `json:"title"`
		} `json:"attachment"`
	}
)

// AppendCanary writes one of the CanaryMembers as the server takes scores. A panel
// refers to the other by what is given, by its identifier if that is "".
func (p *Profile) AppendCanary(dst []byte, c Canary, member, whole string) ([]byte, error) {
	text := canaryTitle
	status := "final"
	if c.Void {
		text, status = "Entered in error, not to be used: "+text, "entered-in-error"
	}
	r := canaryObservation{
		ResourceType: MemberType(member),
		Meta:         canaryMeta{[]canaryCoding{canaryCoding(testData)}},
		Identifier:   []canaryID{{CanarySystem, MemberIdentifier(c.Identifier, member)}},
		Status:       status,
	}
	if !p.WithoutNarrative {
		r.Text = &canaryText{"generated", `<div xmlns="http://www.w3.org/1999/xhtml"><p>` + text + `</p></div>`}
	}
	if c.Patient != "" {
		r.Subject = &canaryReference{c.Patient}
	}
	concept := &canaryConcept{[]canaryCoding{canaryCoding(testData)}, canaryTitle}
	at := c.At.UTC().Format("2006-01-02T15:04:05.000Z")
	if member == DocumentMember {
		r.asDocument(concept, at, c.Void)
	} else {
		r.Code, r.Effective, r.Issued, r.Category = concept, at, at, p.canaryCategory()
		r.Note = []canaryNoteText{{canaryNote}}
		p.fillCanary(&r, c, member, whole)
	}
	body, err := json.Marshal(r)
	return append(dst, body...), err
}

// fillCanary gives an Observation what its shape is there to carry.
func (p *Profile) fillCanary(r *canaryObservation, c Canary, member, whole string) {
	if member == PanelMember {
		r.Members = []canaryMember{{Reference: whole}}
		if whole == "" {
			r.Members = []canaryMember{{Type: "Observation", Identifier: &canaryID{CanarySystem, c.Identifier}}}
		}
		return
	}
	zero := canaryQuantity{0, "score", "http://unitsofmeasure.org", Score}
	r.Value = &zero
	if p.Shape == "" || p.Shape == Single {
		// Without a coding, for a part may not have the code of the whole beside its
		// value (Observation obs-7).
		r.Component = []canaryPart{{canaryConcept{Text: canaryTitle}, zero}}
	}
}

// asDocument makes it a DocumentReference, which is current until it is void (R4
// valueset-document-reference-status.html).
func (r *canaryObservation) asDocument(concept *canaryConcept, at string, void bool) {
	r.Type, r.Date, r.Description, r.DocStatus = concept, at, canaryNote, r.Status
	r.Category = []canaryConcept{{Coding: []canaryCoding{canaryCoding(noteCategory)}}}
	if !void {
		r.Status = "current"
	}
	var content canaryContent
	content.Attachment.ContentType, content.Attachment.Title = "text/plain; charset=utf-8", canaryTitle
	content.Attachment.Data = base64.StdEncoding.EncodeToString([]byte(canaryNote + "\n"))
	r.Content = []canaryContent{content}
}

// canaryCategory is the category that scores have at this server.
func (p *Profile) canaryCategory() []canaryConcept {
	if p.Category == nil {
		return []canaryConcept{{Coding: []canaryCoding{canaryCoding(surveyCategory)}}}
	}
	var all []canaryConcept
	for _, c := range p.Category {
		all = append(all, canaryConcept{Coding: []canaryCoding{canaryCoding(c)}})
	}
	return all
}
