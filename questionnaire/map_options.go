package questionnaire

import (
	"slices"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/schema"
	"tidemark.example/tidemark/scoring"
)

// readOptions maps the options of a choice to what they mean to the score.
func (m *mapper) readOptions(it *item, node fhir.Node) {
	if set := node.Get("answerValueSet"); set.Exists() {
		m.readValueSet(it, set)
		return
	}
	if !node.Get("answerOption").Exists() {
		m.fault(fhir.IssueRequired, node, it, "The item has no options; list them as answerOption.")
		return
	}
	faults := len(m.issues)
	numbers := 0
	for node := range node.Each("answerOption") {
		value := node.Choice("value[x]")
		switch {
		case value.Type() == "Coding":
			m.addCoding(it, node, value)
		case value.Kind() == schema.Integer && it.role == roleGrade:
			numbers++
			m.addNumber(it, node, value)
		default:
			m.fault(fhir.IssueStructure, value, it, "An option must be a valueCoding, or of a grade a valueInteger.")
		}
	}
	it.asksNumber = numbers > 0
	if numbers > 0 && numbers < len(it.options) {
		m.fault(fhir.IssueStructure, node, it, "Some options are numbers and some codings; make all of them one of the two.")
	}
	if len(m.issues) == faults {
		m.checkOptions(it, node)
	}
	slices.SortStableFunc(it.options, func(a, b option) int { return a.weight - b.weight })
	it.selected = m.selected(it, node)
}

// readValueSet takes our own value set of grades; no other is looked up.
func (m *mapper) readValueSet(it *item, set fhir.Node) {
	url, _, _ := strings.Cut(set.Text(), "|")
	if _, known := Find("ValueSet", set.Text()); !known || url != Base+"/ValueSet/scorad-grade" || it.role != roleGrade {
		m.fault(fhir.IssueNotSupported, set, it, "Value sets are not looked up here, but for "+Base+"/ValueSet/scorad-grade on a grade; list the options as answerOption.")
		return
	}
	it.options = m.ourOptions(it)
}

// ourOptions are those of the published form for the same item.
func (m *mapper) ourOptions(it *item) []option {
	for i := range m.form.Ours.items {
		if ours := &m.form.Ours.items[i]; ours.role == it.role && ours.number == it.number {
			return slices.Clone(ours.options)
		}
	}
	return nil
}

// meaning is what an option was found to mean, from everything that speaks of it.
type meaning struct {
	values []int
}

func (e *meaning) add(value int) {
	if !slices.Contains(e.values, value) {
		e.values = append(e.values, value)
	}
}

// addCoding takes an option by our own code, its weight, or a code equal to
// ours; where they contradict each other, nothing is taken.
func (m *mapper) addCoding(it *item, node, value fhir.Node) {
	o := option{system: value.Get("system").Text(), code: value.Get("code").Text(), display: value.Get("display").Text()}
	if o.code == "" {
		m.fault(fhir.IssueRequired, value, it, "The option has no code, by which answers are recognised; give it one.")
		return
	}
	if o.display != "" {
		o.texts = append(o.texts, o.display)
	}
	o.texts = append(o.texts, translationsOf(value, "display")...)
	var means meaning
	ours, ok := ourCode(it.role, o.code)
	switch {
	case ok:
		means.add(ours)
	case o.system == systemOf(it.role):
		m.fault(fhir.IssueCodeInvalid, value.Get("code"), it, "The code is no option of "+systemOf(it.role)+" for this item; those are "+codes(&item{options: m.ourOptions(it)})+".")
		return
	}
	if it.role == roleGrade && !m.weights(it, node, value, &means) {
		return
	}
	switch len(means.values) {
	case 0:
		m.fault(fhir.IssueCodeInvalid, value, it, "It cannot be told what the option means; "+remedy(it.role))
	case 1:
		o.set(it.role, means.values[0])
		it.options = append(it.options, o)
	default:
		m.fault(fhir.IssueMultipleMatches, value, it, "Code and weights of the option contradict each other; correct the weight, or give the code another name.")
	}
}

// ourCode gives the meaning of a code that is, by its letters, one of ours.
func ourCode(r role, code string) (int, bool) {
	switch r {
	case roleMethod:
		method, ok := methods[code]
		return int(method), ok
	case roleAgeGroup:
		group, ok := ageGroups[code]
		return int(group), ok
	}
	grade := slices.Index(gradeCodes, code)
	return grade, grade >= 0
}

// gradeCodes are those of CodeSystem/scorad-grade by their weight.
var gradeCodes = []string{"absent", "mild", "moderate", "severe"}

func systemOf(r role) string {
	if r == roleGrade {
		return GradeSystem
	}
	return ScoradSystem
}

