package questionnaire_test

import (
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// drawn is any complete assessment, by any method, on either form.
func drawn(t *rapid.T) scoring.Assessment {
	tenths := func(limit int, name string) scoring.Optional[scoring.Tenths] {
		return scoring.Answer(scoring.Tenths(rapid.IntRange(0, limit).Draw(t, name)))
	}
	a := scoring.Assessment{
		Rater:  rapid.SampledFrom([]scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician}).Draw(t, "rater"),
		Method: rapid.SampledFrom([]scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect}).Draw(t, "method"),
	}
	switch a.Method {
	case scoring.ByRegions:
		a.AgeGroup = rapid.SampledFrom([]scoring.AgeGroup{scoring.TwoAndOver, scoring.OneToTwo, scoring.UnderOne}).Draw(t, "age group")
		for i := range a.Regions {
			a.Regions[i] = scoring.Answer(rapid.Uint8Range(0, 100).Draw(t, "region"))
		}
	case scoring.ByHands:
		a.Hands = tenths(1000, "hands")
	case scoring.ByDirect:
		a.Direct = tenths(1000, "direct")
	}
	for i := range a.Grades {
		a.Grades[i] = scoring.Answer(rapid.Uint8Range(0, 3).Draw(t, "grade"))
	}
	if rapid.Bool().Draw(t, "itch answered") {
		a.Itch = tenths(100, "itch")
	}
	if rapid.Bool().Draw(t, "sleep loss answered") {
		a.SleepLoss = tenths(100, "sleep loss")
	}
	for i := range a.AlsoSeen {
		if rapid.Bool().Draw(t, "also seen answered") {
			a.AlsoSeen[i] = scoring.Answer(rapid.Bool().Draw(t, "also seen"))
		}
	}
	if a.Rater == scoring.RatedByClinician && rapid.Bool().Draw(t, "bonus answered") {
		a.FaceOrHands = scoring.Answer(rapid.Bool().Draw(t, "bonus"))
	}
	return a
}

// written writes an assessment in shapes drawn for each answer by itself.
func written(t *rapid.T, a scoring.Assessment) *sheet {
	s := newSheet(questionnaire.SelfAssessment, carer)
	if a.Rater == scoring.RatedByClinician {
		s = newSheet(questionnaire.ClinicianAssessment, clinician)
	}
	w := writer{t, s}
	w.choice("extent.method", a.Method.String())
	w.choice("extent.age-group", a.AgeGroup.String())
	for i, region := range a.Regions {
		switch {
		case region.Answered:
			w.whole(regionLinks[i], int(region.Value))
		case rapid.Bool().Draw(t, "initial left behind"):
			s.answers[regionLinks[i]] = `"valueInteger":0`
		}
	}
	w.tenths("extent.hands", "{palm}", a.Hands)
	w.tenths("extent.direct", "%", a.Direct)
	for i, grade := range a.Grades {
		w.grade(grades[i].link, int(grade.Value))
	}
	w.tenths("symptoms.itch", "{score}", a.Itch)
	w.tenths("symptoms.sleep-loss", "{score}", a.SleepLoss)
	for i, seen := range a.AlsoSeen {
		w.boolean("also-seen."+scoring.AlsoSeen(i).String(), seen)
	}
	w.boolean("bonus.face-hands", a.FaceOrHands)
	if rapid.Bool().Draw(t, "stale results") {
		s.answers["result.scorad"] = `"valueDecimal":` + rapid.SampledFrom([]string{"0", "12.34", "41.599999999999994"}).Draw(t, "stale")
	}
	s.flat, s.texts = rapid.Bool().Draw(t, "flat"), rapid.Bool().Draw(t, "texts")
	s.displays, s.empties = rapid.Bool().Draw(t, "displays"), rapid.Bool().Draw(t, "empties")
	return s
}

type writer struct {
	t *rapid.T
	*sheet
}

// one draws one of the ways to write an answer.
func (w writer) one(link string, ways ...string) {
	w.answers[link] = rapid.SampledFrom(ways).Draw(w.t, link)
}

func (w writer) choice(link, code string) {
	if code == "" {
		return
	}
	display := questionnaire.Display(questionnaire.ScoradSystem, code)
	w.one(link, coding(questionnaire.ScoradSystem, code),
		`"valueCoding":{"code":`+quoted(code)+`}`,
		`"valueCoding":{"display":`+quoted(display)+`,"code":`+quoted(code)+`,"system":`+quoted(questionnaire.ScoradSystem)+`}`,
		`"valueString":`+quoted(display), `"valueString":`+quoted(strings.ToUpper(display)))
}

func (w writer) grade(link string, value int) {
	code := gradeCodes[value]
	w.one(link, coding(questionnaire.GradeSystem, code),
		`"valueCoding":{"code":`+quoted(code)+`}`, `"valueString":`+quoted(code),
		`"valueInteger":`+strconv.Itoa(value), `"valueDecimal":`+strconv.Itoa(value)+`.0`)
}

func (w writer) whole(link string, value int) {
	text := strconv.Itoa(value)
	w.one(link, `"valueInteger":`+text, `"valueDecimal":`+text, `"valueDecimal":`+text+`.0`,
		`"valueQuantity":{"value":`+text+`,"unit":"%"}`,
		`"valueQuantity":{"value":`+text+`.0,"system":"http://unitsofmeasure.org","code":"%"}`)
}

