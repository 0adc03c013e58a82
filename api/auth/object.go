package auth

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"unicode/utf8"
)

// The faults of JSON from a token or a key.
var (
	errJSON      = errors.New("not one JSON object in UTF-8")
	errDuplicate = errors.New("a name occurs twice")
	errMember    = errors.New("a member is missing or of another type")
)

// maxDepth is how deep the JSON of a token may go; claims are flat.
const maxDepth = 8

// object is a JSON object whose names are each there once, with case kept: the
// classic decoder would take "ISS" for iss and the last of two.
type object map[string]json.RawMessage

// readObject reads one object and nothing beside it.
func readObject(data []byte) (object, error) {
	if !utf8.Valid(data) {
		return nil, errJSON
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	if start, err := d.Token(); err != nil || start != json.Delim('{') {
		return nil, errJSON
	}
	if err := walkObject(d, 1); err != nil {
		return nil, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errJSON
	}
	var members object
	if err := json.Unmarshal(data, &members); err != nil {
		return nil, errJSON
	}
	return members, nil
}

// walkObject reads to the end of an object, of which the start has been read.
func walkObject(d *json.Decoder, depth int) error {
	seen := map[string]bool{}
	for {
		token, err := d.Token()
		if err != nil {
			return errJSON
		}
		name, isName := token.(string)
		if !isName {
			return nil // its end, since names are strings
		}
		if seen[name] {
			return errDuplicate
		}
		seen[name] = true
		if err := walkValue(d, depth); err != nil {
			return err
		}
	}
}

// walkValue reads one value.
func walkValue(d *json.Decoder, depth int) error {
	token, err := d.Token()
	if err != nil || depth > maxDepth {
		return errJSON
	}
	switch token {
	case json.Delim('{'):
		return walkObject(d, depth+1)
	case json.Delim('['):
		for d.More() {
			if err := walkValue(d, depth+1); err != nil {
				return err
			}
		}
		if _, err := d.Token(); err != nil {
			return errJSON
		}
	}
	return nil
}

func (o object) has(name string) bool { _, found := o[name]; return found }

// text reads a string that must be there and not be empty.
func (o object) text(name string) (string, error) {
	var value *string
	if err := json.Unmarshal(o[name], &value); err != nil || value == nil || *value == "" {
		return "", errMember
	}
	return *value, nil
}

// optional reads a string that may be missing, but must be one if it is there.
func (o object) optional(name string) (string, error) {
	if !o.has(name) {
		return "", nil
	}
	return o.text(name)
}

// texts reads a string or an array of strings, as aud is (RFC 7519 4.1.3).
func (o object) texts(name string) ([]string, error) {
	if one, err := o.text(name); err == nil {
		return []string{one}, nil
	}
	var many []*string
	if err := json.Unmarshal(o[name], &many); err != nil || len(many) == 0 || len(many) > 100 {
		return nil, errMember
	}
	texts := make([]string, len(many))
	for i, value := range many {
		if value == nil {
			return nil, errMember
		}
		texts[i] = *value
	}
	return texts, nil
}

// maxSeconds is the year 9999, after which nothing is a date.
const maxSeconds = 253402300799

// seconds reads a time in whole seconds since 1970. RFC 7519 section 2 allows
// fractions too; no issuer known to us sends them, and they are refused.
func (o object) seconds(name string) (int64, error) {
	n, err := strconv.ParseInt(string(o[name]), 10, 64)
	if err != nil || n <= 0 || n > maxSeconds {
		return 0, errMember
	}
	return n, nil
}

// strict is base64url as JWS has it (RFC 7515 section 2): no padding, no line
// breaks, and no bits beyond the last byte.
var strict = base64.RawURLEncoding.Strict()

// unbase64 decodes strictly. Go's decoder skips line breaks, which it must not.
func unbase64(text string) ([]byte, error) {
	for i := range len(text) {
		if text[i] == '\n' || text[i] == '\r' {
			return nil, errEncoding
		}
	}
	data, err := strict.DecodeString(text)
	if err != nil {
		return nil, errEncoding
	}
	return data, nil
}

var errEncoding = errors.New("not base64url without padding")
