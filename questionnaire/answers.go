package questionnaire

import (
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/schema"
	"tidemark.example/tidemark/scoring"
)

// readAnswers turns the answers found into the assessment.
func (r *reader) readAnswers() {
	r.out.Assessment.Rater, r.out.Assessment.Method = r.out.Form.Rater, r.out.Form.method
	for _, index := range r.out.Form.order {
		it := &r.out.Form.items[index]
		value := r.mark(index).answer
		switch {
		case it.role == roleResult:
		case r.mark(index).refused:
			r.unclear = r.unclear || it.role == roleMethod
		case r.unclear && it.gated():
			// Neither missing nor too much while the method is open; only what
			// is there can be wrong by itself.
			if value.Exists() {
				r.readAnswer(it, value)
			}
		case !value.Exists():
			r.checkRequired(it)
		case !r.enabled(it):
			r.checkDisabled(it, value)
		case !r.used(it):
			r.issue(fhir.Warning, fhir.IssueInvalid, value, it, "The extent was given in another way, by the answer to "+r.out.Form.asked+", so that this answer was not used; leave it out.")
		default:
			r.readAnswer(it, value)
		}
	}
}

// needs is the method that switches the item on, none if it always is.
func (it *item) needs() scoring.Method {
	switch it.role {
	case roleAgeGroup, roleRegion:
		return scoring.ByRegions
	case roleHands:
		return scoring.ByHands
	case roleDirect:
		return scoring.ByDirect
	}
	return scoring.MethodUnknown
}

// enabled follows the form's enableWhen. In the published forms each way to
// give the extent shows only its own items.
func (r *reader) enabled(it *item) bool { return it.shown[r.out.Assessment.Method] }

// used says whether the method answered makes use of the item.
func (r *reader) used(it *item) bool {
	needs := it.needs()
	return needs == scoring.MethodUnknown || needs == r.out.Assessment.Method
}

// gated says whether the method decides anything about the item.
func (it *item) gated() bool {
	return it.needs() != scoring.MethodUnknown || slices.Contains(it.shown[:], false)
}

// checkRequired asks for the required answers of enabled items; a response that
// is not declared complete is only told.
func (r *reader) checkRequired(it *item) {
	required := it.required || it.role == roleMethod || it.role == roleGrade || it.needs() != scoring.MethodUnknown
	switch {
	case !required || !r.enabled(it) || !r.used(it):
	case r.out.Status.Scored():
		r.missing(it, fhir.Error)
	default:
		r.missing(it, fhir.Warning)
	}
}

// missing points at the item if it is there and at the response if it is not.
func (r *reader) missing(it *item, severity fhir.Severity) {
	text := "The answer is missing, and the form requires it."
	if !it.required {
		text = "The answer is missing, and there is no score without it."
	}
	r.issue(severity, fhir.IssueRequired, r.find(r.out.Root, it.linkID), it, text)
}

func (r *reader) find(parent fhir.Node, linkID string) fhir.Node {
	for node := parent.Get("item"); node.Exists(); node = node.GetNext() {
		if node.Get("linkId").Is(linkID) {
			return node
		}
		if found := r.find(node, linkID); found != node {
			return found
		}
	}
	return parent
}

// checkDisabled forgives the form's initial value in an item that is switched
// off, which general renderers leave behind, and nothing else.
func (r *reader) checkDisabled(it *item, value fhir.Node) {
	asked := r.out.Form.asked
	switch {
	case it.isInitial(value) && it.initial.Value.Unscaled == 0 && it.selected == 0:
		r.issue(fhir.Warning, fhir.IssueInvalid, value, it, "The item is switched off by "+asked+", and its initial 0 was ignored; leave it out.")
	case it.isInitial(value):
		r.issue(fhir.Warning, fhir.IssueInvalid, value, it, "The item is switched off by "+asked+", and its initial answer was ignored; leave it out.")
	default:
		r.issue(fhir.Error, fhir.IssueInvalid, value, it, "The item is switched off by the answer to "+asked+" and takes no answer; remove it or correct "+asked+".")
	}
}

// isInitial says whether the answer is the one that the form starts with.
func (it *item) isInitial(value fhir.Node) bool {
	if it.selected > 0 {
		o := &it.options[it.selected-1]
		return value.Get("code").Is(o.code) && (!value.Get("system").Exists() || value.Get("system").Is(o.system))
	}
	text, ok := numberText(value)
	if !ok || !it.initial.Answered {
		return false
	}
	d, ok := fhir.ParseDecimal(text)
	return ok && equalDecimals(d, it.initial.Value)
}

// equalDecimals compares values, whatever digits they were written with.
func equalDecimals(a, b fhir.Decimal) bool {
	places := max(a.Scale, b.Scale)
	x, ok := a.At(places)
	y, also := b.At(places)
	return ok && also && x == y
}

