package fhir

import (
	"encoding/base64"
	"encoding/binary"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"tidemark.example/tidemark/fhir/schema"
)

// MaxString is the longest string in characters (R4 datatypes.html#string).
const MaxString = 1024 * 1024

// primitive reads a string, number or boolean and checks it against its kind.
func (s *scanner) primitive(e *schema.Element, self uint32) bool {
	start := s.pos
	code, fault := IssueValue, ""
	switch c := s.peek(); {
	case c == '"':
		escaped, ok := s.text()
		if !ok {
			return false
		}
		s.nodes[self].escaped = escaped
		code, fault = s.checkText(e, s.data[start+1:s.pos-1], escaped)
	case c == '-' || c >= '0' && c <= '9':
		if !s.number() {
			return false
		}
		code, fault = checkNumber(e.Kind, s.data[start:s.pos])
	case c == 't':
		if !s.literal("true") {
			return false
		}
		fault = checkBoolean(e.Kind)
	case c == 'f':
		if !s.literal("false") {
			return false
		}
		fault = checkBoolean(e.Kind)
	default:
		s.fault(self, IssueStructure, "It must be a "+e.Kind.String()+", not an object or array.")
		return s.skipNode(self)
	}
	s.nodes[self].end = uint32(s.pos)
	if fault != "" {
		s.fault(self, code, fault)
	}
	return true
}

func (s *scanner) checkText(e *schema.Element, text []byte, escaped bool) (IssueType, string) {
	if escaped {
		text = unescape(text)
	}
	if e.Kind == schema.ResourceType {
		// It was looked up before and cannot differ: a second one is a duplicate.
		return "", ""
	}
	if fault := checkText(e.Kind, text); fault != "" {
		return IssueValue, fault
	}
	if e.Codes != nil && !slices.ContainsFunc(e.Codes, func(code string) bool { return code == string(text) }) {
		return IssueCodeInvalid, "It is not one of the codes allowed: " + strings.Join(e.Codes, ", ") + "."
	}
	return "", ""
}

// checkText says what is wrong with the text of a primitive, "" if nothing
// (the lexical rules of R4 datatypes.html).
func checkText(kind schema.Kind, text []byte) string {
	if len(text) == 0 {
		return "The string is empty; leave the property out instead."
	}
	switch kind {
	case schema.String, schema.Markdown, schema.XHTML:
		return checkString(text)
	case schema.Boolean, schema.Integer, schema.PositiveInt, schema.UnsignedInt, schema.Decimal:
		return "It must be a JSON " + jsonName(kind) + "; write it without quotes."
	case schema.Code:
		if !isCode(text) {
			return "A code has no space at its ends and no double space inside."
		}
	case schema.ID:
		if !IsID(string(text)) {
			return "An id has 1 to 64 of A-Z, a-z, 0-9, - and . only."
		}
	case schema.URI, schema.URL, schema.Canonical, schema.OID, schema.UUID:
		if hasSpace(text) {
			return "A URI holds no white space."
		}
	case schema.Base64Binary:
		if !isBase64(text) {
			return "It is not base64."
		}
	case schema.Date, schema.DateTime, schema.Instant, schema.Time:
		return checkDate(kind, text)
	}
	return ""
}

func jsonName(kind schema.Kind) string {
	if kind == schema.Boolean {
		return "boolean"
	}
	return "number"
}

func checkString(text []byte) string {
	if len(text) > MaxString && utf8.RuneCount(text) > MaxString {
		return "A string has at most 1 MB (1048576 characters)."
	}
	for _, c := range text {
		if c < 0x20 && c != '\t' && c != '\n' && c != '\r' {
			return "A string holds no control characters except tab and line ends."
		}
	}
	return ""
}

func isCode(text []byte) bool {
	space := true
	for _, c := range text {
		white := c <= ' '
		if white && (space || c != ' ') {
			return false
		}
		space = white
	}
	return !space
}

func hasSpace(text []byte) bool {
	for _, c := range text {
		if c <= ' ' {
			return true
		}
	}
	return false
}

func isBase64(text []byte) bool {
	compact := make([]byte, 0, len(text))
	for _, c := range text {
		if c != ' ' && c != '\t' && c != '\n' && c != '\r' {
			compact = append(compact, c)
		}
	}
	_, err := base64.StdEncoding.AppendDecode(nil, compact)
	return err == nil && len(compact) > 0
}

// IsID says whether a text is a FHIR id (R4 datatypes.html#id).
func IsID(text string) bool {
	if text == "" || len(text) > 64 {
		return false
	}
	for _, c := range []byte(text) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '.') {
			return false
		}
	}
	return true
}

func checkBoolean(kind schema.Kind) string {
	if kind == schema.Boolean {
		return ""
	}
	return "It must be a " + kind.String() + ", not a boolean."
}

