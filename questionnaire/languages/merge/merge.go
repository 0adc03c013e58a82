package main

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"

	"tidemark.example/tidemark/questionnaire/languages"
)

const translationURL = "http://hl7.org/fhir/StructureDefinition/translation"

// text is an English text of a resource; band says that it is the name of a
// severity band.
type text struct {
	english string
	band    bool
}

// in is its translation.
func (t text) in(l *languages.Language) (string, bool) {
	if t.band {
		return l.TranslatedBand(t.english)
	}
	return l.Translated(t.english)
}

// missing are the languages that it has no translation in.
func (t text) missing() (codes []string) {
	for _, l := range languages.All()[1:] {
		if _, ok := t.in(l); !ok {
			codes = append(codes, l.Code)
		}
	}
	return codes
}

// merger rewrites one resource. JSON is read as YAML, of which it is a part,
// since that keeps the order of members and the writing of numbers.
type merger struct {
	band  bool
	texts []text
}

// merge gives a resource with the translations of the tables, and the texts that
// are to be translated in it.
func merge(data []byte) ([]byte, []text, error) {
	var document yaml.Node
	if err := yaml.Unmarshal(data, &document); err != nil {
		return nil, nil, err
	}
	root := document.Content[0]
	strip(root)
	m := &merger{}
	switch kind := valueOf(root, "resourceType"); kind {
	case "Questionnaire":
		m.questionnaire(root)
	case "CodeSystem":
		m.codeSystem(root)
	default:
		return nil, nil, fmt.Errorf("a %s carries no translations", kind)
	}
	return append(appendJSON(nil, root, ""), '\n'), m.texts, nil
}

func (m *merger) questionnaire(root *yaml.Node) {
	for _, name := range []string{"title", "description", "purpose"} {
		m.extend(root, name)
	}
	m.items(root)
}

func (m *merger) items(parent *yaml.Node) {
	for _, item := range elements(parent, "item") {
		m.extend(item, "text")
		for _, extension := range elements(item, "extension") {
			// The unit stands beside the field.
			m.extend(member(extension, "valueCoding"), "display")
		}
		for _, option := range elements(item, "answerOption") {
			m.extend(member(option, "valueCoding"), "display")
		}
		m.items(item)
	}
}

// explained are the code systems whose definitions people read: what a grade
// means, and what to look at again.
var explained = map[string]bool{"scorad-grade": true, "data-quality": true}

func (m *merger) codeSystem(root *yaml.Node) {
	id := valueOf(root, "id")
	for _, concept := range elements(root, "concept") {
		m.band = id == "severity-band"
		m.designate(concept)
		m.band = false
		if explained[id] {
			m.extend(concept, "definition")
		}
	}
}

// note takes a text down and gives its translations by language. What has no
// letters (%) says the same everywhere.
func (m *merger) note(english string) (codes, translations []string) {
	if !strings.ContainsFunc(english, func(r rune) bool { return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' }) {
		return nil, nil
	}
	t := text{english, m.band}
	m.texts = append(m.texts, t)
	for _, l := range languages.All()[1:] {
		if translation, ok := t.in(l); ok {
			codes, translations = append(codes, l.Code), append(translations, translation)
		}
	}
	return codes, translations
}

// extend puts the translations of a string beside it (R4 json.html 2.6.2.3:
// what hangs on a primitive stands under its name with an underscore).
func (m *merger) extend(object *yaml.Node, name string) {
	english := valueOf(object, name)
	if english == "" {
		return
	}
	codes, translations := m.note(english)
	var extensions []*yaml.Node
	for i, code := range codes {
		extensions = append(extensions, mapping("url", scalar(translationURL), "extension", sequence(
			mapping("url", scalar("lang"), "valueCode", scalar(code)),
			mapping("url", scalar("content"), contentType(name), scalar(translations[i])))))
	}
	if len(extensions) > 0 {
		insertAfter(object, name, "_"+name, mapping("extension", sequence(extensions...)))
	}
}

// contentType is the type of a translation: markdown for what is markdown in R4.
func contentType(name string) string {
	if name == "description" || name == "purpose" {
		return "valueMarkdown"
	}
	return "valueString"
}

// designate writes the names of a concept in other languages.
func (m *merger) designate(concept *yaml.Node) {
	codes, translations := m.note(valueOf(concept, "display"))
	var designations []*yaml.Node
	for i, code := range codes {
		designations = append(designations, mapping("language", scalar(code), "value", scalar(translations[i])))
	}
	if len(designations) > 0 {
		insertAfter(concept, "definition", "designation", sequence(designations...))
	}
}

// strip takes out every translation and designation.
func strip(node *yaml.Node) {
	if node.Kind == yaml.MappingNode {
		var kept []*yaml.Node
		for i := 0; i < len(node.Content); i += 2 {
			name, value := node.Content[i].Value, node.Content[i+1]
			if name == "designation" || strings.HasPrefix(name, "_") && translates(value) {
				continue
			}
			kept = append(kept, node.Content[i], value)
		}
		node.Content = kept
	}
	for _, child := range node.Content {
		strip(child)
	}
}

// translates says that an element is nothing but translations.
func translates(element *yaml.Node) bool {
	extensions := elements(element, "extension")
	for _, extension := range extensions {
		if valueOf(extension, "url") != translationURL {
			return false
		}
	}
	return len(element.Content) == 2 && len(extensions) > 0
}
