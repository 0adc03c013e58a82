package test_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// The members of a score that are no answer and no part of it: itself, the panel
// that names the others, and the document.
const wholeMember, panelMember, documentMember = "", "panel", "document"

// version is what matters of one version of a resource.
type version struct {
	status, value string
	// source is the version of the response that a score was made from.
	source int
}

// keptVersion is a version of a score in the store, with the value of each
// answer and part by its code.
type keptVersion struct {
	version
	parts map[string]string
}

// scoreKept is the history of a score in the store, oldest first.
type scoreKept struct {
	form     string
	versions []keptVersion
}

// has is what a target of a shape gets of a version as one of the members.
func (v keptVersion) has(member string) (version, bool) {
	got := v.version
	switch member {
	case wholeMember, documentMember:
		return got, true
	case panelMember:
		got.value = ""
		return got, true
	}
	value, has := v.parts[member]
	got.value = value
	return got, has
}

// members are those that a target of a shape may have of a score: all that any
// version of it had.
func (s scoreKept) members(shape string) []string {
	switch shape {
	case "document":
		return []string{documentMember}
	case "panel":
		all := map[string]bool{wholeMember: true, panelMember: true}
		for _, v := range s.versions {
			for part := range v.parts {
				all[part] = true
			}
		}
		var names []string
		for name := range all {
			names = append(names, name)
		}
		slices.Sort(names)
		return names
	default:
		return []string{wholeMember}
	}
}

// states are what a member is to say, one after the other: that of each version
// which has it, and after those once that it is taken back, with what it said
// last, by the version that has it no more.
func (s scoreKept) states(member string) []version {
	var states []version
	for _, v := range s.versions {
		got, has := v.has(member)
		if has {
			states = append(states, got)
			continue
		}
		if len(states) > 0 && states[len(states)-1].status != wrong {
			states = append(states, version{wrong, states[len(states)-1].value, v.source})
		}
	}
	return states
}

// measured is what the tests read of a score, of one of its members, or of a
// document about it.
type measured struct {
	ResourceType, Status, DocStatus string
	Identifier                      []struct{ System, Value string }
	Code                            codes
	ValueQuantity                   struct{ Value json.Number }
	ValueBoolean                    *bool
	DerivedFrom                     []struct{ Reference string }
	HasMember                       []struct {
		Reference  string
		Identifier struct{ Value string }
	}
	Component []struct {
		Code          codes
		ValueQuantity struct{ Value json.Number }
		ValueBoolean  *bool
	}
	Content []struct {
		Attachment struct{ Data string }
	}
	Context struct {
		Related []struct{ Reference string }
	}
}

type codes struct {
	Coding []struct{ System, Code string }
}

// own is the code of our own system.
func (c codes) own() string {
	for _, coding := range c.Coding {
		if path.Base(coding.System) == "scorad" {
			return coding.Code
		}
	}
	return ""
}

// identifier is that of the score or the member.
func (m measured) identifier() string {
	for _, i := range m.Identifier {
		if path.Base(i.System) == "score" {
			return i.Value
		}
	}
	return ""
}

// value is a number or a boolean as text, "" without one.
func value(number json.Number, truth *bool) string {
	if truth != nil {
		return strconv.FormatBool(*truth)
	}
	return number.String()
}

// total is the line of a document that has the score.
var total = regexp.MustCompile(`(?m)^SCORAD: ([0-9.]+) of 103 points`)

// version is what matters of it. A document has the status of the score beside
// its own (R4 DocumentReference.docStatus), and both must say whether it counts.
func (m measured) version() version {
	v := version{status: m.Status, value: value(m.ValueQuantity.Value, m.ValueBoolean)}
	sources := m.DerivedFrom
	if m.ResourceType == "DocumentReference" {
		v.status, sources = m.DocStatus, m.Context.Related
		if (m.Status == wrong) != (m.DocStatus == wrong) || m.Status != wrong && m.Status != "current" {
			v.status = m.Status + " and " + m.DocStatus
		}
		for _, content := range m.Content {
			text, err := base64.StdEncoding.DecodeString(content.Attachment.Data)
			if found := total.FindSubmatch(text); err == nil && found != nil {
				v.value = string(found[1])
			}
		}
	}
	if len(sources) > 0 {
		v.source, _ = strconv.Atoi(path.Base(sources[0].Reference)) // 0 names no version
	}
	return v
}

// kept reads a version of a stored score.
func (m measured) kept() keptVersion {
	v := keptVersion{m.version(), map[string]string{}}
	for _, c := range m.Component {
		v.parts[c.Code.own()] = value(c.ValueQuantity.Value, c.ValueBoolean)
	}
	return v
}

// follows says whether a stored version is what follows from a content: its
// value, its status, and the answers among its parts.
func (v keptVersion) follows(c content) bool {
	_, sleeps := v.parts["symptoms-sleep-loss"]
	_, itch := c.tenths()
	return v.value == c.score() && v.status == c.following() && sleeps == c.sleeps() &&
		v.parts["symptoms-itch"] == decimal(itch) && (v.parts["also-seen-bleeding"] == "true") == c.bleeds()
}

