package fhir

import (
	"bytes"
	"strings"

	"tidemark.example/tidemark/fhir/schema"
)

// LinkKind is where a link stands, which decides how it is matched and what it
// can become.
type LinkKind uint8

// The links that a transaction rewrites (R4 bundle.html 2.36.4.1). A canonical
// is none: it names what is published, whatever the server.
const (
	// LinkReference is Reference.reference.
	LinkReference LinkKind = iota
	// LinkURI is an element of type uri, url, oid or uuid.
	LinkURI
	// LinkNarrative is the href of an a or the src of an img.
	LinkNarrative
)

// Link is one place in a resource that names another resource.
type Link struct {
	// At is the element that holds it: the text of the reference, the URI, the
	// div.
	At   Node
	Kind LinkKind
	Text string
}

// Relinked is what a link becomes.
type Relinked struct {
	// Literal is the new text.
	Literal string
	// Type and Identifier, the latter as JSON, make a reference logical where
	// there is no Literal. Links of other kinds then stay as they are.
	Type, Identifier string
}

// Edit is a part of a document to be written anew.
type Edit struct {
	start, end uint32
	text       string
}

// Links calls visit with every link under the node, itself included, and adds
// the edits for those it gives another text.
func (n Node) Links(edits []Edit, visit func(Link) (Relinked, bool)) []Edit {
	d := n.document
	if d == nil {
		return edits
	}
	for i := n.index; i < n.at().next; i++ {
		at := &d.nodes[i]
		if at.element == nil || at.null || at.kind != nil {
			continue
		}
		node := Node{d, i}
		switch at.element.Kind {
		case schema.String:
			if at.element.Name == "reference" && d.nodes[at.parent].kind != nil && d.nodes[at.parent].kind.Name == "Reference" {
				if to, ok := visit(Link{node, LinkReference, node.Text()}); ok {
					edits, i = relinkReference(edits, node, to)
				}
			}
		case schema.URI, schema.URL, schema.OID, schema.UUID:
			if at.element.Name == "url" && d.nodes[at.parent].kind.Name == "Extension" {
				continue // it names the definition of the extension
			}
			if to, ok := visit(Link{node, LinkURI, node.Text()}); ok && to.Literal != "" {
				edits = append(edits, Edit{at.start, at.end, jsonString(to.Literal)})
			}
		case schema.XHTML:
			if text, changed := relinkNarrative(node, visit); changed {
				edits = append(edits, Edit{at.start, at.end, jsonString(text)})
			}
		}
	}
	return edits
}

// relinkReference writes the text anew, or the whole Reference as a logical one,
// and gives the last node that is thereby done.
func relinkReference(edits []Edit, node Node, to Relinked) ([]Edit, uint32) {
	at := node.at()
	if to.Literal != "" {
		return append(edits, Edit{at.start, at.end, jsonString(to.Literal)}), node.index
	}
	whole := Node{node.document, at.parent}
	for len(edits) > 0 && edits[len(edits)-1].start >= whole.at().start {
		edits = edits[:len(edits)-1] // within the Reference, before its text
	}
	others := appendMembers(nil, whole, func(name string) (string, bool) {
		return "", name == "reference" || name == "_reference" || name == "type" || name == "identifier"
	})
	text := `{"type":` + jsonString(to.Type) + `,"identifier":` + to.Identifier + string(others) + `}`
	return append(edits, Edit{whole.at().start, whole.at().end, text}), whole.at().next - 1
}

// relinkNarrative replaces the values of href and src in a div. The decoder has
// let only strings through, and a value that is no link stays as it was.
func relinkNarrative(node Node, visit func(Link) (Relinked, bool)) (string, bool) {
	text, changed := node.Text(), false
	var out strings.Builder
	for {
		at, value := nextAttribute(text)
		if at < 0 {
			break
		}
		out.WriteString(text[:at])
		if to, ok := visit(Link{node, LinkNarrative, value}); ok && to.Literal != "" {
			out.WriteString(to.Literal)
			changed = true
		} else {
			out.WriteString(value)
		}
		text = text[at+len(value):]
	}
	out.WriteString(text)
	return out.String(), changed
}

// nextAttribute finds the value of the next href or src: where it begins and
// what it is; -1 if there is none.
func nextAttribute(text string) (at int, value string) {
	for from := 0; ; {
		next := -1
		for _, name := range []string{"href=", "src="} {
			if i := strings.Index(text[from:], name); i >= 0 && (next < 0 || from+i+len(name) < next) {
				next = from + i + len(name)
			}
		}
		if next < 0 || next >= len(text) {
			return -1, ""
		}
		if quote := text[next]; quote == '"' || quote == '\'' {
			if end := strings.IndexByte(text[next+1:], quote); end >= 0 {
				return next + 1, text[next+1 : next+1+end]
			}
		}
		from = next
	}
}

// jsonString writes a text as a JSON string.
func jsonString(text string) string {
	dst := []byte{'"'}
	for _, c := range []byte(text) {
		switch {
		case c == '"' || c == '\\':
			dst = append(dst, '\\', c)
		case c < 0x20:
			dst = append(dst, `\u00`...)
			dst = append(dst, "0123456789abcdef"[c>>4], "0123456789abcdef"[c&15])
		default:
			dst = append(dst, c)
		}
	}
	return string(append(dst, '"'))
}

// Edited gives the data of the document with the edits made, which must not
// overlap and stand in the order of the document.
func (d *Document) Edited(edits []Edit) []byte {
	var out bytes.Buffer
	from := uint32(0)
	for _, e := range edits {
		out.Write(d.data[from:e.start])
		out.WriteString(e.text)
		from = e.end
	}
	out.Write(d.data[from:])
	return out.Bytes()
}

// Rewrite is the edit that gives an element other JSON.
func (n Node) Rewrite(text string) Edit {
	return Edit{start: n.at().start, end: n.at().end, text: text}
}
