package audit

import (
	"encoding/base64"
	"strings"
	"time"
	"unicode/utf8"

	"tidemark.example/tidemark/fhir"
)

// profileBase is where the patterns of IHE BALP are defined.
const profileBase = "https://profiles.ihe.net/ITI/BALP/StructureDefinition/IHE.BasicAudit."

// opening is how every event begins; its id comes behind it.
const opening = `{"resourceType":"AuditEvent"`

// Append writes the AuditEvent, without an id; see AppendWithID.
func Append(dst []byte, e *Event) []byte {
	p := e.pattern()
	dst = append(dst, opening+`,"meta":{"versionId":"1","lastUpdated":`...)
	dst = appendInstant(dst, e.Recorded)
	if profile := e.profile(p); profile != "" {
		dst = append(dst, `,"profile":["`+profileBase...)
		dst = append(dst, profile...)
		dst = append(dst, `"]`...)
	}
	dst = append(dst, `},"type":`...)
	dst = appendCoding(dst, e.kind())
	for i, subtype := range p.subtypes {
		dst = append(dst, [...]string{`,"subtype":[`, `,`}[min(i, 1)]...)
		dst = appendCoding(dst, subtype)
	}
	if len(p.subtypes) > 0 {
		dst = append(dst, ']')
	}
	dst = append(append(dst, `,"action":"`...), p.action...)
	dst = appendInstant(append(dst, `","recorded":`...), e.Recorded)
	dst = append(append(append(dst, `,"outcome":"`...), e.Outcome()...), '"')
	if text := e.description(); text != "" {
		dst = appendMember(dst, `,"outcomeDesc":`, text)
	}
	dst = e.appendAgents(dst, p)
	dst = e.appendSource(dst)
	return append(e.appendEntities(dst), '}')
}

// AppendWithID writes a stored event with its id.
func AppendWithID(dst, event []byte, id string) []byte {
	dst = append(dst, opening+`,"id":"`...)
	dst = append(dst, id...)
	dst = append(dst, '"')
	return append(dst, event[len(opening):]...)
}

// profile is the pattern that the event keeps, "" if none: a success, with what
// the pattern demands.
func (e *Event) profile(p pattern) string {
	complete := e.Entity != ""
	if p.profile == "Query" {
		complete = e.Query != ""
	}
	switch {
	case p.profile == "" || e.Outcome() != "0" || !complete:
		return ""
	case e.Patient != "":
		return "Patient" + p.profile
	}
	return p.profile
}

// appendAgents writes who took part: the client, the server, and a person if
// the token stands for one, who is then the one that asked.
func (e *Event) appendAgents(dst []byte, p pattern) []byte {
	a := &e.Agent
	dst = append(dst, `,"agent":[{"type":{"coding":[`...)
	dst = appendCoding(dst, p.client)
	dst = append(dst, `]},"who":`...)
	if a.Client == "" {
		dst = append(dst, `{"display":"a client that was not authenticated"}`...)
	} else {
		dst = appendIdentifier(dst, "", a.Issuer, a.Client)
	}
	dst = append(dst, `,"requestor":`...)
	dst = append(dst, [...]string{"true", "false"}[index(a.User != "")]...)
	if a.User == "" {
		dst = a.appendPolicy(dst)
	}
	dst = append(dst, `,"network":{`...)
	if a.Address != "" {
		dst = appendMember(dst, `"address":`, a.Address)
		dst = append(dst, `,"type":"2"}},`...)
	} else {
		dst = append(dst, `"address":"unknown"}},`...)
	}
	dst = append(dst, `{"type":{"coding":[`...)
	dst = appendCoding(dst, p.server)
	dst = appendMember(dst, `]},"who":{"reference":`, e.Observer)
	dst = appendMember(dst, `},"requestor":false,"network":{"address":`, e.Base)
	dst = append(dst, `,"type":"5"}}`...)
	if a.User != "" {
		dst = a.appendUser(dst, p)
	}
	return append(dst, ']')
}

// appendUser writes the person.
func (a *Agent) appendUser(dst []byte, p pattern) []byte {
	dst = append(dst, `,{"type":{"coding":[`...)
	dst = appendCoding(dst, p.user)
	if a.TokenID != "" || a.Opaque != "" {
		dst = append(dst, `,{"system":"https://profiles.ihe.net/ITI/BALP/CodeSystem/UserAgentTypes","code":"UserOauthAgent"}`...)
	}
	dst = append(dst, `]},"who":`...)
	dst = appendIdentifier(dst, "", a.Issuer, a.User)
	dst = append(dst, `,"requestor":true`...)
	return append(a.appendPolicy(dst), '}')
}

// appendPolicy names the token that allowed it.
func (a *Agent) appendPolicy(dst []byte) []byte {
	switch {
	case a.TokenID != "":
		return append(appendMember(dst, `,"policy":[`, "urn:ietf:params:oauth:jti:"+escaped(a.TokenID)), ']')
	case a.Opaque != "":
		return append(appendMember(dst, `,"policy":[`, escaped(a.Opaque)), ']')
	}
	return dst
}

