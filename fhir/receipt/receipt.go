// Package receipt writes what became of a response as a FHIR Task (R4
// task.html), so that its sender can see whether the score has arrived in the
// charts it is to be in. A receipt is computed from what is stored each time it
// is read, so it costs nothing until then and is never out of date.
package receipt

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// Input is what a receipt is made of.
type Input struct {
	// ID is that of the response, which its receipt has as well.
	ID string
	// Response is its current version, or the last before it was deleted.
	Response fhir.Node
	Deleted  bool
	// Accepted is when the first version was stored, Modified when the current.
	Accepted, Modified time.Time
	// Score is the version of the score that is stored and when it was; zero if
	// there is none.
	Score         int64
	ScoreModified time.Time
	// Deliveries are those of the score, in the order of their targets.
	Deliveries []store.Delivery
	// Targets are the servers that scores are delivered to, by their names.
	Targets []Target
}

// Target is a server that scores are delivered to.
type Target struct {
	Name string
	// Base is its FHIR base URL, without a slash at its end; "" where it is not
	// known, so that what it holds is named in words.
	Base string
}

// The codes of questionnaire.ReceiptSystem.
const (
	task      = "score-and-deliver"
	received  = "received"
	scored    = "scored"
	waiting   = "waiting"
	parked    = "parked"
	givenUp   = "given-up"
	delivered = "delivered"
)

// statuses are what R4's Task calls a business status.
var statuses = map[string]string{
	received: "received", scored: "completed", waiting: "in-progress", parked: "on-hold", givenUp: "failed", delivered: "completed",
}

// urgency orders what is to be seen first of several deliveries.
var urgency = map[string]int{delivered: 1, givenUp: 2, waiting: 3, parked: 4}

// The parts of a Task that a receipt has, in the order of R4. The model
// library's Task writes every variant of output.value[x] at once.
type (
	coding struct {
		System  string `json:"system"`
		Code    string `json:"code"`
		Display string `json:"display"`
	}
	concept struct {
		Coding []coding `json:"coding,omitempty"`
		Text   string   `json:"text,omitempty"`
	}
	reference struct {
		Reference string `json:"reference"`
		Type      string `json:"type,omitempty"`
		Display   string `json:"display,omitempty"`
	}
	patient struct {
		Reference  string          `json:"reference,omitempty"`
		Type       string          `json:"type,omitempty"`
		Identifier json.RawMessage `json:"identifier,omitempty"`
	}
	output struct {
		Type      concept    `json:"type"`
		String    string     `json:"valueString,omitempty"`
		Reference *reference `json:"valueReference,omitempty"`
	}
	resource struct {
		ResourceType   string            `json:"resourceType"`
		ID             string            `json:"id"`
		Meta           map[string]string `json:"meta"`
		Language       string            `json:"language"`
		Text           map[string]string `json:"text"`
		Status         string            `json:"status"`
		StatusReason   *concept          `json:"statusReason,omitempty"`
		BusinessStatus concept           `json:"businessStatus"`
		Intent         string            `json:"intent"`
		Code           concept           `json:"code"`
		Focus          reference         `json:"focus"`
		For            *patient          `json:"for,omitempty"`
		AuthoredOn     string            `json:"authoredOn"`
		LastModified   string            `json:"lastModified"`
		Output         []output          `json:"output,omitempty"`
	}
)

func conceptOf(code, text string) concept {
	return concept{Coding: []coding{{questionnaire.ReceiptSystem, code, questionnaire.Display(questionnaire.ReceiptSystem, code)}}, Text: text}
}

// Task writes the receipt.
func Task(in *Input) []byte {
	outputs, reasons, status := in.outputs()
	modified := in.modified().UTC().Format(fhir.InstantFormat)
	r := resource{
		ResourceType: "Task", ID: in.ID, Meta: map[string]string{"lastUpdated": modified}, Language: "en",
		Status: statuses[status], BusinessStatus: conceptOf(status, ""), Intent: "order", Code: conceptOf(task, ""),
		Focus:      reference{Reference: "QuestionnaireResponse/" + in.ID, Type: "QuestionnaireResponse"},
		AuthoredOn: in.Accepted.UTC().Format(fhir.InstantFormat), LastModified: modified, Output: outputs,
	}
	if status == received && in.over() {
		r.Status = "completed"
		reasons = []string{"The response ended without being completed, so it is never scored."}
	}
	if len(reasons) > 0 {
		r.StatusReason = &concept{Text: strings.Join(reasons, " ")}
	}
	r.For = in.subject()
	r.Text = map[string]string{"status": "generated", "div": r.narrative()}
	return encoded(r)
}

// subject is who the response is about, without the name. What is contained in
// the response is not contained here.
func (in *Input) subject() *patient {
	subject := in.Response.Get("subject")
	p := &patient{Reference: subject.Get("reference").Text(), Type: subject.Get("type").Text()}
	if identifier := subject.Get("identifier"); identifier.Exists() {
		p.Identifier = identifier.Raw()
	}
	if p.Reference == "" && p.Identifier == nil || strings.HasPrefix(p.Reference, "#") {
		return nil
	}
	return p
}

// encoded writes JSON as FHIR has it: its narrative with < and >, not escaped.
func encoded(r resource) []byte {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(r); err != nil {
		panic(fmt.Errorf("receipt: %w", err)) // only of a subject that is no JSON, which no decoder lets through
	}
	return bytes.TrimRight(b.Bytes(), "\n")
}

// over says that what has no score will get none.
func (in *Input) over() bool {
	status := in.Response.Get("status")
	return in.Deleted || status.Is("stopped") || status.Is("entered-in-error")
}

// modified is when anything of it last changed.
func (in *Input) modified() time.Time {
	last := in.Modified
	for i := range in.Deliveries {
		last = later(last, in.Deliveries[i].Modified())
	}
	return later(last, in.ScoreModified)
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// outputs are the score and then one for each target; reasons are why it is not
// where it should be, and status is that of the whole.
func (in *Input) outputs() (all []output, reasons []string, status string) {
	if in.Score == 0 {
		return nil, nil, received
	}
	status = scored
	all = append(all, output{Type: conceptOf(scored, ""), Reference: &reference{
		Reference: fmt.Sprintf("Observation/%s/_history/%d", in.ID, in.Score), Type: "Observation", Display: fmt.Sprintf("Version %d of the score", in.Score),
	}})
	for rest := in.Deliveries; len(rest) > 0; {
		n := 1
		for n < len(rest) && rest[n].Target == rest[0].Target {
			n++
		}
		at := in.at(rest[:n])
		if rest = rest[n:]; urgency[at.status] > urgency[status] {
			status = at.status
		}
		all = append(all, at.output())
		if at.status == parked || at.status == givenUp {
			reasons = append(reasons, at.target.Name+": "+at.words)
		}
	}
	return all, reasons, status
}

// narrative says the same for people.
func (r *resource) narrative() string {
	var b strings.Builder
	b.WriteString(`<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>Receipt of ` + r.Focus.Reference + ": " +
		strings.ToLower(r.BusinessStatus.Coding[0].Display) + ".</p>")
	if r.StatusReason != nil {
		b.WriteString("<p>" + html.EscapeString(r.StatusReason.Text) + "</p>")
	}
	if len(r.Output) > 1 {
		b.WriteString("<ul>")
		for _, o := range r.Output[1:] {
			words := o.String
			if o.Reference != nil {
				words = o.Reference.Display
			}
			b.WriteString("<li>" + html.EscapeString(o.Type.Text+": "+words) + "</li>")
		}
		b.WriteString("</ul>")
	}
	return b.String() + "</div>"
}
