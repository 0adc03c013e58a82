package writeback

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// tree reads a resource of a test.
func tree(t require.TestingT, text string) map[string]any {
	parsed, err := parseResource([]byte(text))
	require.NoError(t, err)
	return parsed
}

// altered is the score with a part of its text replaced, which must be there.
func altered(t require.TestingT, from, to string) map[string]any {
	text := string(scoreOf(1, 2, false))
	require.Contains(t, text, from)
	return tree(t, strings.ReplaceAll(text, from, to))
}

// Parts of the score that the tables below replace.
const (
	itch       = `{"code":{"text":"itch"},"valueQuantity":{"value":7.0}}`
	sleepLoss  = `{"code":{"text":"sleep"},"valueQuantity":{"value":3.0}}`
	sourceList = `[{"reference":"QuestionnaireResponse/score-1/_history/2"}]`
)

// atHospital compares with what one hospital holds.
var atHospital = comparer{"https://ehr.example/fhir"}

func TestSame(t *testing.T) {
	t.Parallel()
	ours := tree(t, string(scoreOf(1, 2, false)))
	for name, c := range map[string]struct {
		from, to string
		same     bool
	}{
		"AsSent":                          {`"amended"`, `"amended"`, true},
		"UnderTheTargetsId":               {`"id":"score-1"`, `"id":"h1"`, true},
		"InAnotherVersion":                {`"versionId":"2"`, `"versionId":"77"`, true},
		"WithAnotherNarrative":            {`<div>2</div>`, `<div xmlns='http://www.w3.org/1999/xhtml'>two</div>`, true},
		"WithoutNarrative":                {`"text":{"status":"generated","div":"<div>2</div>"},`, ``, true},
		"WithoutZerosAtTheEnd":            {`2.50`, `2.5`, true},
		"WithMoreZerosAtTheEnd":           {`2.50`, `2.5000`, true},
		"WithAnExponent":                  {`2.50`, `25e-1`, true},
		"AnotherNumber":                   {`2.50`, `2.51`, false},
		"NumberAsText":                    {`2.50`, `"2.50"`, false},
		"InstantInAnotherOffset":          {`2024-05-10T12:00:02.000Z`, `2024-05-10T14:00:02+02:00`, true},
		"AnotherInstant":                  {`2024-05-10T12:00:02.000Z`, `2024-05-10T12:00:02.001Z`, false},
		"ReferenceWithTheTargetsBase":     {`"Patient/oona"`, `"https://ehr.example/fhir/Patient/oona"`, true},
		"ReferenceWithAnotherBase":        {`"Patient/oona"`, `"https://other.example/fhir/Patient/oona"`, false},
		"AnotherPatient":                  {`"Patient/oona"`, `"Patient/casper"`, false},
		"AnotherStatus":                   {`"amended"`, `"final"`, false},
		"AMemberMore":                     {`"amended"`, `"amended","language":"en"`, false},
		"AMemberLess":                     {`,"code":"{score}"`, ``, false},
		"AComponentLess":                  {itch + ",", ``, false},
		"ComponentsInAnotherOrder":        {itch + "," + sleepLoss, sleepLoss + "," + itch, false},
		"AnObjectForAList":                {sourceList, strings.Trim(sourceList, "[]"), false},
		"NullForAValue":                   {`"Patient/oona"`, `null`, false},
		"TrueForAValue":                   {`"Patient/oona"`, `true`, false},
		"ListForAnObject":                 {`{"reference":"Patient/oona"}`, `[{"reference":"Patient/oona"}]`, false},
		"NumberTooLongForADecimalAltered": {`2.50`, `2.500000000000000000000000000001`, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			theirs := altered(t, c.from, c.to)
			require.Equal(t, c.same, atHospital.same(ours, theirs))
			require.Equal(t, c.same, atHospital.same(theirs, ours), "the other way round")
		})
	}
}

func TestSameNumber(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		unscaled, zeros := rapid.Int64Range(-1e9, 1e9).Draw(t, "digits"), rapid.IntRange(0, 5).Draw(t, "zeros")
		plain := fmt.Sprintf("%d.%02d", unscaled/100, max(unscaled, -unscaled)%100)
		require.True(t, sameValueOf(plain, plain+strings.Repeat("0", zeros)), "%s with %d zeros more", plain, zeros)
		require.False(t, sameValueOf(plain, plain+strings.Repeat("0", zeros)+"1"), "%s and a digit more", plain)
	})
}

// sameValueOf compares two numbers in a resource.
func sameValueOf(a, b string) bool {
	in := func(n string) map[string]any {
		parsed, err := parseResource([]byte(`{"resourceType":"Observation","valueQuantity":{"value":` + n + `}}`))
		if err != nil {
			return nil
		}
		return parsed
	}
	return atHospital.same(in(a), in(b))
}

