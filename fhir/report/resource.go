package report

import (
	"bytes"
	"crypto/sha1" //nolint:gosec // R4's Attachment.hash is SHA-1; it protects nothing
	"encoding/json"
	"fmt"
	"html"
	"time"

	"tidemark.example/tidemark/fhir"
)

// MaxForm is the most that one drawn form may take, in bytes; what is larger is
// not sent. A page with all that it has room for takes about a fifth of it.
const MaxForm = 1 << 20

// ResourceInput is what a DiagnosticReport is made of.
type ResourceInput struct {
	// ID is that of the score, which its report has as well.
	ID string
	// Score is the Observation that the report is about.
	Score fhir.Node
	// Modified is when the newest of the scores on the page was stored.
	Modified time.Time
	// Report is what it says; nil for a score that was taken back, which is not
	// reported on.
	Report *Report
	// Language is that of the forms, one of Languages.
	Language string
	// Bare leaves the drawn forms out, for who asked for less.
	Bare bool
}

// The parts of a DiagnosticReport, in the order of R4.
type (
	attachment struct {
		ContentType string `json:"contentType"`
		Language    string `json:"language"`
		Data        []byte `json:"data"`
		Size        int    `json:"size"`
		Hash        []byte `json:"hash"`
		Title       string `json:"title"`
		Creation    string `json:"creation"`
	}
	reference struct {
		Reference  string          `json:"reference,omitempty"`
		Type       string          `json:"type,omitempty"`
		Identifier json.RawMessage `json:"identifier,omitempty"`
	}
	codeableConcept struct {
		Coding []json.RawMessage `json:"coding"`
		Text   string            `json:"text"`
	}
	resource struct {
		ResourceType  string            `json:"resourceType"`
		ID            string            `json:"id"`
		Meta          map[string]string `json:"meta"`
		Language      string            `json:"language"`
		Text          map[string]string `json:"text"`
		Status        string            `json:"status"`
		Category      []json.RawMessage `json:"category"`
		Code          codeableConcept   `json:"code"`
		Subject       *reference        `json:"subject,omitempty"`
		Effective     json.RawMessage   `json:"effectivePeriod"`
		Issued        string            `json:"issued"`
		Result        []reference       `json:"result"`
		Conclusion    string            `json:"conclusion"`
		PresentedForm []attachment      `json:"presentedForm,omitempty"`
	}
)

// DiagnosticReport writes the report as a resource. Category, code and period are
// those of its score, so that whoever may see or search one finds the other;
// there is no conclusionCode, since a score concludes nothing.
func DiagnosticReport(in *ResourceInput) ([]byte, error) {
	t := textsOf(in.Language)
	modified := in.Modified.UTC().Format(fhir.InstantFormat)
	r := resource{
		ResourceType: "DiagnosticReport", ID: in.ID, Meta: map[string]string{"lastUpdated": modified}, Language: t.tag,
		Code: codeableConcept{Text: t.title}, Subject: subjectOf(in.Score.Get("subject")),
		Effective: in.Score.Get("effectivePeriod").Raw(), Issued: modified,
	}
	for category := range in.Score.Each("category") {
		r.Category = append(r.Category, category.Raw())
	}
	for coding := range in.Score.Get("code").Each("coding") {
		r.Code.Coding = append(r.Code.Coding, coding.Raw())
	}
	if in.Report == nil {
		r.Status, r.Conclusion = "entered-in-error", t.retracted
		r.Result = []reference{{Reference: "Observation/" + in.ID}}
	} else {
		r.Status, r.Conclusion = in.Report.status(), in.Report.Conclusion(t.tag)
		for _, key := range in.Report.Results() {
			r.Result = append(r.Result, reference{Reference: key})
		}
		if err := r.draw(in, t); err != nil {
			return nil, err
		}
	}
	r.Text = map[string]string{"status": "generated", "div": `<div xmlns="http://www.w3.org/1999/xhtml" lang="` + t.tag + `" xml:lang="` + t.tag + `"><p>` +
		html.EscapeString(r.Conclusion) + "</p></div>"}
	return encoded(&r)
}

// status of a report: partial without a total, amended if a score on it was.
func (r *Report) status() string {
	switch {
	case !r.Complete():
		return "partial"
	case r.Amended():
		return "amended"
	}
	return "final"
}

// draw adds the page as PDF and as SVG.
func (r *resource) draw(in *ResourceInput, t *texts) error {
	if in.Bare {
		return nil
	}
	pdf, err := in.Report.PDF(t.tag)
	if err != nil {
		return err
	}
	title, creation := in.Report.title(t), timeOf(in.Report.Newest.Day).Format(time.DateOnly)
	for _, form := range []struct {
		media string
		data  []byte
	}{{"application/pdf", pdf}, {"image/svg+xml", in.Report.SVG(t.tag)}} {
		if len(form.data) > MaxForm {
			return fmt.Errorf("report: %s has %d bytes, more than %d", form.media, len(form.data), MaxForm)
		}
		digest := sha1.Sum(form.data) //nolint:gosec // as above
		r.PresentedForm = append(r.PresentedForm, attachment{form.media, t.tag, form.data, len(form.data), digest[:], title, creation})
	}
	return nil
}

// subjectOf is whom a score is about, without the name; nil for a contained
// subject, which is not contained here.
func subjectOf(subject fhir.Node) *reference {
	r := &reference{Reference: subject.Get("reference").Text(), Type: subject.Get("type").Text()}
	if identifier := subject.Get("identifier"); identifier.Exists() {
		r.Identifier = identifier.Raw()
	}
	if r.Reference == "" && r.Identifier == nil || len(r.Reference) > 0 && r.Reference[0] == '#' {
		return nil
	}
	return r
}

// encoded writes JSON without escaping what HTML would want escaped.
func encoded(r *resource) ([]byte, error) {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(r); err != nil {
		return nil, fmt.Errorf("report: %w", err)
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
