package api

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// populateText documents $populate in the CapabilityStatement.
const populateText = "Answers a response in progress in the parameter response. The form is the instance, or the parameter questionnaire " +
	"(canonical, reference or resource) or identifier. subject is required, unless a context named patient gives the Patient itself; its " +
	"birthDate chooses the age group of the map of regions. With local=true, or a context named previous that gives a response or a reference " +
	"to one, the last map of regions of the same patient is offered. Nothing is stored."

// draft is a response on its way to being offered.
type draft struct {
	form *questionnaire.Form
	// subject is the reference to the patient; key what the store finds it by.
	subject, key string
	ageGroup     scoring.AgeGroup
	// regions are the percents of an earlier map, nil for the form's initial ones.
	regions *[scoring.RegionCount]scoring.Optional[uint8]
	issues  fhir.Issues
}

func (d *draft) tell(severity fhir.Severity, code fhir.IssueType, at fhir.Node, text string) {
	d.issues = append(d.issues, fhir.Issue{Severity: severity, Code: code, Expression: at.Path(), Text: text})
}

// populate offers a response to fill in (SDC Questionnaire $populate, type and
// instance level).
func (s *Server) populate(c *gin.Context) (reply, error) {
	call, err := s.operation(c)
	if err != nil {
		return reply{}, err
	}
	defer call.release()
	if call.root.Exists() && call.root.Type() != "Parameters" {
		return reply{}, malformed(fhir.IssueStructure, call.root.Path(), "$populate takes Parameters.")
	}
	d := &draft{}
	if d.form, err = s.populated(c, call); err != nil {
		return reply{}, err
	}
	patient, previous := contextOf(call, "patient"), contextOf(call, "previous")
	if err := s.draftSubject(d, call, patient.Get("resource")); err != nil {
		return reply{}, err
	}
	d.draftAge(patient.Get("resource"), time.Now().UTC())
	if err := s.draftRegions(c.Request.Context(), d, call, previous); err != nil {
		return reply{}, err
	}
	d.ignored(call)
	body := d.write(time.Now())
	if len(d.issues) == 0 {
		return parameters("response", body), nil
	}
	return parameters("response", body, "issues", d.issues.JSON()), nil
}

// populated resolves the form: the instance, else what the parameters name.
func (s *Server) populated(c *gin.Context, call operation) (*questionnaire.Form, error) {
	if c.Param("id") != "" {
		return s.instanceForm(c)
	}
	given := call.named("questionnaire")
	canonical := given.Choice("value[x]").Text()
	switch value := given.Choice("value[x]"); {
	case given.Get("resource").Exists():
		canonical = given.Get("resource").Get("url").Text()
		if version := given.Get("resource").Get("version"); version.Exists() {
			canonical += "|" + version.Text()
		}
	case value.Type() == "Reference":
		canonical = localReference(value.Get("reference").Text(), s.options.BaseURL)
		if id, ok := strings.CutPrefix(canonical, "Questionnaire/"); ok {
			return s.formByID(id, given)
		}
	case !given.Exists():
		return s.formByIdentifier(call)
	}
	form, ok := s.options.Forms.Catalog().Form(canonical)
	if !ok {
		return nil, refusedAt(fhir.IssueNotFound, given.Path(), "No such form, or not in that version, is known here.")
	}
	return form, nil
}

func (s *Server) formByID(id string, given fhir.Node) (*questionnaire.Form, error) {
	if found, ok := s.shelf.current("Questionnaire", id); ok {
		if form, ok := s.options.Forms.Catalog().Form(found.URL); ok {
			return form, nil
		}
	}
	if form, ok := s.options.Forms.current(id); ok {
		return form, nil
	}
	return nil, refusedAt(fhir.IssueNotFound, given.Path(), "No such form is known here.")
}

// formByIdentifier finds a form by a business identifier of it.
func (s *Server) formByIdentifier(call operation) (*questionnaire.Form, error) {
	given := call.named("identifier")
	if !given.Exists() {
		return nil, malformed(fhir.IssueRequired, "Parameters", "The parameter questionnaire is missing; name the form by its canonical URL, or call the operation on the form itself.")
	}
	wanted := given.Choice("value[x]")
	text := wanted.Get("system").Text() + "|" + wanted.Get("value").Text()
	for _, e := range s.shelf["Questionnaire"] {
		for _, has := range e.fixed.values["identifier"] {
			if form, ok := s.options.Forms.Catalog().Form(e.URL + "|" + e.Version); ok && has == text {
				return form, nil
			}
		}
	}
	return nil, refusedAt(fhir.IssueNotFound, given.Path(), "No form of that identifier is known here.")
}

