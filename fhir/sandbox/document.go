package sandbox

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// maxDepth bounds the nesting of a body. The deepest R4 example has fewer than twenty levels (common practice).
const maxDepth = 100

// object is a JSON object with its members in the order in which the client sent them. Values are *object, []any,
// string, json.Number, bool or nil: a number is kept as the characters of its literal and never becomes a float.
type object struct {
	members []member
}

// member is one name and value of an object.
type member struct {
	name  string
	value any
}

// get answers the value of a member, or nil when there is none.
func (o *object) get(name string) any {
	for _, m := range o.members {
		if m.name == name {
			return m.value
		}
	}
	return nil
}

// text answers a member's value when it is a string, else the empty string.
func (o *object) text(name string) string {
	s, _ := o.get(name).(string)
	return s
}

// child answers a member's value when it is an object, else nil.
func (o *object) child(name string) *object {
	c, _ := o.get(name).(*object)
	return c
}

// set replaces a member in place, or adds it at the end.
func (o *object) set(name string, value any) {
	for i := range o.members {
		if o.members[i].name == name {
			o.members[i].value = value
			return
		}
	}
	o.members = append(o.members, member{name, value})
}

// setAfter is set, but a new member goes right behind the one named: id and meta are read near the top.
func (o *object) setAfter(before, name string, value any) {
	if o.get(name) != nil {
		o.set(name, value)
		return
	}
	for i := range o.members {
		if o.members[i].name == before {
			tail := append([]member{{name, value}}, o.members[i+1:]...)
			o.members = append(o.members[:i+1], tail...)
			return
		}
	}
	o.set(name, value)
}

// remove drops a member.
func (o *object) remove(name string) {
	for i := range o.members {
		if o.members[i].name == name {
			o.members = append(o.members[:i], o.members[i+1:]...)
			return
		}
	}
}

// MarshalJSON writes the members in their order, without HTML escapes.
func (o *object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	if err := write(&b, o); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// encode is the compact JSON of a tree that parse, or this package, has built.
func encode(value any) []byte {
	var b bytes.Buffer
	if err := write(&b, value); err != nil {
		// Only a value this package never builds can get here; saying so beats a silent empty body.
		panic(fmt.Errorf("sandbox: encode %T: %w", value, err))
	}
	return b.Bytes()
}

func write(b *bytes.Buffer, value any) error {
	switch v := value.(type) {
	case *object:
		return writeObject(b, v)
	case []any:
		return writeArray(b, v)
	case json.Number:
		b.WriteString(v.String())
		return nil
	default:
		return writeScalar(b, v)
	}
}

func writeObject(b *bytes.Buffer, o *object) error {
	b.WriteByte('{')
	for i, m := range o.members {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := writeScalar(b, m.name); err != nil {
			return err
		}
		b.WriteByte(':')
		if err := write(b, m.value); err != nil {
			return err
		}
	}
	b.WriteByte('}')
	return nil
}

func writeArray(b *bytes.Buffer, items []any) error {
	b.WriteByte('[')
	for i, item := range items {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := write(b, item); err != nil {
			return err
		}
	}
	b.WriteByte(']')
	return nil
}

func writeScalar(b *bytes.Buffer, value any) error {
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(value); err != nil {
		return err
	}
	b.Truncate(b.Len() - 1) // Encode ends with a newline.
	return nil
}

// parse reads one JSON object strictly: UTF-8, no duplicate names, no trailing data, bounded depth.
func parse(body []byte) (*object, error) {
	if !utf8.Valid(body) {
		return nil, errors.New("the body is not UTF-8")
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	value, err := parseValue(dec, 0)
	if err != nil {
		return nil, err
	}
	o, ok := value.(*object)
	if !ok {
		return nil, errors.New("the body is not a JSON object")
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("there is data after the JSON object")
	}
	return o, nil
}

func parseValue(dec *json.Decoder, depth int) (any, error) {
	if depth > maxDepth {
		return nil, fmt.Errorf("nested deeper than %d levels", maxDepth)
	}
	token, err := dec.Token()
	if err != nil {
		return nil, fmt.Errorf("not JSON: %w", err)
	}
	switch token {
	case json.Delim('{'):
		return parseObject(dec, depth)
	case json.Delim('['):
		return parseArray(dec, depth)
	}
	return token, nil
}

func parseObject(dec *json.Decoder, depth int) (*object, error) {
	o, seen := &object{}, map[string]bool{}
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return nil, fmt.Errorf("not JSON: %w", err)
		}
		name, _ := token.(string)
		if seen[name] {
			return nil, fmt.Errorf("the name %q occurs twice in one object", name)
		}
		seen[name] = true
		value, err := parseValue(dec, depth+1)
		if err != nil {
			return nil, err
		}
		o.members = append(o.members, member{name, value})
	}
	return o, closing(dec)
}

func parseArray(dec *json.Decoder, depth int) ([]any, error) {
	items := []any{}
	for dec.More() {
		item, err := parseValue(dec, depth+1)
		if err != nil {
			return nil, err
		}
		items = append(items, item)
	}
	return items, closing(dec)
}

// closing consumes the bracket that ends the current object or array.
func closing(dec *json.Decoder) error {
	if _, err := dec.Token(); err != nil {
		return fmt.Errorf("not JSON: %w", err)
	}
	return nil
}

// clone copies a tree deeply, so that a stored version never shares memory with one still being edited.
func clone(value any) any {
	switch v := value.(type) {
	case *object:
		c := &object{members: make([]member, len(v.members))}
		for i, m := range v.members {
			c.members[i] = member{m.name, clone(m.value)}
		}
		return c
	case []any:
		c := make([]any, len(v))
		for i, item := range v {
			c[i] = clone(item)
		}
		return c
	default:
		return v
	}
}

// list answers a member as a list whether it is one value or an array: cardinality differs between types.
func (o *object) list(name string) []any {
	switch v := o.get(name).(type) {
	case nil:
		return nil
	case []any:
		return v
	default:
		return []any{v}
	}
}

// obj builds an object from name, value pairs in the order given.
func obj(pairs ...any) *object {
	o := &object{}
	for i := 0; i+1 < len(pairs); i += 2 {
		o.members = append(o.members, member{pairs[i].(string), pairs[i+1]})
	}
	return o
}
