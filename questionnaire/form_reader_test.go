package questionnaire_test

import (
	"encoding/json"
	"os"
	"sync"

	"tidemark.example/tidemark/questionnaire"
)

// formItem is an item of a published form, read by a plain JSON decoder.
type formItem struct {
	LinkID, Text, Type string
	Required, ReadOnly bool
	EnableBehavior     string
	Code               []questionnaire.Coding
	Initial            []struct{ ValueInteger *int }
	EnableWhen         []struct {
		Question, Operator string
		AnswerCoding       questionnaire.Coding
	}
	AnswerOption []struct {
		ValueCoding questionnaire.Coding
		Extension   []extension
	}
	Extension []extension
	Item      []formItem
}

type extension struct {
	URL             string
	ValueDecimal    json.Number
	ValueInteger    json.Number
	ValueCoding     questionnaire.Coding
	ValueExpression struct{ Language, Expression string }
}

// published reads a form's file, not what the package made of it; the item it
// returns holds the form's.
func published(id string) formItem {
	all, err := forms()
	if err != nil {
		panic(err)
	}
	return all[id]
}

var forms = sync.OnceValues(func() (map[string]formItem, error) {
	all := map[string]formItem{}
	for _, id := range []string{questionnaire.SelfAssessment, questionnaire.ClinicianAssessment} {
		data, err := os.ReadFile("published/Questionnaire-" + id + "-1.0.0.json")
		if err != nil {
			return nil, err
		}
		var root struct{ Item []formItem }
		if err := json.Unmarshal(data, &root); err != nil {
			return nil, err
		}
		all[id] = formItem{Item: root.Item}
	}
	return all, nil
})

// find gives the item of a linkId; there must be one.
func (i formItem) find(link string) formItem {
	found, ok := i.search(link)
	if !ok {
		panic("no item " + link)
	}
	return found
}

func (i formItem) search(link string) (formItem, bool) {
	for _, child := range i.Item {
		if child.LinkID == link {
			return child, true
		}
		if found, ok := child.search(link); ok {
			return found, true
		}
	}
	return formItem{}, false
}

// walk visits every item in document order with the linkId of its parent.
func (i formItem) walk(visit func(item formItem, parent string)) {
	for _, child := range i.Item {
		visit(child, i.LinkID)
		child.walk(visit)
	}
}

// extension finds one by its URL.
func (i formItem) extension(url string) (extension, bool) {
	for _, e := range i.Extension {
		if e.URL == url {
			return e, true
		}
	}
	return extension{}, false
}