// escaped makes a text part of a uri, which has no spaces.
func escaped(text string) string {
	return strings.Map(func(r rune) rune {
		if r <= ' ' || r == 0x7f {
			return '_'
		}
		return r
	}, text)
}

func (e *Event) appendSource(dst []byte) []byte {
	dst = appendMember(dst, `,"source":{"observer":{"reference":`, e.Observer)
	return append(dst, `},"type":[{"system":"http://terminology.hl7.org/CodeSystem/security-source-type","code":"4","display":"Application Server"}]}`...)
}

// appendEntities writes what it was about: the request, the resource, what was
// asked, and the patient.
func (e *Event) appendEntities(dst []byte) []byte {
	begin := len(dst)
	next := func() {
		dst = append(dst, [...]string{`,{`, `,"entity":[{`}[index(len(dst) == begin)]...)
	}
	if e.Request != "" {
		next()
		dst = append(dst, `"what":`...)
		dst = appendIdentifier(dst, "", "", e.Request)
		dst = append(dst, `,"type":{"system":"https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType","code":"XrequestId"}}`...)
	}
	if e.Entity != "" {
		next()
		dst = appendMember(dst, `"what":{"reference":`, e.Entity)
		dst = append(dst, `},"type":{"system":"http://terminology.hl7.org/CodeSystem/audit-entity-type","code":"2","display":"System Object"},"role":{"system":"http://terminology.hl7.org/CodeSystem/object-role","code":"4","display":"Domain Resource"}}`...)
	}
	if e.Query != "" {
		next()
		dst = append(dst, `"type":{"system":"http://terminology.hl7.org/CodeSystem/audit-entity-type","code":"2","display":"System Object"},"role":{"system":"http://terminology.hl7.org/CodeSystem/object-role","code":"24","display":"Query"},"query":"`...)
		dst = base64.StdEncoding.AppendEncode(dst, []byte(e.Query))
		dst = append(dst, `"}`...)
	}
	if e.Patient != "" {
		next()
		dst = append(dst, `"what":`...)
		dst = appendPatient(dst, e.Patient)
		dst = append(dst, `,"type":{"system":"http://terminology.hl7.org/CodeSystem/audit-entity-type","code":"1","display":"Person"},"role":{"system":"http://terminology.hl7.org/CodeSystem/object-role","code":"1","display":"Patient"}}`...)
	}
	if len(dst) > begin {
		dst = append(dst, ']')
	}
	return dst
}

// appendPatient writes a reference to a patient.
func appendPatient(dst []byte, patient string) []byte {
	if rest, ok := strings.CutPrefix(patient, "identifier:"); ok {
		system, value, _ := strings.Cut(rest, "|")
		return appendIdentifier(dst, "Patient", system, value)
	}
	return append(appendMember(dst, `{"reference":`, patient), '}')
}

// appendIdentifier writes a logical reference.
func appendIdentifier(dst []byte, kind, system, value string) []byte {
	dst = append(dst, '{')
	if kind != "" {
		dst = append(dst, `"type":"`+kind+`",`...)
	}
	dst = append(dst, `"identifier":{`...)
	if system != "" {
		dst = append(appendMember(dst, `"system":`, system), ',')
	}
	return append(appendMember(dst, `"value":`, value), `}}`...)
}

func appendCoding(dst []byte, c coding) []byte {
	dst = append(append(dst, `{"system":"`...), c.system...)
	dst = append(append(dst, `","code":"`...), c.code...)
	dst = append(append(dst, `","display":"`...), c.display...)
	return append(dst, `"}`...)
}

func appendInstant(dst []byte, at time.Time) []byte {
	return append(at.UTC().AppendFormat(append(dst, '"'), fhir.InstantFormat), '"')
}

func index(b bool) int {
	if b {
		return 1
	}
	return 0
}

// appendMember writes a name and a string. What is not UTF-8 becomes a
// replacement character.
func appendMember(dst []byte, name, text string) []byte {
	dst = append(append(dst, name...), '"')
	if !utf8.ValidString(text) {
		text = strings.ToValidUTF8(text, "\uFFFD")
	}
	for at := plain(text); at < len(text); at = plain(text) {
		dst = append(dst, text[:at]...)
		if c := text[at]; c == '"' || c == '\\' {
			dst = append(dst, '\\', c)
		} else {
			dst = append(append(dst, `\u00`...), hexadecimal[c>>4], hexadecimal[c&15])
		}
		text = text[at+1:]
	}
	return append(append(dst, text...), '"')
}

// plain is how much of a text needs no escape.
func plain(text string) int {
	for i := range len(text) {
		if c := text[i]; c < ' ' || c == '"' || c == '\\' {
			return i
		}
	}
	return len(text)
}

const hexadecimal = "0123456789abcdef"