func (r *reader) readAnswer(it *item, value fhir.Node) {
	a := &r.out.Assessment
	switch it.role {
	case roleMethod:
		at, ok := r.choice(it, value)
		if r.unclear = !ok; ok {
			a.Method = it.options[at].method
		}
	case roleAgeGroup:
		if at, ok := r.choice(it, value); ok {
			a.AgeGroup = it.options[at].ageGroup
		}
	case roleGrade:
		if at, ok := r.choice(it, value); ok {
			a.Grades[it.number] = scoring.Answer(uint8(it.options[at].weight))
		}
	case roleRegion:
		if n, ok := r.number(it, value, 0, 100); ok {
			a.Regions[it.number] = scoring.Answer(uint8(n))
		}
	case roleHands:
		a.Hands = r.tenths(it, value, 1000)
	case roleDirect:
		a.Direct = r.tenths(it, value, 1000)
	case roleItch:
		a.Itch = r.tenths(it, value, 100)
	case roleSleepLoss:
		a.SleepLoss = r.tenths(it, value, 100)
	case roleAlsoSeen:
		a.AlsoSeen[it.number] = r.boolean(it, value)
	case roleBonus:
		a.FaceOrHands = r.boolean(it, value)
	}
}

var methods = map[string]scoring.Method{
	"regions": scoring.ByRegions, "hands": scoring.ByHands, "direct": scoring.ByDirect,
}

var ageGroups = map[string]scoring.AgeGroup{
	"2-and-over": scoring.TwoAndOver, "1-to-2": scoring.OneToTwo, "under-1": scoring.UnderOne,
}

func (r *reader) boolean(it *item, value fhir.Node) scoring.Optional[bool] {
	if value.Kind() != schema.Boolean {
		r.issue(fhir.Error, fhir.IssueStructure, value, it, "The answer must be a valueBoolean.")
		return scoring.Optional[bool]{}
	}
	return scoring.Answer(value.Raw()[0] == 't')
}

func (r *reader) tenths(it *item, value fhir.Node, limit int64) scoring.Optional[scoring.Tenths] {
	n, ok := r.number(it, value, 1, limit)
	if !ok {
		return scoring.Optional[scoring.Tenths]{}
	}
	return scoring.Answer(scoring.Tenths(n))
}

// numberText is the number of an integer, decimal or Quantity.
func numberText(value fhir.Node) (text []byte, ok bool) {
	switch {
	case value.Kind() == schema.Integer || value.Kind() == schema.Decimal:
		return value.Raw(), true
	case value.Type() == "Quantity" && value.Get("value").Exists():
		return value.Get("value").Raw(), true
	}
	return nil, false
}

// number reads a number of at most the given decimal places between 0 and the
// limit, both in units of its last place.
func (r *reader) number(it *item, value fhir.Node, places int, limit int64) (int64, bool) {
	text, ok := numberText(value)
	if !ok {
		r.issue(fhir.Error, fhir.IssueStructure, value, it, "The answer must be a number, as "+valueName(it)+".")
		return 0, false
	}
	if value.Type() == "Quantity" && !r.unit(it, value) {
		return 0, false
	}
	d, ok := fhir.ParseDecimal(text)
	if !ok {
		r.issue(fhir.Error, fhir.IssueValue, value, it, "The number has too many digits.")
		return 0, false
	}
	n, whole := d.At(places)
	switch {
	case places == 0 && !whole:
		r.issue(fhir.Error, fhir.IssueValue, value, it, "The answer must be a whole number.")
	case places > 0 && d.Scale > places:
		r.issue(fhir.Error, fhir.IssueValue, value, it, "The answer has at most one decimal place; round it as the rater meant it.")
	case n < 0 || n > limit:
		r.issue(fhir.Error, fhir.IssueValue, value, it, "The answer must be from 0 to "+limitText(places, limit)+".")
	default:
		if value.Name() != valueName(it) {
			r.issue(fhir.Warning, fhir.IssueStructure, value, it, "The form asks for "+valueName(it)+"; "+value.Name()+" was understood as the same number.")
		}
		return n, true
	}
	return 0, false
}

func limitText(places int, limit int64) string {
	if places > 0 {
		limit /= 10
	}
	if limit == 100 {
		return "100"
	}
	return "10"
}

// valueName is the member that the form asks a number in.
func valueName(it *item) string {
	switch it.kind {
	case "decimal":
		return "valueDecimal"
	case "quantity":
		return "valueQuantity"
	}
	return "valueInteger"
}

// unit refuses a Quantity that may mean another number.
func (r *reader) unit(it *item, value fhir.Node) bool {
	if value.Get("comparator").Exists() {
		r.issue(fhir.Error, fhir.IssueValue, value.Get("comparator"), it, "A comparator leaves the number open; send the number itself.")
		return false
	}
	if system := value.Get("system"); system.Exists() && !system.Is(UCUM) {
		r.issue(fhir.Error, fhir.IssueValue, system, it, "The unit must be of "+UCUM+".")
		return false
	}
	unit := value.Get("code")
	if !unit.Exists() {
		unit = value.Get("unit")
	}
	allowed := unitsOf(it)
	for _, u := range allowed {
		if !unit.Exists() || unit.Is(u) {
			return true
		}
	}
	r.issue(fhir.Error, fhir.IssueValue, unit, it, "The unit must be "+strings.Join(allowed, " or ")+".")
	return false
}

