package questionnaire_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

func TestCanonicalFindsTheForm(t *testing.T) {
	t.Parallel()
	const url = questionnaire.Base + "/Questionnaire/scorad-self-assessment"
	relative := fault{fhir.IssueValue, "QuestionnaireResponse.questionnaire", "", "A relative reference is no canonical; it was taken for the form of the same id here."}
	for _, c := range []struct {
		name, canonical string
		warnings        []fault
	}{
		{"with its version", url + "|1.0.0", nil},
		{"without a version, the newest active one", url, nil},
		{"relative, with a warning", "Questionnaire/scorad-self-assessment", []fault{relative}},
		{"relative with version, with a warning", "Questionnaire/scorad-self-assessment|1.0.0", []fault{relative}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["questionnaire"] = quoted(c.canonical)
			response := accepted(t, s, c.warnings...)
			require.Equal(t, url+"|1.0.0", response.Form.Canonical, "the version answered is on record")
			require.Equal(t, "SCORAD, rated by patient or carer", response.Form.Title)
			require.Equal(t, scoring.RatedBySelf, response.Form.Rater)
		})
	}
}

func TestUnknownFormIsRefused(t *testing.T) {
	t.Parallel()
	const url = questionnaire.Base + "/Questionnaire/scorad-self-assessment"
	const forms = "the forms are " + questionnaire.Base + "/Questionnaire/scorad-clinician-assessment|1.0.0, " + url + "|1.0.0."
	for name, canonical := range map[string]string{
		"unknown version":          url + "|1.0.1",
		"empty version":            url + "|",
		"other url":                "https://fernway-portal.example/Questionnaire/eczema",
		"other id":                 questionnaire.Base + "/Questionnaire/scorad",
		"url in other capitals":    questionnaire.Base + "/questionnaire/scorad-self-assessment",
		"a CodeSystem's":           questionnaire.ScoradSystem,
		"fragment":                 "#form",
		"our id on another server": "https://fernway-portal.example/Questionnaire/scorad-self-assessment",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["questionnaire"] = quoted(canonical)
			refused(t, s, fault{fhir.IssueNotFound, "QuestionnaireResponse.questionnaire", "", forms})
		})
	}
	t.Run("unknown relative id", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["questionnaire"] = `"Questionnaire/eczema"`
		_, err := read(t, s)
		var issues fhir.Issues
		require.ErrorAs(t, err, &issues)
		require.Equal(t, fhir.IssueNotFound, issues[len(issues)-1].Code)
	})
	t.Run("none named", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["questionnaire"] = ""
		refused(t, s, fault{fhir.IssueRequired, "QuestionnaireResponse", "", "questionnaire is missing; name the form answered, as " + questionnaire.Base})
	})
	t.Run("with the faults of the header, which need no form", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["questionnaire"], s.header["subject"] = `"urn:x"`, ""
		refused(t, s,
			fault{fhir.IssueNotFound, "QuestionnaireResponse.questionnaire", "", "No such form"},
			fault{fhir.IssueRequired, "QuestionnaireResponse", "", "subject is missing"})
	})
}

