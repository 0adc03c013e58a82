package observation_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

// scoreID is the identifier of the scores of these tests.
var scoreID = observation.Identifier("https://fernway-portal.example/responses", "fw-7")

// member is one Observation of a panel, read by both decoders.
type member struct {
	observation.Member
	decoded
}

// value is what it says, its number as it is written, with the unit's code.
func (m member) value() string {
	switch {
	case m.ValueQuantity != nil:
		return m.ValueQuantity.Value.String() + " " + *m.ValueQuantity.Code
	case m.ValueBoolean != nil:
		return fmt.Sprint(*m.ValueBoolean)
	case m.DataAbsentReason != nil:
		return *m.DataAbsentReason.Coding[0].Code
	}
	return ""
}

// panelOf makes the panel of a score with references that a server gave.
func panelOf(t testing.TB, score fhir.Node) []member {
	t.Helper()
	refer := func(identifier string) string { return "Observation/of-" + strings.TrimPrefix(identifier, scoreID) }
	var all []member
	for _, m := range observation.Panel(score, refer) {
		all = append(all, member{m, decode(t, m.JSON)})
	}
	return all
}

func panelFor(t testing.TB, f *filled) (members []member, whole member) {
	t.Helper()
	all := panelOf(t, observe(t, f).root)
	return all[:len(all)-1], all[len(all)-1]
}

// find is the member of a code.
func find(t testing.TB, members []member, code string) member {
	t.Helper()
	for _, m := range members {
		if m.Code == code {
			return m
		}
	}
	require.Fail(t, "no member "+code)
	return member{}
}

// Every answer and part as it is in the single Observation, and then the total.
func TestPanelHasAMemberForEveryAnswerAndPartAndTheTotal(t *testing.T) {
	t.Parallel()
	regions, _ := byRegions("under-1")
	for name, f := range map[string]*filled{
		"directly": directly(), "by regions": directly().extent(regions...),
		"by palms":        directly().extent(choice("extent.method", "hands"), answer{"extent.hands", `"valueInteger":12`}),
		"by a clinician":  directly().byClinician(),
		"without a total": directly().set("symptoms.itch", ""),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			single := observe(t, f)
			var want []component
			for _, c := range single.components(t) {
				want = append(want, component{c.code, strings.TrimSpace(c.value + " " + c.unit), ""})
			}
			total := "unknown"
			if single.ValueQuantity != nil {
				total = single.ValueQuantity.Value.String() + " {score}"
			}
			want = append(want, component{"scorad", total, ""})
			members, _ := panelFor(t, f)
			var got []component
			for _, m := range members {
				got = append(got, component{m.Code, m.value(), ""})
			}
			require.Equal(t, want, got)
		})
	}
}

// By hand: the answers of directly and what they come to.
func TestPanelOfAWorkedExample(t *testing.T) {
	t.Parallel()
	members, _ := panelFor(t, directly())
	values := map[string]string{}
	for _, m := range members {
		values[m.Code] = m.value()
	}
	require.Equal(t, map[string]string{
		"extent-direct": "18.5 %", "intensity-erythema": "2 {score}", "intensity-oedema": "1 {score}", "intensity-oozing": "1 {score}",
		"intensity-excoriation": "2 {score}", "intensity-lichenification": "1 {score}", "intensity-dryness": "1 {score}",
		"symptoms-itch": "5.7 {score}", "symptoms-sleep-loss": "2.4 {score}", "also-seen-bleeding": "true", "also-seen-scaling": "false",
		"extent": "18.5 %", "extent-part": "3.70 {score}", "intensity-part": "28.00 {score}", "subjective-part": "8.10 {score}",
		"objective": "31.70 {score}", "scorad": "39.80 {score}",
	}, values)
}

func TestPanelItselfHasMembersAndNoValue(t *testing.T) {
	t.Parallel()
	members, whole := panelFor(t, directly())
	require.Equal(t, "panel", whole.Code)
	require.Equal(t, "panel", *whole.Observation.Code.Coding[0].Code)
	require.Equal(t, questionnaire.ScoradSystem, *whole.Observation.Code.Coding[0].System)
	require.Empty(t, whole.value())
	require.Empty(t, whole.Component)
	require.Empty(t, whole.Interpretation)
	require.Empty(t, whole.ReferenceRange)
	require.Len(t, whole.HasMember, len(members))
	for i, m := range members {
		require.Equal(t, "Observation/of-"+strings.TrimPrefix(m.Identifier, scoreID), *whole.HasMember[i].Reference)
		require.Empty(t, m.HasMember, "members have no members: %s", m.Code)
		require.Empty(t, m.Component, m.Code)
	}
	require.Equal(t, []string{base + "/StructureDefinition/scorad-panel"}, whole.Meta.Profile)
}

// What a server that has no ids yet is told.
func TestPanelRefersByIdentifierWhereNoServerHasGivenAnId(t *testing.T) {
	t.Parallel()
	all := observation.Panel(observe(t, directly()).root, func(string) string { return "" })
	whole := decode(t, all[len(all)-1].JSON)
	require.Len(t, whole.HasMember, len(all)-1)
	for i, reference := range whole.HasMember {
		require.Nil(t, reference.Reference)
		require.Equal(t, "Observation", *reference.Type)
		require.Equal(t, observation.IdentifierSystem, *reference.Identifier.System)
		require.Equal(t, all[i].Identifier, *reference.Identifier.Value)
	}
}

