package observation

import (
	"bytes"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// Member is one Observation of a panel.
type Member struct {
	// Code is of CodeSystem/scorad: scorad for the total, panel for the one that
	// names all the others, else that of an answer or a part of the score.
	Code string
	// Identifier is the value of the business identifier, in IdentifierSystem, see
	// MemberIdentifier.
	Identifier string
	// JSON is the resource, without id and version, which the server that takes
	// it gives.
	JSON []byte
}

// Panel writes a score, as Append or AppendRetracted wrote it, in the shape that
// US Core's screening profile asks for: one Observation for every answer, every
// part and the total, and at the end one without a value that has them as its
// members. What they say is copied and not computed again. A score that was
// amended or entered in error makes such a panel.
//
// The panel refers to its members by what refer gives for their identifiers;
// where that is "", by the identifier itself, for a server that has no id yet.
func Panel(score fhir.Node, refer func(identifier string) string) []Member {
	p := newPanel(score)
	var members []Member
	for component := range score.Each("component") {
		members = append(members, p.part(component))
	}
	members = append(members, p.total())
	var identifiers []string
	for _, member := range members {
		identifiers = append(identifiers, member.Identifier)
	}
	return append(members, p.whole(identifiers, refer))
}

// PanelBundle writes the panel of a score as a transaction: each Observation is
// put where its identifier is found, so that sending it again changes nothing
// and an amendment replaces what was (R4 http.html 3.1.0.4.3).
func PanelBundle(dst []byte, score fhir.Node) []byte {
	dst = append(dst, `{"resourceType":"Bundle","type":"transaction","entry":[`...)
	for i, member := range Panel(score, memberURN) {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, `{"fullUrl":"`...)
		dst = append(dst, memberURN(member.Identifier)...)
		dst = append(dst, `","resource":`...)
		dst = append(dst, member.JSON...)
		dst = append(dst, `,"request":{"method":"PUT","url":"Observation?identifier=`+IdentifierSystem+`%7C`...)
		dst = append(dst, member.Identifier...)
		dst = append(dst, `"}}`...)
	}
	return append(dst, `]}`...)
}

// memberURN names a member within a Bundle; the same member has the same name in
// every Bundle (RFC 9562, version 5).
func memberURN(identifier string) string {
	return "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, []byte(IdentifierSystem+"|"+identifier)).String()
}

// panel is what the members of one score have in common.
type panel struct {
	score fhir.Node
	// words are of the score's language, which its members have too.
	words *words
	// identifier is the score's.
	identifier string
	// before the code, after it and at the end: the elements in the order of R4.
	before, after, end []byte
	retracted          bool
}

func newPanel(score fhir.Node) *panel {
	return &panel{
		score: score, words: wordsIn(score.Get("language")), identifier: score.Get("identifier").Get("value").Text(),
		before:    copied(nil, score, "status", "category"),
		after:     copied(nil, score, "subject", "effectivePeriod", "issued", "performer"),
		end:       copied(nil, score, "method", "device"),
		retracted: score.Get("status").Is("entered-in-error"),
	}
}

// repeating are the elements of an Observation, of those copied, that are arrays.
var repeating = map[string]bool{
	"category": true, "performer": true, "interpretation": true, "note": true, "referenceRange": true, "derivedFrom": true,
}

// copied appends elements of a resource as they stand there, each after a comma.
func copied(dst []byte, from fhir.Node, names ...string) []byte {
	for _, name := range names {
		var values [][]byte
		for value := range from.Each(name) {
			values = append(values, value.Raw())
		}
		if len(values) == 0 {
			continue
		}
		dst = append(dst, `,"`+name+`":`...)
		if repeating[name] {
			dst = append(dst, '[')
			dst = append(dst, bytes.Join(values, []byte{','})...)
			dst = append(dst, ']')
		} else {
			dst = append(dst, values[0]...)
		}
	}
	return dst
}

// part makes an Observation of a component: an answer or a part of the score.
func (p *panel) part(component fhir.Node) Member {
	code := component.Get("code")
	m := Member{Code: ourCode(code)}
	m.Identifier = MemberIdentifier(p.identifier, m.Code)
	var notes []byte
	if strings.HasPrefix(m.Code, "objective") {
		// It is read as a score by itself, so the caution goes with it.
		notes = copied(nil, p.score, "note")
	}
	value := component.Choice("value[x]")
	m.JSON = p.begin(m.Identifier, memberProfile, textOf(code), p.words.said(value))
	m.JSON = append(m.JSON, code.Raw()...)
	m.JSON = append(m.JSON, p.after...)
	m.JSON = copied(m.JSON, component, value.Name())
	m.JSON = append(m.JSON, notes...)
	m.JSON = p.finish(m.JSON, nil)
	return m
}

