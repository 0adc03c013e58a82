package fhir

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"tidemark.example/tidemark/fhir/schema"
)

// Limits of what is decoded; what goes beyond is refused and not cut off.
const (
	// MaxDepth is the deepest nesting of objects. A form's items nest three or
	// four deep; the limit only keeps a hostile document from the stack.
	MaxDepth = 64
	// MaxNumber is the longest number in characters. R4 asks for 18 digits and
	// its examples go to 25 characters (observation-decimal).
	MaxNumber = 64
	// MaxFaults is how many faults are listed before the rest is only counted.
	MaxFaults = 200
	// maxAhead is how many times the length of the document is read in advance
	// to find resourceType. Each resource that names its type last needs its own
	// length once; only resources nested in a dozen others come to more.
	maxAhead = 8
)

// Decode reads one R4 resource of any type. The document keeps the data, which
// must not change before Release. A refused document is returned as Issues:
// the first fault only if it is not JSON at all, is not UTF-8, repeats a name
// or nests too deep; otherwise all of them.
func Decode(data []byte) (*Document, error) {
	document := documents.Get().(*Document)
	document.data = data
	s := scanner{Document: document, data: data}
	if s.document() && len(s.faults) == 0 {
		return document, nil
	}
	faults := s.faults
	if s.fatal != nil {
		faults = Issues{*s.fatal}
	} else if s.more > 0 {
		faults = append(faults, Issue{Severity: Information, Code: IssueTooLong, Text: fmt.Sprintf("%d more faults are not listed.", s.more)})
	}
	document.Release()
	return nil, faults
}

// scanner reads the document once, from front to back, and puts every value on
// the tape of nodes as it goes. Its functions return false only when the
// document cannot be read further, with fatal set.
type scanner struct {
	*Document
	data   []byte
	pos    int
	depth  int
	ahead  int // bytes read in advance so far
	faults Issues
	more   int
	fatal  *Issue
}

func (s *scanner) document() bool {
	switch {
	case len(s.data) > math.MaxInt32:
		return s.stop(IssueTooLong, "The document is too long.")
	case strings.HasPrefix(string(s.data[:min(3, len(s.data))]), "\xEF\xBB\xBF"):
		return s.stop(IssueStructure, "The document starts with a byte order mark; send the JSON without it.")
	case !utf8.Valid(s.data):
		return s.stop(IssueStructure, "The document is not valid UTF-8; encode it as UTF-8.")
	}
	s.space()
	if s.peek() != '{' {
		return s.stop(IssueStructure, "The document is not a JSON object; a FHIR resource starts with {.")
	}
	s.nodes = append(s.nodes, node{start: uint32(s.pos)})
	if !s.resource(0) {
		return false
	}
	s.space()
	if s.pos != len(s.data) {
		return s.syntax("There is data after the end of the resource; send one resource alone.")
	}
	return true
}

// resource reads an object that names its own type.
func (s *scanner) resource(self uint32) bool {
	name, ok := s.resourceType()
	if !ok {
		return false
	}
	kind := schema.Resource(schema.ResourceName(name))
	if kind == nil {
		// Paths need a name for the root even when it has none.
		if s.nodes[self].kind = schema.TypeNamed("Resource"); len(name) == 0 {
			s.fault(self, IssueStructure, "resourceType is missing or not a string; it names the type of the resource.")
		} else {
			s.fault(self, IssueStructure, "resourceType names no resource of FHIR R4 (names are case-sensitive).")
		}
		start := s.pos
		ok := s.skip()
		s.nodes[self].start, s.nodes[self].end, s.nodes[self].next = uint32(start), uint32(s.pos), uint32(len(s.nodes))
		return ok
	}
	return s.object(kind, self)
}

// resourceType looks ahead for the type's name, which may stand at any place
// in the object (R4 json.html 2.6.2), and leaves the position where it was.
func (s *scanner) resourceType() ([]byte, bool) {
	start := s.pos
	defer func() {
		s.ahead += s.pos - start
		s.pos = start
	}()
	if s.ahead > maxAhead*len(s.data) {
		return nil, s.stop(IssueTooCostly, "Too many resources within resources name their resourceType after their content; put it first.")
	}
	s.pos++
	for s.space(); s.peek() == '"'; s.space() {
		name, ok := s.name()
		if !ok {
			return nil, false
		}
		found := string(name) == "resourceType"
		if found && s.peek() == '"' {
			return s.unescaped()
		}
		if found {
			return nil, true
		}
		if !s.skip() {
			return nil, false
		}
		if s.space(); s.peek() == ',' {
			s.pos++
		}
	}
	return nil, true
}

