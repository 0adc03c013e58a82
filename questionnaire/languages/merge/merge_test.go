package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"tidemark.example/tidemark/questionnaire/languages"
)

const published = "../../published"

func files(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, pattern := range patterns {
		paths, err := filepath.Glob(filepath.Join(published, pattern))
		require.NoError(t, err)
		all = append(all, paths...)
	}
	require.GreaterOrEqual(t, len(all), 7, "two forms, five code systems")
	return all
}

// What is published says what the tables say: run the program after changing one.
func TestPublishedFilesCarryTheTables(t *testing.T) {
	t.Parallel()
	for _, path := range files(t) {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			merged, _, err := merge(data)
			require.NoError(t, err)
			require.True(t, string(merged) == string(data), "go run ./questionnaire/languages/merge")
		})
	}
}

// A missing translation falls back to English. None may be missing unnoticed:
// list it here until it is written.
func TestNoTranslationIsMissing(t *testing.T) {
	t.Parallel()
	var missing []string
	for _, path := range files(t) {
		for _, text := range textsOf(t, path) {
			for _, code := range text.missing() {
				missing = append(missing, code+": "+text.english)
			}
		}
	}
	require.Equal(t, []string(nil), missing)
}

func textsOf(t *testing.T, path string) []text {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	_, texts, err := merge(data)
	require.NoError(t, err)
	return texts
}

// A row whose English is nowhere published any more is stale.
func TestNoRowIsStale(t *testing.T) {
	t.Parallel()
	used := map[text]bool{}
	for _, path := range files(t) {
		for _, text := range textsOf(t, path) {
			used[text] = true
		}
	}
	for _, code := range languages.Codes {
		data, err := os.ReadFile("../" + code + ".yaml")
		require.NoError(t, err)
		var table struct{ Forms, Bands []map[string]string }
		require.NoError(t, yaml.Unmarshal(data, &table))
		rows := 0
		for _, row := range table.Forms {
			require.True(t, used[text{english: row["en"]}], "%s: %s", code, row["en"])
			rows++
		}
		for _, row := range table.Bands {
			require.True(t, used[text{english: row["en"], band: true}], "%s: %s", code, row["en"])
			rows++
		}
		require.Equal(t, len(used), rows, code)
	}
}

const small = `{
  "resourceType": "Questionnaire",
  "title": "Itch",
  "version": "1.0.0",
  "item": [
    {
      "linkId": "a",
      "extension": [
        {
          "url": "http://hl7.org/fhir/StructureDefinition/questionnaire-unit",
          "valueCoding": {
            "code": "%",
            "display": "%"
          }
        }
      ],
      "text": "Moonlight on \"skin\" <é>",
      "_text": {
        "extension": [
          {
            "url": "http://hl7.org/fhir/StructureDefinition/rendering-markdown",
            "valueMarkdown": "*Moonlight*"
          }
        ]
      },
      "required": true,
      "answerOption": [
        {
          "valueCoding": {
            "code": "mild",
            "display": "Mild"
          }
        }
      ],
      "initial": [
        {
          "valueDecimal": 1.50
        }
      ],
      "item": []
    }
  ]
}
`

// Only translations are added; numbers, order, and what else hangs on a string
// stay, and a text that no table has stays English and is reported.
func TestOnlyTranslationsAreAdded(t *testing.T) {
	t.Parallel()
	source := strings.Replace(small, ",\n      \"item\": []", "", 1)
	merged, texts, err := merge([]byte(source))
	require.NoError(t, err)
	require.Equal(t, []text{{english: "Itch"}, {english: `Moonlight on "skin" <é>`}, {english: "Mild"}}, texts, "no percent sign")
	require.Equal(t, languages.Codes, texts[1].missing())
	require.Empty(t, texts[0].missing())
	var kept []string
	inside := false
	for line := range strings.SplitSeq(string(merged), "\n") {
		switch {
		case strings.Contains(line, `"_title"`), strings.Contains(line, `"_display"`):
			inside = true
		case inside && strings.HasPrefix(strings.TrimLeft(line, " "), "}") && !strings.Contains(line, "lang"):
			inside = false
		case !inside:
			kept = append(kept, line)
		}
	}
	withoutCommas := func(text string) string { return strings.ReplaceAll(text, ",\n", "\n") }
	require.Equal(t, withoutCommas(source), withoutCommas(strings.Join(kept, "\n")))
	require.Contains(t, string(merged), `{"url":"`+translationURL+`","extension":[{"url":"lang","valueCode":"pl"},{"url":"content","valueString":"Świąd"}]}`)
	again, _, err := merge(merged)
	require.NoError(t, err)
	require.Equal(t, string(merged), string(again), "and again")
	require.True(t, json.Valid(merged))
}

func TestTranslationsOfFormerRunsAreReplaced(t *testing.T) {
	t.Parallel()
	merged, _, err := merge([]byte(small))
	require.NoError(t, err)
	stale := strings.Replace(string(merged), "Świąd", "Swędzenie", 1)
	require.NotEqual(t, string(merged), stale)
	again, _, err := merge([]byte(stale))
	require.NoError(t, err)
	require.Equal(t, string(merged), string(again))
}

func TestCodesAreDesignated(t *testing.T) {
	t.Parallel()
	for id, want := range map[string]string{"severity-band": "Mittelschwer", "scorad-grade": "Mäßig"} {
		merged, texts, err := merge([]byte(`{"resourceType":"CodeSystem","id":"` + id + `","concept":[{"code":"moderate","display":"Moderate","definition":"The sign is plain to see.","property":[{"code":"weight","valueInteger":2}]}]}`))
		require.NoError(t, err)
		var system struct {
			Concept []struct {
				Designation []struct{ Language, Value string }
				Definition  map[string]any `json:"_definition"`
			}
		}
		require.NoError(t, json.Unmarshal(merged, &system))
		require.Len(t, system.Concept[0].Designation, len(languages.Codes))
		require.Equal(t, want, system.Concept[0].Designation[slices.Index(languages.Codes, "de")].Value)
		require.Equal(t, id == "scorad-grade", system.Concept[0].Definition != nil, "what a grade means is read by people")
		require.Equal(t, id == "scorad-grade", len(texts) == 2)
	}
}

func TestOnlyWhatCarriesTranslationsIsTaken(t *testing.T) {
	t.Parallel()
	_, _, err := merge([]byte(`{"resourceType":"ValueSet"}`))
	require.ErrorContains(t, err, "ValueSet")
	_, _, err = merge([]byte("\t{"))
	require.Error(t, err)
}

func TestRunRewritesADirectory(t *testing.T) {
	t.Parallel()
	directory := t.TempDir()
	require.ErrorContains(t, run(directory), "no Questionnaire")
	for _, path := range files(t) {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(directory, filepath.Base(path)), []byte(strings.ReplaceAll(string(data), "Rötung", "Röte")), 0o600))
	}
	require.NoError(t, run(directory))
	for _, path := range files(t) {
		want, err := os.ReadFile(path)
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Join(directory, filepath.Base(path)))
		require.NoError(t, err)
		require.True(t, string(want) == string(got), path)
	}
}
