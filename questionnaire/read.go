package questionnaire

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// Status is a code of http://hl7.org/fhir/questionnaire-answers-status.
type Status string

// The statuses of a response (R4 valueset-questionnaire-answers-status.html).
const (
	InProgress     Status = "in-progress"
	Completed      Status = "completed"
	Amended        Status = "amended"
	EnteredInError Status = "entered-in-error"
	Stopped        Status = "stopped"
)

// Scored says whether a response of the status is scored: only what the sender
// declares complete is.
func (s Status) Scored() bool { return s == Completed || s == Amended }

// Response is a response that has been read. Its nodes belong to the document
// it was read from.
type Response struct {
	Form       *Form
	Status     Status
	Assessment scoring.Assessment
	// Result is computed by the Algorithm of that version.
	Result    scoring.Result
	Algorithm string
	// Authored is when the answers were given; its offset is the sender's.
	Authored fhir.DateTime
	// Root is the response itself; Subject is the Reference to the patient and
	// Performer that to the person who answered, if a person is known.
	Root, Subject, Performer fhir.Node
	// Issues are warnings; a response with errors is not returned.
	Issues fhir.Issues
}

// Read reads a response to one of the published forms, as Catalog.Read does.
func Read(root fhir.Node) (Response, error) { return Ours().Read(root) }

// Read checks a QuestionnaireResponse against its form, reads its answers and
// scores them. A response that must be refused is returned as fhir.Issues with
// every fault; warnings come with the response.
func (c *Catalog) Read(root fhir.Node) (Response, error) {
	r := reader{catalog: c}
	r.out.Root, r.out.Algorithm = root, c.algorithm.Version
	if root.Type() != "QuestionnaireResponse" {
		return Response{}, fhir.Issues{{
			Severity: fhir.Error, Code: fhir.IssueStructure, Class: fhir.Malformed, Expression: root.Path(),
			Text: "A QuestionnaireResponse is expected here, not another resource.",
		}}
	}
	r.out.Status = statusOf(root.Get("status"))
	if r.out.Status == EnteredInError {
		// What is taken back need not be right (SDC: only well-formed).
		r.out.Form, _ = c.Form(root.Get("questionnaire").Text())
	} else {
		r.readForm()
		r.readHeader()
		if r.out.Form != nil {
			if len(r.out.Form.items) > len(r.few) {
				r.many = make([]mark, len(r.out.Form.items))
			}
			r.walk(root, -1)
			r.readAnswers()
		}
	}
	r.countRest()
	if r.out.Issues.Refused() {
		return Response{}, r.out.Issues
	}
	if r.out.Status.Scored() {
		var err error
		if r.out.Result, err = c.algorithm.Score(r.out.Assessment); err != nil {
			return Response{}, fmt.Errorf("questionnaire: scoring a checked response: %w", err)
		}
		r.compareResults()
		r.checkQuality()
	}
	return r.out, nil
}

// statusOf reads the status without making a string of it; the decoder has let
// no other code through.
func statusOf(node fhir.Node) Status {
	for _, status := range [...]Status{Completed, Amended, InProgress, EnteredInError, Stopped} {
		if node.Is(string(status)) {
			return status
		}
	}
	return ""
}

type reader struct {
	catalog *Catalog
	out     Response
	// few, or in a form of more items many, holds what was found of each.
	few  [fewItems]mark
	many []mark
	// errors and warnings count the issues, listed or not.
	errors, warnings int
	// unclear says that extent.method was answered, but not with one of its
	// options, so that what it switches on is open.
	unclear bool
}

// mark is what was found of one item: its answer, whether it was seen at all,
// and whether its answer was refused for its place or number, so that it is not
// called missing as well.
type mark struct {
	answer        fhir.Node
	seen, refused bool
}

func (r *reader) mark(index int) *mark {
	if r.many != nil {
		return &r.many[index]
	}
	return &r.few[index]
}

// issue adds an issue about a node and, with an item, names it to a developer.
func (r *reader) issue(severity fhir.Severity, code fhir.IssueType, at fhir.Node, it *item, text string) {
	listed := &r.warnings
	if severity == fhir.Error {
		listed = &r.errors
	}
	if *listed++; *listed <= fhir.MaxFaults {
		r.out.Issues = append(r.out.Issues, issueAbout(severity, code, at, it, text))
	}
}

// countRest says how many issues were not listed, since a body of thousands of
// items would be answered by one many times its size.
func (r *reader) countRest() {
	rest := func(found int, what string) {
		if more := found - fhir.MaxFaults; more > 0 {
			r.out.Issues = append(r.out.Issues, fhir.Issue{Severity: fhir.Information, Code: fhir.IssueTooLong, Class: fhir.Rule,
				Expression: r.out.Root.Path(), Text: strconv.Itoa(more) + " more " + what + " are not listed."})
		}
	}
	rest(r.errors, "faults")
	rest(r.warnings, "warnings")
}

