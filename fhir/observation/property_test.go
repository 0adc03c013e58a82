package observation_test

import (
	"encoding/json"
	"fmt"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// drawn is a complete response by palms or directly, on either form.
func drawn(t *rapid.T) *filled {
	tenths := func(limit int, name string) string {
		n := rapid.IntRange(0, limit).Draw(t, name)
		return fmt.Sprintf(`"valueDecimal":%d.%d`, n/10, n%10)
	}
	f := directly()
	if rapid.Bool().Draw(t, "clinician") {
		f.byClinician()
		f.answers = append(f.answers, answer{"bonus.face-hands", fmt.Sprintf(`"valueBoolean":%t`, rapid.Bool().Draw(t, "bonus"))})
	}
	if f.set("extent.direct", tenths(1000, "extent")); rapid.Bool().Draw(t, "palms") {
		f.extent(choice("extent.method", "hands"), answer{"extent.hands", f.answers[1].value})
	}
	for i := range f.answers {
		if sign, ok := cut(f.answers[i].link); ok {
			f.answers[i] = grade(sign, rapid.SampledFrom([]string{"absent", "mild", "moderate", "severe"}).Draw(t, sign))
		}
	}
	for _, link := range []string{"symptoms.itch", "symptoms.sleep-loss"} {
		value := tenths(100, link)
		if rapid.Bool().Draw(t, link+" blank") {
			value = ""
		}
		f.set(link, value)
	}
	return f
}

func cut(link string) (string, bool) {
	const prefix = "intensity."
	if len(link) > len(prefix) && link[:len(prefix)] == prefix {
		return link[len(prefix):], true
	}
	return "", false
}

// Whatever was answered, the Observation is FHIR to both decoders, holds its
// invariants, and its parts add up to its total exactly.
func TestAnyScoreAddsUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := drawn(t)
		document, err := fhir.Decode([]byte(f.json()))
		require.NoError(t, err)
		defer document.Release()
		response, err := questionnaire.Read(document.Root())
		require.NoError(t, err)
		set := rapid.SampledFrom(scoring.BandSets()).Draw(t, "bands")
		in := stored(&response)
		in.Bands = &set
		data := observation.Append(nil, in)

		written, err := fhir.Decode(data)
		require.NoError(t, err)
		defer written.Release()
		requireInvariants(t, data)
		var o models.Observation
		require.NoError(t, json.Unmarshal(data, &o))
		points := map[string]int64{}
		for _, c := range o.Component {
			if c.ValueQuantity != nil {
				points[*c.Code.Coding[0].Code] = hundredths(t, c.ValueQuantity.Value.String())
			}
		}
		require.Equal(t, points["objective"], points["extent-part"]+points["intensity-part"])
		require.Equal(t, points["extent"], points["extent-part"]*5)
		if part, ok := points["subjective-part"]; ok {
			require.Equal(t, hundredths(t, o.ValueQuantity.Value.String()), points["objective"]+part)
		} else {
			require.Nil(t, o.ValueQuantity)
		}
		if bonus, ok := points["objective-with-bonus"]; ok {
			require.Equal(t, points["objective"]+1000, bonus)
		}
	})
}

// hundredths reads a decimal exactly.
func hundredths(t require.TestingT, text string) int64 {
	d, ok := fhir.ParseDecimal([]byte(text))
	require.True(t, ok)
	n, whole := d.At(2)
	require.True(t, whole)
	return n
}
