package questionnaire_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// Names of invented people: no patient is meant.
const (
	patient   = `{"reference":"Patient/oona-thistledown"}`
	carer     = `{"reference":"RelatedPerson/bram-thistledown"}`
	clinician = `{"reference":"Practitioner/ilse-varnholt"}`
)

// sheet is a response as a portal would fill it, put together in the form's
// order; every shape that portals send is a setting of it.
type sheet struct {
	form string
	// header holds members of the response as JSON, by name; "" leaves one out.
	header map[string]string
	// answers holds the member of the one answer of a question, as
	// "valueInteger":5; a question without an entry is not answered.
	answers map[string]string
	// items overrules answers with all that follows the linkId.
	items map[string]string
	// flat drops the groups, texts writes item.text as the form has it,
	// displays keeps the form's display items, empties the items unanswered.
	flat, texts, displays, empties bool
	// last is JSON of items added after all others.
	last string
}

// header gives the members in the order they are written.
var header = []string{
	"id", "implicitRules", "contained", "identifier", "questionnaire", "status",
	"subject", "authored", "author", "source",
}

func newSheet(form, person string) *sheet {
	return &sheet{
		form: form,
		header: map[string]string{
			"questionnaire": quoted(questionnaire.Base + "/Questionnaire/" + form + "|1.0.0"),
			"status":        `"completed"`, "subject": patient, "source": person,
			"authored": `"2026-11-24T19:42:10+01:00"`,
		},
		answers: map[string]string{}, items: map[string]string{},
	}
}

// directly is a self-assessment with extent 18.5 %, grades 2 1 1 2 1 1, itch 5.7
// and sleep loss 2.4: 39.80 points, worked out by hand.
func directly() *sheet {
	s := newSheet(questionnaire.SelfAssessment, carer)
	s.extentDirect("18.5")
	s.gradeAll(2, 1, 1, 2, 1, 1)
	s.answers["symptoms.itch"] = `"valueDecimal":5.7`
	s.answers["symptoms.sleep-loss"] = `"valueDecimal":2.4`
	s.answers["also-seen.bleeding"] = `"valueBoolean":true`
	s.answers["also-seen.scaling"] = `"valueBoolean":false`
	return s
}

// directlyAssessed is what directly means.
func directlyAssessed() scoring.Assessment {
	return scoring.Assessment{
		Method: scoring.ByDirect, Direct: scoring.Answer[scoring.Tenths](185),
		Grades: gradesOf(2, 1, 1, 2, 1, 1),
		Itch:   scoring.Answer[scoring.Tenths](57), SleepLoss: scoring.Answer[scoring.Tenths](24),
		AlsoSeen: [3]scoring.Optional[bool]{scoring.Answer(true), {}, scoring.Answer(false)},
	}
}

// byRegions is the same with the extent by regions of an infant, each region
// another percent: 28.6 % in all.
func byRegions() *sheet {
	s := directly()
	delete(s.answers, "extent.direct")
	s.choose("extent.method", "regions")
	s.choose("extent.age-group", "under-1")
	for i, link := range regionLinks {
		s.answers[link] = fmt.Sprintf(`"valueInteger":%d`, regionPercents[i])
	}
	return s
}

var regionPercents = [scoring.RegionCount]uint8{50, 5, 20, 10, 30, 25, 35, 40, 45, 55, 15, 60, 0}

func byRegionsAssessed() scoring.Assessment {
	a := directlyAssessed()
	a.Method, a.AgeGroup, a.Direct = scoring.ByRegions, scoring.UnderOne, scoring.Optional[scoring.Tenths]{}
	for i, percent := range regionPercents {
		a.Regions[i] = scoring.Answer(percent)
	}
	return a
}

func gradesOf(values ...uint8) (all [scoring.SignCount]scoring.Optional[uint8]) {
	for i, value := range values {
		all[i] = scoring.Answer(value)
	}
	return all
}

var gradeCodes = []string{"absent", "mild", "moderate", "severe"}

func (s *sheet) extentDirect(percent string) {
	s.choose("extent.method", "direct")
	s.answers["extent.direct"] = `"valueDecimal":` + percent
}

func (s *sheet) gradeAll(values ...int) {
	for i, value := range values {
		s.answers[grades[i].link] = coding(questionnaire.GradeSystem, gradeCodes[value])
	}
}

func (s *sheet) choose(link, code string) {
	s.answers[link] = coding(questionnaire.ScoradSystem, code)
}

func coding(system, code string) string {
	return `"valueCoding":{"system":` + quoted(system) + `,"code":` + quoted(code) + `}`
}

func quoted(text string) string {
	data, err := json.Marshal(text)
	if err != nil {
		panic(err)
	}
	return string(data)
}

