package observation_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

const snomed = "http://snomed.info/sct"

// siteCoding is one of an invented site.
var siteCoding = questionnaire.Coding{System: "https://brindlemoor.example/codes", Code: "SC1", Display: "Eczema score"}

// memberOf makes one member of a score.
func memberOf(t testing.TB, profile observation.Profile, score fhir.Node, member string) decoded {
	t.Helper()
	data, err := profile.Append(nil, score, member, func(string) string { return "" })
	require.NoError(t, err)
	return decode(t, data)
}

func TestMembersOfEachShape(t *testing.T) {
	t.Parallel()
	parts := []string{"symptoms-itch", "extent"}
	require.Equal(t, []string{""}, observation.Single.Members(parts))
	require.Equal(t, []string{""}, observation.Shape("").Members(parts), "as before there were shapes")
	require.Equal(t, []string{"symptoms-itch", "extent", "", "panel"}, observation.PanelShape.Members(parts))
	require.Equal(t, []string{"symptoms-itch", "extent", ""}, observation.Singles.Members(parts))
	require.Equal(t, []string{"document"}, observation.Document.Members(parts))
	require.Equal(t, []string{"symptoms-itch", "extent"}, parts)
}

// The members that are wanted when a score is written are those that can be made
// of it, whatever was answered.
func TestPartsOfAResponseAreThoseOfItsScore(t *testing.T) {
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
		parts := observation.Parts(&response)
		require.Equal(t, observation.PartsOf(score.Root()), parts)
		for _, shape := range observation.Shapes() {
			profile := observation.Profile{Shape: shape}
			for _, member := range shape.Members(parts) {
				require.True(t, observation.Has(score.Root(), member))
				body, err := profile.Append(nil, score.Root(), member, func(string) string { return "" })
				require.NoError(t, err)
				made, err := fhir.Decode(body)
				require.NoError(t, err)
				require.Equal(t, observation.MemberType(member), made.Root().Type())
				identifier := made.Root().Get("identifier").Get("value").Text()
				require.Equal(t, observation.MemberIdentifier(score.Root().Get("identifier").Get("value").Text(), member), identifier)
				made.Release()
			}
		}
	})
}

// One by one they are what the panel has.
func TestMembersAreThoseOfThePanel(t *testing.T) {
	t.Parallel()
	score := observe(t, directly()).root
	profile := observation.Profile{Shape: observation.PanelShape}
	refer := func(identifier string) string { return "Observation/of-" + identifier }
	for _, member := range observation.Panel(score, refer) {
		name := member.Code
		if name == observation.Total {
			name = observation.Whole
		}
		made, err := profile.Append([]byte("x"), score, name, refer)
		require.NoError(t, err)
		require.Equal(t, "x"+string(member.JSON), string(made))
	}
	_, err := profile.Append(nil, score, "symptoms-mood", refer)
	require.ErrorIs(t, err, observation.ErrMember)
	require.False(t, observation.Has(score, "symptoms-mood"))
}

// A score without profile is sent byte for byte as it is stored.
func TestScoreWithoutProfileStaysAsItIs(t *testing.T) {
	t.Parallel()
	score := observe(t, directly())
	profile := observation.Profile{}
	require.True(t, profile.Stored())
	made, err := profile.Append(nil, score.root, observation.Whole, nil)
	require.NoError(t, err)
	require.Equal(t, score.json, string(made))
	for name, other := range map[string]observation.Profile{
		"shape": {Shape: observation.Singles}, "systems": {Systems: []string{snomed}}, "category": {Category: []questionnaire.Coding{}},
		"codings": {Codings: map[string][]questionnaire.Coding{"scorad": {siteCoding}}}, "narrative": {WithoutNarrative: true},
	} {
		require.False(t, other.Stored(), name)
	}
}

// concepts are the codings of what was measured, of the score and of two of its
// components.
func concepts(d decoded) map[string][]string {
	found := map[string][]string{"SCORAD": codingsOf(d.Observation.Code)}
	for _, c := range d.Component {
		if text := *c.Code.Text; text == "Itch" || text == "Sleep loss" {
			found[text] = codingsOf(c.Code)
		}
	}
	return found
}

func TestCodingsAreThoseThatAServerTakes(t *testing.T) {
	t.Parallel()
	const ours = questionnaire.ScoradSystem
	score := observe(t, directly()).root
	site := map[string][]questionnaire.Coding{"scorad": {siteCoding}, "symptoms-itch": {{System: siteCoding.System, Code: "SC2"}}}
	for name, c := range map[string]struct {
		systems []string
		add     map[string][]questionnaire.Coding
		want    map[string][]string
	}{
		"only ours": {[]string{ours}, nil, map[string][]string{"SCORAD": {ours + " scorad"}, "Itch": {ours + " symptoms-itch"}, "Sleep loss": {ours + " symptoms-sleep-loss"}}},
		"SNOMED CT first": {[]string{snomed, ours}, nil, map[string][]string{
			"SCORAD": {ours + " scorad"}, "Itch": {snomed + " 418363000", ours + " symptoms-itch"}, "Sleep loss": {ours + " symptoms-sleep-loss"},
		}},
		"only SNOMED CT, and words": {[]string{snomed}, nil, map[string][]string{"SCORAD": nil, "Itch": {snomed + " 418363000"}, "Sleep loss": nil}},
		"the site's beside all": {nil, site, map[string][]string{
			"SCORAD": {ours + " scorad", siteCoding.System + " SC1"},
			"Itch":   {ours + " symptoms-itch", snomed + " 418363000", siteCoding.System + " SC2"}, "Sleep loss": {ours + " symptoms-sleep-loss"},
		}},
		"the site's after ours": {[]string{ours}, site, map[string][]string{
			"SCORAD": {ours + " scorad", siteCoding.System + " SC1"}, "Itch": {ours + " symptoms-itch", siteCoding.System + " SC2"}, "Sleep loss": {ours + " symptoms-sleep-loss"},
		}},
		"the site's before ours": {[]string{siteCoding.System, ours}, site, map[string][]string{
			"SCORAD": {siteCoding.System + " SC1", ours + " scorad"}, "Itch": {siteCoding.System + " SC2", ours + " symptoms-itch"}, "Sleep loss": {ours + " symptoms-sleep-loss"},
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			profile := observation.Profile{Systems: c.systems, Codings: c.add}
			made := memberOf(t, profile, score, observation.Whole)
			require.Equal(t, c.want, concepts(made))
			require.Equal(t, "SCORAD", *made.Observation.Code.Text, "the words stay")
			require.Len(t, made.Component, 16)
			claims := c.systems == nil || slices.Contains(c.systems, ours)
			require.Equal(t, claims, len(made.Meta.Profile) > 0, "no profile is claimed that asks for our code")
			profile.Shape = observation.Singles
			itch := memberOf(t, profile, score, "symptoms-itch")
			require.Equal(t, c.want["Itch"], codingsOf(itch.Observation.Code))
			total := memberOf(t, profile, score, observation.Whole)
			require.Equal(t, c.want["SCORAD"], codingsOf(total.Observation.Code))
		})
	}
}

