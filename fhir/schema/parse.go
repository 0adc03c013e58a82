package schema

import (
	"slices"
	"strings"
)

// parse reads the table. It panics on a malformed one, which is a fault of the
// build and not of any input.
func parse(text string) map[string]*Type {
	types := map[string]*Type{}
	blocks := split(text)
	for _, block := range blocks {
		name, mark, _ := strings.Cut(block[0], " ")
		types[name] = &Type{Name: name, Resource: mark == "resource"}
	}
	for _, name := range quantities {
		types[name] = types["Quantity"]
	}
	for _, block := range blocks {
		name, _, _ := strings.Cut(block[0], " ")
		types[name].fill(block[1:], types)
	}
	return types
}

// split cuts the table into one block of lines for each type.
func split(text string) [][]string {
	var blocks [][]string
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		switch {
		case strings.HasPrefix(line, "#") || line == "":
		case strings.HasPrefix(line, " "):
			last := len(blocks) - 1
			blocks[last] = append(blocks[last], line[1:])
		default:
			blocks = append(blocks, []string{line})
		}
	}
	return blocks
}

func (t *Type) fill(lines []string, types map[string]*Type) {
	if t.Resource {
		t.add(&Element{Name: "resourceType", Kind: ResourceType})
	}
	groups := uint8(0)
	for _, line := range lines {
		// name, types, cardinality, flags, codes
		f := strings.SplitN(line, " ", 5)
		proto := Element{
			Many: f[2] == "*" || f[2] == "+", Required: f[2] == "1" || f[2] == "+",
			Summary: strings.Contains(f[3], "s"), Modifier: strings.Contains(f[3], "m"),
		}
		if len(f) == 5 {
			proto.Codes = strings.Split(f[4], "|")
		}
		if stem, ok := strings.CutSuffix(f[0], "[x]"); ok {
			groups++
			proto.Choice, proto.Group = f[0], groups
			t.addChoice(proto, stem, strings.Split(f[1], "|"), types)
			continue
		}
		added := t.addNamed(proto, f[0], f[1], types)
		if proto.Required {
			t.Required = append(t.Required, Requirement{Name: f[0], Elements: added})
		}
	}
	if len(t.Elements) > MaxMembers {
		panic("schema: " + t.Name + " has too many members")
	}
	t.index()
}

func (t *Type) addChoice(proto Element, stem string, names []string, types map[string]*Type) {
	var any []*Element
	for _, name := range names {
		any = append(any, t.addNamed(proto, stem+strings.ToUpper(name[:1])+name[1:], name, types)...)
	}
	if proto.Required {
		t.Required = append(t.Required, Requirement{Name: proto.Choice, Elements: any})
	}
}

// addNamed adds a member and, for a primitive, its companion.
func (t *Type) addNamed(e Element, name, typeName string, types map[string]*Type) []*Element {
	e.Name = name
	if kind, ok := primitives[typeName]; ok {
		e.Kind = kind
		if t.Resource && name == "id" {
			e.Kind = ID // the definitions have it as a bare string of FHIRPath
		}
		companion := Element{
			Name: "_" + name, Kind: PrimitiveElement, Type: types["Element"], Many: e.Many,
			Choice: e.Choice, Group: e.Group, Summary: e.Summary, Companion: &e,
		}
		e.Companion = &companion
		// Narrative.div and Extension.url are attributes of the XML form and
		// ids are bare: none of them has a companion (R4 json.html 2.6.2.2).
		if kind != XHTML && name != "id" {
			t.add(&companion)
		}
		t.add(&e)
		return []*Element{&e, &companion}
	}
	e.Type = types[typeName]
	if typeName == "Resource" {
		e.Kind, e.Type = AnyResource, nil
	} else if e.Type == nil {
		panic("schema: " + t.Name + "." + name + " has the unknown type " + typeName)
	}
	t.add(&e)
	return []*Element{&e}
}

func (t *Type) add(e *Element) { t.Elements = append(t.Elements, e) }

// HasCode says whether a code is allowed for the element.
func (e *Element) HasCode(code string) bool {
	if e.Codes == nil {
		return true
	}
	_, found := slices.BinarySearch(e.Codes, code)
	return found
}
