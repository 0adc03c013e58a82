package questionnaire

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// Ids of the forms.
const (
	SelfAssessment      = "scorad-self-assessment"
	ClinicianAssessment = "scorad-clinician-assessment"
)

// Form is a questionnaire, prepared for reading responses: one published here,
// or one of a portal's own that was mapped to it (Map).
type Form struct {
	Published
	Rater scoring.Rater
	// Canonical is url|version.
	Canonical string
	// Ours is the published form whose items this one asks; of a published form,
	// itself.
	Ours *Form
	// StoredVersion is the meta.versionId of a form that Map read, "" for none.
	StoredVersion string
	// Warnings are what Map found worth telling about a form that it accepted.
	Warnings fhir.Issues

	// quoted is Canonical as JSON.
	quoted []byte
	items  []item
	byLink map[string]int
	// order lists the items that mean something to the assessment: method and
	// age group first, so that enabling is known before it is needed.
	order []int
	// method is the only way in which the form finds the extent, if it does not
	// ask for one; asked is the linkId of the question if it does.
	method scoring.Method
	asked  string
}

// item is one item of a form in document order.
type item struct {
	linkID string
	text   string
	// translated are the translations of text, in any of which the item may have
	// been shown.
	translated []string
	parent     int // index of the group, -1 at the root
	kind       string
	role       role
	number     int // which region, grade or result
	options    []option
	codings    []Coding
	// shown says, by the method answered, whether the form enables the item;
	// at MethodUnknown, while no method is answered.
	shown [methodCount]bool
	// required is the form's own word on whether it must be answered.
	required bool
	// initial is the form's initial number, and selected 1 more than the index
	// of its initial option.
	initial  scoring.Optional[fhir.Decimal]
	selected int
	// loose marks what means nothing to the score and may stand there again.
	loose bool
	// asksNumber says that a grade is asked for as a number; noNumbers, that a
	// number sent for one of the options could be its code as well as its weight.
	asksNumber, noNumbers bool
}

// methodCount counts the values of scoring.Method, unknown included.
const methodCount = 4

// option is one answer of a choice, with everything it may be called.
type option struct {
	system, code, display string
	texts                 []string
	// weight is the grade; method or ageGroup what the option means there.
	weight   int
	method   scoring.Method
	ageGroup scoring.AgeGroup
}

// role is what an answer means to the assessment.
type role uint8

const (
	roleNone role = iota
	roleMethod
	roleAgeGroup
	roleRegion
	roleHands
	roleDirect
	roleGrade
	roleItch
	roleSleepLoss
	roleAlsoSeen
	roleBonus
	roleResult
)

// results in the order of resultOf.
var resultLinks = []string{
	"result.extent-part", "result.intensity-part", "result.subjective-part",
	"result.objective", "result.objective-with-bonus", "result.scorad",
}

var roles = func() map[string]item {
	all := map[string]item{
		"extent.method":       {role: roleMethod},
		"extent.age-group":    {role: roleAgeGroup},
		"extent.hands":        {role: roleHands},
		"extent.direct":       {role: roleDirect},
		"symptoms.itch":       {role: roleItch},
		"symptoms.sleep-loss": {role: roleSleepLoss},
		"bonus.face-hands":    {role: roleBonus},
	}
	for i := range scoring.RegionCount {
		all["extent."+scoring.Region(i).String()] = item{role: roleRegion, number: i}
	}
	for i := range scoring.SignCount {
		all["intensity."+scoring.Sign(i).String()] = item{role: roleGrade, number: i}
	}
	for i := range scoring.AlsoSeenCount {
		all["also-seen."+scoring.AlsoSeen(i).String()] = item{role: roleAlsoSeen, number: i}
	}
	for i, link := range resultLinks {
		all[link] = item{role: roleResult, number: i}
	}
	return all
}()

// Forms lists the forms of every published version.
var Forms = sync.OnceValue(func() []*Form {
	var forms []*Form
	for _, p := range All() {
		if p.Type == "Questionnaire" {
			forms = append(forms, newForm(p))
		}
	}
	return forms
})

// FormByCanonical finds a published form, as Catalog.Form does.
func FormByCanonical(canonical string) (*Form, bool) { return Ours().Form(canonical) }

// Bounds of a form's items: reading a response to a form of few items needs no
// allocation, and a form of more than maxItems is refused.
const (
	fewItems = 128
	maxItems = 2000
)