func issueAbout(severity fhir.Severity, code fhir.IssueType, at fhir.Node, it *item, text string) fhir.Issue {
	issue := fhir.Issue{Severity: severity, Code: code, Class: fhir.Rule, Expression: at.Path(), Text: text}
	if it != nil {
		issue.LinkID = it.linkID
		issue.Text = it.linkID + " (" + clipText(it.text) + "), at " + issue.Expression + ": " + text
	}
	return issue
}

func clipText(text string) string {
	if runes := []rune(text); len(runes) > 60 {
		return "\"" + string(runes[:57]) + "...\""
	}
	return "\"" + text + "\""
}

// readForm resolves the questionnaire the response answers.
func (r *reader) readForm() {
	node := r.out.Root.Get("questionnaire")
	if !node.Exists() {
		r.issue(fhir.Error, fhir.IssueRequired, r.out.Root, nil,
			"questionnaire is missing; name the form answered, as "+Forms()[0].Canonical+".")
		return
	}
	if form, ok := r.catalog.byCanonical[string(node.Bytes())]; ok {
		r.useForm(form, node)
		return
	}
	canonical := node.Text()
	if id, ok := strings.CutPrefix(canonical, "Questionnaire/"); ok {
		canonical = r.catalog.canonicalOf(id)
		r.issue(fhir.Warning, fhir.IssueValue, node, nil,
			"A relative reference is no canonical; it was taken for the form of the same id here.")
	}
	form, ok := r.catalog.Form(canonical)
	if !ok {
		r.issue(fhir.Error, fhir.IssueNotFound, node, nil, "No such form, or not in that version, is published or registered here; the forms are "+r.catalog.canonicals()+".")
		return
	}
	r.useForm(form, node)
}

// useForm warns of a form that is not in use (any more), as validators do; its
// responses are taken, since they may have been answered while it was.
func (r *reader) useForm(form *Form, node fhir.Node) {
	r.out.Form = form
	if form.Status != "active" {
		r.issue(fhir.Warning, fhir.IssueBusinessRule, node, nil, "The form's status is "+form.Status+"; new responses should answer an active form.")
	}
}

// readHeader reads who answered for whom and when.
func (r *reader) readHeader() {
	root := r.out.Root
	if rules := root.Get("implicitRules"); rules.Exists() {
		r.issue(fhir.Error, fhir.IssueNotSupported, rules, nil, "implicitRules are not known here, and the response cannot be understood without them; leave them out.")
	}
	r.readAuthored(root)
	r.readSubject(root)
	r.readPerformer(root)
}

func (r *reader) readAuthored(root fhir.Node) {
	node := root.Get("authored")
	if !node.Exists() {
		if r.out.Status.Scored() {
			r.issue(fhir.Error, fhir.IssueRequired, root, nil, "authored is missing; give the date or time at which the answers were given.")
		}
		return
	}
	authored, err := fhir.ParseDateTime(node.Bytes())
	if err != nil || authored.Precision < fhir.ToDay {
		r.issue(fhir.Error, fhir.IssueValue, node, nil, "authored must be known to the day at least, since the score speaks of the three days before it.")
	}
	r.out.Authored = authored
}

func (r *reader) readSubject(root fhir.Node) {
	subject := root.Get("subject")
	if !subject.Exists() {
		r.issue(fhir.Error, fhir.IssueRequired, root, nil, "subject is missing; refer to the patient, as Patient/[id].")
		return
	}
	r.out.Subject = subject
	reference := subject.Get("reference")
	switch {
	case !reference.Exists() && !subject.Get("identifier").Get("value").Exists():
		r.issue(fhir.Error, fhir.IssueValue, subject, nil, "subject needs a reference to a Patient or an identifier with a value.")
	case reference.Exists() && strings.HasPrefix(reference.Text(), "#"):
		r.issue(fhir.Error, fhir.IssueBusinessRule, reference, nil, "subject is a contained patient, which no chart can be found by; refer to the patient's own resource or give an identifier.")
	case reference.Exists() && r.referredType(reference) != "Patient":
		r.issue(fhir.Error, fhir.IssueValue, reference, nil, "subject must be a Patient.")
	case subject.Get("type").Exists() && !subject.Get("type").Is("Patient"):
		r.issue(fhir.Error, fhir.IssueValue, subject.Get("type"), nil, "subject must be a Patient.")
	}
}