// score holds the score of a form to the contents of the form.
func (a *auditor) score(f *form, contents []content) {
	s := scoreKept{form: f.identifier}
	name := ""
	for i, e := range a.history("Observation", f.id) {
		var m measured
		if err := unmarshal(e.Resource, &m); err != nil {
			a.find("%s: its score is no Observation", f.identifier)
			return
		}
		name = m.identifier()
		v := m.kept()
		s.versions = append(s.versions, v)
		if i >= len(contents) || !v.follows(contents[i]) {
			a.find("%s: version %d of its score says %v, of %v", f.identifier, i+1, v, contents)
		}
	}
	if len(s.versions) != len(contents) {
		a.find("%s: %d versions, but %d of its score", f.identifier, len(contents), len(s.versions))
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if other, taken := a.wanted[name]; taken {
		a.findings = append(a.findings, fmt.Sprintf("%s and %s have one identifier", f.identifier, other.form))
	}
	a.wanted[name] = s
}

// taken is one resource at the hospital.
type taken struct {
	id       string
	versions []version
	live     bool
	// names are the references of the newest version to its members.
	names []string
}

// hospital holds what the hospital took to what the store holds: of each member
// of a score one resource, at the newest version, and never one version after a
// newer one; and a panel names the members that there are.
func (a *auditor) hospital(h *hospital) {
	resources := a.atHospital(h)
	for name, s := range a.wanted {
		ids := map[string]string{}
		var panel *taken
		for _, member := range s.members(h.shape) {
			identifier, says := name, s.form
			if member != wholeMember {
				identifier, says = name+"."+member, s.form+" "+member
			}
			states, all := s.states(member), resources[identifier]
			delete(resources, identifier)
			newest := states[len(states)-1]
			switch {
			case len(all) == 0 && newest.status == wrong: // taken back before it was sent
			case len(all) != 1:
				a.find("%s: %d resources at the hospital", says, len(all))
			default:
				a.resource(says, states, all[0])
				ids[member] = all[0].id
				if member == panelMember && newest.status != wrong {
					panel = &all[0]
				}
			}
		}
		if panel != nil {
			a.panel(s, *panel, ids)
		}
	}
	for name, all := range resources {
		a.find("the hospital holds %d of score %s, which is not stored", len(all), name)
	}
	a.statements(h)
}

// resource judges the history of one resource at the hospital.
func (a *auditor) resource(says string, states []version, r taken) {
	if !r.live {
		a.find("%s: gone from the hospital", says)
	}
	at := 0
	for _, v := range r.versions {
		from := slices.Index(states[at:], v)
		switch {
		case from < 0 && slices.Contains(states, v):
			a.find("%s: the hospital took %v after %v", says, v, states[at])
		case from < 0:
			a.find("%s: the hospital took %v, which was never stored: %v", says, v, states)
		default:
			at += from
		}
	}
	newest := states[len(states)-1]
	if last := r.versions[len(r.versions)-1]; last != newest {
		a.find("%s: the hospital ends at %v, wanted is %v", says, last, newest)
	}
	if r.versions[0].status == wrong {
		a.find("%s: the hospital was told first that it is taken back", says)
	}
}

// panel judges which members a panel names at the end: those of the newest
// version, by the ids that the hospital gave them.
func (a *auditor) panel(s scoreKept, panel taken, ids map[string]string) {
	wanted := []string{"Observation/" + ids[wholeMember]}
	for part := range s.versions[len(s.versions)-1].parts {
		wanted = append(wanted, "Observation/"+ids[part])
	}
	slices.Sort(wanted)
	named := slices.Sorted(slices.Values(panel.names))
	if !slices.Equal(wanted, named) {
		a.find("%s: its panel names %v, and should %v", s.form, named, wanted)
	}
}

// statements judges what comes with transactions: one Device, and one Provenance
// of each statement that is made (its tag names it).
func (a *auditor) statements(h *hospital) {
	if n := len(h.Current("Device")); n > 1 {
		a.find("the hospital holds %d Devices", n)
	}
	of := map[string]int{}
	for _, body := range h.Current("Provenance") {
		var p struct {
			Meta struct{ Tag []struct{ Code string } }
		}
		if err := unmarshal(body, &p); err != nil || len(p.Meta.Tag) != 1 {
			a.find("the hospital holds a Provenance without a name")
			continue
		}
		if of[p.Meta.Tag[0].Code]++; of[p.Meta.Tag[0].Code] == 2 {
			a.find("the hospital holds two Provenances %s", p.Meta.Tag[0].Code)
		}
	}
}

// atHospital reads the history of every Observation and DocumentReference that
// the hospital ever had, by the identifier of its member.
func (a *auditor) atHospital(h *hospital) map[string][]taken {
	found := map[string][]taken{}
	for _, id := range h.ids() {
		all := slices.Concat(h.Versions("Observation", id), h.Versions("DocumentReference", id))
		if len(all) == 0 {
			continue // it is a Device or a Provenance
		}
		r := taken{id: id, live: all[len(all)-1] != nil}
		name := ""
		for _, body := range all {
			var m measured
			if body == nil {
				continue
			}
			if err := unmarshal(body, &m); err != nil {
				a.find("the hospital holds what is no Observation")
			}
			name, r.names = m.identifier(), nil
			r.versions = append(r.versions, m.version())
			for _, member := range m.HasMember {
				r.names = append(r.names, strings.TrimPrefix(member.Reference, h.base+"/"))
			}
		}
		found[name] = append(found[name], r)
	}
	return found
}
