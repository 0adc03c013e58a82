// Package schema knows the elements of FHIR R4: which members each type has,
// how often, of what kind and with which required codes. It is read once from
// a table that the generate command writes from HL7's own StructureDefinitions.
package schema

import (
	_ "embed"
	"slices"
	"strings"
	"sync"
)

//go:embed r4.txt
var table string

// Kind is what a JSON value of an element must be.
type Kind uint8

// The kinds: complex ones first, then the primitives of R4 datatypes.html.
const (
	// Complex is an object of the element's Type.
	Complex Kind = iota
	// AnyResource is an object that names its own type by resourceType.
	AnyResource
	// ResourceType is the member that names a resource's type.
	ResourceType
	// PrimitiveElement is the `_name` companion of a primitive: its id and
	// extensions.
	PrimitiveElement
	Boolean
	Integer
	PositiveInt
	UnsignedInt
	Decimal
	String
	Markdown
	Code
	ID
	URI
	URL
	Canonical
	OID
	UUID
	Base64Binary
	Date
	DateTime
	Instant
	Time
	XHTML
)

// primitives by their FHIR names.
var primitives = map[string]Kind{
	"boolean": Boolean, "integer": Integer, "positiveInt": PositiveInt, "unsignedInt": UnsignedInt,
	"decimal": Decimal, "string": String, "markdown": Markdown, "code": Code, "id": ID, "uri": URI,
	"url": URL, "canonical": Canonical, "oid": OID, "uuid": UUID, "base64Binary": Base64Binary,
	"date": Date, "dateTime": DateTime, "instant": Instant, "time": Time, "xhtml": XHTML,
}

// quantities are R4's profiles on Quantity that appear as type names.
var quantities = []string{"Age", "Count", "Distance", "Duration", "MoneyQuantity", "SimpleQuantity"}

// String gives the FHIR name of a primitive kind.
func (k Kind) String() string {
	for name, kind := range primitives {
		if kind == k {
			return name
		}
	}
	return "object"
}

// Primitive says whether values of the kind are JSON strings, numbers or
// booleans rather than objects.
func (k Kind) Primitive() bool { return k >= Boolean || k == ResourceType }

// MaxMembers bounds the members of one type, companions and choices included.
const MaxMembers = 512

// Element is one member that a type may have.
type Element struct {
	// Name is the JSON name, a choice already spelled out (valueDecimal).
	Name string
	Kind Kind
	// Type is that of a Complex value or of a PrimitiveElement.
	Type *Type
	// Many says that the JSON value is an array.
	Many bool
	// Required says that the minimum is 1; for a choice see Type.Required.
	Required bool
	// Summary and Modifier are the flags of the definition.
	Summary, Modifier bool
	// Codes are the only ones allowed, sorted; nil for no such list.
	Codes []string
	// Index is the place of the element among its type's members.
	Index uint16
	// Choice is the name of the choice (value[x]) that the element is one of,
	// Group its number within the type from 1; "" and 0 for none.
	Choice string
	Group  uint8
	// Companion is the `_name` member of a primitive, or the primitive of a
	// companion.
	Companion *Element
}

// Type is a resource, a data type or a backbone element.
type Type struct {
	// Name is the FHIR name, for backbone elements the path.
	Name string
	// Resource says that the type may stand alone.
	Resource bool
	// Elements are the members in the order of the definition.
	Elements []*Element
	// Required lists what must be there, choices as one.
	Required []Requirement

	slots []*Element
	mask  uint32
}

// Requirement is a mandatory element: any one of Elements satisfies it.
type Requirement struct {
	Name     string
	Elements []*Element
}

// hash spreads short names by length and three characters; Lookup compares in
// full, so a collision costs a step and nothing else.
func hash(name []byte) uint32 {
	n := uint32(len(name))
	return n*0x9E3779B1 ^ uint32(name[0])*0x85EBCA6B ^ uint32(name[n>>1])*0xC2B2AE35 ^ uint32(name[n-1])*0x27D4EB2F
}

func slot(h uint32) uint32 { return h ^ h>>15 }

// Lookup finds a member by its JSON name; nil if the type has none of it.
func (t *Type) Lookup(name []byte) *Element {
	if len(name) == 0 {
		return nil
	}
	for i := slot(hash(name)) & t.mask; ; i = (i + 1) & t.mask {
		e := t.slots[i]
		if e == nil {
			return nil
		}
		if e.Name == string(name) {
			return e
		}
	}
}

// Fold finds a member whose name differs from the one given only in case, to
// tell a sender what was meant; nil if there is none.
func (t *Type) Fold(name string) *Element {
	i := slices.IndexFunc(t.Elements, func(e *Element) bool { return strings.EqualFold(e.Name, name) })
	if i < 0 {
		return nil
	}
	return t.Elements[i]
}

// HasChoice says whether the type has a choice of that name, as "value[x]".
func (t *Type) HasChoice(choice string) bool {
	return slices.ContainsFunc(t.Elements, func(e *Element) bool { return e.Choice == choice })
}

// index builds the lookup table at most a quarter full.
func (t *Type) index() {
	size := uint32(8)
	for size < uint32(4*len(t.Elements)) {
		size *= 2
	}
	t.slots, t.mask = make([]*Element, size), size-1
	for i, e := range t.Elements {
		e.Index = uint16(i)
		at := slot(hash([]byte(e.Name))) & t.mask
		for t.slots[at] != nil {
			at = (at + 1) & t.mask
		}
		t.slots[at] = e
	}
}

var load = sync.OnceValue(func() map[string]*Type { return parse(table) })

// Resource finds a resource type by name; nil if R4 has none of it.
func Resource(name string) *Type {
	if t := load()[name]; t != nil && t.Resource {
		return t
	}
	return nil
}

// TypeNamed finds any type by name or, for backbone elements, by path.
func TypeNamed(name string) *Type { return load()[name] }

// Resources lists the names of all resource types, sorted.
func Resources() []string {
	var names []string
	for name, t := range load() {
		if t.Resource {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// ResourceName gives the name of a resource type without allocating, "" if
// R4 has none of it.
func ResourceName(name []byte) string {
	if t := load()[string(name)]; t != nil && t.Resource {
		return t.Name
	}
	return ""
}
