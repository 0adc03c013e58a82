package observation

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// Profile is what one server takes of a score. The zero value is the score as it
// is stored.
type Profile struct {
	// Shape is in what resources; "" is Single.
	Shape Shape
	// Systems are the code systems whose codings of what was measured are sent, in
	// this order; none stands for all, in the order stored. What was measured keeps
	// its text whatever is left of its codings.
	Systems []string
	// Codings are a site's own, by the code of ours that they stand beside. They
	// are sent whatever Systems say.
	Codings map[string][]questionnaire.Coding
	// Category stands in place of the categories of Observations; nil leaves those,
	// and an empty list sends none.
	Category []questionnaire.Coding
	// WithoutNarrative leaves the text out.
	WithoutNarrative bool
	// Logical lets a panel name its members by their identifiers and not by the ids
	// that the server gave them (R4 references.html 2.3.0.2). Whoever delivers names
	// what is kept here by identifiers as well.
	Logical bool
}

// ErrMember says that a version of a score has no such member.
var ErrMember = errors.New("observation: this version of the score has no such member")

// Check says what of a profile cannot be.
func (p *Profile) Check() error {
	var faults []error
	if p.Shape != "" && !slices.Contains(Shapes(), p.Shape) {
		faults = append(faults, fmt.Errorf("there is no shape %q", p.Shape))
	}
	of := ownCodings()
	for _, code := range slices.Sorted(maps.Keys(p.Codings)) {
		if !questionnaire.Known(questionnaire.ScoradSystem, code) {
			faults = append(faults, fmt.Errorf("%s has no code %q to put a coding beside", questionnaire.ScoradSystem, code))
		}
		for _, c := range p.Codings[code] {
			bare := questionnaire.Coding{System: c.System, Code: c.Code}
			if other, taken := of[bare]; taken && other != code {
				// Two values under one coding cannot be told apart (Observation obs-7).
				faults = append(faults, fmt.Errorf("the coding %s|%s stands for both %s and %s", bare.System, bare.Code, other, code))
			}
			of[bare] = code
		}
	}
	return errors.Join(faults...)
}

// ownCodings are those that our items are published with, each with our code.
func ownCodings() map[questionnaire.Coding]string {
	of := map[questionnaire.Coding]string{}
	for _, form := range questionnaire.Forms() {
		for _, link := range itemLinks() {
			all := form.Codings(link)
			for _, c := range all {
				of[questionnaire.Coding{System: c.System, Code: c.Code}] = all[0].Code
			}
		}
	}
	return of
}

// itemLinks are the items whose answers are components of a score.
func itemLinks() []string {
	links := []string{"extent.hands", "extent.direct", "symptoms.itch", "symptoms.sleep-loss"}
	for i := range scoring.RegionCount {
		links = append(links, "extent."+scoring.Region(i).String())
	}
	for i := range scoring.SignCount {
		links = append(links, "intensity."+scoring.Sign(i).String())
	}
	for i := range scoring.AlsoSeenCount {
		links = append(links, "also-seen."+scoring.AlsoSeen(i).String())
	}
	return links
}

// MemberType is the resource type that a member is.
func MemberType(member string) string {
	if member == DocumentMember {
		return "DocumentReference"
	}
	return "Observation"
}

// Stored says that the score itself is sent as it is stored.
func (p *Profile) Stored() bool {
	return (p.Shape == "" || p.Shape == Single) && p.unchanged()
}

// unchanged says that resources are sent as they are stored or made.
func (p *Profile) unchanged() bool {
	return len(p.Systems) == 0 && len(p.Codings) == 0 && p.Category == nil && !p.WithoutNarrative
}

// Append writes one member of a score, as Append or AppendRetracted wrote it, as
// the server takes it; ErrMember if the score has no such member. A panel refers
// to its members by what refer gives for their identifiers, by the identifier
// itself where that is "".
func (p *Profile) Append(dst []byte, score fhir.Node, member string, refer func(identifier string) string) ([]byte, error) {
	body, err := p.build(score, member, refer)
	if err != nil {
		return dst, err
	}
	if p.unchanged() {
		return append(dst, body...), nil
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return dst, fmt.Errorf("observation: a member made of a score: %w", err)
	}
	defer document.Release()
	code := member
	if member == Whole || member == DocumentMember {
		code = Total
	}
	return p.dress(dst, document.Root(), code), nil
}

