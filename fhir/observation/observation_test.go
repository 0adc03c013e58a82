package observation_test

import (
	"strings"
	"testing"
	"time"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

func TestScoreSaysWhatWasScoredForWhomWhenAndByWhom(t *testing.T) {
	t.Parallel()
	o := observe(t, directly())
	require.Equal(t, "0190a1b2-1111-7abc-8def-000000000001", *o.Id)
	require.Equal(t, "3", *o.Meta.VersionId)
	require.Equal(t, "2026-11-24T18:42:11.250Z", *o.Meta.LastUpdated)
	require.Equal(t, []string{"https://tidemark.example/fhir/StructureDefinition/scorad-observation"}, o.Meta.Profile)
	require.Equal(t, "en", *o.Language)
	require.Len(t, o.Identifier, 1)
	require.Equal(t, "https://tidemark.example/fhir/sid/score", *o.Identifier[0].System)
	require.Equal(t, observation.Identifier("https://fernway-portal.example/responses", "fw-7"), *o.Identifier[0].Value)
	require.Equal(t, models.ObservationStatusFinal, o.Status)
	require.Equal(t, "https://tidemark.example/fhir/CodeSystem/scorad", *o.Code.Coding[0].System)
	require.Equal(t, "scorad", *o.Code.Coding[0].Code)
	require.Equal(t, "SCORAD", *o.Code.Coding[0].Display)
	require.Equal(t, "SCORAD", *o.Code.Text)
	require.Equal(t, "Patient/oona-thistledown", *o.Subject.Reference)
	require.Equal(t, "2026-11-21", *o.EffectivePeriod.Start)
	require.Equal(t, "2026-11-24T19:42:10+01:00", *o.EffectivePeriod.End)
	require.Equal(t, "2026-11-24T18:42:11.250Z", *o.Issued)
	require.Len(t, o.Performer, 1)
	require.Equal(t, "RelatedPerson/bram-thistledown", *o.Performer[0].Reference)
	require.Equal(t, "https://tidemark.example/fhir/Device/tidemark-1.0.0", *o.Device.Reference)
	require.Equal(t, "https://tidemark.example/fhir/sid/device", *o.Device.Identifier.System)
	require.Equal(t, "tidemark-1.0.0", *o.Device.Identifier.Value)
	require.Equal(t, "Tidemark, SCORAD algorithm 1.0.0", *o.Device.Display)
	require.Len(t, o.DerivedFrom, 1)
	require.Equal(t, "https://tidemark.example/fhir/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/3", *o.DerivedFrom[0].Reference)
}

func TestScoreSaysWhatItComesTo(t *testing.T) {
	t.Parallel()
	o := observe(t, directly())
	require.Equal(t, "39.80", o.ValueQuantity.Value.String(), "two decimals, the zero too")
	require.Equal(t, "{score}", *o.ValueQuantity.Code)
	require.Equal(t, "http://unitsofmeasure.org", *o.ValueQuantity.System)
	require.Equal(t, "score", *o.ValueQuantity.Unit)
	require.Nil(t, o.DataAbsentReason)
	require.Len(t, o.Interpretation, 1)
	require.Equal(t, questionnaire.BandSystem, *o.Interpretation[0].Coding[0].System)
	require.Equal(t, "moderate", *o.Interpretation[0].Coding[0].Code)
	require.Equal(t, "Moderate", *o.Interpretation[0].Coding[0].Display)
	require.Equal(t, "Moderate (band set usual-25-50)", *o.Interpretation[0].Text)
}

func TestNarrativeTellsAReader(t *testing.T) {
	t.Parallel()
	o := observe(t, directly())
	require.Equal(t, models.NarrativeStatusGenerated, o.Text.Status)
	require.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>SCORAD, rated by patient or carer: 39.80 of 103 points (moderate, set usual-25-50); objective 31.70 of 83 points. `+observation.Caution+`</p></div>`, o.Text.Div)
	o = observe(t, directly().set("symptoms.itch", ""))
	require.Contains(t, o.Text.Div, ": no total, since itch or sleep loss was not answered; objective 31.70 of 83 points. ")
}

func TestCategoryIsSurveyAndForTheClinicianExamToo(t *testing.T) {
	t.Parallel()
	const system = "http://terminology.hl7.org/CodeSystem/observation-category"
	categories := func(o decoded) (codes []string) {
		for _, c := range o.Category {
			require.Equal(t, system, *c.Coding[0].System)
			codes = append(codes, *c.Coding[0].Code+" "+*c.Coding[0].Display)
		}
		return codes
	}
	require.Equal(t, []string{"survey Survey"}, categories(observe(t, directly())))
	require.Equal(t, []string{"survey Survey", "exam Exam"}, categories(observe(t, directly().byClinician())))
}

func TestStatusIsWhatTheCallerSays(t *testing.T) {
	t.Parallel()
	response := directly().read(t)
	for status, want := range map[string]models.ObservationStatus{
		"final": models.ObservationStatusFinal, "amended": models.ObservationStatusAmended,
	} {
		in := stored(response)
		in.Status = status
		require.Equal(t, want, decode(t, observation.Append(nil, in)).Status)
	}
}

// The window starts on the calendar date of authored in its own offset, three
// days back, whatever the clocks did in between; it ends when authored says, in
// the sender's own writing.
func TestEffectivePeriodIsTheRecallWindow(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, authored, start string }{
		{"to the second", "2026-11-24T19:42:10+01:00", "2026-11-21"},
		{"date only", "2026-11-24", "2026-11-21"},
		{"date only, over a month", "2026-03-02", "2026-02-27"},
		{"over a leap day", "2028-03-01", "2028-02-27"},
		{"over new year", "2027-01-02T08:00:00Z", "2026-12-30"},
		{"late evening west of Greenwich, tomorrow in UTC", "2026-11-24T23:30:00-05:00", "2026-11-21"},
		{"early morning east of Greenwich, yesterday in UTC", "2026-11-24T00:30:00+09:00", "2026-11-21"},
		{"half an hour after clocks went forward", "2026-03-29T03:30:00+02:00", "2026-03-26"},
		{"just after midnight, clocks forward in between", "2026-03-30T00:10:00+02:00", "2026-03-27"},
		{"just before midnight, clocks back in between", "2026-10-26T23:50:00+01:00", "2026-10-23"},
		{"half-hour offset", "2026-11-24T00:05:00+05:30", "2026-11-21"},
		{"milliseconds, the last 0", "2026-11-24T19:42:10.120Z", "2026-11-21"},
		{"UTC written as an offset", "2026-11-24T19:42:10+00:00", "2026-11-21"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := directly()
			f.header["authored"] = `"` + c.authored + `"`
			o := observe(t, f)
			require.Equal(t, c.start, *o.EffectivePeriod.Start)
			require.Equal(t, c.authored, *o.EffectivePeriod.End)
			require.Equal(t, c.start, observation.Window(f.read(t).Authored).Format(time.DateOnly))
		})
	}
}

func TestNoTotalHasAReasonAndNoBand(t *testing.T) {
	t.Parallel()
	for _, link := range []string{"symptoms.itch", "symptoms.sleep-loss"} {
		t.Run(link+" blank", func(t *testing.T) {
			t.Parallel()
			o := observe(t, directly().set(link, ""))
			require.Nil(t, o.ValueQuantity)
			require.Empty(t, o.Interpretation)
			require.Equal(t, "http://terminology.hl7.org/CodeSystem/data-absent-reason", *o.DataAbsentReason.Coding[0].System)
			require.Equal(t, "unknown", *o.DataAbsentReason.Coding[0].Code)
			require.Equal(t, "Itch or sleep loss was not answered, so there is no SCORAD.", *o.DataAbsentReason.Text)
			codes := map[string]string{}
			for _, c := range o.components(t) {
				codes[c.code] = c.value
			}
			require.Equal(t, "31.70", codes["objective"])
			require.NotContains(t, codes, "subjective-part")
			require.NotContains(t, codes, strings.ReplaceAll(link, ".", "-"))
		})
	}
	o := observe(t, directly().set("symptoms.itch", `"valueDecimal":0`).set("symptoms.sleep-loss", `"valueDecimal":0`))
	require.Equal(t, "31.70", o.ValueQuantity.Value.String(), "zero is an answer")
}

func TestPerformerIsWhoAnswered(t *testing.T) {
	t.Parallel()
	f := directly()
	f.source = ""
	require.Empty(t, observe(t, f).Performer)
	f.source = `{"type":"RelatedPerson","identifier":{"system":"https://brindlemoor.example/carers","value":"7"},"display":"Bram"}`
	performer := observe(t, f).Performer
	require.Len(t, performer, 1)
	require.Equal(t, "7", *performer[0].Identifier.Value)
	require.Equal(t, "Practitioner/ilse-varnholt", *observe(t, directly().byClinician()).Performer[0].Reference)
}

func TestSubjectIsCopiedWhole(t *testing.T) {
	t.Parallel()
	f := directly()
	f.header["subject"] = `{ "identifier": {"system":"https://brindlemoor.example/mrn","value":"0007"},
		"display": "Oona \u0022Oo\u0022 Thistledown" }`
	o := observe(t, f)
	require.Nil(t, o.Subject.Reference)
	require.Equal(t, "0007", *o.Subject.Identifier.Value)
	require.Equal(t, `Oona "Oo" Thistledown`, *o.Subject.Display)
}

// Where nothing is stored there is no id, no version and nothing to point at.
func TestUnstoredScoreRefersByIdentifier(t *testing.T) {
	t.Parallel()
	f := directly()
	in := &observation.Input{Response: f.read(t), Identifier: "5f2b", Status: "final", Bands: &scoring.UsualBands}
	o := decode(t, observation.Append(nil, in))
	require.Nil(t, o.Id)
	require.Nil(t, o.Meta.VersionId)
	require.Nil(t, o.Meta.LastUpdated)
	require.Nil(t, o.Issued)
	require.Nil(t, o.Device.Reference)
	require.Equal(t, "tidemark-1.0.0", *o.Device.Identifier.Value)
	require.Len(t, o.DerivedFrom, 1)
	require.Nil(t, o.DerivedFrom[0].Reference)
	require.Equal(t, "QuestionnaireResponse", *o.DerivedFrom[0].Type)
	require.Equal(t, observation.ResponseIdentifierSystem, *o.DerivedFrom[0].Identifier.System)
	require.Equal(t, in.Response.Root.Digest(), *o.DerivedFrom[0].Identifier.Value)
	require.True(t, strings.HasPrefix(o.json, `{"resourceType":"Observation","meta":{"profile":["`+base+`/StructureDefinition/scorad-observation"]},"language":"en"`))

	f.header["identifier"] = `{"system":"https://fernway-portal.example/responses","value":"fw-7"}`
	in.Response = f.read(t)
	o = decode(t, observation.Append(nil, in))
	require.Len(t, o.DerivedFrom, 1)
	require.Equal(t, "QuestionnaireResponse", *o.DerivedFrom[0].Type)
	require.Equal(t, "fw-7", *o.DerivedFrom[0].Identifier.Value)
	require.Nil(t, o.DerivedFrom[0].Reference)

	in.DerivedFrom, in.Issued = "QuestionnaireResponse/r-7", issued.In(time.FixedZone("", 3600))
	o = decode(t, observation.Append(nil, in))
	require.Equal(t, "QuestionnaireResponse/r-7", *o.DerivedFrom[0].Reference)
	require.Equal(t, "2026-11-24T19:42:11.250+01:00", *o.Issued, "an instant keeps its offset")
}

func TestAppendAddsToWhatIsThere(t *testing.T) {
	t.Parallel()
	in := stored(directly().read(t))
	alone := observation.Append(nil, in)
	require.Equal(t, "before"+string(alone), string(observation.Append([]byte("before"), in)))
	require.Equal(t, string(alone), string(observation.Append(make([]byte, 0, 64<<10), in)), "the same again")
}

// The identifier is the digest of the response's own: stable over versions and
// servers, and another for another response.
func TestIdentifierIsStable(t *testing.T) {
	t.Parallel()
	// The first 32 hex digits of SHA-256 of "https://a.example|7", computed
	// with a command line tool.
	require.Equal(t, "6697170927f1b638cdbd6b4e71ac7530", observation.Identifier("https://a.example", "7"))
	seen := map[string]bool{}
	for _, pair := range [][2]string{{"https://a.example", "7"}, {"https://a.example", "8"}, {"https://b.example", "7"}, {"", "7"}, {observation.ResponseIdentifierSystem, "7"}} {
		id := observation.Identifier(pair[0], pair[1])
		require.Regexp(t, `^[0-9a-f]{32}$`, id)
		require.False(t, seen[id])
		seen[id] = true
	}
	require.Equal(t, "https://tidemark.example/fhir/sid/score", observation.IdentifierSystem)
	require.Equal(t, "https://tidemark.example/fhir/sid/response", observation.ResponseIdentifierSystem)
}