// The rater, the day and all else that the single Observation says.
func TestMembersSayWhoWhenAndFromWhat(t *testing.T) {
	t.Parallel()
	for name, f := range map[string]*filled{"self": directly(), "clinician": directly().byClinician()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			single := observe(t, f)
			for _, m := range panelOf(t, single.root) {
				require.Nil(t, m.Id, "a server gives it")
				require.Nil(t, m.Meta.VersionId)
				require.Equal(t, "en", *m.Language)
				require.Equal(t, single.Status, m.Status)
				require.Equal(t, single.Category, m.Category)
				require.Equal(t, single.Subject, m.Subject)
				require.Equal(t, single.EffectivePeriod, m.EffectivePeriod)
				require.Equal(t, single.Issued, m.Issued)
				require.Equal(t, single.Performer, m.Performer)
				require.Equal(t, single.Method, m.Method)
				require.Equal(t, single.Device, m.Device)
				require.Equal(t, single.DerivedFrom, m.DerivedFrom)
				if m.Code != "panel" {
					require.Equal(t, []string{base + "/StructureDefinition/scorad-panel-member"}, m.Meta.Profile)
				}
			}
		})
	}
}

func TestSecondCodingsRideInMembersToo(t *testing.T) {
	t.Parallel()
	members, _ := panelFor(t, directly())
	itch := find(t, members, "symptoms-itch").Observation.Code
	require.Len(t, itch.Coding, 2)
	require.Equal(t, "http://snomed.info/sct", *itch.Coding[1].System)
	require.Equal(t, "418363000", *itch.Coding[1].Code)
	require.Equal(t, "Itch", *itch.Text)
}

// Stable over versions, one for each item and the score's own for the total.
func TestMembersKeepTheirIdentifiers(t *testing.T) {
	t.Parallel()
	before, whole := panelFor(t, directly())
	require.Equal(t, scoreID+".panel", whole.Identifier)
	seen := map[string]bool{}
	for _, m := range append(before, whole) {
		require.Len(t, m.decoded.Identifier, 1)
		require.Equal(t, observation.IdentifierSystem, *m.decoded.Identifier[0].System)
		require.Equal(t, m.Member.Identifier, *m.decoded.Identifier[0].Value)
		require.False(t, seen[m.Member.Identifier], m.Code)
		seen[m.Member.Identifier] = true
		if m.Code != "scorad" {
			require.Equal(t, scoreID+"."+m.Code, m.Member.Identifier)
		}
	}
	require.Equal(t, scoreID, find(t, before, "scorad").Member.Identifier, "as the single Observation's")
	in := stored(directly().set("symptoms.itch", `"valueDecimal":9`).read(t))
	in.Status, in.Version = "amended", 4
	for _, m := range panelOf(t, decode(t, observation.Append(nil, in)).root) {
		require.True(t, seen[m.Member.Identifier], m.Code)
		require.Equal(t, models.ObservationStatusAmended, m.Status)
	}
}

func TestPanelOfARetractedScoreIsRetracted(t *testing.T) {
	t.Parallel()
	before := observe(t, directly())
	later := issued.AddDate(0, 0, 2)
	source := base + "/QuestionnaireResponse/0190a1b2-1111-7abc-8def-000000000001/_history/4"
	written := observation.AppendRetracted(nil, before.root, fhir.Stamp{ID: *before.Id, Version: 4, LastUpdated: later}, source)
	good, all := panelOf(t, before.root), panelOf(t, decode(t, written).root)
	require.Len(t, all, len(good))
	for i, m := range all {
		require.Equal(t, good[i].Member.Identifier, m.Member.Identifier)
		require.Equal(t, models.ObservationStatusEnteredInError, m.Status)
		require.Equal(t, source, *m.DerivedFrom[0].Reference)
		require.Equal(t, "2026-11-26T18:42:11.250Z", *m.Issued)
		require.Equal(t, good[i].value(), m.value(), "readers must see what was taken back")
		require.Contains(t, m.Text.Div, ": entered in error, not to be used.</p>")
	}
}

func TestTotalOfAPanelHasItsBandAndRanges(t *testing.T) {
	t.Parallel()
	single := observe(t, directly())
	members, _ := panelFor(t, directly())
	for _, m := range members {
		if m.Code != "scorad" {
			require.Empty(t, m.Interpretation, m.Code)
			require.Empty(t, m.ReferenceRange, m.Code)
			continue
		}
		require.Equal(t, single.Interpretation, m.Interpretation)
		require.Equal(t, single.ReferenceRange, m.ReferenceRange)
		require.Equal(t, single.Observation.Code, m.Observation.Code)
	}
}

