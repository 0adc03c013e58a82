package observation_test

import (
	"encoding/base64"
	"encoding/json"
	"os"
	"testing"
	"time"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

// document is a DocumentReference, read by both decoders, and its text.
type document struct {
	models.DocumentReference
	root fhir.Node
	said string
}

// documentOf makes the document of a score.
func documentOf(t testing.TB, profile observation.Profile, score fhir.Node) document {
	t.Helper()
	profile.Shape = observation.Document
	data, err := profile.Append(nil, score, observation.DocumentMember, nil)
	require.NoError(t, err)
	decoded, err := fhir.Decode(data)
	require.NoError(t, err, "%s", data)
	t.Cleanup(decoded.Release)
	d := document{root: decoded.Root()}
	require.NoError(t, json.Unmarshal(data, &d.DocumentReference))
	require.Len(t, d.Content, 1)
	said, err := base64.StdEncoding.DecodeString(*d.Content[0].Attachment.Data)
	require.NoError(t, err)
	require.Equal(t, len(said), *d.Content[0].Attachment.Size, "in bytes, before base64 (R4 datatypes.html Attachment.size)")
	d.said = string(said)
	return d
}

// The text of the worked example, read by hand.
func TestDocumentSaysTheScoreInPlainText(t *testing.T) {
	t.Parallel()
	golden, err := os.ReadFile("testdata/document.txt")
	require.NoError(t, err)
	d := documentOf(t, observation.Profile{}, observe(t, directly()).root)
	require.Equal(t, string(golden), d.said)
	attachment := d.Content[0].Attachment
	require.Equal(t, "text/plain; charset=utf-8", *attachment.ContentType)
	require.Equal(t, "en", *attachment.Language)
	require.Equal(t, "SCORAD, rated by patient or carer", *attachment.Title)
}

func TestDocumentSaysWhatItIsOfWhomAndWhen(t *testing.T) {
	t.Parallel()
	d := documentOf(t, observation.Profile{}, observe(t, directly()).root)
	require.Equal(t, models.DocumentReferenceStatusCurrent, d.Status)
	require.Equal(t, models.CompositionStatusFinal, *d.DocStatus)
	require.Len(t, d.Identifier, 1)
	require.Equal(t, observation.IdentifierSystem, *d.Identifier[0].System)
	require.Equal(t, scoreID+".document", *d.Identifier[0].Value)
	require.Equal(t, []string{"http://loinc.org 34109-9", questionnaire.ScoradSystem + " scorad"}, codingsOf(*d.Type))
	require.Equal(t, []string{"http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category clinical-note"}, codingsOf(d.Category[0]))
	require.Equal(t, "Patient/oona-thistledown", *d.Subject.Reference)
	require.Equal(t, "2026-11-24T18:42:11.250Z", *d.Date)
	require.Equal(t, "RelatedPerson/bram-thistledown", *d.Author[0].Reference)
	require.Equal(t, "2026-11-21", *d.Context.Period.Start)
	require.Equal(t, "2026-11-24T19:42:10+01:00", *d.Context.Period.End)
	require.Equal(t, base+"/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/3", *d.Context.Related[0].Reference)
	require.Equal(t, models.NarrativeStatusGenerated, d.Text.Status)
}

func codingsOf(c models.CodeableConcept) (all []string) {
	for _, coding := range c.Coding {
		all = append(all, *coding.System+" "+*coding.Code)
	}
	return all
}

func TestDocumentOfAnAmendedAndOfARetractedScore(t *testing.T) {
	t.Parallel()
	in := stored(directly().read(t))
	in.Status = "amended"
	amended := decode(t, observation.Append(nil, in))
	d := documentOf(t, observation.Profile{}, amended.root)
	require.Equal(t, models.DocumentReferenceStatusCurrent, d.Status)
	require.Equal(t, models.CompositionStatusAmended, *d.DocStatus)
	require.Contains(t, d.said, "Version: amended, of ")

	written := observation.AppendRetracted(nil, amended.root, fhir.Stamp{ID: *amended.Id, Version: 4, LastUpdated: issued.Add(time.Hour)}, "")
	d = documentOf(t, observation.Profile{}, decode(t, written).root)
	require.Equal(t, models.DocumentReferenceStatusEnteredInError, d.Status)
	require.Equal(t, models.CompositionStatusEnteredInError, *d.DocStatus)
	require.Equal(t, "2026-11-24T19:42:11.250Z", *d.Date)
	require.Contains(t, d.said, "ENTERED IN ERROR, NOT TO BE USED\n\nSCORAD, rated by patient or carer\n")
	require.Contains(t, d.said, "SCORAD: 39.80 of 103 points", "readers must see what was taken back")
	require.Contains(t, d.Text.Div, "entered in error, not to be used")
}

func TestDocumentOfAClinician(t *testing.T) {
	t.Parallel()
	d := documentOf(t, observation.Profile{}, observe(t, directly().byClinician()).root)
	require.Equal(t, "SCORAD, rated by a clinician", *d.Content[0].Attachment.Title)
	require.Contains(t, d.said, "SCORAD, rated by a clinician\n")
}

// What must be borne in mind depends on the answers.
func TestDocumentNamesTheDoubtsAndWhatToRaise(t *testing.T) {
	t.Parallel()
	const raise = "Sleep loss is 7 or more of 10"
	d := documentOf(t, observation.Profile{}, observe(t, directly().set("symptoms.sleep-loss", `"valueDecimal":6.9`)).root)
	require.NotContains(t, d.said, raise)
	d = documentOf(t, observation.Profile{}, observe(t, directly().set("symptoms.sleep-loss", `"valueDecimal":7.0`)).root)
	require.Contains(t, d.said, raise)
	score := observe(t, directly().set("symptoms.itch", "").set("extent.direct", `"valueDecimal":92.0`))
	d = documentOf(t, observation.Profile{}, score.root)
	require.Contains(t, d.said, "SCORAD: none. Itch or sleep loss was not answered, so there is no SCORAD.\n")
	require.Greater(t, len(score.Note), 1)
	for _, note := range score.Note {
		require.Contains(t, d.said, "- "+note.Text+"\n", "every doubt goes with it")
	}
}

func TestDocumentOfARaterWhoIsNotKnownHasNoAuthor(t *testing.T) {
	t.Parallel()
	f := directly()
	f.source = ""
	require.Empty(t, documentOf(t, observation.Profile{}, observe(t, f).root).Author)
}

func TestDocumentKeepsWhatKindOfDocumentItIs(t *testing.T) {
	t.Parallel()
	site := questionnaire.Coding{System: "https://brindlemoor.example/codes", Code: "SC1"}
	profile := observation.Profile{
		Systems: []string{"http://snomed.info/sct"}, Codings: map[string][]questionnaire.Coding{"scorad": {site}},
		Category: []questionnaire.Coding{}, WithoutNarrative: true,
	}
	d := documentOf(t, profile, observe(t, directly()).root)
	require.Equal(t, []string{"http://loinc.org 34109-9", site.System + " SC1"}, codingsOf(*d.Type))
	require.Len(t, d.Category, 1, "it is Observations that have the category survey")
	require.Nil(t, d.Text)
}