// Who may answer which form: the family the self-assessment, a clinician the
// clinician's; a source counts before an author.
func TestPersonFitsTheForm(t *testing.T) {
	t.Parallel()
	const self, team = questionnaire.SelfAssessment, questionnaire.ClinicianAssessment
	role := `{"reference":"PractitionerRole/dermatology"}`
	device := `{"reference":"Device/kiosk-3"}`
	for _, c := range []struct {
		name, form, source, author string
		performer                  string // "" for none
	}{
		{"patient rates herself", self, patient, "", patient},
		{"carer rates", self, carer, "", carer},
		{"author where there is no source", self, "", carer, carer},
		{"source before author", self, carer, clinician, carer},
		{"clinician rates", team, clinician, "", clinician},
		{"clinician by role", team, role, "", role},
		{"clinician rated, a device recorded", team, clinician, device, clinician},
		{"a device is no performer", self, "", device, ""},
		{"an organization is no rater", self, "", `{"reference":"Organization/brindlemoor"}`, ""},
		{"nobody is named", self, "", "", ""},
		{"absolute reference", self, `{"reference":"https://ehr.brindlemoor.example/fhir/RelatedPerson/7"}`, "", `{"reference":"https://ehr.brindlemoor.example/fhir/RelatedPerson/7"}`},
		{"identifier with a type", self, `{"type":"RelatedPerson","identifier":{"value":"c-7"}}`, "", `{"type":"RelatedPerson","identifier":{"value":"c-7"}}`},
		{"identifier without a type", self, `{"identifier":{"value":"c-7"}}`, "", ""},
		{"versioned reference", team, `{"reference":"Practitioner/ilse-varnholt/_history/2"}`, "", `{"reference":"Practitioner/ilse-varnholt/_history/2"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.form = c.form
			s.header["questionnaire"] = quoted(questionnaire.Base + "/Questionnaire/" + c.form)
			s.header["source"], s.header["author"] = c.source, c.author
			response := accepted(t, s)
			require.Equal(t, c.performer, string(response.Performer.Raw()))
			require.Equal(t, patient, string(response.Subject.Raw()))
		})
	}
}

func TestContainedPersonIsNoPerformer(t *testing.T) {
	t.Parallel()
	s := directly()
	s.header["contained"] = `[{"resourceType":"RelatedPerson","id":"carer","patient":{"reference":"Patient/oona-thistledown"}}]`
	s.header["source"] = `{"reference":"#carer"}`
	response := accepted(t, s)
	require.False(t, response.Performer.Exists(), "a chart cannot follow a contained reference")
}

func TestPersonOfTheOtherFormIsRefused(t *testing.T) {
	t.Parallel()
	const self, team = questionnaire.SelfAssessment, questionnaire.ClinicianAssessment
	const notSelf = "This form is answered by the patient or a carer, not by a practitioner; use " + questionnaire.Base + "/Questionnaire/" + team + "."
	const notTeam = "This form is answered by a clinician; use " + questionnaire.Base + "/Questionnaire/" + self + "."
	contained := `[{"resourceType":"Practitioner","id":"dr"},{"resourceType":"RelatedPerson","id":"carer","patient":{"reference":"Patient/oona-thistledown"}}]`
	for _, c := range []struct{ name, form, source, author, at, says string }{
		{"practitioner as source", self, clinician, "", "source", notSelf},
		{"practitioner as author", self, "", clinician, "author", notSelf},
		{"practitioner's role", self, `{"reference":"PractitionerRole/dermatology"}`, "", "source", notSelf},
		{"practitioner by type", self, `{"type":"Practitioner","identifier":{"value":"p-1"}}`, "", "source", notSelf},
		{"practitioner's role by type", self, `{"type":"PractitionerRole","identifier":{"value":"p-1"}}`, "", "source", notSelf},
		{"contained practitioner", self, `{"reference":"#dr"}`, "", "source", notSelf},
		{"patient on the clinician's", team, patient, "", "source", notTeam},
		{"carer on the clinician's", team, carer, clinician, "source", notTeam},
		{"carer on the clinician's by type", team, `{"type":"RelatedPerson","display":"Bram"}`, "", "source", notTeam},
		{"patient on the clinician's by type", team, `{"type":"Patient","display":"Oona"}`, "", "source", notTeam},
		{"contained carer on the clinician's", team, `{"reference":"#carer"}`, "", "source", notTeam},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.form = c.form
			s.header["questionnaire"] = quoted(questionnaire.Base + "/Questionnaire/" + c.form)
			s.header["source"], s.header["author"], s.header["contained"] = c.source, c.author, contained
			refused(t, s, fault{fhir.IssueBusinessRule, "QuestionnaireResponse." + c.at, "", c.says})
		})
	}
}

func TestSubjectIsAPatientWhoCanBeFound(t *testing.T) {
	t.Parallel()
	for name, subject := range map[string]string{
		"reference":              patient,
		"absolute reference":     `{"reference":"https://ehr.brindlemoor.example/fhir/Patient/7"}`,
		"identifier alone":       `{"identifier":{"system":"https://brindlemoor.example/mrn","value":"0007"}}`,
		"identifier with type":   `{"type":"Patient","identifier":{"value":"0007"}}`,
		"reference with display": `{"reference":"Patient/oona-thistledown","display":"Oona Thistledown"}`,
		"reference with type":    `{"reference":"Patient/oona-thistledown","type":"Patient"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["subject"] = subject
			require.Equal(t, subject, string(accepted(t, s).Subject.Raw()))
		})
	}
}

