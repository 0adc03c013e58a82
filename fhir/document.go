package fhir

import (
	"bytes"
	"strconv"
	"strings"
	"sync"

	"tidemark.example/tidemark/fhir/schema"
)

// Document is a decoded resource: its elements in document order, with the
// bytes they came from. It belongs to one goroutine.
type Document struct {
	data  []byte
	nodes []node
}

// node is one value: an object, a primitive or one element of an array.
// Children follow their parent, and next is the node after the last of them.
// Place counts the values of one array from 0, so that a path is made without
// counting them again: of many faults each one has a path.
type node struct {
	element *schema.Element
	kind    *schema.Type
	start   uint32
	end     uint32
	next    uint32
	parent  uint32
	place   uint32
	null    bool
	escaped bool
}

var documents = sync.Pool{New: func() any { return &Document{} }}

// Release gives the document's memory back. Nothing got from the document,
// texts excepted, may be used afterwards.
func (d *Document) Release() {
	clear(d.nodes)
	d.data, d.nodes = nil, d.nodes[:0]
	documents.Put(d)
}

// Root is the resource itself.
func (d *Document) Root() Node { return Node{d, 0} }

// Node is one element of a document; the zero Node is one that is not there.
type Node struct {
	document *Document
	index    uint32
}

func (n Node) at() *node { return &n.document.nodes[n.index] }

// Exists says whether the element is there.
func (n Node) Exists() bool { return n.document != nil }

// Name is the JSON name of the element, a choice spelled out (valueDecimal);
// for a resource at the root it is "".
func (n Node) Name() string {
	if n.document == nil || n.at().element == nil {
		return ""
	}
	return n.at().element.Name
}

// Kind is what sort of value the element holds; of one that is not there,
// Complex.
func (n Node) Kind() schema.Kind {
	if n.document == nil {
		return schema.Complex
	}
	if e := n.at().element; e != nil {
		return e.Kind
	}
	return schema.AnyResource
}

// Type is the name of the element's complex type or resource type, "" for a
// primitive.
func (n Node) Type() string {
	if n.document == nil || n.at().kind == nil {
		return ""
	}
	return n.at().kind.Name
}

// First is the first child.
func (n Node) First() Node {
	if n.document == nil || n.index+1 == n.at().next {
		return Node{}
	}
	return Node{n.document, n.index + 1}
}

// Next is the following sibling.
func (n Node) Next() Node {
	if n.document == nil {
		return Node{}
	}
	next, parent := n.at().next, n.at().parent
	if next >= n.document.nodes[parent].next || n.index == 0 {
		return Node{}
	}
	return Node{n.document, next}
}

// Get is the first child of that name which is not null.
func (n Node) Get(name string) Node {
	if n.document == nil {
		return Node{}
	}
	nodes := n.document.nodes
	for i, end := n.index+1, nodes[n.index].next; i < end; i = nodes[i].next {
		if nodes[i].element.Name == name && !nodes[i].null {
			return Node{n.document, i}
		}
	}
	return Node{}
}

// GetNext is the next sibling of the same element: of an array, the next value.
func (n Node) GetNext() Node {
	if n.document == nil {
		return Node{}
	}
	nodes := n.document.nodes
	element := nodes[n.index].element
	end := nodes[nodes[n.index].parent].next
	for i := nodes[n.index].next; i < end; i = nodes[i].next {
		if nodes[i].element == element && !nodes[i].null {
			return Node{n.document, i}
		}
	}
	return Node{}
}

// Choice is the child that is one of a choice, such as "value[x]". A companion
// (`_valueString`) is not the value.
func (n Node) Choice(choice string) Node {
	for c := n.First(); c.Exists(); c = c.Next() {
		if e := c.at().element; e.Choice == choice && e.Kind != schema.PrimitiveElement {
			return c
		}
	}
	return Node{}
}

// Each gives all children of that name.
func (n Node) Each(name string) func(yield func(Node) bool) {
	return func(yield func(Node) bool) {
		for c := n.Get(name); c.Exists(); c = c.GetNext() {
			if !yield(c) {
				return
			}
		}
	}
}

// Raw is the JSON of the element. It shares the document's memory.
func (n Node) Raw() []byte {
	if n.document == nil {
		return nil
	}
	return n.document.data[n.at().start:n.at().end]
}

// Members gives the members of an object in their order, each with its JSON as it
// was read, an array as a whole. The JSON shares the memory of the data.
func (n Node) Members() func(yield func(name string, raw []byte) bool) {
	return func(yield func(string, []byte) bool) {
		if n.document == nil {
			return
		}
		nodes, data := n.document.nodes, n.document.data
		for i, end := n.index+1, nodes[n.index].next; i < end; {
			element, start, last := nodes[i].element, int(nodes[i].start), i
			for i = nodes[i].next; i < end && nodes[i].element == element; i = nodes[i].next {
				last = i
			}
			stop := int(nodes[last].end)
			if element.Many { // only white space is between the brackets and the values
				start = bytes.LastIndexByte(data[:start], '[')
				stop += bytes.IndexByte(data[stop:], ']') + 1
			}
			if !yield(element.Name, data[start:stop]) {
				return
			}
		}
	}
}

// Is says whether the element is a string with exactly this text.
func (n Node) Is(text string) bool {
	if n.document == nil {
		return false
	}
	at := n.at()
	if at.escaped {
		return n.Text() == text
	}
	raw := n.document.data[at.start:at.end]
	return len(raw) == len(text)+2 && raw[0] == '"' && string(raw[1:len(raw)-1]) == text
}

// Bytes is the text of a string element, sharing the document's memory where
// it can; nil if the element is not there.
func (n Node) Bytes() []byte {
	if n.document == nil {
		return nil
	}
	at := n.at()
	raw := n.document.data[at.start:at.end]
	if len(raw) < 2 || raw[0] != '"' {
		return raw
	}
	if at.escaped {
		return unescape(raw[1 : len(raw)-1])
	}
	return raw[1 : len(raw)-1]
}

// Text is the text of a string element; "" if it is not there.
func (n Node) Text() string { return string(n.Bytes()) }

// Path is the FHIRPath of the element from the root of its document, such as
// QuestionnaireResponse.item[0].answer[0].value.
func (n Node) Path() string {
	if n.document == nil {
		return ""
	}
	var path strings.Builder
	n.document.path(&path, n.index)
	return path.String()
}

func (d *Document) path(b *strings.Builder, index uint32) {
	at := &d.nodes[index]
	if index == 0 {
		b.WriteString(at.kind.Name)
		return
	}
	d.path(b, at.parent)
	b.WriteByte('.')
	b.WriteString(pathName(at.element))
	if at.element.Many {
		b.WriteByte('[')
		b.WriteString(strconv.FormatUint(uint64(at.place), 10))
		b.WriteByte(']')
	}
}

// pathName is the name in FHIRPath, where a choice has its stem and a
// companion is its primitive.
func pathName(e *schema.Element) string {
	if e.Choice != "" {
		return strings.TrimSuffix(e.Choice, "[x]")
	}
	return strings.TrimPrefix(e.Name, "_")
}
