package fhir_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// TestEntriesOfTheOfficialExample resolves every reference of R4's own example
// for the rules (bundle-references; bundle.html 2.36.4.1).
func TestEntriesOfTheOfficialExample(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile(filepath.Join("..", "..", "shared", "fhir-examples", "r4-bundle-references.json"))
	if err != nil {
		t.Skip("the official examples lie beside the repository and are not here: ", err)
	}
	document, err := fhir.Decode(data)
	require.NoError(t, err)
	defer document.Release()
	entries, index := fhir.EntriesOf(document.Root()), 0
	want := []struct {
		reference        string
		entry            int
		versioned, found bool
	}{
		{}, {}, // patients
		{"Patient/23", 0, false, true},
		{"http://example.org/fhir/Patient/23", 0, false, true},
		{"urn:uuid:04121321-4af5-424c-a0e1-ed3aab1c349d", 1, false, true},
		{"http://example.org/fhir-2/Patient/1", 0, false, false},
		{"Patient/23", 0, false, false}, // of an entry whose base is fhir-2
		{}, {},                          // one patient in two versions
		{"Patient/45/_history/2", 8, true, true},
		{}, // by identifier, which is no link
	}
	for node := range document.Root().Each("entry") {
		var links []string
		node.Get("resource").Links(nil, func(link fhir.Link) (fhir.Relinked, bool) {
			if link.Kind == fhir.LinkReference {
				links = append(links, link.Text)
			}
			return fhir.Relinked{}, false
		})
		c := want[index]
		if c.reference == "" {
			require.Empty(t, links, "entry %d", index)
		} else {
			require.Equal(t, []string{c.reference}, links)
			entry, versioned, found := entries.Resolve(index, c.reference)
			require.Equal(t, c.found, found, "entry %d", index)
			if found {
				require.Equal(t, c.entry, entry, "entry %d", index)
				require.Equal(t, c.versioned, versioned)
			}
		}
		index++
	}
	require.Equal(t, len(want), index)
}

func TestResolveKeepsToWhatIsNamed(t *testing.T) {
	t.Parallel()
	document, err := fhir.Decode([]byte(`{"resourceType":"Bundle","type":"collection","entry":[
		{"fullUrl":"urn:uuid:0190a1b2-0000-7000-8000-000000000001","resource":{"resourceType":"Basic","code":{"text":"x"}}},
		{"fullUrl":"http://example.org/fhir/Basic/1","resource":{"resourceType":"Basic","id":"1","meta":{"versionId":"3"},"code":{"text":"x"}}},
		{"resource":{"resourceType":"Basic","code":{"text":"x"}}}]}`))
	require.NoError(t, err)
	defer document.Release()
	entries := fhir.EntriesOf(document.Root())
	for reference, want := range map[string]bool{
		"urn:uuid:0190a1b2-0000-7000-8000-000000000001": true,
		"URN:uuid:0190a1b2-0000-7000-8000-000000000001": false,
		"urn:uuid:0190a1b2-0000-7000-8000-000000000002": false,
		"http://example.org/fhir/Basic/1":               true,
		"http://example.org/fhir/Basic/1/_history/3":    true,
		"http://example.org/fhir/Basic/1/_history/2":    false,
		"https://example.org/fhir/Basic/1":              false,
		"Basic/1":                                       false, // the base of a urn is none
		"#1":                                            false,
		"":                                              false,
	} {
		_, _, found := entries.Resolve(0, reference)
		require.Equal(t, want, found, reference)
	}
	entry, _, found := entries.Resolve(1, "Basic/1")
	require.True(t, found)
	require.Equal(t, 1, entry)
}

// relinked rewrites the links that name urn:uuid:a by what is given.
func relinked(t *testing.T, resource string, to fhir.Relinked) string {
	t.Helper()
	document, err := fhir.Decode([]byte(resource))
	require.NoError(t, err)
	defer document.Release()
	edits := document.Root().Links(nil, func(link fhir.Link) (fhir.Relinked, bool) { return to, link.Text == "urn:uuid:a" })
	edited := document.Edited(edits)
	again, err := fhir.Decode(edited)
	require.NoError(t, err, "%s", edited)
	again.Release()
	return string(edited)
}

