package observation_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

const base = "https://tidemark.example/fhir"

// filled is a response of an invented patient, flat, with one raw JSON answer
// for each linkId in the order of the form.
type filled struct {
	form, source string
	header       map[string]string
	answers      []answer
}

type answer struct{ link, value string }

func grade(sign, code string) answer {
	return answer{"intensity." + sign, `"valueCoding":{"system":"` + questionnaire.GradeSystem + `","code":"` + code + `"}`}
}

func choice(link, code string) answer {
	return answer{link, `"valueCoding":{"system":"` + questionnaire.ScoradSystem + `","code":"` + code + `"}`}
}

// directly has extent 18.5 %, grades 2 1 1 2 1 1, itch 5.7, sleep loss 2.4:
// 39.80 points, objective 31.70, worked out by hand.
func directly() *filled {
	return &filled{
		form: questionnaire.SelfAssessment, source: `{"reference":"RelatedPerson/bram-thistledown"}`,
		header: map[string]string{
			"status": `"completed"`, "subject": `{"reference":"Patient/oona-thistledown"}`,
			"authored": `"2026-11-24T19:42:10+01:00"`,
		},
		answers: []answer{
			choice("extent.method", "direct"), {"extent.direct", `"valueDecimal":18.5`},
			grade("erythema", "moderate"), grade("oedema", "mild"), grade("oozing", "mild"),
			grade("excoriation", "moderate"), grade("lichenification", "mild"), grade("dryness", "mild"),
			{"symptoms.itch", `"valueDecimal":5.7`}, {"symptoms.sleep-loss", `"valueDecimal":2.4`},
			{"also-seen.bleeding", `"valueBoolean":true`}, {"also-seen.scaling", `"valueBoolean":false`},
		},
	}
}

// byClinician makes it the clinician's form.
func (f *filled) byClinician() *filled {
	f.form, f.source = questionnaire.ClinicianAssessment, `{"reference":"Practitioner/ilse-varnholt"}`
	return f
}

// set changes an answer; "" takes it out.
func (f *filled) set(link, value string) *filled {
	for i, a := range f.answers {
		if a.link == link && value == "" {
			f.answers = append(f.answers[:i:i], f.answers[i+1:]...)
			return f
		}
		if a.link == link {
			f.answers[i].value = value
			return f
		}
	}
	panic("no answer to " + link)
}

// in answers in a language.
func (f *filled) in(language string) *filled {
	f.header["language"] = `"` + language + `"`
	return f
}

// extent gives the extent in another way.
func (f *filled) extent(answers ...answer) *filled {
	f.answers = append(answers, f.answers[2:]...)
	return f
}

func (f *filled) json() string {
	var items []string
	for _, a := range f.answers {
		items = append(items, `{"linkId":"`+a.link+`","answer":[{`+a.value+`}]}`)
	}
	var members strings.Builder
	for _, name := range []string{"id", "language", "identifier", "status", "subject", "authored"} {
		if value := f.header[name]; value != "" {
			members.WriteString(`"` + name + `":` + value + `,`)
		}
	}
	if f.source != "" {
		members.WriteString(`"source":` + f.source + `,`)
	}
	return `{"resourceType":"QuestionnaireResponse",` + members.String() +
		`"questionnaire":"` + questionnaire.Base + `/Questionnaire/` + f.form + `|1.0.0","item":[` + strings.Join(items, ",") + `]}`
}

// read reads it; the response stays valid until the test ends.
func (f *filled) read(t testing.TB) *questionnaire.Response {
	t.Helper()
	document, err := fhir.Decode([]byte(f.json()))
	require.NoError(t, err)
	t.Cleanup(document.Release)
	response, err := questionnaire.Read(document.Root())
	require.NoError(t, err)
	return &response
}

// stored is the input of a score as the server stores it.
func stored(response *questionnaire.Response) *observation.Input {
	return &observation.Input{
		Response: response, ID: "0190a1b2-1111-7abc-8def-000000000001", Version: 3,
		LastUpdated: issued, Issued: issued, Base: base,
		Identifier: observation.Identifier("https://fernway-portal.example/responses", "fw-7"),
		Status:     "final", DerivedFrom: base + "/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/3",
		Bands: &scoring.UsualBands,
	}
}

// decoded is one Observation, read by both decoders.
type decoded struct {
	models.Observation
	root fhir.Node
	json string
}

// decode holds that the strict decoder and the model library both read it.
func decode(t testing.TB, data []byte) decoded {
	t.Helper()
	document, err := fhir.Decode(data)
	require.NoError(t, err, "%s", data)
	t.Cleanup(document.Release)
	d := decoded{root: document.Root(), json: string(data)}
	require.Equal(t, "Observation", d.root.Type())
	require.NoError(t, json.Unmarshal(data, &d.Observation))
	requireInvariants(t, data)
	return d
}

// observe writes the score of what was filled as the server stores it.
func observe(t testing.TB, f *filled) decoded {
	t.Helper()
	return decode(t, observation.Append(nil, stored(f.read(t))))
}

// component is what one component says, its number as it is written.
type component struct{ code, value, unit string }

// components lists them by our code, in order.
func (d decoded) components(t testing.TB) []component {
	t.Helper()
	var all []component
	for _, c := range d.Component {
		require.Equal(t, questionnaire.ScoradSystem, *c.Code.Coding[0].System)
		one := component{code: *c.Code.Coding[0].Code}
		switch {
		case c.ValueQuantity != nil:
			require.Equal(t, questionnaire.UCUM, *c.ValueQuantity.System)
			one.value, one.unit = c.ValueQuantity.Value.String(), *c.ValueQuantity.Code
		case c.ValueBoolean != nil:
			one.value = map[bool]string{true: "true", false: "false"}[*c.ValueBoolean]
		}
		all = append(all, one)
	}
	return all
}

var issued = time.Date(2026, 11, 24, 18, 42, 11, 250_000_000, time.UTC)