func remedy(r role) string {
	if r == roleGrade {
		return "give it a code of " + GradeSystem + " (" + strings.Join(gradeCodes, ", ") + "), or its weight 0 to 3 by the extension " + itemWeightURL + "."
	}
	return "give it a code of " + ScoradSystem + " (regions, hands or direct for the way, 2-and-over, 1-to-2 or under-1 for the age group)."
}

// set writes down what the option means.
func (o *option) set(r role, value int) {
	o.weight = -1
	switch r {
	case roleMethod:
		o.method = scoring.Method(value)
	case roleAgeGroup:
		o.ageGroup = scoring.AgeGroup(value)
	default:
		o.weight = value
	}
}

// value is what set wrote down.
func (o *option) value(r role) int {
	switch r {
	case roleMethod:
		return int(o.method)
	case roleAgeGroup:
		return int(o.ageGroup)
	}
	return o.weight
}

// weights adds the weights that an option states, on itself or on its coding,
// each of which must be a grade.
func (m *mapper) weights(it *item, node, value fhir.Node, means *meaning) bool {
	for _, holder := range []fhir.Node{node, value} {
		for extension := range holder.Each("extension") {
			if !extension.Get("url").Is(itemWeightURL) && !extension.Get("url").Is(ordinalValueURL) {
				continue
			}
			d, ok := fhir.ParseDecimal(extension.Choice("value[x]").Raw())
			n, whole := d.At(0)
			if !ok || !whole || n < 0 || n > 3 || extension.Choice("value[x]").Kind() != schema.Decimal {
				m.fault(fhir.IssueValue, extension, it, "The weight must be a valueDecimal of 0, 1, 2 or 3; other scales are not converted.")
				return false
			}
			means.add(int(n))
		}
	}
	return true
}

// addNumber takes an option that is the grade itself, with our coding behind it.
func (m *mapper) addNumber(it *item, node, value fhir.Node) {
	var means meaning
	n, err := strconv.Atoi(string(value.Raw()))
	if err != nil || n < 0 || n >= len(gradeCodes) {
		m.fault(fhir.IssueValue, value, it, "A grade is 0, 1, 2 or 3; other scales are not converted.")
		return
	}
	means.add(n)
	if !m.weights(it, node, fhir.Node{}, &means) {
		return
	}
	if len(means.values) > 1 {
		m.fault(fhir.IssueMultipleMatches, value, it, "The number and the weight of the option contradict each other; correct one of them.")
		return
	}
	for _, o := range m.ourOptions(it) {
		if o.weight == n {
			it.options = append(it.options, o)
		}
	}
}

// checkOptions holds that no two options can be taken for each other and that a
// grade has all four.
func (m *mapper) checkOptions(it *item, node fhir.Node) {
	for i := range it.options {
		for j := range i {
			a, b := &it.options[i], &it.options[j]
			switch {
			case a.code == b.code:
				m.fault(fhir.IssueDuplicate, node, it, "Two options have the same code, so that an answer without a system could mean either; give them different codes.")
			case a.value(it.role) == b.value(it.role):
				m.fault(fhir.IssueDuplicate, node, it, "Two options mean the same to the score; each must have a meaning of its own. "+remedy(it.role))
			case slices.ContainsFunc(a.texts, b.called):
				m.fault(fhir.IssueDuplicate, node, it, "Two options have the same text, so that an answer sent as text could mean either; give them different ones.")
			}
		}
		o := &it.options[i]
		for _, name := range append([]string{o.code}, o.texts...) {
			if n, err := strconv.Atoi(name); err == nil && n != o.weight {
				it.noNumbers = true
			}
		}
	}
	if it.role != roleGrade {
		return
	}
	for grade, code := range gradeCodes {
		if !slices.ContainsFunc(it.options, func(o option) bool { return o.weight == grade }) {
			m.fault(fhir.IssueRequired, node, it, "There is no option for grade "+strconv.Itoa(grade)+" ("+code+"); all four grades must be offered.")
		}
	}
}

// translationsOf are those of a string of an element, which hang on it.
func translationsOf(element fhir.Node, name string) []string {
	var texts []string
	for extension := range element.Get("_" + name).Each("extension") {
		if !extension.Get("url").Is(translationURL) {
			continue
		}
		if content := extensionOf(extension, "content").Choice("value[x]"); content.Exists() {
			texts = append(texts, content.Text())
		}
	}
	return texts
}

// selected is one more than the option that the form starts with, 0 for none.
func (m *mapper) selected(it *item, node fhir.Node) int {
	start := node.Get("initial").Choice("value[x]")
	for option := range node.Each("answerOption") {
		if isTrue(option.Get("initialSelected")) {
			start = option.Choice("value[x]")
		}
	}
	for i := range it.options {
		o := &it.options[i]
		if start.Get("code").Is(o.code) || it.asksNumber && start.Exists() && string(start.Raw()) == strconv.Itoa(o.weight) {
			return i + 1
		}
	}
	return 0
}
