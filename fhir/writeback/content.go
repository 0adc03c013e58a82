package writeback

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
)

// identifier is the business identifier that a score is found by at a target.
type identifier struct{ system, value string }

// content is one stored version in the shape in which a target gets it: as it
// is, without the id and the version that only mean something here.
type content struct {
	kind       string
	identifier identifier
	// head and rest are, one behind the other, the members that follow the type and
	// the id, and the brace that ends the resource.
	head string
	rest []byte
	// body is what was stored; parsed is that as a tree, once it was asked for.
	body   []byte
	parsed map[string]any
	// spare is what lies before rest in the body and is ours to write over, once: a
	// request that was given up may still be reading what was sent first.
	spare []byte
}

// tree is the resource as a tree. Most deliveries need none: it is for comparing
// with what a target answers.
func (c *content) tree() map[string]any {
	if c.parsed == nil {
		c.parsed, _ = parseResource(c.body) // newContent has read it as an object of a type
	}
	return c.parsed
}

// member is one member of a resource, its value as the bytes that were stored.
type member struct {
	name string
	raw  json.RawMessage
}

// errIdentifier says that a stored resource cannot be delivered once only.
var errIdentifier = errors.New("writeback: the stored resource has no identifier of " + observation.IdentifierSystem)

// errKind says that JSON is no FHIR resource.
var errKind = errors.New("writeback: not a FHIR resource")

// newContent shapes a stored body, which must be a resource of R4.
func newContent(body []byte) (content, error) { return contentBy(body, observation.IdentifierSystem) }

// contentBy shapes a body that is found by its identifier of a system.
func contentBy(body []byte, system string) (content, error) {
	document, err := fhir.Decode(body)
	if err != nil {
		return content{}, errScore
	}
	defer document.Release()
	return shapedBy(document.Root(), body, system)
}

// contentOf shapes a resource that was read from a body.
func contentOf(resource fhir.Node, body []byte) (content, error) {
	return shapedBy(resource, body, observation.IdentifierSystem)
}

// shapedBy is contentOf for a resource that is found by another identifier.
func shapedBy(resource fhir.Node, body []byte, system string) (content, error) {
	c := content{body: body, kind: resource.Type()}
	members := make([]member, 0, 24) // a score has about twenty
	for name, raw := range resource.Members() {
		switch name {
		case "resourceType", "id":
			continue
		case "meta":
			if raw = stripMeta(resource.Get("meta")); raw == nil {
				continue
			}
		}
		members = append(members, member{name, raw})
	}
	c.rest = encodeMembers(members)[len(`{`):]
	for each := range resource.Each("identifier") {
		if each.Get("system").Is(system) {
			c.identifier = identifier{system, each.Get("value").Text()}
			break
		}
	}
	if c.identifier.value == "" {
		return content{}, errIdentifier
	}
	return c, nil
}

// membersOf gives the members of a stored resource in their order, as parts of it.
func membersOf(body []byte) ([]member, error) {
	document, err := fhir.Decode(body)
	if err != nil {
		return nil, errScore
	}
	defer document.Release()
	var members []member
	for name, raw := range document.Root().Members() {
		members = append(members, member{name, raw})
	}
	return members, nil
}

// stripMeta drops what the target sets itself; nil if nothing is left.
func stripMeta(meta fhir.Node) json.RawMessage {
	var kept []member
	for name, raw := range meta.Members() {
		if name != "versionId" && name != "lastUpdated" {
			kept = append(kept, member{name, raw})
		}
	}
	if len(kept) == 0 {
		return nil
	}
	return encodeMembers(kept)
}

// encode writes the body for a target, under the target's id once it is known. The
// first time it is written over what was stored, where that has the room, so that a
// score of 12 kB is not copied; the id and meta of the tree are then those sent.
func (c *content) encode(id string) []byte {
	begin := make([]byte, 0, 256)
	begin = append(append(append(begin, `{"resourceType":"`...), c.kind...), '"')
	if id != "" {
		begin = append(append(begin, `,"id":`...), quote(id)...)
	}
	begin = append(append(begin, ','), c.head...)
	unused := len(c.spare) - len(begin)
	if unused < 0 {
		return append(append(make([]byte, 0, len(begin)+len(c.rest)), begin...), c.rest...)
	}
	c.body, c.spare = c.body[unused:], nil
	copy(c.body, begin)
	return c.body
}

// encodeMembers writes an object.
func encodeMembers(members []member) []byte {
	size := 2
	for _, m := range members {
		size += len(m.name) + len(m.raw) + len(`"":,`)
	}
	dst := append(make([]byte, 0, size), '{')
	for i, m := range members {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendName(dst, m.name)
		dst = append(dst, m.raw...)
	}
	return append(dst, '}')
}

// appendName writes the name of a member and a colon. The names of FHIR are
// letters, which JSON has as they are.
func appendName(dst []byte, name string) []byte {
	for _, c := range []byte(name) {
		if c < 'A' || c > 'z' || c == '\\' {
			return append(append(dst, quote(name)...), ':')
		}
	}
	dst = append(append(dst, '"'), name...)
	return append(dst, '"', ':')
}

// quote writes a string as JSON. Marshalling a string cannot fail.
func quote(text string) []byte {
	quoted, _ := json.Marshal(text)
	return quoted
}

// parseResource reads a resource with its numbers as they are written.
func parseResource(body []byte) (map[string]any, error) {
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	var tree map[string]any
	if err := decoder.Decode(&tree); err != nil {
		return nil, fmt.Errorf("writeback: not a JSON object: %w", err)
	}
	if kind, _ := tree["resourceType"].(string); kind == "" {
		return nil, errKind
	}
	return tree, nil
}

// carries says whether a resource is the one an identifier stands for.
func carries(tree map[string]any, kind string, id identifier) bool {
	all, _ := tree["identifier"].([]any)
	for _, each := range all {
		object, _ := each.(map[string]any)
		if object["system"] == id.system && object["value"] == id.value {
			return tree["resourceType"] == kind
		}
	}
	return false
}
