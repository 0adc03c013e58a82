package observation_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// requireSameMeasures holds what is said of a response against what is read from
// the Observation written of it.
func requireSameMeasures(t require.TestingT, f *filled) []observation.Measure {
	document, err := fhir.Decode([]byte(f.json()))
	require.NoError(t, err)
	defer document.Release()
	response, err := questionnaire.Read(document.Root())
	require.NoError(t, err)
	in := stored(&response)
	in.Bands = &scoring.UsualBands
	written, err := fhir.Decode(observation.Append(nil, in))
	require.NoError(t, err)
	defer written.Release()
	measures := observation.Measures(&response)
	require.Equal(t, measures, observation.MeasuresOf(written.Root()))
	return measures
}

func TestMeasuresAreThoseWritten(t *testing.T) {
	t.Parallel()
	t.Run("WhateverWasAnswered", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) { requireSameMeasures(t, drawn(t)) })
	})
	t.Run("AsWorkedOutByHand", func(t *testing.T) {
		t.Parallel()
		measures := requireSameMeasures(t, directly())
		for _, want := range []observation.Measure{
			{Code: "scorad", Unit: "{score}", Fiftieths: 1990}, {Code: "objective", Unit: "{score}", Fiftieths: 1585},
			{Code: "extent-direct", Unit: "%", Fiftieths: 925}, {Code: "extent", Unit: "%", Fiftieths: 925},
			{Code: "symptoms-itch", Unit: "{score}", Fiftieths: 285}, {Code: "intensity-erythema", Unit: "{score}", Fiftieths: 100},
			{Code: "also-seen-bleeding", Unit: "boolean", Fiftieths: 1}, {Code: "also-seen-scaling", Unit: "boolean", Fiftieths: 0},
		} {
			require.Contains(t, measures, want)
		}
	})
	t.Run("WithEveryRegion", func(t *testing.T) {
		t.Parallel()
		f := directly()
		answers := []answer{choice("extent.method", "regions"), choice("extent.age-group", "2-and-over")}
		for i := range scoring.RegionCount {
			answers = append(answers, answer{"extent." + scoring.Region(i).String(), `"valueInteger":10`})
		}
		measures := requireSameMeasures(t, f.extent(answers...))
		require.Contains(t, measures, observation.Measure{Code: "extent-genitals", Unit: "%", Fiftieths: 500})
		require.Contains(t, measures, observation.Measure{Code: "extent", Unit: "%", Fiftieths: 500})
	})
}

func TestMeasuresOfPassOverWhatIsNotOurs(t *testing.T) {
	t.Parallel()
	for name, value := range map[string]string{
		"AnotherUnit":       `"valueQuantity":{"value":1,"system":"http://unitsofmeasure.org","code":"mg"}`,
		"NoUnit":            `"valueQuantity":{"value":1}`,
		"NotWholeFiftieths": `"valueQuantity":{"value":1.01,"code":"{score}"}`,
		"TooPrecise":        `"valueQuantity":{"value":1.001,"code":"{score}"}`,
		"TooLong":           `"valueQuantity":{"value":1e30,"code":"{score}"}`,
		"AText":             `"valueString":"1"`,
		"NoValue":           `"dataAbsentReason":{"text":"none"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			document, err := fhir.Decode([]byte(`{"resourceType":"Observation","status":"final","code":{"text":"x"},` + value +
				`,"component":[{"code":{"coding":[{"system":"http://other.example","code":"objective"}]},"valueQuantity":{"value":2,"code":"%"}},
				{"code":{"coding":[{"system":"http://other.example","code":"x"},{"system":"` + questionnaire.ScoradSystem + `","code":"extent"}]},"valueQuantity":{"value":1.02,"code":"%"}}]}`))
			require.NoError(t, err)
			defer document.Release()
			require.Equal(t, []observation.Measure{{Code: "extent", Unit: "%", Fiftieths: 51}}, observation.MeasuresOf(document.Root()))
		})
	}
}
