package languages

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A table with a fault is not taken: the program would not start.
func TestTablesThatAreRefused(t *testing.T) {
	t.Parallel()
	const head = "language: de\nname: Deutsch\nstatus: draft\n"
	l, err := parse("de", []byte(head+"forms:\n- {en: Itch, de: Juckreiz}\nplurals:\n- {en: '{n} days', de: {one: '{n} Tag', other: '{n} Tage'}}\n"))
	require.NoError(t, err)
	require.Equal(t, "Juckreiz", l.Text("Itch"))
	require.Equal(t, "1 Tag", l.Plural("{n} days", "1"))
	_, err = parse("de", []byte("language: de\nname: Deutsch\nstatus: signed by I. Varnholt, 2026-12-01\n"))
	require.NoError(t, err)
	for name, table := range map[string]string{
		"no YAML":             "{",
		"another language":    "language: fr\nname: Deutsch\nstatus: draft\n",
		"no name":             "language: de\nstatus: draft\n",
		"no status":           "language: de\nname: Deutsch\n",
		"another status":      "language: de\nname: Deutsch\nstatus: good enough\n",
		"unknown section":     head + "words: []\n",
		"no translation":      head + "forms:\n- {en: Itch}\n",
		"empty translation":   head + "forms:\n- {en: Itch, de: ''}\n",
		"other translation":   head + "scores:\n- {en: Itch, fr: Prurit}\n",
		"one more":            head + "forms:\n- {en: Itch, de: Juckreiz, fr: Prurit}\n",
		"twice":               head + "forms:\n- {en: Itch, de: Juckreiz}\nscores:\n- {en: Itch, de: Jucken}\n",
		"band twice":          head + "bands:\n- {en: Mild, de: Leicht}\n- {en: Mild, de: Mild}\n",
		"unknown plural form": head + "plurals:\n- {en: '{n} days', de: {some: '{n} Tage', other: '{n} Tage'}}\n",
		"no other":            head + "plurals:\n- {en: '{n} days', de: {one: '{n} Tag'}}\n",
		"plural without form": head + "plurals:\n- {en: '{n} days', de: '{n} Tage'}\n",
		"plural of nothing":   head + "plurals:\n- {en: [], de: {other: '{n} Tage'}}\n",
	} {
		_, err := parse("de", []byte(table))
		require.Error(t, err, name)
	}
}