// object reads the members of an object of a known type.
func (s *scanner) object(kind *schema.Type, self uint32) bool {
	s.nodes[self].kind = kind
	if !s.deeper() {
		s.fatal.Expression = s.pathOf(self)
		return false
	}
	var seen seenSet
	s.nodes[self].start = uint32(s.pos)
	s.pos++
	s.space()
	if s.peek() == '}' {
		s.pos++
		s.fault(self, IssueStructure, "The object is empty; leave the property out instead.")
	} else if !s.members(kind, self, &seen) {
		return false
	}
	s.nodes[self].end, s.nodes[self].next = uint32(s.pos), uint32(len(s.nodes))
	for i := range kind.Required {
		if r := &kind.Required[i]; !seen.any(r.Elements) {
			s.fault(self, IssueRequired, r.Name+" is missing; R4 requires it in "+kind.Name+".")
		}
	}
	if seen.paired {
		s.checkPairs(self)
	}
	s.depth--
	return true
}

// seenSet holds which members of one object have been read.
type seenSet struct {
	bits   [schema.MaxMembers / 64]uint64
	groups uint64
	// paired says that an array has a null or is one of companions, so that
	// the two arrays have to be held against each other.
	paired  bool
	unknown map[string]bool
}

func (b *seenSet) has(e *schema.Element) bool { return b.bits[e.Index>>6]&(1<<(e.Index&63)) != 0 }

func (b *seenSet) any(elements []*schema.Element) bool {
	return slices.ContainsFunc(elements, b.has)
}

func (s *scanner) members(kind *schema.Type, self uint32, seen *seenSet) bool {
	for {
		if s.peek() != '"' {
			return s.syntax("A property name in double quotes is missing.")
		}
		name, ok := s.name()
		if !ok {
			return false
		}
		e := kind.Lookup(name)
		switch {
		case e == nil:
			ok = s.unknown(kind, self, string(name), seen)
		case seen.has(e):
			return s.duplicate(self, e.Name)
		default:
			seen.bits[e.Index>>6] |= 1 << (e.Index & 63)
			if e.Group != 0 {
				s.choose(kind, self, e, seen)
			}
			ok = s.value(e, self, seen)
		}
		if !ok {
			return false
		}
		s.space()
		switch s.peek() {
		case ',':
			s.pos++
			s.space()
		case '}':
			s.pos++
			return true
		default:
			return s.syntax("A comma or } is missing.")
		}
	}
}

// choose refuses a second value of one choice; a primitive and its own
// companion are one.
func (s *scanner) choose(kind *schema.Type, self uint32, e *schema.Element, seen *seenSet) {
	if bit := uint64(1) << e.Group; seen.groups&bit == 0 {
		seen.groups |= bit
		return
	}
	for _, other := range kind.Elements {
		if other.Group == e.Group && other != e && other != e.Companion && seen.has(other) {
			s.fault(self, IssueStructure, "There is more than one "+e.Choice+"; send only one of its types.")
			return
		}
	}
}

func (s *scanner) unknown(kind *schema.Type, self uint32, name string, seen *seenSet) bool {
	if seen.unknown[name] {
		return s.duplicate(self, clip(name))
	}
	if seen.unknown == nil {
		seen.unknown = map[string]bool{}
	}
	if seen.unknown[name] = true; len(s.faults) >= MaxFaults {
		s.more++
		return s.skip()
	}
	hint := "remove it or correct its spelling"
	if e := kind.Fold(name); e != nil {
		hint = "names are case-sensitive, write " + e.Name
	} else if kind.HasChoice(name + "[x]") {
		hint = "spell out its type"
	}
	s.fault(self, IssueStructure, fmt.Sprintf("%s has no property %q; %s.", kind.Name, clip(name), hint))
	return s.skip()
}

func (s *scanner) duplicate(self uint32, name string) bool {
	s.fatal = &Issue{Severity: Fatal, Code: IssueStructure, Class: Malformed, Expression: s.pathOf(self),
		Text: fmt.Sprintf("The property %q appears twice in one object; send it once.", name)}
	return false
}

