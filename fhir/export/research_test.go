package export_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/export"
)

// secrets are in every member of a score that a line for research must not have.
const secrets = "secret"

// scoreOf is a stored score of an invented patient with everything in it that R4
// lets an Observation say of people.
func scoreOf(status, start, end string) string {
	return `{"resourceType":"Observation","id":"secret-id","meta":{"versionId":"3","lastUpdated":"2026-03-04T19:30:00.000Z","source":"https://secret.example"},
		"language":"pl","text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">secret</div>"},
		"extension":[{"url":"https://x.example/secret","valueString":"secret"}],
		"identifier":[{"system":"https://tidemark.example/fhir/sid/score","value":"secret"}],"basedOn":[{"reference":"CarePlan/secret"}],
		"status":"` + status + `","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"survey","display":"Survey"}],"text":"secret"},
			{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam"}]}],
		"code":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"scorad"},{"system":"https://site.example/codes","code":"S1"}],"text":"secret"},
		"subject":{"reference":"Patient/secret","display":"secret"},"encounter":{"reference":"Encounter/secret"},
		"effectivePeriod":{"start":"` + start + `","end":"` + end + `"},"issued":"2026-03-04T19:30:00.000Z","performer":[{"reference":"RelatedPerson/secret"}],
		"valueQuantity":{"value":42.00,"unit":"score","system":"http://unitsofmeasure.org","code":"{score}"},
		"interpretation":[{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/severity-band","code":"moderate"}],"text":"secret"}],
		"note":[{"text":"secret"}],"bodySite":{"text":"secret"},"method":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"self-direct"}],"text":"secret"},
		"device":{"reference":"https://secret.example/Device/x","identifier":{"system":"https://tidemark.example/fhir/sid/device","value":"tidemark-1.0.0"},"display":"secret"},
		"derivedFrom":[{"reference":"QuestionnaireResponse/secret"}],
		"component":[{"code":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"extent"}],"text":"secret"},"valueQuantity":{"value":20.0,"unit":"%","system":"http://unitsofmeasure.org","code":"%"}},
			{"code":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"also-seen-bleeding"}]},"valueBoolean":false,"extension":[{"url":"https://x.example/y","valueString":"secret"}]},
			{"code":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"symptoms-itch"}]},"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"unknown"}],"text":"secret"}}]}`
}

// research makes a line of a score.
func research(t require.TestingT, key []byte, patient, score string) (map[string]any, bool) {
	document, err := fhir.Decode([]byte(score))
	require.NoError(t, err)
	defer document.Release()
	line, ok, err := export.Research(nil, key, patient, document.Root())
	require.NoError(t, err)
	if !ok {
		return nil, false
	}
	require.NotContains(t, string(line), secrets, "what says who it is")
	require.NotContains(t, string(line), "\n")
	checked, err := fhir.Decode(line)
	require.NoError(t, err, "%s", line)
	checked.Release()
	decoder := json.NewDecoder(strings.NewReader(string(line)))
	decoder.UseNumber()
	var value map[string]any
	require.NoError(t, decoder.Decode(&value))
	return value, true
}

func TestResearchLine(t *testing.T) {
	t.Parallel()
	key := export.NewKey()
	line, ok := research(t, key, "Patient/secret", scoreOf("amended", "2026-03-01", "2026-03-04T19:30:00+01:00"))
	require.True(t, ok)
	names := []string{}
	for name := range line {
		names = append(names, name)
	}
	require.ElementsMatch(t, []string{"resourceType", "id", "status", "category", "code", "subject", "effectivePeriod", "valueQuantity", "method", "device", "component"}, names,
		"a list of what is there, not of what is left out")
	require.Equal(t, json.Number("42.00"), line["valueQuantity"].(map[string]any)["value"], "exact")
	parts := line["component"].([]any)
	require.Len(t, parts, 3)
	require.Equal(t, false, parts[1].(map[string]any)["valueBoolean"])
	require.Contains(t, fmt.Sprint(parts[2]), "unknown")
	require.Len(t, line["code"].(map[string]any)["coding"], 2)
	require.Len(t, line["category"], 2)
	for _, status := range []string{"entered-in-error", "cancelled", "preliminary"} {
		_, ok := research(t, key, "Patient/secret", scoreOf(status, "2026-03-01", "2026-03-04"))
		require.False(t, ok, status)
	}
	_, ok = research(t, key, "", scoreOf("final", "2026-03-01", "2026-03-04"))
	require.False(t, ok, "nobody's")
}

// day reads a date of a line.
func day(t require.TestingT, line map[string]any, name string) time.Time {
	at, err := time.Parse(time.DateOnly, line["effectivePeriod"].(map[string]any)[name].(string))
	require.NoError(t, err)
	return at
}

// pseudonym is the patient of a line.
func pseudonym(line map[string]any) any {
	return line["subject"].(map[string]any)["identifier"].(map[string]any)["value"]
}

// TestResearchKeepsIntervals: within an export the same person is the same and the
// days between ratings are true; in another export both are others.
func TestResearchKeepsIntervals(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		key, other := export.NewKey(), export.NewKey()
		patient := "Patient/" + rapid.StringMatching("[a-z]{1,8}").Draw(r, "patient")
		first := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 2000).Draw(r, "day"))
		apart := rapid.IntRange(0, 1000).Draw(r, "apart")
		make := func(key []byte, at time.Time, zone string) map[string]any {
			line, ok := research(r, key, patient, scoreOf("final", at.AddDate(0, 0, -3).Format(time.DateOnly), at.Format("2006-01-02")+"T23:30:00"+zone))
			require.True(r, ok)
			return line
		}
		one, two := make(key, first, "+14:00"), make(key, first.AddDate(0, 0, apart), "-12:00")
		require.Equal(r, pseudonym(one), pseudonym(two))
		require.Equal(r, time.Duration(apart)*24*time.Hour, day(r, two, "end").Sub(day(r, one, "end")))
		require.Equal(r, 3*24*time.Hour, day(r, one, "end").Sub(day(r, one, "start")))
		back := int(first.Sub(day(r, one, "end")) / (24 * time.Hour))
		require.True(r, back >= 1 && back <= 365, "%d days", back)
		require.NotEqual(r, pseudonym(one), pseudonym(make(other, first, "Z")))
		require.NotEqual(r, export.Pseudonym(key, patient), export.Pseudonym(key, patient+"x"))
	})
}

// TestResearchShifts: dates of many people are moved by many different days, over
// the whole year.
func TestResearchShifts(t *testing.T) {
	t.Parallel()
	key, days := export.NewKey(), map[int]bool{}
	at := time.Date(2024, 6, 1, 0, 0, 0, 0, time.UTC)
	for i := range 4000 {
		line, ok := research(t, key, fmt.Sprint("Patient/", i), scoreOf("final", "2024-05-29", "2024-06-01"))
		require.True(t, ok)
		days[int(at.Sub(day(t, line, "end"))/(24*time.Hour))] = true
	}
	// Of 365 about 0.006 are left out by chance.
	require.Greater(t, len(days), 355)
	require.True(t, !days[0] && !days[366])
}
