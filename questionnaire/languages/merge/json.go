package main

import (
	"bytes"
	"encoding/json"
	"fmt"

	"go.yaml.in/yaml/v3"
)

// member is the value of a name in an object; nil if it has none.
func member(object *yaml.Node, name string) *yaml.Node {
	if object == nil || object.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i < len(object.Content); i += 2 {
		if object.Content[i].Value == name {
			return object.Content[i+1]
		}
	}
	return nil
}

// valueOf is a member that is a string, "" if there is none.
func valueOf(object *yaml.Node, name string) string {
	if value := member(object, name); value != nil && value.Kind == yaml.ScalarNode {
		return value.Value
	}
	return ""
}

// elements are those of a member that is an array.
func elements(object *yaml.Node, name string) []*yaml.Node {
	if array := member(object, name); array != nil && array.Kind == yaml.SequenceNode {
		return array.Content
	}
	return nil
}

func scalar(value string) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Style: yaml.DoubleQuotedStyle, Value: value}
}

func sequence(elements ...*yaml.Node) *yaml.Node {
	return &yaml.Node{Kind: yaml.SequenceNode, Content: elements}
}

// mapping makes an object of names and values in turns.
func mapping(members ...any) *yaml.Node {
	object := &yaml.Node{Kind: yaml.MappingNode}
	for i := 0; i < len(members); i += 2 {
		object.Content = append(object.Content, scalar(members[i].(string)), members[i+1].(*yaml.Node))
	}
	return object
}

// insertAfter puts a member behind another.
func insertAfter(object *yaml.Node, after, name string, value *yaml.Node) {
	for i := 0; i < len(object.Content); i += 2 {
		if object.Content[i].Value == after {
			rest := append([]*yaml.Node{scalar(name), value}, object.Content[i+2:]...)
			object.Content = append(object.Content[:i+2:i+2], rest...)
			return
		}
	}
}

// oneLine says that an object is a translation, which is written on one line:
// one language, one line of a difference.
func oneLine(node *yaml.Node) bool {
	return node.Kind == yaml.MappingNode && (valueOf(node, "url") == translationURL || valueOf(node, "language") != "" && valueOf(node, "value") != "")
}

// appendJSON writes a node as JSON, indented by two spaces a level as the files
// are.
func appendJSON(dst []byte, node *yaml.Node, indent string) []byte {
	if node.Kind == yaml.ScalarNode {
		return append(dst, scalarJSON(node)...)
	}
	open, end, step := byte('{'), byte('}'), 2
	if node.Kind == yaml.SequenceNode {
		open, end, step = '[', ']', 1
	}
	if oneLine(node) {
		return appendLine(dst, node)
	}
	dst = append(dst, open)
	for i := 0; i < len(node.Content); i += step {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, "\n  "+indent...)
		if step == 2 {
			dst = append(append(dst, quote(node.Content[i].Value)...), ": "...)
		}
		dst = appendJSON(dst, node.Content[i+step-1], indent+"  ")
	}
	return append(append(dst, "\n"+indent...), end)
}

// appendLine writes a node without line breaks.
func appendLine(dst []byte, node *yaml.Node) []byte {
	line := appendJSONWhole(node)
	var compact bytes.Buffer
	if err := json.Compact(&compact, line); err != nil {
		panic(fmt.Errorf("merge: %w", err)) // it was written here
	}
	return append(dst, compact.Bytes()...)
}

// appendJSONWhole writes an object as if it were no translation.
func appendJSONWhole(node *yaml.Node) []byte {
	dst := []byte{'{'}
	for i := 0; i < len(node.Content); i += 2 {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(append(dst, quote(node.Content[i].Value)...), ':')
		dst = appendJSON(dst, node.Content[i+1], "")
	}
	return append(dst, '}')
}

// scalarJSON is a string, or a number, true or false as it stands in the file.
func scalarJSON(node *yaml.Node) []byte {
	if node.Tag == "!!str" || node.Style == yaml.DoubleQuotedStyle {
		return quote(node.Value)
	}
	return []byte(node.Value)
}

// quote writes a JSON string that HTML may be read in.
func quote(text string) []byte {
	var b bytes.Buffer
	encoder := json.NewEncoder(&b)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(text); err != nil {
		panic(fmt.Errorf("merge: %w", err)) // any text is a JSON string
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}
