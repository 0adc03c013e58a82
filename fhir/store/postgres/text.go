package postgres

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"unicode/utf8"
)

// maxIndexed is the longest text in bytes that is kept as it is where an index
// holds it: an entry of a B-tree has room for 2704 (PostgreSQL, nbtree), which
// two of them share.
const maxIndexed = 1000

// indexed is a text as it is searched for. One that no index can hold, or that
// PostgreSQL does not take (a NUL, or what is not UTF-8), stands there as its
// digest, written and looked for alike. It serves texts that are never read back.
func indexed(text string) string {
	if len(text) <= maxIndexed && takes(text) {
		return text
	}
	digest := sha256.Sum256([]byte(text))
	return "\x01sha256:" + hex.EncodeToString(digest[:])
}

// plain is a text that is read back, with U+FFFD for what PostgreSQL does not
// take. No resource has such a text; a header of another server may.
func plain(text string) string {
	if takes(text) {
		return text
	}
	return strings.ReplaceAll(strings.ToValidUTF8(text, "\uFFFD"), "\x00", "\uFFFD")
}

// takes says whether PostgreSQL takes a text.
func takes(text string) bool { return utf8.ValidString(text) && !strings.Contains(text, "\x00") }

// asked are the values of a search, its texts as they are indexed.
func asked(args []any) []any {
	for i, arg := range args {
		if text, ok := arg.(string); ok {
			args[i] = indexed(text)
		}
	}
	return args
}

// nullable is nil for an empty text, so that indexes leave it out.
func nullable(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

// bit is a bool as the tables keep it, in both databases alike.
func bit(b bool) int16 {
	if b {
		return 1
	}
	return 0
}
