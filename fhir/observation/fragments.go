package observation

import (
	"encoding/json"
	"fmt"
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/language"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// Ends of a component after its number, by unit (UCUM).
const (
	scoreEnd   = `,"unit":"score","system":"http://unitsofmeasure.org","code":"{score}"}},`
	percentEnd = `,"unit":"%","system":"http://unitsofmeasure.org","code":"%"}},`
	palmEnd    = `,"unit":"palms","system":"http://unitsofmeasure.org","code":"{palm}"}},`
)

// category closes the status and runs to the subject.
func (w *words) category() (c [2]string) {
	const survey = `","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"survey","display":"Survey"}]}`
	const exam = `,{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam","display":"Exam"}]}`
	code := `],"code":` + w.concept("scorad") + `,"subject":`
	c[scoring.RatedBySelf] = survey + code
	c[scoring.RatedByClinician] = survey + exam + code
	return c
}

// fragments are the components of one form up to their number.
type fragments struct {
	regions                                                                          [scoring.RegionCount]string
	grades                                                                           [scoring.SignCount]string
	alsoSeen                                                                         [scoring.AlsoSeenCount]string
	hands, direct, itch, sleepLoss                                                   string
	extent, extentPart, intensityPart, subjectivePart, objective, objectiveWithBonus string
}

// fragmentsOf are those of the published form whose items are asked, so that
// scores of one item trend together, whatever form asked it.
func (w *words) fragmentsOf(form *questionnaire.Form) *fragments { return w.fragments[form.Ours] }

func (w *words) prepare(form *questionnaire.Form) *fragments {
	item := func(linkID string) string { return quantity(w.codings(form.Codings(linkID))) }
	result := func(code string) string { return quantity(w.concept(code)) }
	f := &fragments{
		hands: item("extent.hands"), direct: item("extent.direct"),
		itch: item("symptoms.itch"), sleepLoss: item("symptoms.sleep-loss"),
		extent: result("extent"), extentPart: result("extent-part"),
		intensityPart: result("intensity-part"), subjectivePart: result("subjective-part"),
		objective: result("objective"), objectiveWithBonus: result("objective-with-bonus"),
	}
	for i := range f.regions {
		f.regions[i] = item("extent." + scoring.Region(i).String())
	}
	for i := range f.grades {
		f.grades[i] = item("intensity." + scoring.Sign(i).String())
	}
	for i := range f.alsoSeen {
		f.alsoSeen[i] = `{"code":` + w.codings(form.Codings("also-seen."+scoring.AlsoSeen(i).String())) + `,"valueBoolean":`
	}
	return f
}

func quantity(code string) string { return `{"code":` + code + `,"valueQuantity":{"value":` }

// codings writes a CodeableConcept whose text is the first display, in the
// language; displays stay as their code systems have them.
func (w *words) codings(all []questionnaire.Coding) string {
	var b strings.Builder
	b.WriteString(`{"coding":[`)
	for i, c := range all {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(coding(c))
	}
	fmt.Fprintf(&b, `],"text":%s}`, quote(w.language.Text(all[0].Display)))
	return b.String()
}

// concept writes one of our own codes.
func (w *words) concept(code string) string {
	return w.codings([]questionnaire.Coding{{System: questionnaire.ScoradSystem, Code: code, Display: questionnaire.Display(questionnaire.ScoradSystem, code)}})
}

func quote(text string) string {
	quoted, err := json.Marshal(text)
	if err != nil {
		panic(fmt.Errorf("observation: %w", err))
	}
	return string(quoted)
}

// methods are the method of every rater and way.
func (w *words) methods() (codes [2][4]string) {
	for _, rater := range []scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician} {
		for _, method := range []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect} {
			codes[rater][method] = `,"method":` + w.concept(rater.String()+"-"+method.String())
		}
	}
	return codes
}

// bandFragments are the interpretation of each band, what the narrative says of
// it around the number, and the reference ranges.
type bandFragments struct {
	interpretations [scoring.BandCount]string
	said            [scoring.BandCount]sentence
	ranges          string
}

func (w *words) bandSets() map[string]*bandFragments {
	all := map[string]*bandFragments{}
	lower := cases.Lower(language.Make(w.language.Code))
	for _, set := range scoring.BandSets() {
		f := &bandFragments{}
		var ranges []string
		for _, r := range set.Ranges {
			display := questionnaire.Display(questionnaire.BandSystem, r.Band.String())
			name := w.language.Band(display)
			text := quote(languages.Fill(w.language.Text(bandSays), "band", name, "set", set.Name))
			f.interpretations[r.Band] = `,"interpretation":[{"coding":[{"system":"` + questionnaire.BandSystem +
				`","code":"` + r.Band.String() + `","display":` + quote(display) + `}],"text":` + text + `}]`
			f.said[r.Band] = around(languages.Fill(w.language.Text(totalSays), "band", lower.String(name), "set", set.Name))
			ranges = append(ranges, `{"low":`+points(r.Low)+`,"high":`+points(r.High)+
				`,"type":{"coding":[{"system":"`+questionnaire.BandSystem+`","code":"`+r.Band.String()+`","display":`+quote(display)+`}],"text":`+text+`},"text":`+text+`}`)
		}
		f.ranges = `,"referenceRange":[` + strings.Join(ranges, ",") + `]`
		all[set.Name] = f
	}
	return all
}

// BandSetOf is the set that a score is interpreted by, as its reference ranges name
// it; ok is false if that is none of ours. All ranges are written in one language,
// whose words surround the name.
func BandSetOf(score fhir.Node) (set scoring.BandSet, ok bool) {
	said := score.Get("referenceRange").Get("text").Text()
	w := wordsIn(score.Get("language"))
	for _, set := range scoring.BandSets() {
		name := w.language.Band(questionnaire.Display(questionnaire.BandSystem, set.Ranges[0].Band.String()))
		if said == languages.Fill(w.language.Text(bandSays), "band", name, "set", set.Name) {
			return set, true
		}
	}
	return scoring.BandSet{}, false
}

func points(p scoring.Points) string {
	return `{"value":` + p.String() + `,"unit":"score","system":"http://unitsofmeasure.org","code":"{score}"}`
}
