package observation_test

import (
	"encoding/json"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// resource reads what was written by both decoders.
func resource(t *testing.T, data []byte, want string, model any) fhir.Node {
	t.Helper()
	document, err := fhir.Decode(data)
	require.NoError(t, err, "%s", data)
	t.Cleanup(document.Release)
	require.Equal(t, want, document.Root().Type())
	require.NoError(t, json.Unmarshal(data, model))
	return document.Root()
}

func provenance(t *testing.T, response *questionnaire.Response, activity observation.Activity) models.Provenance {
	t.Helper()
	var p models.Provenance
	resource(t, observation.AppendProvenance(nil, &observation.ProvenanceInput{
		Performer: response.Performer, ID: "0190a1b2-2222", Recorded: issued, Activity: activity,
		Target: "Observation/o-7/_history/2", Entity: "QuestionnaireResponse/o-7/_history/2",
	}), "Provenance", &p)
	return p
}

func TestProvenanceSaysFromWhatAndByWhat(t *testing.T) {
	t.Parallel()
	p := provenance(t, directly().read(t), observation.Create)
	require.Equal(t, "0190a1b2-2222", *p.Id)
	require.Equal(t, "1", *p.Meta.VersionId)
	require.Equal(t, "2026-11-24T18:42:11.250Z", *p.Meta.LastUpdated)
	require.Equal(t, "2026-11-24T18:42:11.250Z", p.Recorded)
	require.Len(t, p.Target, 1)
	require.Equal(t, "Observation/o-7/_history/2", *p.Target[0].Reference)
	require.Len(t, p.Entity, 1)
	require.Equal(t, models.ProvenanceEntityRoleSource, p.Entity[0].Role)
	require.Equal(t, "QuestionnaireResponse/o-7/_history/2", *p.Entity[0].What.Reference)
	require.Len(t, p.Agent, 2)
	require.Equal(t, "http://terminology.hl7.org/CodeSystem/provenance-participant-type", *p.Agent[0].Type.Coding[0].System)
	require.Equal(t, "assembler", *p.Agent[0].Type.Coding[0].Code)
	require.Equal(t, "Device/tidemark-1.0.0", *p.Agent[0].Who.Reference)
	require.Equal(t, "author", *p.Agent[1].Type.Coding[0].Code)
	require.Equal(t, "RelatedPerson/bram-thistledown", *p.Agent[1].Who.Reference)
}

// The response may name the form by its url alone; the version is on record here.
func TestProvenanceNamesTheVersionOfTheForm(t *testing.T) {
	t.Parallel()
	response := directly().read(t)
	var p models.Provenance
	root := resource(t, observation.AppendProvenance(nil, &observation.ProvenanceInput{
		ID: "0190a1b2-2222", Recorded: issued, Activity: observation.Create, Target: "Observation/o-7/_history/2",
		Entity: "QuestionnaireResponse/o-7/_history/2", Form: response.Form,
	}), "Provenance", &p)
	require.Len(t, p.Entity, 2)
	require.Equal(t, models.ProvenanceEntityRoleSource, p.Entity[1].Role)
	require.Equal(t, "Questionnaire", *p.Entity[1].What.Type)
	require.Nil(t, p.Entity[1].What.Reference)
	identifier := root.Get("entity").GetNext().Get("what").Get("identifier")
	require.Equal(t, "urn:ietf:rfc:3986", identifier.Get("system").Text())
	require.Equal(t, "https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|1.0.0", identifier.Get("value").Text())
}

func TestProvenanceWithoutARaterHasTheSoftwareAlone(t *testing.T) {
	t.Parallel()
	f := directly()
	f.source = ""
	p := provenance(t, f.read(t), observation.Create)
	require.Len(t, p.Agent, 1)
	require.Equal(t, "assembler", *p.Agent[0].Type.Coding[0].Code)
}

// Codes and displays of the code system v3-DataOperation.
func TestProvenanceSaysWhy(t *testing.T) {
	t.Parallel()
	for activity, want := range map[observation.Activity][2]string{
		observation.Create: {"CREATE", "create"}, observation.Update: {"UPDATE", "revise"}, observation.Nullify: {"NULLIFY", "nullify"},
	} {
		t.Run(want[0], func(t *testing.T) {
			t.Parallel()
			coding := provenance(t, directly().read(t), activity).Activity.Coding
			require.Len(t, coding, 1)
			require.Equal(t, "http://terminology.hl7.org/CodeSystem/v3-DataOperation", *coding[0].System)
			require.Equal(t, want, [2]string{*coding[0].Code, *coding[0].Display})
		})
	}
}

func TestDeviceNamesTheAlgorithm(t *testing.T) {
	t.Parallel()
	var d models.Device
	resource(t, observation.Device(scoring.AlgorithmVersion), "Device", &d)
	require.Equal(t, observation.DeviceID, *d.Id)
	require.Equal(t, "https://tidemark.example/fhir/sid/device", *d.Identifier[0].System)
	require.Equal(t, observation.DeviceID, *d.Identifier[0].Value)
	require.Equal(t, models.FHIRDeviceStatusActive, *d.Status)
	require.Equal(t, "Tidemark", *d.Manufacturer)
	require.Equal(t, "Tidemark", d.DeviceName[0].Name)
	require.Equal(t, models.DeviceNameTypeUserFriendlyName, d.DeviceName[0].Type)
	require.Equal(t, "1.0.0", d.Version[0].Value)
	require.Contains(t, d.Text.Div, "Tidemark, SCORAD algorithm 1.0.0")
	require.NotEmpty(t, observation.Device(scoring.AlgorithmVersion))
	observation.Device(scoring.AlgorithmVersion)[0] = 'x'
	require.Equal(t, byte('{'), observation.Device(scoring.AlgorithmVersion)[0], "each caller has its own copy")
}

// What is taken back keeps its values, since readers must see what it was, and
// says loudly that it is not to be used (R4 lifecycle.html 2.2.7).
func TestRetractedScoreKeepsItsValues(t *testing.T) {
	t.Parallel()
	before := observe(t, directly())
	later := issued.AddDate(0, 0, 2)
	written := observation.AppendRetracted(nil, before.root, fhir.Stamp{ID: *before.Id, Version: 4, LastUpdated: later},
		base+"/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/4")
	after := decode(t, written)

	require.Equal(t, models.ObservationStatusEnteredInError, after.Status)
	require.Equal(t, "4", *after.Meta.VersionId)
	require.Equal(t, "2026-11-26T18:42:11.250Z", *after.Meta.LastUpdated)
	require.Equal(t, "2026-11-26T18:42:11.250Z", *after.Issued)
	require.Len(t, after.DerivedFrom, 1)
	require.Equal(t, base+"/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/4", *after.DerivedFrom[0].Reference)
	require.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>SCORAD: entered in error, not to be used.</p></div>`, after.Text.Div)

	same := []string{
		"id", "identifier", "category", "code", "subject", "effectivePeriod", "performer", "valueQuantity",
		"interpretation", "note", "method", "device", "referenceRange", "component", "language",
	}
	for _, name := range same {
		var one, other []string
		for n := range before.root.Each(name) {
			one = append(one, string(n.Raw()))
		}
		for n := range after.root.Each(name) {
			other = append(other, string(n.Raw()))
		}
		require.NotEmpty(t, one, name)
		require.Equal(t, one, other, name)
	}
}

func TestRetractedScoreWithoutATotalStaysWithoutOne(t *testing.T) {
	t.Parallel()
	before := observe(t, directly().set("symptoms.itch", ""))
	after := decode(t, observation.AppendRetracted(nil, before.root, fhir.Stamp{ID: *before.Id, Version: 4, LastUpdated: issued}, "QuestionnaireResponse/7"))
	require.Nil(t, after.ValueQuantity)
	require.Equal(t, before.DataAbsentReason, after.DataAbsentReason)
	require.Equal(t, models.ObservationStatusEnteredInError, after.Status)
}
