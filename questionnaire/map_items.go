package questionnaire

import (
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// resultCodes are the codes of results that ride on an item beside its own.
var resultCodes = []string{
	"extent-part", "intensity-part", "subjective-part", "objective", "objective-with-bonus", "scorad",
}

// add takes the items in document order; loose says that they stand in something
// that repeats.
func (m *mapper) add(parent fhir.Node, group int, loose bool) {
	for node := range parent.Each("item") {
		index := len(m.form.items)
		if index == maxItems {
			m.fault(fhir.IssueTooLong, node, nil, "The form has more than "+strconv.Itoa(maxItems)+" items, which is the limit here.")
		}
		if index >= maxItems {
			return
		}
		it := item{
			linkID: node.Get("linkId").Text(), text: node.Get("text").Text(), translated: translationsOf(node, "text"), kind: node.Get("type").Text(), parent: group,
			required: isTrue(node.Get("required")), loose: loose || isTrue(node.Get("repeats")), shown: always,
		}
		if _, twice := m.form.byLink[it.linkID]; twice {
			m.fault(fhir.IssueInvariant, node.Get("linkId"), &it, "Another item has the same linkId (que-2); answers could not be told apart.")
		} else {
			m.form.byLink[it.linkID] = index
		}
		m.assign(&it, node, index)
		m.form.items, m.nodes = append(m.form.items, it), append(m.nodes, node)
		m.add(node, index, it.loose)
	}
}

func isTrue(node fhir.Node) bool { return string(node.Raw()) == "true" }

// assign gives an item the meaning that its code, its definition or, in a
// derived form, its linkId claims for it.
func (m *mapper) assign(it *item, node fhir.Node, index int) {
	links := m.byCode(it, node)
	if len(links) == 0 {
		links = m.byDefinition(it, node)
	}
	if _, ours := m.form.Ours.byLink[it.linkID]; len(links) == 0 && m.derived && ours {
		links = []string{it.linkID}
	}
	if len(links) == 0 {
		return
	}
	ours := &m.form.Ours.items[m.form.Ours.byLink[links[0]]]
	container := it.kind == "group" || it.kind == "display"
	switch first, taken := m.taken[links[0]]; {
	case len(links) > 1:
		m.fault(fhir.IssueMultipleMatches, node, it, "The item is marked as several of our items: "+strings.Join(links, ", ")+"; leave one.")
	case ours.role == roleNone && container:
	case ours.role == roleNone:
		m.fault(fhir.IssueStructure, node, it, "The item is marked as "+links[0]+", which is a "+ours.kind+" of our form; mark the question as what it asks."+hintOf(links[0]))
	case container:
		m.fault(fhir.IssueStructure, node, it, "A "+it.kind+" takes no answer and cannot be "+links[0]+"; mark the question itself.")
	case taken:
		m.fault(fhir.IssueDuplicate, node, it, "The item is "+links[0]+", as is the item "+m.form.items[first].linkID+" before it; leave the mark on the one that is to be scored.")
	default:
		it.role, it.number = ours.role, ours.number
		m.taken[links[0]] = index
		if it.loose {
			m.fault(fhir.IssueInvariant, node, it, "The item, or a group it stands in, repeats, and one answer is scored; let it not repeat.")
		}
		it.loose = false
	}
}

// hintOf helps where the code of a group is easily taken for one of a question.
func hintOf(link string) string {
	if link == "extent" {
		return " A percentage of the whole skin is extent-direct, a number of palms extent-hands."
	}
	return ""
}

// byCode gives our linkIds that the item's codes stand for, each once.
func (m *mapper) byCode(it *item, node fhir.Node) []string {
	var links []string
	for coding := range node.Each("code") {
		if !coding.Get("system").Is(ScoradSystem) {
			continue
		}
		code := coding.Get("code").Text()
		link, ok := m.form.Ours.linkOf(code)
		switch _, known := displays()[ScoradSystem][code]; {
		case ok:
			links = appendNew(links, link)
		case known:
			m.fault(fhir.IssueCodeInvalid, coding.Get("code"), it, "The code is one of "+ScoradSystem+", but of no item of "+m.form.Ours.Canonical+"; remove it.")
		default:
			m.fault(fhir.IssueCodeInvalid, coding, it, ScoradSystem+" has no such code; the codes of items are those of "+m.form.Ours.Canonical+".")
		}
	}
	return links
}

// linkOf finds the item of a code: its own, or that of the result it holds.
func (f *Form) linkOf(code string) (string, bool) {
	for i := range f.items {
		it := &f.items[i]
		for _, coding := range it.codings {
			if coding.System == ScoradSystem && coding.Code == code {
				return it.linkID, true
			}
		}
	}
	for i, result := range resultCodes {
		if _, ok := f.byLink[resultLinks[i]]; ok && result == code {
			return resultLinks[i], true
		}
	}
	return "", false
}

// byDefinition gives our linkId that the item's definition points at.
func (m *mapper) byDefinition(it *item, node fhir.Node) []string {
	definition := node.Get("definition")
	canonical, link, _ := strings.Cut(definition.Text(), "#")
	if _, ours := FormByCanonical(canonical); !ours {
		return nil
	}
	if _, ok := m.form.Ours.byLink[link]; !ok {
		m.fault(fhir.IssueNotFound, definition, it, "The definition points at no item of "+m.form.Ours.Canonical+"; write "+m.form.Ours.URL+"#[linkId].")
		return nil
	}
	return []string{link}
}

func appendNew(all []string, one string) []string {
	for _, has := range all {
		if has == one {
			return all
		}
	}
	return append(all, one)
}

// checkComplete lists what is scored and not asked. How the extent is found is
// the form's choice, as long as one way is whole.
func (m *mapper) checkComplete() {
	for i := range m.form.Ours.items {
		switch ours := &m.form.Ours.items[i]; ours.role {
		case roleGrade, roleItch, roleSleepLoss:
			m.require(ours, "")
		}
	}
	for _, each := range []struct {
		link   string
		method scoring.Method
	}{{"extent.hands", scoring.ByHands}, {"extent.direct", scoring.ByDirect}} {
		if _, ok := m.taken[each.link]; ok {
			m.offered = append(m.offered, each.method)
		}
	}
	if m.hasRole(roleRegion) || m.hasRole(roleAgeGroup) {
		m.offered = append(m.offered, scoring.ByRegions)
		for i := range m.form.Ours.items {
			switch ours := &m.form.Ours.items[i]; ours.role {
			case roleRegion, roleAgeGroup:
				m.require(ours, " The extent by regions needs all thirteen and the age group.")
			}
		}
	}
	if len(m.offered) == 0 {
		m.fault(fhir.IssueRequired, m.root, nil, "No item asks for the extent; mark one with the code extent-direct (percent of the whole skin) or extent-hands (palms), or the age group and thirteen regions with theirs, of "+ScoradSystem+".")
	}
}

func (m *mapper) hasRole(wanted role) bool {
	for i := range m.form.items {
		if m.form.items[i].role == wanted {
			return true
		}
	}
	return false
}

// require lists an item of ours that none of the form asks for.
func (m *mapper) require(ours *item, why string) {
	if _, ok := m.taken[ours.linkID]; !ok {
		m.fault(fhir.IssueRequired, m.root, nil, "No item asks for "+ours.linkID+" ("+clipText(ours.text)+"); give the one that does the code "+ours.codings[0].Code+" of "+ScoradSystem+"."+why)
	}
}
