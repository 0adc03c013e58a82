package questionnaire

import (
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/scoring"
)

// checkMethods settles how the form finds the extent: by the one way it has
// items for, or by a question whose options and items must fit together.
func (m *mapper) checkMethods() {
	index, asked := m.taken["extent.method"]
	if !asked {
		switch len(m.offered) {
		case 0:
		case 1:
			m.form.method = m.offered[0]
		default:
			m.unclear = true
			m.fault(fhir.IssueRequired, m.root, nil, "The extent can be given by "+methodNames(m.offered)+", and no item asks by which; mark the one that does with the code extent-method of "+ScoradSystem+".")
		}
		return
	}
	it, node := &m.form.items[index], m.nodes[index]
	m.form.asked = it.linkID
	if m.unclear {
		return
	}
	for _, o := range it.options {
		if !slices.Contains(m.offered, o.method) {
			m.fault(fhir.IssueRequired, node, it, "The option "+o.method.String()+" can be chosen, and no item asks for that extent; mark its items or remove the option.")
		}
	}
	for _, method := range m.offered {
		if !slices.ContainsFunc(it.options, func(o option) bool { return o.method == method }) {
			m.fault(fhir.IssueRequired, node, it, "No option stands for the extent by "+method.String()+", whose items are there; add the option or remove the marks from the items.")
		}
	}
}

func methodNames(methods []scoring.Method) string {
	var names []string
	for _, method := range methods {
		names = append(names, method.String())
	}
	return strings.Join(names, " or ")
}

// checkEnabling judges when the form asks a question. What it depends on must be
// known from the answers that are scored, so nothing but the way of giving the
// extent may switch a scored question on or off.
func (m *mapper) checkEnabling(index int) {
	it, node := &m.form.items[index], m.nodes[index]
	if it.role == roleResult || m.unclear {
		return // a result is only compared, whether shown or not
	}
	judged := m.judge(index)
	if it.shown = judged.shown; judged.open {
		return
	}
	for _, method := range m.offered {
		switch needs := it.needs(); {
		case it.shown[method] || it.role == roleAlsoSeen || it.role == roleBonus:
		case needs == scoring.MethodUnknown || needs == method:
			m.fault(fhir.IssueConflict, node, it, "The item is switched off when the extent is given by "+method.String()+", and the score needs it then; correct enableWhen.")
		}
	}
}

// judge judges an item together with what it stands in.
func (m *mapper) judge(index int) verdict {
	if index < 0 {
		return verdict{shown: always}
	}
	if known, ok := m.judged[index]; ok {
		return known
	}
	own, above := m.judgeOwn(index), m.judge(m.form.items[index].parent)
	for method := range own.shown {
		own.shown[method] = own.shown[method] && above.shown[method]
	}
	own.open = own.open || above.open
	m.judged[index] = own
	return own
}

// judgeOwn judges the item's own enableWhen.
func (m *mapper) judgeOwn(index int) verdict {
	it, node := &m.form.items[index], m.nodes[index]
	if expression := extensionOf(node, enableWhenExpressionURL); expression.Exists() {
		m.fault(fhir.IssueNotSupported, expression, it, "Expressions are not evaluated here, so that it cannot be judged when the item is asked; use enableWhen with the item of extent-method.")
		return verdict{always, true}
	}
	first := node.Get("enableWhen")
	if !first.Exists() {
		return verdict{shown: always}
	}
	if first.GetNext().Exists() && !node.Get("enableBehavior").Exists() {
		m.fault(fhir.IssueRequired, node, it, "There is more than one enableWhen and no enableBehavior (que-12); say all or any.")
		return verdict{always, true}
	}
	all := !node.Get("enableBehavior").Is("any")
	result := shown{all, all, all, all}
	for condition := range node.Each("enableWhen") {
		met, ok := m.condition(it, condition)
		if !ok {
			return verdict{always, true}
		}
		for method := range result {
			if all {
				result[method] = result[method] && met[method]
			} else {
				result[method] = result[method] || met[method]
			}
		}
	}
	return verdict{shown: result}
}

// condition judges one enableWhen by each answer to the question for the method.
func (m *mapper) condition(it *item, condition fhir.Node) (met shown, ok bool) {
	at, asked := m.taken["extent.method"]
	if question := condition.Get("question"); !asked || !question.Is(m.form.items[at].linkID) {
		m.fault(fhir.IssueNotSupported, question, it, "The item, which is scored or holds what is, depends on a question other than that of extent-method, so that it cannot be judged when it is asked; make it depend on that question alone or on none.")
		return met, false
	}
	answer, operator := condition.Choice("answer[x]"), condition.Get("operator").Text()
	if operator == "exists" {
		for method := range met {
			met[method] = (method != 0) == isTrue(answer)
		}
		return met, true
	}
	wanted, found := optionOf(&m.form.items[at], answer)
	if !found || operator != "=" && operator != "!=" {
		m.fault(fhir.IssueNotSupported, condition, it, "It cannot be judged when the item is asked: enableWhen must compare, by = or !=, with an option of the item of extent-method, by system and code.")
		return met, false
	}
	for method := range met {
		met[method] = (scoring.Method(method) == wanted.method) == (operator == "=")
	}
	return met, true
}

// optionOf finds the option that a Coding means, by system and code.
func optionOf(it *item, coding fhir.Node) (option, bool) {
	for _, o := range it.options {
		if coding.Get("code").Is(o.code) && coding.Get("system").Text() == o.system {
			return o, true
		}
	}
	return option{}, false
}