// contextOf is the content of the context of a name.
func contextOf(call operation, name string) fhir.Node {
	if call.root.Type() != "Parameters" {
		return fhir.Node{}
	}
	for p := range call.root.Each("parameter") {
		content, named := fhir.Node{}, false
		for part := range p.Each("part") {
			switch {
			case part.Get("name").Is("name"):
				named = part.Choice("value[x]").Is(name)
			case part.Get("name").Is("content"):
				content = part
			}
		}
		if named && p.Get("name").Is("context") {
			return content
		}
	}
	return fhir.Node{}
}

// draftSubject settles whom the answers are about. A patient given must be the
// subject, or one child's age would choose another's weights.
func (s *Server) draftSubject(d *draft, call operation, patient fhir.Node) error {
	if patient.Exists() && patient.Type() != "Patient" {
		return malformed(fhir.IssueStructure, patient.Path(), "The context patient must be a Patient.")
	}
	given := call.named("subject")
	reference := given.Choice("value[x]").Get("reference")
	own := ""
	if id := patient.Get("id"); id.Exists() {
		own = "Patient/" + id.Text()
	}
	switch {
	case reference.Exists():
		d.subject = reference.Text()
	case own != "":
		d.subject = own
	default:
		return malformed(fhir.IssueRequired, "Parameters", "The parameter subject with a reference to the patient is missing.")
	}
	parsed, ok := fhir.ParseReference([]byte(d.subject))
	if !ok || parsed.Type != "Patient" {
		return refusedAt(fhir.IssueValue, given.Path(), "subject must be a reference to a Patient, as Patient/[id].")
	}
	d.key = localReference(d.subject, s.options.BaseURL)
	if own != "" && parsed.ID != patient.Get("id").Text() {
		return refusedAt(fhir.IssueBusinessRule, given.Path(), "subject and the context patient are not the same patient.")
	}
	return nil
}

// draftAge chooses the age group by the birth date and the date of today.
func (d *draft) draftAge(patient fhir.Node, today time.Time) {
	birth := patient.Get("birthDate")
	if !birth.Exists() {
		return
	}
	born, err := fhir.ParseDateTime(birth.Bytes())
	if err == nil {
		d.ageGroup = ageGroupOn(born, today)
	}
	if d.ageGroup == scoring.AgeGroupUnknown {
		d.tell(fhir.Warning, fhir.IssueValue, birth, "The birth date does not tell the age group on this day; it was left open.")
	}
}

// ageGroupOn is the age group of who was born then, on a day; unknown where the
// birth date is in the future or does not say. A child belongs to an age from
// its birthday on.
func ageGroupOn(born fhir.DateTime, today time.Time) scoring.AgeGroup {
	first, last := born.Range()
	oldest, youngest := yearsOn(first, today), yearsOn(last, today)
	group := func(years int) scoring.AgeGroup {
		switch {
		case years < 0:
			return scoring.AgeGroupUnknown
		case years == 0:
			return scoring.UnderOne
		case years == 1:
			return scoring.OneToTwo
		}
		return scoring.TwoAndOver
	}
	if group(oldest) != group(youngest) {
		return scoring.AgeGroupUnknown
	}
	return group(oldest)
}

// yearsOn counts the birthdays since, -1 before the birth.
func yearsOn(born, today time.Time) int {
	years := today.Year() - born.Year()
	if today.Month() < born.Month() || today.Month() == born.Month() && today.Day() < born.Day() {
		years--
	}
	return years
}

// draftRegions offers the percents of an earlier map if it was asked for.
func (s *Server) draftRegions(ctx context.Context, d *draft, call operation, previous fhir.Node) error {
	local := call.named("local").Choice("value[x]")
	switch {
	case previous.Get("resource").Exists():
		return s.takeRegions(d, previous.Get("resource"), previous)
	case previous.Exists():
		return s.referredRegions(ctx, d, previous)
	case local.Exists() && string(local.Raw()) == "true":
		return s.lastRegions(ctx, d, local)
	}
	return nil
}

// referredRegions takes a stored response that is named.
func (s *Server) referredRegions(ctx context.Context, d *draft, previous fhir.Node) error {
	text := localReference(previous.Choice("value[x]").Get("reference").Text(), s.options.BaseURL)
	reference, ok := fhir.ParseReference([]byte(text))
	if !ok || reference.Base != "" || reference.Type != "QuestionnaireResponse" {
		return refusedAt(fhir.IssueValue, previous.Path(), "The context previous must be a QuestionnaireResponse, or a reference to one of this server.")
	}
	found, err := s.options.Store.Get(ctx, store.Key{Type: reference.Type, ID: reference.ID})
	if errors.Is(err, store.ErrNotFound) || err == nil && found.Deleted {
		return refusedAt(fhir.IssueNotFound, previous.Path(), "The response that the context previous refers to is not here.")
	}
	if err != nil {
		return stored(ctx, err)
	}
	document, err := fhir.Decode(found.Body)
	if err != nil {
		return fmt.Errorf("api: a stored response does not decode: %w", err)
	}
	defer document.Release()
	return s.takeRegions(d, document.Root(), previous)
}