func TestTotalThatIsMissingSaysWhyInItsOwnMember(t *testing.T) {
	t.Parallel()
	members, _ := panelFor(t, directly().set("symptoms.sleep-loss", ""))
	total := find(t, members, "scorad")
	require.Nil(t, total.ValueQuantity)
	require.Empty(t, total.Interpretation)
	require.Equal(t, "Itch or sleep loss was not answered, so there is no SCORAD.", *total.DataAbsentReason.Text)
	require.Contains(t, total.Text.Div, "<p>SCORAD: Itch or sleep loss was not answered, so there is no SCORAD.</p>")
	for _, m := range members {
		require.NotContains(t, []string{"subjective-part", "symptoms-sleep-loss"}, m.Code)
	}
}

// Whoever reads a score alone must meet the caution and the doubts.
func TestCautionGoesWithWhateverReadsAsAScore(t *testing.T) {
	t.Parallel()
	f := directly().byClinician().set("extent.direct", `"valueDecimal":92.0`)
	f.answers = append(f.answers, answer{"bonus.face-hands", `"valueBoolean":true`})
	members, whole := panelFor(t, f)
	noted := map[string]int{}
	for _, m := range append(members, whole) {
		if len(m.Note) > 0 {
			noted[m.Code] = len(m.Note)
			require.Equal(t, observation.Caution, m.Note[len(m.Note)-1].Text)
		}
	}
	require.Equal(t, map[string]int{"scorad": 2, "objective": 2, "objective-with-bonus": 2, "panel": 2}, noted)
}

func TestMembersAreToldInWords(t *testing.T) {
	t.Parallel()
	members, whole := panelFor(t, directly())
	for code, want := range map[string]string{
		"extent-direct": "Extent as a percentage: 18.5 %.", "intensity-erythema": "Erythema: 2 points.", "intensity-oedema": "Oedema/papulation: 1 point.",
		"also-seen-bleeding": "Bleeding: yes.", "also-seen-scaling": "Scaling: no.",
		"objective": "Objective SCORAD: 31.70 points.", "scorad": "SCORAD: 39.80 points.",
	} {
		m := find(t, members, code)
		require.Equal(t, models.NarrativeStatusGenerated, m.Text.Status)
		require.Equal(t, `<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>`+want+`</p></div>`, m.Text.Div)
	}
	require.Contains(t, whole.Text.Div, "<p>SCORAD panel: 17 observations, the total among them.</p>")
}

// bundle reads the transaction of a panel.
func bundle(t testing.TB, score fhir.Node) (models.Bundle, string) {
	t.Helper()
	data := observation.PanelBundle([]byte("x"), score)
	require.Equal(t, byte('x'), data[0], "it is appended")
	document, err := fhir.Decode(data[1:])
	require.NoError(t, err)
	t.Cleanup(document.Release)
	var b models.Bundle
	require.NoError(t, json.Unmarshal(data[1:], &b))
	return b, string(data[1:])
}

func TestBundlePutsEachMemberWhereItsIdentifierIsFound(t *testing.T) {
	t.Parallel()
	b, _ := bundle(t, observe(t, directly()).root)
	require.Equal(t, models.BundleTypeTransaction, b.Type)
	require.Len(t, b.Entry, 18)
	urns := map[string]bool{}
	for _, e := range b.Entry {
		require.Regexp(t, `^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`, *e.FullUrl)
		require.False(t, urns[*e.FullUrl], "two entries of one name")
		urns[*e.FullUrl] = true
		o := decode(t, e.Resource)
		require.Equal(t, models.HTTPVerbPUT, e.Request.Method)
		require.Equal(t, "Observation?identifier=https://tidemark.example/fhir/sid/score%7C"+*o.Identifier[0].Value, e.Request.Url)
	}
	whole := decode(t, b.Entry[17].Resource)
	require.Len(t, whole.HasMember, 17)
	for i, reference := range whole.HasMember {
		require.Equal(t, *b.Entry[i].FullUrl, *reference.Reference)
	}
}

func TestBundleOfTheSameScoreIsTheSameText(t *testing.T) {
	t.Parallel()
	_, one := bundle(t, observe(t, directly()).root)
	_, two := bundle(t, observe(t, directly()).root)
	require.Equal(t, one, two)
}

// Whatever was answered, members say the very numbers of the components, and
// add up to the total.
func TestAnyPanelAddsUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		document, err := fhir.Decode([]byte(drawn(t).json()))
		require.NoError(t, err)
		defer document.Release()
		response, err := questionnaire.Read(document.Root())
		require.NoError(t, err)
		score, err := fhir.Decode(observation.Append(nil, stored(&response)))
		require.NoError(t, err)
		defer score.Release()
		points := map[string]int64{}
		for _, m := range observation.Panel(score.Root(), func(string) string { return "" }) {
			requireInvariants(t, m.JSON)
			var o models.Observation
			require.NoError(t, json.Unmarshal(m.JSON, &o))
			if o.ValueQuantity != nil {
				points[m.Code] = hundredths(t, o.ValueQuantity.Value.String())
			}
		}
		require.Equal(t, points["objective"], points["extent-part"]+points["intensity-part"])
		if part, ok := points["subjective-part"]; ok {
			require.Equal(t, points["scorad"], points["objective"]+part)
		} else {
			require.NotContains(t, points, "scorad")
		}
	})
}