// value reads what follows a known name: one value, or an array of them.
func (s *scanner) value(e *schema.Element, parent uint32, seen *seenSet) bool {
	if !e.Many {
		if s.peek() == '[' {
			return s.wrong(s.push(e, parent, 0), "It must be a single value, not an array.")
		}
		return s.one(s.push(e, parent, 0), nil)
	}
	if s.peek() != '[' {
		return s.wrong(s.push(e, parent, 0), "It must be an array; put the value in [ ].")
	}
	seen.paired = seen.paired || e.Kind == schema.PrimitiveElement
	s.pos++
	s.space()
	if s.peek() == ']' {
		s.pos++
		s.fault(s.push(e, parent, 0), IssueStructure, "The array is empty; leave the property out instead.")
		return true
	}
	for place := uint32(0); ; place++ {
		self := s.push(e, parent, place)
		if s.peek() == '[' {
			if !s.wrong(self, "It must not be an array within an array.") {
				return false
			}
		} else if !s.one(self, seen) {
			return false
		}
		s.space()
		switch s.peek() {
		case ',':
			s.pos++
			s.space()
		case ']':
			s.pos++
			return true
		default:
			return s.syntax("A comma or ] is missing.")
		}
	}
}

// one reads one value. In an array seen notes a null, which may stand there
// for a primitive that has only a companion.
func (s *scanner) one(self uint32, seen *seenSet) bool {
	e := s.nodes[self].element
	if e.Name == "modifierExtension" {
		s.rule(self, IssueExtension, "A modifierExtension can change the meaning of the resource, and none is known here; the resource cannot be processed with it.")
	}
	c := s.peek()
	switch {
	case c == 'n':
		return s.null(e, self, seen)
	case e.Kind.Primitive():
		return s.primitive(e, self)
	case c != '{':
		s.fault(self, IssueStructure, "It must be a JSON object.")
		return s.skipNode(self)
	case e.Kind == schema.AnyResource:
		s.nodes[self].start = uint32(s.pos)
		return s.resource(self)
	default:
		return s.object(e.Type, self)
	}
}

func (s *scanner) null(e *schema.Element, self uint32, seen *seenSet) bool {
	if !s.literal("null") {
		return false
	}
	s.nodes[self].null, s.nodes[self].end = true, uint32(s.pos)
	if seen == nil || e.Companion == nil {
		s.fault(self, IssueStructure, "null is not allowed; leave the property out instead.")
		return true
	}
	seen.paired = true
	return true
}

// checkPairs holds the rule for the two arrays of a primitive that repeats (R4
// json.html 2.6.2.3): where both are sent they are as long, and each place has
// a value, a companion or both.
func (s *scanner) checkPairs(self uint32) {
	checked := map[*schema.Element]bool{}
	for i := self + 1; i < s.nodes[self].next; i = s.nodes[i].next {
		e := s.nodes[i].element
		paired := s.nodes[i].null || e.Kind == schema.PrimitiveElement
		if !paired || !e.Many || e.Companion == nil || checked[e] || checked[e.Companion] {
			continue
		}
		checked[e] = true
		mine, theirs := s.nullsOf(self, e), s.nullsOf(self, e.Companion)
		if !fits(mine, theirs) {
			s.fault(i, IssueStructure, "null stands for a value that has extensions only, in an array beside "+e.Companion.Name+" of the same length; leave it out otherwise.")
		}
	}
}

// fits says whether two arrays, given by where they have null, belong together.
func fits(mine, theirs []bool) bool {
	if len(theirs) == 0 {
		return !slices.Contains(mine, true)
	}
	for i := range mine {
		if len(mine) != len(theirs) || mine[i] && theirs[i] {
			return false
		}
	}
	return true
}

func (s *scanner) nullsOf(parent uint32, e *schema.Element) []bool {
	var nulls []bool
	for i := parent + 1; i < s.nodes[parent].next; i = s.nodes[i].next {
		if s.nodes[i].element == e {
			nulls = append(nulls, s.nodes[i].null)
		}
	}
	return nulls
}

// push puts a value on the tape; place is where it stands in its array.
func (s *scanner) push(e *schema.Element, parent, place uint32) uint32 {
	self := uint32(len(s.nodes))
	s.nodes = append(s.nodes, node{element: e, start: uint32(s.pos), end: uint32(s.pos), next: self + 1, parent: parent, place: place})
	return self
}

func (s *scanner) wrong(self uint32, text string) bool {
	s.fault(self, IssueStructure, text)
	return s.skipNode(self)
}

func (s *scanner) skipNode(self uint32) bool {
	ok := s.skip()
	s.nodes[self].end = uint32(s.pos)
	return ok
}

