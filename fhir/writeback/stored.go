package writeback

import (
	"bytes"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
)

// storedScore shapes a score as package observation begins it, and gives its
// status, without reading what goes to the target as it is: what is stored was
// checked when it was written, and is unpacked under a checksum. Not ok is
// whatever begins in any other way, which is to be decoded. The content may write over
// the body, see encode.
func storedScore(body []byte) (c content, status string, ok bool) {
	at := cursor{rest: body}
	at.pass(`{"resourceType":"Observation","id":"`)
	known := fhir.IsID(at.text()) && !at.lost
	at.pass(`,"meta":{"versionId":"`)
	at.text()
	at.pass(`,"lastUpdated":"`)
	at.text()
	c.kind, c.body = "Observation", body
	if at.passes(`},`) {
		c.rest = at.rest
	} else {
		at.pass(`,`)
		c.head, c.rest = `"meta":{`, at.rest
		at.pass(`"profile":["`)
		at.text()
		at.pass(`]},`)
	}
	c.spare = body[:len(body)-len(c.rest)]
	if at.passes(`"language":"`) {
		at.text()
		at.pass(`,`)
	}
	at.pass(`"text":{"status":"generated","div":"`)
	at.skipString()
	at.pass(`},"identifier":[{"system":"` + observation.IdentifierSystem + `","value":"`)
	c.identifier = identifier{observation.IdentifierSystem, at.text()}
	at.pass(`}],"status":"`)
	status = at.text()
	at.pass(`,`)
	return c, status, known && !at.lost && c.identifier.value != "" && bytes.HasSuffix(body, []byte(`}`))
}

// cursor goes through JSON whose form is known. Once something else was met it is
// lost, and goes nowhere.
type cursor struct {
	rest []byte
	lost bool
}

// passes goes past a text, if that comes next.
func (c *cursor) passes(text string) bool {
	if c.lost || len(c.rest) < len(text) || string(c.rest[:len(text)]) != text {
		return false
	}
	c.rest = c.rest[len(text):]
	return true
}

// pass goes past a text that must come next.
func (c *cursor) pass(text string) { c.lost = !c.passes(text) }

// text gives a string from behind its first quote, and goes past its last one. It
// must be one without escapes.
func (c *cursor) text() string {
	if c.lost {
		return ""
	}
	end := bytes.IndexByte(c.rest, '"')
	if end < 0 || bytes.IndexByte(c.rest[:end], '\\') >= 0 {
		c.lost = true
		return ""
	}
	text := string(c.rest[:end])
	c.rest = c.rest[end+1:]
	return text
}

// skipString goes past the last quote of a string, which may have escapes.
func (c *cursor) skipString() {
	for !c.lost {
		end := bytes.IndexByte(c.rest, '"')
		if end < 0 {
			c.lost = true
			return
		}
		text := c.rest[:end]
		c.rest = c.rest[end+1:]
		if escapes := len(text) - len(bytes.TrimRight(text, `\`)); escapes%2 == 0 {
			return
		}
	}
}