// total makes the Observation of the score itself.
func (p *panel) total() Member {
	code := p.score.Get("code")
	m := Member{Code: ourCode(code), Identifier: p.identifier}
	says := p.words.said(p.score.Get("valueQuantity"))
	if !p.score.Get("valueQuantity").Exists() {
		says = textOf(p.score.Get("dataAbsentReason"))
	}
	m.JSON = p.begin(m.Identifier, memberProfile, textOf(code), says)
	m.JSON = append(m.JSON, code.Raw()...)
	m.JSON = append(m.JSON, p.after...)
	m.JSON = copied(m.JSON, p.score, "valueQuantity", "dataAbsentReason", "interpretation", "note")
	m.JSON = p.finish(m.JSON, copied(nil, p.score, "referenceRange"))
	return m
}

// whole makes the Observation that has the others as its members. It has no
// value of its own.
func (p *panel) whole(members []string, refer func(string) string) Member {
	m := Member{Code: PanelMember, Identifier: MemberIdentifier(p.identifier, PanelMember)}
	says := p.words.language.Plural(membersSay, strconv.Itoa(len(members)))
	name := p.words.language.Text(questionnaire.Display(questionnaire.ScoradSystem, PanelMember))
	m.JSON = p.begin(m.Identifier, panelProfile, name, says)
	m.JSON = append(m.JSON, p.words.concept(PanelMember)...)
	m.JSON = append(m.JSON, p.after...)
	m.JSON = copied(m.JSON, p.score, "note")
	m.JSON = p.finish(m.JSON, appendMembers(nil, members, refer))
	return m
}

func appendMembers(dst []byte, members []string, refer func(string) string) []byte {
	dst = append(dst, `,"hasMember":[`...)
	for i, member := range members {
		if i > 0 {
			dst = append(dst, ',')
		}
		if reference := refer(member); reference != "" {
			dst = append(dst, `{"reference":"`+reference+`"}`...)
		} else {
			dst = append(dst, `{"type":"Observation","identifier":{"system":"`+IdentifierSystem+`","value":"`+member+`"}}`...)
		}
	}
	return append(dst, ']')
}

// begin writes a member up to its code. What it says in words is its name and
// its value, or that it is not to be used.
func (p *panel) begin(identifier, profile, name, says string) []byte {
	if p.retracted {
		says = p.words.language.Text(retractedSays)
	}
	dst := make([]byte, 0, 2<<10)
	dst = append(dst, `{"resourceType":"Observation","meta":{"profile":["`+profile+`"]},`+p.words.begin...)
	dst = append(dst, name+": "+strings.TrimSuffix(says, ".")+`.</p></div>"},"identifier":[{"system":"`+IdentifierSystem+`","value":"`+identifier+`"}]`...)
	dst = append(dst, p.before...)
	return append(dst, `,"code":`...)
}

// finish writes what comes after the value: method and device, then what only
// one member has, then what it was derived from.
func (p *panel) finish(dst, own []byte) []byte {
	dst = append(dst, p.end...)
	dst = append(dst, own...)
	return append(copied(dst, p.score, "derivedFrom"), '}')
}

// ourCode is the code of CodeSystem/scorad in a concept.
func ourCode(concept fhir.Node) string {
	for coding := range concept.Each("coding") {
		if coding.Get("system").Is(questionnaire.ScoradSystem) {
			return coding.Get("code").Text()
		}
	}
	return ""
}

// textOf is a concept in words, which are ours and need no escaping in XHTML or
// JSON (questionnaire holds that by a test).
func textOf(concept fhir.Node) string { return concept.Get("text").Text() }

// said is a value in words.
func (w *words) said(value fhir.Node) string {
	switch value.Name() {
	case "valueQuantity":
		number := string(value.Get("value").Raw())
		switch code := value.Get("code"); {
		case code.Is(Palms):
			return w.language.Plural(palmsSay, number)
		case code.Is(Score):
			return w.language.Plural(pointsSay, number)
		}
		return w.language.Number(number) + " %"
	case "valueBoolean":
		return w.language.Text(map[string]string{"true": yesSays, "false": noSays}[string(value.Raw())])
	}
	return ""
}
