package sandbox

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// anyValue draws a value that JSON can hold, as parse would read it.
func anyValue(depth int) *rapid.Generator[any] {
	scalars := []*rapid.Generator[any]{
		rapid.Just[any](nil), rapid.Just[any](true), rapid.Just[any](false),
		rapid.Map(rapid.String(), func(s string) any { return s }),
		rapid.Map(rapid.StringMatching(`-?(0|[1-9][0-9]{0,20})(\.[0-9]{1,10})?([eE][+-]?[0-9]{1,3})?`), func(s string) any { return json.Number(s) }),
	}
	if depth == 0 {
		return rapid.OneOf(scalars...)
	}
	list := rapid.Map(rapid.SliceOfN(rapid.Deferred(func() *rapid.Generator[any] { return anyValue(depth - 1) }), 0, 4),
		func(items []any) any { return append([]any{}, items...) })
	child := rapid.Map(anyObject(depth-1), func(o *object) any { return o })
	return rapid.OneOf(append(scalars, list, child)...)
}

// anyObject draws an object whose names differ.
func anyObject(depth int) *rapid.Generator[*object] {
	return rapid.Custom(func(t *rapid.T) *object {
		o := &object{}
		names := rapid.SliceOfNDistinct(rapid.String(), 0, 5, func(s string) string { return s }).Draw(t, "names")
		for _, name := range names {
			o.members = append(o.members, member{name, anyValue(depth).Draw(t, "value")})
		}
		return o
	})
}

// plain is a value as the standard library holds it.
func plain(value any) any {
	switch v := value.(type) {
	case *object:
		all := map[string]any{}
		for _, m := range v.members {
			all[m.name] = plain(m.value)
		}
		return all
	case []any:
		items := []any{}
		for _, item := range v {
			items = append(items, plain(item))
		}
		return items
	default:
		return v
	}
}

// TestDocument: what goes in comes out, in its order and with its digits.
func TestDocument(t *testing.T) {
	t.Parallel()
	t.Run("ReadsWhatItWrites", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) {
			o := anyObject(3).Draw(t, "object")
			text := encode(o)
			require.True(t, json.Valid(text))
			read, err := parse(text)
			require.NoError(t, err)
			require.Equal(t, text, encode(read))
		})
	})
	t.Run("TheStandardLibraryReadsTheSame", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) {
			o := anyObject(3).Draw(t, "object")
			text, err := json.Marshal(o)
			require.NoError(t, err)
			decoder := json.NewDecoder(bytes.NewReader(text))
			decoder.UseNumber()
			var read any
			require.NoError(t, decoder.Decode(&read))
			require.Equal(t, plain(o), read)
		})
	})
	t.Run("ACloneSharesNothing", func(t *testing.T) {
		t.Parallel()
		o, err := parse([]byte(`{"a":{"b":[{"c":1}]},"d":"e"}`))
		require.NoError(t, err)
		before := string(encode(o))
		c := clone(o).(*object)
		require.Equal(t, before, string(encode(c)))
		c.set("d", "f")
		c.child("a").list("b")[0].(*object).set("c", json.Number("2"))
		c.child("a").list("b")[0] = "gone"
		require.Equal(t, before, string(encode(o)))
	})
	t.Run("KeepsTheOrderOfMembers", func(t *testing.T) {
		t.Parallel()
		o := obj("resourceType", "Patient", "active", true)
		o.setAfter("resourceType", "id", "a")
		o.setAfter("id", "meta", obj())
		o.setAfter("nothing", "last", nil)
		o.setAfter("resourceType", "id", "b")
		require.Equal(t, `{"resourceType":"Patient","id":"b","meta":{},"active":true,"last":null}`, string(encode(o)))
		o.remove("meta")
		o.remove("nothing")
		require.Equal(t, `{"resourceType":"Patient","id":"b","active":true,"last":null}`, string(encode(o)))
	})
	t.Run("AnswersNothingForWhatIsOfAnotherShape", func(t *testing.T) {
		t.Parallel()
		o := obj("text", "t", "child", obj("x", "y"), "list", []any{"a"})
		require.Empty(t, o.text("child"))
		require.Empty(t, o.text("none"))
		require.Nil(t, o.child("text"))
		require.Nil(t, o.list("none"))
		require.Equal(t, []any{"t"}, o.list("text"), "one value is a list of one")
		require.Equal(t, []any{"a"}, o.list("list"))
	})
	t.Run("WhatItNeverBuildsIsNotWrittenAsNothing", func(t *testing.T) {
		t.Parallel()
		require.Panics(t, func() { encode(obj("a", func() {})) })
		require.Panics(t, func() { encode([]any{func() {}}) })
	})
}

// TestParseRefuses: what is no one JSON object in UTF-8 with each name once.
func TestParseRefuses(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"Nothing":            ``,
		"Array":              `[]`,
		"Text":               `"a"`,
		"EndsWithinAnObject": `{"a":1`,
		"EndsWithinAnArray":  `{"a":[1`,
		"EndsWithinAName":    `{"a`,
		"MissingComma":       `{"a":[1 2]}`,
		"MissingColon":       `{"a" 1}`,
		"MissingName":        `{1:2}`,
		"NameTwiceWithin":    `{"a":{"b":1,"b":2}}`,
		"More":               `{} {}`,
		"NotUTF8":            "{\"a\":\"\xc3\x28\"}",
		"TooDeep":            strings.Repeat(`{"a":`, maxDepth+2) + `1` + strings.Repeat(`}`, maxDepth+2),
	} {
		t.Run(name+"IsRefused", func(t *testing.T) {
			t.Parallel()
			_, err := parse([]byte(text))
			require.Error(t, err)
		})
	}
	t.Run("AsDeepAsAllowedIsRead", func(t *testing.T) {
		t.Parallel()
		_, err := parse([]byte(strings.Repeat(`{"a":`, maxDepth) + `1` + strings.Repeat(`}`, maxDepth)))
		require.NoError(t, err)
	})
}

// TestEscapes: a value that is escaped as R4 asks is split where it should be
// and read as it was (search.html 3.1.1.4.0).
func TestEscapes(t *testing.T) {
	t.Parallel()
	escape := strings.NewReplacer(`\`, `\\`, `,`, `\,`, `$`, `\$`, `|`, `\|`)
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.StringMatching(`[a-z,|$\\]{0,6}`), 1, 4).Draw(t, "values")
		escaped := make([]string, len(values))
		for i, value := range values {
			escaped[i] = escape.Replace(value)
		}
		for _, separator := range []string{",", "|"} {
			parts := splitEscaped(strings.Join(escaped, separator), separator[0])
			for i, part := range parts {
				parts[i] = unescape(part)
			}
			require.Equal(t, values, parts)
		}
	})
	require.Equal(t, []string{`a\`}, splitEscaped(`a\`, ','), "an escape of nothing ends nothing")
}

func TestProblem(t *testing.T) {
	t.Parallel()
	var err error = refuse(404, codeNotFound, "no such %s", "Patient")
	require.Equal(t, "404 not-found: no such Patient", err.Error())
	require.Equal(t, codeException, usualCode(418))
	require.Equal(t, "Patient/a", fmt.Sprint(key{"Patient", "a"}))
}