func newForm(p Published) *Form {
	var root struct{ Item []jsonItem }
	if err := json.Unmarshal(p.JSON, &root); err != nil {
		panic(fmt.Errorf("questionnaire: %s: %w", p.ID, err))
	}
	form := &Form{Published: p, Canonical: p.URL + "|" + p.Version, byLink: map[string]int{}, asked: "extent.method"}
	form.Ours, form.quoted = form, quote(form.Canonical)
	if p.ID == ClinicianAssessment {
		form.Rater = scoring.RatedByClinician
	}
	form.add(root.Item, -1)
	if len(form.items) > fewItems {
		panic("questionnaire: " + p.ID + " has too many items")
	}
	form.sort()
	return form
}

// AppendCanonical writes url|version as JSON.
func (f *Form) AppendCanonical(dst []byte) []byte { return append(dst, f.quoted...) }

func quote(text string) []byte {
	quoted, err := json.Marshal(text)
	if err != nil {
		panic(fmt.Errorf("questionnaire: %w", err)) // any text is a JSON string
	}
	return quoted
}

// sort puts the items that mean something into the order they are read in.
func (f *Form) sort() {
	for index := range f.items {
		if f.items[index].role != roleNone {
			f.order = append(f.order, index)
		}
	}
	slices.SortStableFunc(f.order, func(a, b int) int {
		return int(min(f.items[a].role, roleRegion)) - int(min(f.items[b].role, roleRegion))
	})
}

// jsonItem is what reading needs to know of a form's item.
type jsonItem struct {
	LinkID, Text, Type string
	Texts              struct{ Extension []jsonExtension } `json:"_text"`
	Code               []Coding
	Required           bool
	Initial            []struct{ ValueInteger *int64 }
	AnswerOption       []struct {
		ValueCoding struct {
			System, Code, Display string
			Translations          struct{ Extension []jsonExtension } `json:"_display"`
		}
		Extension []jsonExtension
	}
	Item []jsonItem
}

type jsonExtension struct {
	URL          string
	ValueDecimal json.Number
	ValueString  string
	Extension    []jsonExtension
}

const (
	itemWeightURL   = "http://hl7.org/fhir/StructureDefinition/itemWeight"
	ordinalValueURL = "http://hl7.org/fhir/StructureDefinition/ordinalValue"
	translationURL  = "http://hl7.org/fhir/StructureDefinition/translation"
)

func (f *Form) add(items []jsonItem, parent int) {
	for _, j := range items {
		it := roles[j.LinkID]
		it.linkID, it.text, it.kind, it.parent, it.codings, it.required = j.LinkID, j.Text, j.Type, parent, j.Code, j.Required
		it.translated = translations(j.Texts.Extension)
		for m := range it.shown {
			it.shown[m] = it.needs() == scoring.MethodUnknown || it.needs() == scoring.Method(m)
		}
		for _, initial := range j.Initial {
			if initial.ValueInteger != nil {
				it.initial = scoring.Answer(fhir.Decimal{Unscaled: *initial.ValueInteger})
			}
		}
		for _, o := range j.AnswerOption {
			opt := option{system: o.ValueCoding.System, code: o.ValueCoding.Code, display: o.ValueCoding.Display}
			opt.texts = append([]string{opt.display}, translations(o.ValueCoding.Translations.Extension)...)
			opt.weight, opt.method, opt.ageGroup = weight(o.Extension), methods[opt.code], ageGroups[opt.code]
			it.options = append(it.options, opt)
		}
		index := len(f.items)
		f.byLink[j.LinkID] = index
		f.items = append(f.items, it)
		f.add(j.Item, index)
	}
}

// weight is what an option counts, by the extension of SDC 4 or the older one of
// R4; -1 if it has none.
func weight(extensions []jsonExtension) int {
	for _, e := range extensions {
		if e.URL == itemWeightURL || e.URL == ordinalValueURL {
			n, err := strconv.Atoi(strings.TrimSuffix(e.ValueDecimal.String(), ".0"))
			if err != nil {
				panic(fmt.Errorf("questionnaire: weight: %w", err))
			}
			return n
		}
	}
	return -1
}

func translations(extensions []jsonExtension) []string {
	var texts []string
	for _, e := range extensions {
		if e.URL != translationURL {
			continue
		}
		for _, part := range e.Extension {
			if part.URL == "content" {
				texts = append(texts, part.ValueString)
			}
		}
	}
	return texts
}