func (s *scanner) pathOf(self uint32) string {
	if int(self) >= len(s.nodes) {
		return ""
	}
	if s.nodes[0].kind == nil {
		s.nodes[0].kind = schema.TypeNamed("Resource")
	}
	return Node{s.Document, self}.Path()
}

func (s *scanner) fault(self uint32, code IssueType, text string) {
	s.add(self, Issue{Severity: Error, Code: code, Class: Malformed, Text: text})
}

func (s *scanner) rule(self uint32, code IssueType, text string) {
	s.add(self, Issue{Severity: Error, Code: code, Class: Rule, Text: text})
}

func (s *scanner) add(self uint32, issue Issue) {
	if len(s.faults) >= MaxFaults {
		s.more++
		return
	}
	issue.Expression = s.pathOf(self)
	s.faults = append(s.faults, issue)
}

func (s *scanner) stop(code IssueType, text string) bool {
	if s.fatal == nil {
		s.fatal = &Issue{Severity: Fatal, Code: code, Class: Malformed, Text: text}
	}
	return false
}

// syntax stops with the place of the fault, which no FHIRPath can give.
func (s *scanner) syntax(text string) bool {
	pos := min(s.pos, len(s.data))
	line := 1 + strings.Count(string(s.data[:pos]), "\n")
	column := pos - strings.LastIndexByte(string(s.data[:pos]), '\n')
	return s.stop(IssueStructure, fmt.Sprintf("The document is not JSON: %s (line %d, column %d)", text, line, column))
}

// --- the JSON grammar (RFC 8259), no more ---

func (s *scanner) peek() byte {
	if s.pos < len(s.data) {
		return s.data[s.pos]
	}
	return 0
}

func (s *scanner) space() {
	for s.pos < len(s.data) && s.data[s.pos] <= ' ' {
		switch s.data[s.pos] {
		case ' ', '\n', '\r', '\t':
			s.pos++
		default:
			return
		}
	}
}

// name reads a property name and the colon, and stops at the value.
func (s *scanner) name() ([]byte, bool) {
	name, ok := s.unescaped()
	if !ok {
		return nil, false
	}
	s.space()
	if s.peek() != ':' {
		return nil, s.syntax("A colon is missing after a property name.")
	}
	s.pos++
	s.space()
	return name, true
}

// unescaped reads a string and resolves its escapes.
func (s *scanner) unescaped() ([]byte, bool) {
	start := s.pos + 1
	escaped, ok := s.text()
	if !ok {
		return nil, false
	}
	text := s.data[start : s.pos-1]
	if escaped {
		text = unescape(text)
	}
	return text, true
}

// deeper counts one more level of nesting.
func (s *scanner) deeper() bool {
	if s.depth++; s.depth > MaxDepth {
		return s.stop(IssueStructure, fmt.Sprintf("The document nests objects more than %d deep.", MaxDepth))
	}
	return true
}

// skip passes over one value of any kind, still held to the grammar.
func (s *scanner) skip() bool {
	switch c := s.peek(); {
	case c == '{':
		return s.skipNested('}', func() bool {
			if s.peek() != '"' {
				return s.syntax("A property name in double quotes is missing.")
			}
			_, ok := s.name()
			return ok && s.skip()
		})
	case c == '[':
		return s.skipAll(']', s.skipElement)
	case c == '"':
		_, ok := s.text()
		return ok
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	case c == 't':
		return s.literal("true")
	case c == 'f':
		return s.literal("false")
	default:
		return s.literal("null")
	}
}

// skipElement passes over one element of an array. An array directly within an
// array, which FHIR never has, counts as a level; an array of objects is none
// of its own, as in a known object.
func (s *scanner) skipElement() bool {
	if s.peek() == '[' {
		return s.skipNested(']', s.skipElement)
	}
	return s.skip()
}

func (s *scanner) skipNested(closing byte, member func() bool) bool {
	if !s.deeper() {
		return false
	}
	defer func() { s.depth-- }()
	return s.skipAll(closing, member)
}

func (s *scanner) skipAll(closing byte, member func() bool) bool {
	s.pos++
	s.space()
	if s.peek() == closing {
		s.pos++
		return true
	}
	for {
		if !member() {
			return false
		}
		s.space()
		switch s.peek() {
		case ',':
			s.pos++
			s.space()
		case closing:
			s.pos++
			return true
		default:
			return s.syntax("A comma or closing bracket is missing.")
		}
	}
}

// clip shortens a name that a sender made up before it is repeated to him.
func clip(name string) string {
	if len(name) <= 40 {
		return name
	}
	return strings.ToValidUTF8(name[:40], "") + "..."
}