func TestSubjectThatNoChartCanBeFoundByIsRefused(t *testing.T) {
	t.Parallel()
	const at = "QuestionnaireResponse.subject"
	for _, c := range []struct {
		name, subject string
		fault         fault
	}{
		{"none", "", fault{fhir.IssueRequired, "QuestionnaireResponse", "", "subject is missing; refer to the patient, as Patient/[id]."}},
		{"contained", `{"reference":"#p"}`, fault{fhir.IssueBusinessRule, at + ".reference", "", "subject is a contained patient, which no chart can be found by"}},
		{"display only", `{"display":"Oona"}`, fault{fhir.IssueValue, at, "", "subject needs a reference to a Patient or an identifier with a value."}},
		{"identifier without value", `{"identifier":{"system":"https://brindlemoor.example/mrn"}}`, fault{fhir.IssueValue, at, "", "an identifier with a value"}},
		{"group", `{"reference":"Group/ward-3"}`, fault{fhir.IssueValue, at + ".reference", "", "subject must be a Patient."}},
		{"practitioner", clinician, fault{fhir.IssueValue, at + ".reference", "", "subject must be a Patient."}},
		{"no literal reference", `{"reference":"Patient?identifier=7"}`, fault{fhir.IssueValue, at + ".reference", "", "subject must be a Patient."}},
		{"uuid that nothing resolved", `{"reference":"urn:uuid:0190a1b2-0000-7000-8000-000000000000"}`, fault{fhir.IssueValue, at + ".reference", "", "subject must be a Patient."}},
		{"type of another resource", `{"type":"Group","identifier":{"value":"7"}}`, fault{fhir.IssueValue, at + ".type", "", "subject must be a Patient."}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["subject"] = c.subject
			s.header["contained"] = `[{"resourceType":"Patient","id":"p"}]`
			refused(t, s, c.fault)
		})
	}
}

func TestAuthoredKeepsItsPrecisionAndOffset(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, authored string
		precision      fhir.Precision
		want           string
	}{
		{"to the day", "2026-11-24", fhir.ToDay, "2026-11-24T00:00:00Z"},
		{"to the second, own offset", "2026-11-24T23:42:10-05:00", fhir.ToSecond, "2026-11-24T23:42:10-05:00"},
		{"to the millisecond", "2026-11-24T19:42:10.125Z", fhir.ToSecond, "2026-11-24T19:42:10.125Z"},
		{"leap day", "2024-02-29", fhir.ToDay, "2024-02-29T00:00:00Z"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["authored"] = quoted(c.authored)
			authored := accepted(t, s).Authored
			require.Equal(t, c.precision, authored.Precision)
			require.Equal(t, c.want, authored.Time.Format(time.RFC3339Nano))
		})
	}
}

func TestAuthoredIsNeededToTheDay(t *testing.T) {
	t.Parallel()
	for name, authored := range map[string]string{"year": `"2026"`, "month": `"2026-11"`} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["authored"] = authored
			refused(t, s, fault{fhir.IssueValue, "QuestionnaireResponse.authored", "", "authored must be known to the day at least"})
			s.header["status"] = `"in-progress"`
			refused(t, s, fault{fhir.IssueValue, "QuestionnaireResponse.authored", "", "authored must be known to the day at least"})
		})
	}
	t.Run("missing", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["authored"] = ""
		refused(t, s, fault{fhir.IssueRequired, "QuestionnaireResponse", "", "authored is missing"})
	})
	t.Run("missing in what is not complete", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["authored"], s.header["status"] = "", `"in-progress"`
		require.Zero(t, accepted(t, s).Authored)
	})
}

func TestImplicitRulesAreRefused(t *testing.T) {
	t.Parallel()
	s := directly()
	s.header["implicitRules"] = `"https://fernway-portal.example/rules"`
	refused(t, s, fault{fhir.IssueNotSupported, "QuestionnaireResponse.implicitRules", "", "implicitRules are not known here"})
}