// build makes a member as it is without a profile.
func (p *Profile) build(score fhir.Node, member string, refer func(string) string) ([]byte, error) {
	switch member {
	case DocumentMember:
		return appendDocument(nil, score), nil
	case PanelMember:
		whole := newPanel(score)
		var members []string
		for _, part := range append(PartsOf(score), Whole) {
			members = append(members, MemberIdentifier(whole.identifier, part))
		}
		return whole.whole(members, refer).JSON, nil
	case Whole:
		if p.Shape == PanelShape || p.Shape == Singles {
			return newPanel(score).total().JSON, nil
		}
		return score.Raw(), nil
	}
	component := componentOf(score, member)
	if !component.Exists() {
		return nil, ErrMember
	}
	return newPanel(score).part(component).JSON, nil
}

// dress writes a resource with the codings, the categories and the text that the
// server takes, and without a claim to a profile of ours that it no longer meets.
func (p *Profile) dress(dst []byte, resource fhir.Node, code string) []byte {
	replace := map[string]string{}
	if p.WithoutNarrative {
		replace["text"] = ""
	}
	name := "code"
	if resource.Type() == "DocumentReference" {
		name = "type"
	} else {
		p.categorise(replace)
		if meta := resource.Get("meta"); meta.Exists() && (p.Category != nil || len(p.Systems) > 0 && !slices.Contains(p.Systems, questionnaire.ScoradSystem)) {
			replace["meta"] = string(fhir.AppendReplaced(nil, meta, map[string]string{"profile": ""}))
			if replace["meta"] == "{}" {
				replace["meta"] = ""
			}
		}
	}
	replace[name] = p.concept(resource.Get(name), code)
	var components []string
	for component := range resource.Each("component") {
		of := component.Get("code")
		components = append(components, string(fhir.AppendReplaced(nil, component, map[string]string{"code": p.concept(of, ourCode(of))})))
	}
	if len(components) > 0 {
		replace["component"] = "[" + strings.Join(components, ",") + "]"
	}
	return fhir.AppendReplaced(dst, resource, replace)
}

// categorise replaces the categories.
func (p *Profile) categorise(replace map[string]string) {
	if p.Category == nil {
		return
	}
	var all []string
	for _, c := range p.Category {
		all = append(all, `{"coding":[`+coding(c)+`]}`)
	}
	replace["category"] = ""
	if len(all) > 0 {
		replace["category"] = "[" + strings.Join(all, ",") + "]"
	}
}

// coding writes a Coding.
func coding(c questionnaire.Coding) string {
	text := `{"system":` + quote(c.System) + `,"code":` + quote(c.Code)
	if c.Display != "" {
		text += `,"display":` + quote(c.Display)
	}
	return text + "}"
}

// concept writes what was measured with the codings that the server takes. What
// kind of document a document is (LOINC) is none of them, and stays.
func (p *Profile) concept(stored fhir.Node, code string) string {
	var first, kept []string
	bySystem := map[string][]string{}
	for c := range stored.Each("coding") {
		system := c.Get("system").Text()
		switch {
		case len(p.Systems) == 0:
			kept = append(kept, string(c.Raw()))
		case system == loinc:
			first = append(first, string(c.Raw()))
		default:
			bySystem[system] = append(bySystem[system], string(c.Raw()))
		}
	}
	var last []string
	for _, c := range p.Codings[code] {
		if slices.Contains(p.Systems, c.System) {
			bySystem[c.System] = append(bySystem[c.System], coding(c))
		} else {
			last = append(last, coding(c))
		}
	}
	for _, system := range p.Systems {
		kept = append(kept, bySystem[system]...)
	}
	kept = slices.Concat(first, kept, last)
	replace := map[string]string{"coding": ""}
	if len(kept) > 0 {
		replace["coding"] = "[" + strings.Join(kept, ",") + "]"
	}
	return string(fhir.AppendReplaced(nil, stored, replace))
}