func (w writer) tenths(link, unit string, answer scoring.Optional[scoring.Tenths]) {
	if !answer.Answered {
		return
	}
	text := answer.Value.String()
	ways := []string{
		`"valueDecimal":` + text, `"valueDecimal":` + strconv.Itoa(int(answer.Value)) + `e-1`,
		`"valueQuantity":{"value":` + text + `}`, `"valueQuantity":{"value":` + text + `,"code":"1"}`,
		`"valueQuantity":{"value":` + text + `,"system":"http://unitsofmeasure.org","code":` + quoted(unit) + `}`,
	}
	if whole, ok := strings.CutSuffix(text, ".0"); ok {
		ways = append(ways, `"valueInteger":`+whole, `"valueDecimal":`+whole)
	}
	w.one(link, ways...)
}

func (w writer) boolean(link string, answer scoring.Optional[bool]) {
	if answer.Answered {
		w.answers[link] = `"valueBoolean":` + strconv.FormatBool(answer.Value)
	}
}

func TestAnyMixOfShapesGivesTheSameAssessment(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := drawn(t)
		s := written(t, want)
		document, err := fhir.Decode(s.json())
		require.NoError(t, err)
		defer document.Release()
		response, err := questionnaire.Read(document.Root())
		require.NoError(t, err, "%s", s.json())
		require.Equal(t, want, response.Assessment)
		result, err := scoring.Score(&want)
		require.NoError(t, err)
		require.Equal(t, result, response.Result)
		for _, issue := range response.Issues {
			require.Equal(t, fhir.Warning, issue.Severity)
			requireNamed(t, s.form, issue)
		}
	})
}

// Written exactly as the form asks there is nothing to warn of but what the
// answers themselves show.
func TestTheFormsOwnShapeGivesNoWarning(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := drawn(t)
		s := written(t, a)
		for link := range s.answers {
			asked, ok := asAsked(a, link)
			if s.answers[link] = asked; !ok {
				delete(s.answers, link)
			}
		}
		document, err := fhir.Decode(s.json())
		require.NoError(t, err)
		defer document.Release()
		response, err := questionnaire.Read(document.Root())
		require.NoError(t, err)
		require.Empty(t, withoutQuality(response.Issues))
		require.Equal(t, a, response.Assessment)
	})
}

// asAsked writes an answer in the type that the form gives it.
func asAsked(a scoring.Assessment, link string) (string, bool) {
	for i, region := range a.Regions {
		if regionLinks[i] == link {
			return `"valueInteger":` + strconv.Itoa(int(region.Value)), region.Answered
		}
	}
	for i, grade := range a.Grades {
		if grades[i].link == link {
			return coding(questionnaire.GradeSystem, gradeCodes[grade.Value]), true
		}
	}
	for i, seen := range a.AlsoSeen {
		if link == "also-seen."+scoring.AlsoSeen(i).String() {
			return `"valueBoolean":` + strconv.FormatBool(seen.Value), true
		}
	}
	switch link {
	case "extent.method":
		return coding(questionnaire.ScoradSystem, a.Method.String()), true
	case "extent.age-group":
		return coding(questionnaire.ScoradSystem, a.AgeGroup.String()), true
	case "bonus.face-hands":
		return `"valueBoolean":` + strconv.FormatBool(a.FaceOrHands.Value), true
	case "extent.hands":
		return `"valueDecimal":` + a.Hands.Value.String(), true
	case "extent.direct":
		return `"valueDecimal":` + a.Direct.Value.String(), true
	case "symptoms.itch":
		return `"valueDecimal":` + a.Itch.Value.String(), true
	case "symptoms.sleep-loss":
		return `"valueDecimal":` + a.SleepLoss.Value.String(), true
	}
	return "", false
}

// FuzzRead holds what any document that decodes must come to: a response with
// warnings only, whose score is that of its answers, or a list of faults.
func FuzzRead(f *testing.F) {
	for _, s := range []*sheet{directly(), byRegions(), byHands(`"valueDecimal":3.5`), methodOf(question{needs: "regions"})} {
		f.Add(s.json())
		s.flat, s.displays, s.empties, s.texts = true, true, true, true
		f.Add(s.json())
	}
	for _, c := range shapesOfDirect {
		s := directly()
		c.change(s)
		f.Add(s.json())
	}
	for _, c := range misplacements {
		s := directly()
		c.change(s)
		f.Add(s.json())
	}
	for _, c := range append(choiceRefusals, numberRefusals...) {
		s := directly()
		s.answers[c.link] = c.answer
		f.Add(s.json())
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		document, err := fhir.Decode(data)
		if err != nil {
			t.Skip("not FHIR, which is the decoder's to refuse")
		}
		defer document.Release()
		response, err := questionnaire.Read(document.Root())
		if err != nil {
			requireRefusal(t, response, err)
			return
		}
		require.False(t, response.Issues.Refused())
		if !response.Status.Scored() {
			require.Zero(t, response.Result)
			return
		}
		result, err := scoring.Score(&response.Assessment)
		require.NoError(t, err)
		require.Equal(t, result, response.Result)
		require.True(t, result.Objective.Answered, "a complete response has extent and all grades")
		require.True(t, response.Subject.Exists())
		require.GreaterOrEqual(t, response.Authored.Precision, fhir.ToDay)
	})
}

func requireRefusal(t *testing.T, response questionnaire.Response, err error) {
	t.Helper()
	require.Zero(t, response)
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues, "no refusal but by a list of faults")
	require.True(t, issues.Refused())
	for _, issue := range issues {
		require.NotEmpty(t, issue.Text)
		require.NotEmpty(t, issue.Expression)
		require.NotEmpty(t, issue.Code)
	}
}