func TestCategoriesAreThoseThatAServerTakes(t *testing.T) {
	t.Parallel()
	score := observe(t, directly().byClinician()).root
	categories := func(d decoded) (all []string) {
		for _, c := range d.Category {
			all = append(all, codingsOf(c)...)
		}
		return all
	}
	const system = "http://terminology.hl7.org/CodeSystem/observation-category"
	for _, member := range []string{observation.Whole, "symptoms-itch", "panel"} {
		profile := observation.Profile{Shape: observation.PanelShape}
		require.Equal(t, []string{system + " survey", system + " exam"}, categories(memberOf(t, profile, score, member)))
		profile.Category = []questionnaire.Coding{{System: system, Code: "exam"}}
		made := memberOf(t, profile, score, member)
		require.Equal(t, []string{system + " exam"}, categories(made))
		require.Nil(t, made.Meta, "no profile is claimed that asks for the category survey")
		profile.Category = []questionnaire.Coding{}
		require.Empty(t, memberOf(t, profile, score, member).Category)
	}
}

func TestNarrativeIsLeftOutWhereItIsNotTaken(t *testing.T) {
	t.Parallel()
	score := observe(t, directly()).root
	profile := observation.Profile{Shape: observation.PanelShape, WithoutNarrative: true}
	for _, member := range []string{observation.Whole, "symptoms-itch", "panel"} {
		made := memberOf(t, profile, score, member)
		require.Nil(t, made.Text)
		require.NotEmpty(t, made.Meta.Profile, "which it still meets")
	}
	require.Equal(t, "SCORAD, rated by patient or carer: 39.80 of 103 points (moderate, set usual-25-50); objective 31.70 of 83 points.",
		plainWords(memberOf(t, observation.Profile{}, score, observation.Whole)))
}

// plainWords is the first sentence of a narrative.
func plainWords(d decoded) string {
	const head = `<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>`
	text := d.Text.Div[len(head):]
	return text[:len(text)-len(" "+observation.Caution+"</p></div>")]
}

// Whatever the profile, nothing but what it names changes: the numbers are those
// of the score.
func TestProfileChangesNoNumber(t *testing.T) {
	t.Parallel()
	score := observe(t, directly())
	profile := observation.Profile{
		Systems: []string{questionnaire.ScoradSystem}, Category: []questionnaire.Coding{}, WithoutNarrative: true,
		Codings: map[string][]questionnaire.Coding{"extent": {siteCoding}},
	}
	made := memberOf(t, profile, score.root, observation.Whole)
	require.Equal(t, score.components(t), made.components(t))
	require.Equal(t, score.ValueQuantity, made.ValueQuantity)
	before, after := map[string]string{}, map[string]string{}
	for from, to := range map[fhir.Node]map[string]string{score.root: before, made.root: after} {
		for child := from.First(); child.Exists(); child = child.Next() {
			to[child.Name()] += string(child.Raw())
		}
	}
	for _, changed := range []string{"text", "category", "component", "code", "meta"} {
		delete(before, changed)
		delete(after, changed)
	}
	require.Equal(t, before, after)
}

func TestProfilesThatCannotBe(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		profile observation.Profile
		fault   string
	}{
		"a shape there is not": {observation.Profile{Shape: "haiku"}, `there is no shape "haiku"`},
		"a code there is not": {observation.Profile{Codings: map[string][]questionnaire.Coding{"mood": {siteCoding}}},
			`has no code "mood"`},
		"one coding of two": {observation.Profile{Codings: map[string][]questionnaire.Coding{"scorad": {siteCoding}, "extent": {siteCoding}}},
			"stands for both extent and scorad"},
		"the coding of an item for the total": {observation.Profile{Codings: map[string][]questionnaire.Coding{"scorad": {{System: snomed, Code: "418363000"}}}},
			"stands for both symptoms-itch and scorad"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.ErrorContains(t, c.profile.Check(), c.fault)
		})
	}
	for _, shape := range observation.Shapes() {
		profile := observation.Profile{Shape: shape, Codings: map[string][]questionnaire.Coding{"scorad": {siteCoding}}}
		require.NoError(t, profile.Check())
	}
	require.NoError(t, (&observation.Profile{}).Check())
}