func checkNumber(kind schema.Kind, text []byte) (IssueType, string) {
	low := math.MinInt32
	switch {
	case len(text) > MaxNumber:
		return IssueTooLong, "The number is longer than " + strconv.Itoa(MaxNumber) + " characters."
	case kind == schema.Decimal:
		return "", ""
	case kind == schema.Integer:
	case kind == schema.UnsignedInt:
		low = 0
	case kind == schema.PositiveInt:
		low = 1
	default:
		return IssueValue, "It must be a " + kind.String() + ", not a number; write it in quotes if it is text."
	}
	for _, c := range text {
		if c == '.' || c|0x20 == 'e' {
			return IssueValue, "It must be a whole number without decimal point or exponent."
		}
	}
	n, err := strconv.ParseInt(string(text), 10, 32)
	if err != nil || n < int64(low) {
		return IssueValue, "The whole number is out of range: " + strconv.Itoa(low) + " to 2147483647."
	}
	return "", ""
}

const (
	ones  = 0x0101010101010101
	highs = 0x8080808080808080
)

// text reads a string from its opening quote past its closing one.
func (s *scanner) text() (escaped, ok bool) {
	i, data := s.pos+1, s.data
	for {
		for i+8 <= len(data) {
			x := binary.LittleEndian.Uint64(data[i:])
			quote, slash := x^(ones*'"'), x^(ones*'\\')
			// Of each byte only the lowest marked one counts, so borrows from
			// one byte into the next do no harm.
			marks := ((quote-ones)&^quote | (slash-ones)&^slash | (x-ones*0x20)&^x) & highs
			if marks != 0 {
				i += bits.TrailingZeros64(marks) >> 3
				break
			}
			i += 8
		}
		for i < len(data) && data[i] != '"' && data[i] != '\\' && data[i] >= 0x20 {
			i++
		}
		if i >= len(data) {
			s.pos = i
			return escaped, s.syntax("A string is not closed.")
		}
		switch data[i] {
		case '"':
			s.pos = i + 1
			return escaped, true
		case '\\':
			escaped = true
			s.pos = i
			n := escapeLength(data[i:])
			if n == 0 {
				return escaped, s.syntax("A string holds an escape that JSON does not have, or half of a surrogate pair.")
			}
			i += n
		default:
			s.pos = i
			return escaped, s.syntax("A string holds a control character; escape it.")
		}
	}
}

func (s *scanner) literal(word string) bool {
	if len(s.data)-s.pos < len(word) || string(s.data[s.pos:s.pos+len(word)]) != word {
		return s.syntax("A value is none of JSON's.")
	}
	s.pos += len(word)
	return true
}

func (s *scanner) digits() int {
	start := s.pos
	for s.pos < len(s.data) && s.data[s.pos]-'0' <= 9 {
		s.pos++
	}
	return s.pos - start
}

func (s *scanner) number() bool {
	if s.peek() == '-' {
		s.pos++
	}
	first := s.peek()
	if n := s.digits(); n == 0 || n > 1 && first == '0' {
		return s.syntax("A number is malformed.")
	}
	if s.peek() == '.' {
		s.pos++
		if s.digits() == 0 {
			return s.syntax("A number has no digit after its point.")
		}
	}
	if s.peek()|0x20 == 'e' {
		s.pos++
		if c := s.peek(); c == '+' || c == '-' {
			s.pos++
		}
		if s.digits() == 0 {
			return s.syntax("A number has no digit in its exponent.")
		}
	}
	return true
}

// escapeLength measures a JSON escape at the start of the text: 2, 6 or, for a
// surrogate pair, 12 bytes; 0 if it is none.
func escapeLength(text []byte) int {
	if len(text) < 2 {
		return 0
	}
	switch text[1] {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		return 2
	case 'u':
		r := hex4(text)
		switch {
		case r < 0:
			return 0
		case !utf16.IsSurrogate(r):
			return 6
		case len(text) >= 12 && text[6] == '\\' && text[7] == 'u' && utf16.DecodeRune(r, hex4(text[6:])) != utf8.RuneError:
			return 12
		}
	}
	return 0
}

// hex4 reads \uXXXX; -1 if it is none.
func hex4(text []byte) rune {
	if len(text) < 6 {
		return -1
	}
	var r rune
	for _, c := range text[2:6] {
		switch {
		case c >= '0' && c <= '9':
			r = r<<4 | rune(c-'0')
		case c|0x20 >= 'a' && c|0x20 <= 'f':
			r = r<<4 | rune(c|0x20-'a'+10)
		default:
			return -1
		}
	}
	return r
}

// unescape resolves the escapes of a string that has passed the grammar.
func unescape(text []byte) []byte {
	out := make([]byte, 0, len(text))
	for i := 0; i < len(text); {
		if text[i] != '\\' {
			out = append(out, text[i])
			i++
			continue
		}
		n := escapeLength(text[i:])
		switch n {
		case 2:
			out = append(out, unescapeByte(text[i+1]))
		case 6:
			out = utf8.AppendRune(out, hex4(text[i:]))
		default:
			out = utf8.AppendRune(out, utf16.DecodeRune(hex4(text[i:]), hex4(text[i+6:])))
		}
		i += n
	}
	return out
}

func unescapeByte(c byte) byte {
	switch c {
	case 'b':
		return '\b'
	case 'f':
		return '\f'
	case 'n':
		return '\n'
	case 'r':
		return '\r'
	case 't':
		return '\t'
	}
	return c
}
