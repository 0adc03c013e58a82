package questionnaire

import (
	"slices"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// scale is what the answers to a question are counted in: its bounds, whether
// the form must state them, and how many decimal places are scored.
type scale struct {
	high, places int
	stated       bool
}

// scales of the questions that ask for a number.
var scales = map[role]scale{
	roleRegion:    {100, 0, true},
	roleDirect:    {100, 1, true},
	roleHands:     {100, 1, false},
	roleItch:      {10, 1, true},
	roleSleepLoss: {10, 1, true},
	roleGrade:     {3, 0, true},
}

// kinds are the item types that the answers to a question may have.
func (it *item) kinds() []string {
	numbers := []string{"integer", "decimal", "quantity"}
	choices := []string{"choice", "open-choice"}
	switch it.role {
	case roleMethod, roleAgeGroup:
		return choices
	case roleGrade:
		return append(choices, numbers...)
	case roleAlsoSeen, roleBonus:
		return []string{"boolean"}
	}
	return numbers
}

// checkAnswers holds the type of a question, its options, scale and unit
// against what its answers are read as.
func (m *mapper) checkAnswers(index int) {
	it, node := &m.form.items[index], m.nodes[index]
	if kinds := it.kinds(); !slices.Contains(kinds, it.kind) {
		m.fault(fhir.IssueStructure, node.Get("type"), it, "The item cannot be of type "+it.kind+"; its answers are scored from "+strings.Join(kinds, ", ")+".")
		m.unclear = m.unclear || it.role == roleMethod
		return
	}
	switch it.kind {
	case "boolean":
	case "choice", "open-choice":
		faults := len(m.issues)
		m.readOptions(it, node)
		m.unclear = m.unclear || it.role == roleMethod && len(m.issues) > faults
	default:
		m.readNumber(it, node)
	}
	m.warnOfInitial(it, node)
}

func (m *mapper) readNumber(it *item, node fhir.Node) {
	if it.role == roleGrade {
		it.asksNumber, it.options = true, m.ourOptions(it)
	}
	if text, ok := numberText(node.Get("initial").Choice("value[x]")); ok {
		if d, ok := fhir.ParseDecimal(text); ok {
			it.initial = scoring.Answer(d)
		}
	}
	if it.role == roleResult {
		return
	}
	s := scales[it.role]
	m.checkBound(it, node, "minValue", 0, s.stated, minValueURL, minQuantityURL)
	m.checkBound(it, node, "maxValue", s.high, s.stated, maxValueURL, maxQuantityURL)
	places := extensionOf(node, maxDecimalPlacesURL)
	if n, err := strconv.Atoi(string(places.Choice("value[x]").Raw())); err == nil && n > s.places {
		m.warn(fhir.IssueValue, places, it, "Answers with more decimal places than "+strconv.Itoa(s.places)+" are refused; let the form take no more.")
	}
	m.checkUnits(it, node)
}

// checkBound holds a bound that the form states against the scale's. Where the
// scale could be another, it must be stated.
func (m *mapper) checkBound(it *item, node fhir.Node, name string, want int, required bool, urls ...string) {
	found := false
	for extension := range node.Each("extension") {
		if !slices.Contains(urls, extension.Get("url").Text()) {
			continue
		}
		found = true
		text, ok := numberText(extension.Choice("value[x]"))
		d, fits := fhir.ParseDecimal(text)
		if !ok || !fits || !equalDecimals(d, fhir.Decimal{Unscaled: int64(want)}) {
			m.fault(fhir.IssueValue, extension, it, "The scale of the item runs from 0 to "+strconv.Itoa(scales[it.role].high)+", so that its "+name+" must be "+strconv.Itoa(want)+"; answers on other scales are not converted.")
		}
	}
	if !found && required {
		m.fault(fhir.IssueRequired, node, it, name+" is not stated, so that the answers could be on any scale; add the extension "+urls[0]+" with "+strconv.Itoa(want)+".")
	}
}

// checkUnits refuses units that may mean another number.
func (m *mapper) checkUnits(it *item, node fhir.Node) {
	for extension := range node.Each("extension") {
		switch url := extension.Get("url"); {
		case url.Is(unitValueSetURL):
			m.fault(fhir.IssueNotSupported, extension, it, "Value sets are not looked up here; list the units by "+unitOptionURL+".")
		case url.Is(unitURL), url.Is(unitOptionURL):
			coding := extension.Choice("value[x]")
			system := coding.Get("system")
			if system.Exists() && !system.Is(UCUM) || !slices.ContainsFunc(unitsOf(it), coding.Get("code").Is) {
				m.fault(fhir.IssueValue, extension, it, "The unit must be "+strings.Join(unitsOf(it), " or ")+" of "+UCUM+"; other units are not converted.")
			}
		}
	}
}

// warnOfInitial tells of answers that nobody gave: what a rater passes over is
// scored as the form started it.
func (m *mapper) warnOfInitial(it *item, node fhir.Node) {
	switch {
	case it.role == roleMethod || it.role == roleAgeGroup || it.role == roleResult:
	case it.role == roleRegion && it.initial.Value.Unscaled == 0:
		// Most of the skin is clear on most days, and our own form starts so.
	case it.initial.Answered || it.selected > 0 || node.Get("initial").Exists():
		m.warn(fhir.IssueBusinessRule, node, it, "The form starts the item with an answer, so that a rater who passes over it is scored by it; let it start blank, since blank is not zero.")
	}
}

// checkRequired warns of answers that the form lets raters leave out and that
// every score needs, and refuses a form that asks for two extents at once.
func (m *mapper) checkRequired(index int) {
	it, node := &m.form.items[index], m.nodes[index]
	needs := it.needs()
	if !it.required && (it.role == roleMethod || it.role == roleGrade || needs != scoring.MethodUnknown) {
		m.warn(fhir.IssueBusinessRule, node, it, "The form does not require the answer, and a completed response without it is refused; make it required.")
	}
	if !it.required || needs == scoring.MethodUnknown {
		return
	}
	for _, method := range m.offered {
		if method != needs && !m.unclear && !m.judged[index].open && it.shown[method] {
			m.fault(fhir.IssueConflict, node, it, "The item is required even when the extent is given by "+method.String()+", so that there would be two extents; enable it by enableWhen with "+needs.String()+" only.")
		}
	}
}