func TestLinksAreRewritten(t *testing.T) {
	t.Parallel()
	literal := fhir.Relinked{Literal: "Basic/7"}
	logical := fhir.Relinked{Type: "Patient", Identifier: `{"system":"https://x.example","value":"1"}`}
	const div = `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">`
	for name, c := range map[string]struct {
		to         fhir.Relinked
		sent, want string
	}{
		"in a reference":                {literal, `"subject":{"reference":"urn:uuid:a","display":"Oona"}`, `"subject":{"reference":"Basic/7","display":"Oona"}`},
		"in each of several references": {literal, `"subject":{"reference":"urn:uuid:a"},"author":{"reference":"urn:uuid:a"}`, `"subject":{"reference":"Basic/7"},"author":{"reference":"Basic/7"}`},
		"in a uri":                      {literal, `"identifier":[{"system":"urn:uuid:a","value":"1"}]`, `"identifier":[{"system":"Basic/7","value":"1"}]`},
		"in an extension's value":       {literal, `"extension":[{"url":"https://x.example/x","valueUuid":"urn:uuid:a"}]`, `"extension":[{"url":"https://x.example/x","valueUuid":"Basic/7"}]`},
		"but not in an extension's url": {literal, `"extension":[{"url":"urn:uuid:a","valueBoolean":true}]`, `"extension":[{"url":"urn:uuid:a","valueBoolean":true}]`},
		"but not in a canonical":        {literal, `"extension":[{"url":"https://x.example/x","valueCanonical":"urn:uuid:a"}]`, `"extension":[{"url":"https://x.example/x","valueCanonical":"urn:uuid:a"}]`},
		"but not in a string":           {literal, `"extension":[{"url":"https://x.example/x","valueString":"urn:uuid:a"}]`, `"extension":[{"url":"https://x.example/x","valueString":"urn:uuid:a"}]`},
		"but not in a display":          {literal, `"subject":{"display":"urn:uuid:a"}`, `"subject":{"display":"urn:uuid:a"}`},
		"in the narrative": {
			literal, div + `<a href=\"urn:uuid:a\">a</a><img src='urn:uuid:a'/>urn:uuid:a &amp; <a href=\"#x\">x</a></div>"}`,
			div + `<a href=\"Basic/7\">a</a><img src='Basic/7'/>urn:uuid:a &amp; <a href=\"#x\">x</a></div>"}`,
		},
		"in narrative that ends within a tag": {literal, div + `<a href=</div>"}`, div + `<a href=</div>"}`},
		"in narrative with an escape": {
			literal, div + `\n\u003ca href=\"urn:uuid:a\">é</a></div>"}`, div + `\u000a<a href=\"Basic/7\">é</a></div>"}`,
		},
		"as a logical reference": {
			logical, `"subject":{"display":"Oona","reference":"urn:uuid:a","type":"Basic","identifier":{"value":"2"}}`,
			`"subject":{"type":"Patient","identifier":{"system":"https://x.example","value":"1"},"display":"Oona"}`,
		},
		"as a logical reference around another link": {
			logical, `"subject":{"extension":[{"url":"https://x.example/x","valueReference":{"reference":"urn:uuid:a"}}],"reference":"urn:uuid:a"}`,
			`"subject":{"type":"Patient","identifier":{"system":"https://x.example","value":"1"},"extension":[{"url":"https://x.example/x","valueReference":{"reference":"urn:uuid:a"}}]}`,
		},
		"but a uri not as a logical reference": {logical, `"identifier":[{"system":"urn:uuid:a","value":"1"}]`, `"identifier":[{"system":"urn:uuid:a","value":"1"}]`},
		"in a contained resource": {
			literal, `"contained":[{"resourceType":"Basic","id":"c","code":{"text":"x"},"subject":{"reference":"urn:uuid:a"}}]`,
			`"contained":[{"resourceType":"Basic","id":"c","code":{"text":"x"},"subject":{"reference":"Basic/7"}}]`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			head := `{"resourceType":"Basic","code":{"text":"x"},`
			require.Equal(t, head+c.want+`}`, relinked(t, head+c.sent+`}`, c.to))
		})
	}
}

func TestConditionalReference(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"Patient?identifier=a|b":                "|Patient|identifier=a|b",
		"https://x.example/fhir/Patient?name=x": "https://x.example/fhir|Patient|name=x",
		"Patient?":                              "|Patient|",
		"Patient/1":                             "",
		"Pet?name=x":                            "",
		"/Patient?name=x":                       "",
		"urn:uuid:0190a1b2-0000-7000-8000-000000000001?x": "",
		"?name=x": "",
		"":        "",
	} {
		base, kind, query, ok := fhir.ConditionalReference(text)
		require.Equal(t, want != "", ok, text)
		if ok {
			require.Equal(t, want, strings.Join([]string{base, kind, query}, "|"))
		}
	}
}