func TestReadBack(t *testing.T) {
	t.Parallel()
	sent := tree(t, string(scoreOf(1, 2, false)))
	for name, c := range map[string]struct {
		from, to         string
		dropped, changed []string
	}{
		"AllKept":                {`"amended"`, `"amended"`, nil, nil},
		"WhatTheTargetAdds":      {`"amended"`, `"amended","language":"en","note":[{"text":"seen"}]`, nil, nil},
		"MemberDropped":          {`,"code":"{score}"`, ``, []string{"valueQuantity.code"}, nil},
		"MemberChanged":          {`2.50`, `3`, nil, []string{"valueQuantity.value"}},
		"AllComponentsDropped":   {`"component":`, `"comment":`, []string{"component"}, nil},
		"OneComponentDropped":    {itch + ",", ``, []string{"component"}, nil},
		"OneComponentChanged":    {`"value":7.0`, `"value":8`, nil, []string{"component.valueQuantity.value"}},
		"ComponentsReordered":    {itch + "," + sleepLoss, sleepLoss + "," + itch, nil, nil},
		"ElementOfAnotherShape":  {`{"reference":"Patient/oona"}`, `"Patient/oona"`, nil, []string{"subject"}},
		"ListOfAnotherShape":     {sourceList, `"none"`, nil, []string{"derivedFrom"}},
		"BothDroppedAndChanged":  {`"value":7.0}},{"code":{"text":"sleep"},"valueQuantity":{"value":3.0}}`, `"value":1}}`, []string{"component"}, []string{"component.valueQuantity.value"}},
		"EachElementIsNamedOnce": {`.0}}`, `.5}}`, nil, []string{"component.valueQuantity.value"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := atHospital.readBack(sent, altered(t, c.from, c.to))
			require.True(t, r.Checked)
			require.Equal(t, c.dropped, r.Dropped)
			require.Equal(t, c.changed, r.Changed)
			require.Equal(t, len(c.dropped)+len(c.changed) == 0, r.Complete())
			require.Equal(t, r.Complete(), explainReadBack(r) == "")
		})
	}
	t.Run("UncheckedIsNotComplete", func(t *testing.T) {
		t.Parallel()
		require.False(t, ReadBack{}.Complete())
	})
	t.Run("DroppingAnyMemberIsSeen", func(t *testing.T) {
		t.Parallel()
		names := slices.DeleteFunc(slices.Sorted(maps.Keys(sent)), func(n string) bool { return slices.Contains(unsaid, n) })
		for _, name := range names {
			kept := maps.Clone(sent)
			delete(kept, name)
			require.Equal(t, []string{name}, atHospital.readBack(sent, kept).Dropped)
			require.False(t, atHospital.same(sent, kept))
		}
	})
	t.Run("ManyNamesAreShortened", func(t *testing.T) {
		t.Parallel()
		r := ReadBack{Checked: true, Changed: strings.Split("a b c d e f g h i j", " ")}
		require.Equal(t, "Delivered, but the target has changed: a, b, c, d, e, f, g, h and 2 more.", explainReadBack(r))
	})
}

func TestAhead(t *testing.T) {
	t.Parallel()
	ours := tree(t, string(scoreOf(1, 2, false)))
	for name, c := range map[string]struct {
		reference string
		ahead     bool
	}{
		"SameVersion":                   {"QuestionnaireResponse/score-1/_history/2", false},
		"EarlierVersion":                {"QuestionnaireResponse/score-1/_history/1", false},
		"LaterVersion":                  {"QuestionnaireResponse/score-1/_history/3", true},
		"LaterByNumberNotByText":        {"QuestionnaireResponse/score-1/_history/10", true},
		"LaterVersionWithTheTargetBase": {"https://ehr.example/fhir/QuestionnaireResponse/score-1/_history/3", true},
		"LaterVersionOfAnotherSource":   {"QuestionnaireResponse/score-9/_history/3", false},
		"NoVersion":                     {"QuestionnaireResponse/score-1", false},
		"VersionThatIsNoNumber":         {"QuestionnaireResponse/score-1/_history/x3", false},
		"NoReference":                   {"", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			theirs := altered(t, "QuestionnaireResponse/score-1/_history/2", c.reference)
			require.Equal(t, c.ahead, atHospital.ahead(ours, theirs))
		})
	}
	t.Run("WithoutSources", func(t *testing.T) {
		t.Parallel()
		require.False(t, atHospital.ahead(ours, tree(t, `{"resourceType":"Observation"}`)))
	})
}