// json writes the response.
func (s *sheet) json() []byte {
	var b strings.Builder
	b.WriteString(`{"resourceType":"QuestionnaireResponse"`)
	for _, name := range header {
		if value := s.header[name]; value != "" {
			b.WriteString("," + quoted(name) + ":" + value)
		}
	}
	var items []string
	for _, section := range sections(s.form) {
		items = append(items, s.section(section)...)
	}
	if s.last != "" {
		items = append(items, s.last)
	}
	if len(items) > 0 {
		b.WriteString(`,"item":[` + strings.Join(items, ",") + `]`)
	}
	return []byte(b.String() + "}")
}

// section writes a group with its items, or the items alone.
func (s *sheet) section(section section) []string {
	var items []string
	for _, child := range published(s.form).find(section.link).Item {
		if child.Type == "display" {
			if s.displays {
				items = append(items, s.item(child.LinkID, ""))
			}
			continue
		}
		if item, ok := s.question(child); ok {
			items = append(items, item)
		}
	}
	raw, overruled := s.items[section.link]
	switch {
	case overruled:
		return []string{s.item(section.link, raw)}
	case s.flat && s.empties:
		return append([]string{s.item(section.link, "")}, items...)
	case s.flat:
		return items
	case len(items) > 0:
		return []string{s.item(section.link, `,"item":[`+strings.Join(items, ",")+`]`)}
	case s.empties:
		return []string{s.item(section.link, "")}
	}
	return nil
}

func (s *sheet) question(q formItem) (string, bool) {
	raw, overruled := s.items[q.LinkID]
	answer, answered := s.answers[q.LinkID]
	var help string
	if s.displays && len(q.Item) > 0 {
		help = `,"item":[` + s.item(q.Item[0].LinkID, "") + `]`
	}
	switch {
	case overruled:
		return s.item(q.LinkID, raw), true
	case answered:
		return s.item(q.LinkID, `,"answer":[{`+answer+help+`}]`), true
	case s.empties:
		return s.item(q.LinkID, help), true
	}
	return "", false
}

func (s *sheet) item(link, rest string) string {
	text := ""
	if s.texts {
		text = `,"text":` + quoted(published(s.form).find(link).Text)
	}
	return `{"linkId":` + quoted(link) + text + rest + `}`
}

// read reads the sheet; what is returned stays valid until the test ends.
func read(t require.TestingT, s *sheet) (questionnaire.Response, error) {
	return readJSON(t, s.json())
}

func readJSON(t require.TestingT, data []byte) (questionnaire.Response, error) {
	document, err := fhir.Decode(data)
	require.NoError(t, err, "%s", data)
	if t, ok := t.(testing.TB); ok {
		t.Cleanup(document.Release)
	}
	return questionnaire.Read(document.Root())
}

// accepted reads the sheet and holds the warnings against those wanted.
func accepted(t require.TestingT, s *sheet, warnings ...fault) questionnaire.Response {
	response, err := read(t, s)
	require.NoError(t, err)
	compare(t, s.form, fhir.Warning, warnings, response.Issues)
	return response
}

// refused reads the sheet and holds the faults against those wanted.
func refused(t require.TestingT, s *sheet, faults ...fault) {
	response, err := read(t, s)
	require.Zero(t, response)
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues)
	require.False(t, issues.Malformed(), "faults against the form are 422, not 400")
	compare(t, s.form, fhir.Error, faults, issues)
}

// fault is one issue wanted: what a machine reads of it, and a part of what it
// tells people to change.
type fault struct {
	code       fhir.IssueType
	expression string
	link       string
	says       string
}

func compare(t require.TestingT, form string, severity fhir.Severity, wanted []fault, issues fhir.Issues) {
	var want, got []fault
	for i, issue := range issues {
		require.Equal(t, severity, issue.Severity, issue.Text)
		says := issue.Text
		if i < len(wanted) && strings.Contains(issue.Text, wanted[i].says) {
			says = wanted[i].says
		}
		got = append(got, fault{issue.Code, issue.Expression, issue.LinkID, says})
		requireNamed(t, form, issue)
	}
	want = append(want, wanted...)
	require.Equal(t, want, got)
}

// requireNamed holds that an issue about an item names it to a developer: by
// linkId, by the form's text, shortened, and by its place.
func requireNamed(t require.TestingT, form string, issue fhir.Issue) {
	if issue.LinkID == "" {
		return
	}
	text := published(form).find(issue.LinkID).Text
	if runes := []rune(text); len(runes) > 60 {
		text = string(runes[:57]) + "..."
	}
	require.Contains(t, issue.Text, issue.LinkID+` ("`+text+`"), at `+issue.Expression+": ")
}