// readPerformer finds the person who answered: source, else author; software
// does not perform an observation. The form says which kind of person rates.
func (r *reader) readPerformer(root fhir.Node) {
	person := root.Get("source")
	if !person.Exists() {
		person = root.Get("author")
	}
	if !person.Exists() {
		return
	}
	reference := person.Get("reference")
	referred, named := r.referredType(reference), person.Get("type")
	practitioner := referred == "Practitioner" || referred == "PractitionerRole" ||
		named.Is("Practitioner") || named.Is("PractitionerRole")
	family := referred == "Patient" || referred == "RelatedPerson" ||
		named.Is("Patient") || named.Is("RelatedPerson")
	if form := r.out.Form; form != nil {
		switch {
		case form.Rater == scoring.RatedBySelf && practitioner:
			r.issue(fhir.Error, fhir.IssueBusinessRule, person, nil, "This form is answered by the patient or a carer, not by a practitioner; use "+Base+"/Questionnaire/"+ClinicianAssessment+".")
		case form.Rater == scoring.RatedByClinician && family:
			r.issue(fhir.Error, fhir.IssueBusinessRule, person, nil, "This form is answered by a clinician; use "+Base+"/Questionnaire/"+SelfAssessment+".")
		}
	}
	if (practitioner || family) && !strings.HasPrefix(reference.Text(), "#") {
		r.out.Performer = person
	}
}

// referredType is the type of the resource that a literal reference names, of a
// contained one too; "" if that cannot be told.
func (r *reader) referredType(reference fhir.Node) string {
	if !reference.Exists() {
		return ""
	}
	text := reference.Bytes()
	if ref, ok := fhir.ParseReference(text); ok {
		return ref.Type
	}
	if len(text) > 1 && text[0] == '#' {
		for contained := range r.out.Root.Each("contained") {
			if contained.Get("id").Is(string(text[1:])) {
				return contained.Type()
			}
		}
	}
	return ""
}

// walk finds the answers, in the form's own nesting or flat. Order is held among
// siblings, so that one group too early is one fault and not one for each of its
// items.
func (r *reader) walk(parent fhir.Node, group int) {
	last := -1
	for node := parent.Get("item"); node.Exists(); node = node.GetNext() {
		link := node.Get("linkId")
		index, ok := r.out.Form.byLink[string(link.Bytes())]
		if !ok {
			r.issue(fhir.Error, fhir.IssueNotFound, link, nil, "The form "+r.out.Form.Canonical+" has no item of this linkId; linkIds are case-sensitive.")
			// A group of the sender's own hides no answers.
			r.walk(node, -1)
			continue
		}
		r.place(node, index, group, last)
		if r.out.Form.items[index].kind != "display" {
			last = max(last, index)
		}
		r.walkAnswers(node, index)
	}
}

// place checks where an item stands. Under no group is flat, which is accepted.
func (r *reader) place(node fhir.Node, index, group, last int) {
	it := &r.out.Form.items[index]
	switch {
	case group != -1 && it.parent != group:
		r.issue(fhir.Error, fhir.IssueStructure, node, it, "The item stands in the wrong group; nest items as the form does, or not at all.")
	case r.mark(index).seen && !it.loose:
		r.issue(fhir.Error, fhir.IssueInvariant, node, it, "The item is there twice; the form does not repeat it.")
	case index < last && it.kind != "display":
		r.issue(fhir.Error, fhir.IssueStructure, node, it, "The item is out of order; keep the order of the form.")
	}
	r.mark(index).seen = true
}

func (r *reader) walkAnswers(node fhir.Node, index int) {
	it := &r.out.Form.items[index]
	if text := node.Get("text"); text.Exists() && !text.Is(it.text) && !slices.ContainsFunc(it.translated, text.Is) {
		r.issue(fhir.Warning, fhir.IssueInvalid, text, it, "The text differs from the form's; the answer was taken by its linkId. Show raters the form's own wording.")
	}
	answer := node.Get("answer")
	switch {
	case !answer.Exists():
	case it.kind == "group" || it.kind == "display":
		r.issue(fhir.Error, fhir.IssueStructure, answer, it, "A "+it.kind+" takes no answer.")
	case node.Get("item").Exists():
		r.mark(index).refused = true
		r.issue(fhir.Error, fhir.IssueInvariant, node, it, "An item has either answers or items (qrs-1); items of a question stand in its answer.")
	default:
		r.keep(node, answer, index)
	}
	// A question without an answer may keep its display items here.
	r.walk(node, index)
}

func (r *reader) keep(node, answer fhir.Node, index int) {
	it := &r.out.Form.items[index]
	if it.role == roleNone {
		// A question of the portal's own: kept with the response, never scored.
		for ; answer.Exists(); answer = answer.GetNext() {
			r.walk(answer, index)
		}
		return
	}
	if answer.GetNext().Exists() {
		r.mark(index).refused = true
		r.issue(fhir.Error, fhir.IssueInvariant, node, it, "There is more than one answer, and the form takes one.")
		return
	}
	r.walk(answer, index)
	r.mark(index).answer = answer.Choice("value[x]")
}