// unitsOf are the units in which a number means what it says.
func unitsOf(it *item) []string {
	if it.role == roleHands {
		return []string{"1", unitOf(it), "%"}
	}
	return []string{"1", unitOf(it)}
}

func unitOf(it *item) string {
	switch it.role {
	case roleRegion, roleDirect:
		return "%"
	case roleHands:
		return "{palm}"
	}
	return "{score}"
}

// choice finds the option that an answer means.
func (r *reader) choice(it *item, value fhir.Node) (int, bool) {
	switch {
	case value.Type() == "Coding":
		return r.coding(it, value)
	case value.Kind() == schema.String:
		return r.optionText(it, value)
	case it.role == roleGrade && value.Type() == "Quantity" && it.kind == "quantity" && value.Get("value").Exists():
		if !r.unit(it, value) {
			return 0, false
		}
		return r.gradeNumber(it, value, value.Get("value").Raw())
	case it.role == roleGrade && !it.noNumbers && (value.Kind() == schema.Integer || value.Kind() == schema.Decimal):
		return r.gradeNumber(it, value, value.Raw())
	}
	r.issue(fhir.Error, fhir.IssueStructure, value, it, "The answer must be a "+wanted(it)+".")
	return 0, false
}

// wanted names the answers that an item asks for.
func wanted(it *item) string {
	if it.asksNumber {
		return valueName(it) + ", a whole number from 0 to 3"
	}
	return "valueCoding, one of " + codes(it)
}

func (r *reader) coding(it *item, value fhir.Node) (int, bool) {
	code, system := value.Get("code"), value.Get("system")
	if !code.Exists() {
		r.issue(fhir.Error, fhir.IssueCodeInvalid, value, it, "The coding has no code; send one of "+codes(it)+".")
		return 0, false
	}
	for i := range it.options {
		o := &it.options[i]
		if !code.Is(o.code) || system.Exists() && !system.Is(o.system) {
			continue
		}
		if it.asksNumber {
			r.issue(fhir.Warning, fhir.IssueStructure, value, it, "The form asks for a "+wanted(it)+"; the coding was understood as the grade of that code.")
		}
		if !system.Exists() && o.system != "" {
			r.issue(fhir.Warning, fhir.IssueCodeInvalid, value, it, "The coding has no system and was taken for one of "+o.system+"; send the system with it.")
		}
		if display := value.Get("display"); display.Exists() && !display.Is(o.display) && !o.called(display.Text()) {
			r.issue(fhir.Warning, fhir.IssueValue, display, it, "The display differs from the option's; the answer was taken by its code.")
		}
		return i, true
	}
	r.issue(fhir.Error, fhir.IssueCodeInvalid, code, it, "The coding is no option of the item; the codes of "+it.options[0].system+" are "+codes(it)+".")
	return 0, false
}

func (o *option) called(text string) bool {
	for _, t := range o.texts {
		if strings.EqualFold(t, strings.TrimSpace(text)) {
			return true
		}
	}
	return false
}

func (r *reader) optionText(it *item, value fhir.Node) (int, bool) {
	for i := range it.options {
		if it.options[i].called(value.Text()) {
			r.issue(fhir.Warning, fhir.IssueStructure, value, it, "The text was understood as the option of that name; send a "+wanted(it)+".")
			return i, true
		}
	}
	r.issue(fhir.Error, fhir.IssueCodeInvalid, value, it, "The text is no option of the item; send a "+wanted(it)+".")
	return 0, false
}

func (r *reader) gradeNumber(it *item, value fhir.Node, text []byte) (int, bool) {
	if d, ok := fhir.ParseDecimal(text); ok {
		n, whole := d.At(0)
		for i := range it.options {
			if whole && n == int64(it.options[i].weight) {
				if !it.asksNumber {
					r.issue(fhir.Warning, fhir.IssueStructure, value, it, "The number was understood as the option of that weight, 0 to 3 in the order "+codes(it)+"; send a valueCoding.")
				} else if value.Name() != valueName(it) {
					r.issue(fhir.Warning, fhir.IssueStructure, value, it, "The form asks for "+valueName(it)+"; "+value.Name()+" was understood as the same number.")
				}
				return i, true
			}
		}
	}
	r.issue(fhir.Error, fhir.IssueValue, value, it, "A grade is a whole number from 0 to 3; half grades do not exist. Send a "+wanted(it)+".")
	return 0, false
}

func codes(it *item) string {
	var all []string
	for _, o := range it.options {
		all = append(all, o.code)
	}
	return strings.Join(all, ", ")
}