// takeRegions takes the map of a response, which must be of the same patient.
func (s *Server) takeRegions(d *draft, root, at fhir.Node) error {
	if root.Type() != "QuestionnaireResponse" {
		return refusedAt(fhir.IssueValue, at.Path(), "The context previous must be a QuestionnaireResponse.")
	}
	if patientKey(root.Get("subject"), s.options.BaseURL) != d.key {
		return refusedAt(fhir.IssueBusinessRule, at.Path(), "The response of the context previous is of another patient.")
	}
	response, err := s.options.Forms.Read(root)
	if err != nil || !d.take(&response) {
		d.tell(fhir.Warning, fhir.IssueNotFound, at, "The response of the context previous has no complete map of regions to offer.")
	}
	return nil
}

// take offers the map of a response that has one.
func (d *draft) take(response *questionnaire.Response) bool {
	if !response.Status.Scored() || response.Form.Rater != d.form.Rater || response.Assessment.Method != scoring.ByRegions {
		return false
	}
	regions := response.Assessment.Regions
	d.regions = &regions
	d.issues = append(d.issues, fhir.Issue{Severity: fhir.Information, Code: fhir.IssueInformational,
		Text: "The regions are those of the patient's last map; the rater must look at each of them again."})
	return true
}

// mapsLookedAt bounds how far back a map is looked for.
const mapsLookedAt = 50

// lastRegions looks for the latest map among the stored responses.
func (s *Server) lastRegions(ctx context.Context, d *draft, at fhir.Node) error {
	page, err := s.options.Store.Search(ctx, store.Query{
		Type: "QuestionnaireResponse", Patients: []string{d.key}, Sort: store.ByTimeDesc, Limit: mapsLookedAt,
		Statuses: []string{string(questionnaire.Completed), string(questionnaire.Amended)},
	})
	if err != nil {
		return stored(ctx, err)
	}
	for _, found := range page.Resources {
		document, err := fhir.Decode(found.Body)
		if err != nil {
			return fmt.Errorf("api: a stored response does not decode: %w", err)
		}
		response, err := s.options.Forms.Read(document.Root())
		taken := err == nil && d.take(&response)
		document.Release()
		if taken {
			return nil
		}
	}
	d.tell(fhir.Information, fhir.IssueNotFound, at, "There is no earlier map of regions of this patient and rater to offer.")
	return nil
}

// ignored tells which parameters nothing was done with.
func (d *draft) ignored(call operation) {
	if !call.root.Exists() {
		return
	}
	for p := range call.root.Each("parameter") {
		switch name := p.Get("name").Text(); name {
		case "questionnaire", "identifier", "subject", "context", "local":
		default:
			d.tell(fhir.Warning, fhir.IssueNotSupported, p, "The parameter is not supported, and nothing was done with it.")
		}
	}
}

// write writes the response: the map of regions is begun where the age group is
// known, or an earlier one is offered. A portal's own form has other items,
// which stay empty.
func (d *draft) write(now time.Time) []byte {
	body := []byte(`{"resourceType":"QuestionnaireResponse","questionnaire":` + quoted(d.form.Canonical) +
		`,"status":"in-progress","subject":{"reference":` + quoted(d.subject) + `},"authored":"` + now.UTC().Format("2006-01-02T15:04:05Z") + `"`)
	mapped := d.ageGroup != scoring.AgeGroupUnknown || d.regions != nil
	switch {
	case mapped && d.form.Ours != d.form:
		d.issues = append(d.issues, fhir.Issue{Severity: fhir.Information, Code: fhir.IssueNotSupported, Text: "The items of a registered form are not filled in."})
	case mapped:
		body = append(append(append(body, `,"item":[{"linkId":"extent","item":[`...), d.items()...), `]}]`...)
	}
	return append(body, '}')
}

// items are the answers of the group extent, in the order of the form.
func (d *draft) items() []byte {
	body := appendChoice(nil, "extent.method", scoring.ByRegions.String())
	if d.ageGroup != scoring.AgeGroupUnknown {
		body = appendChoice(append(body, ','), "extent.age-group", d.ageGroup.String())
	}
	for i := range scoring.RegionCount {
		percent := uint8(0) // the form's own initial value
		if d.regions != nil {
			percent = d.regions[i].Value
		}
		body = append(body, `,{"linkId":"extent.`+scoring.Region(i).String()+`","answer":[{"valueInteger":`+strconv.Itoa(int(percent))+`}]}`...)
	}
	return body
}

func appendChoice(body []byte, linkID, code string) []byte {
	return append(body, `{"linkId":"`+linkID+`","answer":[{"valueCoding":{"system":"`+questionnaire.ScoradSystem+`","code":"`+code+
		`","display":`+quoted(questionnaire.Display(questionnaire.ScoradSystem, code))+`}}]}`...)
}
