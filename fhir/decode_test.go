package fhir_test

import (
	"errors"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// faults decodes what must be refused.
func faults(t *testing.T, text string) fhir.Issues {
	t.Helper()
	document, err := fhir.Decode([]byte(text))
	require.Error(t, err, "%s", text)
	require.Nil(t, document)
	var issues fhir.Issues
	require.True(t, errors.As(err, &issues))
	require.NotEmpty(t, issues)
	return issues
}

func response(members string) string {
	return `{"resourceType":"QuestionnaireResponse","status":"completed",` + members + `}`
}

func TestDecodeStopsAtTheFirstFaultOf(t *testing.T) {
	t.Parallel()
	deep := strings.Repeat(`{"linkId":"a","item":[`, 70) + `{"linkId":"b"}` + strings.Repeat(`]}`, 70)
	for name, c := range map[string]struct {
		text, says string
		code       fhir.IssueType
	}{
		"nothing at all":          {"", "not a JSON object", fhir.IssueStructure},
		"an array":                {"[]", "not a JSON object", fhir.IssueStructure},
		"a byte order mark":       {"\xEF\xBB\xBF" + response(`"id":"a"`), "byte order mark", fhir.IssueStructure},
		"bytes that are no UTF-8": {response(`"id":"a` + "\xff" + `"`), "not valid UTF-8", fhir.IssueStructure},
		"an encoded surrogate":    {response(`"id":"` + "\xed\xa0\x80" + `"`), "not valid UTF-8", fhir.IssueStructure},
		"half a surrogate pair":   {response(`"id":"\ud800"`), "surrogate", fhir.IssueStructure},
		"data after the end":      {response(`"id":"a"`) + "{}", "after the end", fhir.IssueStructure},
		"a name sent twice":       {response(`"id":"a","id":"a"`), "twice", fhir.IssueStructure},
		"an escaped name twice":   {response(`"id":"a","\u0069d":"a"`), "twice", fhir.IssueStructure},
		"an unknown name twice":   {response(`"x":1,"x":2`), "twice", fhir.IssueStructure},
		"nesting too deep":        {response(`"item":[` + deep + `]`), "deep", fhir.IssueStructure},
		"unknown nesting too deep": {response(`"x":` + strings.Repeat("[", 100) + strings.Repeat("]", 100)),
			"deep", fhir.IssueStructure},
		"a missing comma":      {`{"resourceType":"Patient" "active":true}`, "comma", fhir.IssueStructure},
		"a trailing comma":     {`{"resourceType":"Patient",}`, "property name", fhir.IssueStructure},
		"a missing colon":      {`{"resourceType":"Patient","active" true}`, "colon", fhir.IssueStructure},
		"an open string":       {`{"resourceType":"Patient`, "not closed", fhir.IssueStructure},
		"a control character":  {response("\"id\":\"a\nb\""), "control character", fhir.IssueStructure},
		"a comment":            {`{/* */"resourceType":"Patient"}`, "property name", fhir.IssueStructure},
		"a leading zero":       {response(`"x":01`), "malformed", fhir.IssueStructure},
		"a bare point":         {response(`"x":1.`), "after its point", fhir.IssueStructure},
		"a bare exponent":      {response(`"x":1e`), "exponent", fhir.IssueStructure},
		"a word that is none":  {response(`"x":nul`), "none of JSON's", fhir.IssueStructure},
		"a bad escape":         {response(`"id":"\x"`), "escape", fhir.IssueStructure},
		"text instead of JSON": {"<Patient/>", "not a JSON object", fhir.IssueStructure},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			issues := faults(t, c.text)
			require.Len(t, issues, 1)
			require.Equal(t, fhir.Fatal, issues[0].Severity)
			require.Equal(t, c.code, issues[0].Code)
			require.True(t, issues.Malformed())
			require.Contains(t, issues[0].Text, c.says)
		})
	}
}

func TestDecodeNamesTheFault(t *testing.T) {
	t.Parallel()
	const item = `"item":[{"linkId":"a"},{"linkId":"b","answer":[{%}]}]`
	answer := func(members string) string { return response(strings.Replace(item, "%", members, 1)) }
	const at = "QuestionnaireResponse.item[1].answer[0]"
	for name, c := range map[string]struct {
		text       string
		code       fhir.IssueType
		expression string
		says       string
	}{
		"unknown name":        {answer(`"valueDecimal":1,"colour":"red"`), fhir.IssueStructure, at, `"colour"`},
		"mis-cased name":      {answer(`"ValueDecimal":1`), fhir.IssueStructure, at, "write valueDecimal"},
		"choice not spelled":  {answer(`"value":1`), fhir.IssueStructure, at, "spell out its type"},
		"answer R4 lacks":     {answer(`"valueCodeableConcept":{}`), fhir.IssueStructure, at, "no property"},
		"two of one choice":   {answer(`"valueDecimal":1,"valueString":"a"`), fhir.IssueStructure, at, "more than one value[x]"},
		"quoted number":       {answer(`"valueDecimal":"3.5"`), fhir.IssueValue, at + ".value", "without quotes"},
		"quoted boolean":      {answer(`"valueBoolean":"true"`), fhir.IssueValue, at + ".value", "without quotes"},
		"number for text":     {answer(`"valueString":3`), fhir.IssueValue, at + ".value", "in quotes"},
		"boolean for number":  {answer(`"valueInteger":true`), fhir.IssueValue, at + ".value", "not a boolean"},
		"point in an integer": {answer(`"valueInteger":5.0`), fhir.IssueValue, at + ".value", "whole number"},
		"integer too large":   {answer(`"valueInteger":2147483648`), fhir.IssueValue, at + ".value", "out of range"},
		"number too long":     {answer(`"valueDecimal":` + strings.Repeat("1", 65)), fhir.IssueTooLong, at + ".value", "64 characters"},
		"null":                {answer(`"valueInteger":null`), fhir.IssueStructure, at + ".value", "null"},
		"empty string":        {answer(`"valueString":""`), fhir.IssueValue, at + ".value", "empty"},
		"empty object":        {answer(`"valueCoding":{}`), fhir.IssueStructure, at + ".value", "empty"},
		"empty array":         {response(`"item":[]`), fhir.IssueStructure, "QuestionnaireResponse.item[0]", "empty"},
		"array for one":       {response(`"authored":["2026-01-01"]`), fhir.IssueStructure, "QuestionnaireResponse.authored", "single value"},
		"one for an array":    {response(`"item":{"linkId":"a"}`), fhir.IssueStructure, "QuestionnaireResponse.item[0]", "array"},
		"text for an object":  {answer(`"valueCoding":"a"`), fhir.IssueStructure, at + ".value", "object"},
		"object for text":     {answer(`"valueString":{}`), fhir.IssueStructure, at + ".value", "not an object"},
		"day not in calendar": {response(`"authored":"2026-02-29"`), fhir.IssueValue, "QuestionnaireResponse.authored", "dateTime"},
		"time without zone":   {response(`"authored":"2026-02-28T10:00:00"`), fhir.IssueValue, "QuestionnaireResponse.authored", "offset"},
		"time without seconds": {response(`"authored":"2026-02-28T10:00Z"`), fhir.IssueValue,
			"QuestionnaireResponse.authored", "dateTime"},
		"date with a time":   {answer(`"valueDate":"2026-02-28T10:00:00Z"`), fhir.IssueValue, at + ".value", "not a date"},
		"code not allowed":   {`{"resourceType":"QuestionnaireResponse","status":"final"}`, fhir.IssueCodeInvalid, "QuestionnaireResponse.status", "completed"},
		"code with spaces":   {answer(`"valueCoding":{"code":" a"}`), fhir.IssueValue, at + ".value.code", "space"},
		"id not an id":       {response(`"id":"a/b"`), fhir.IssueValue, "QuestionnaireResponse.id", "64"},
		"space in a uri":     {answer(`"valueUri":"a b"`), fhir.IssueValue, at + ".value", "white space"},
		"missing mandatory":  {response(`"item":[{"text":"a"}]`), fhir.IssueRequired, "QuestionnaireResponse.item[0]", "linkId is missing"},
		"missing status":     {`{"resourceType":"QuestionnaireResponse"}`, fhir.IssueRequired, "QuestionnaireResponse", "status is missing"},
		"other resource":     {`{"resourceType":"Observatoin"}`, fhir.IssueStructure, "Resource", "no resource of FHIR R4"},
		"no resourceType":    {`{"status":"completed"}`, fhir.IssueStructure, "Resource", "resourceType is missing"},
		"data type as root":  {`{"resourceType":"Quantity"}`, fhir.IssueStructure, "Resource", "no resource"},
		"contained nonsense": {response(`"contained":[{"resourceType":"X"}]`), fhir.IssueStructure, "QuestionnaireResponse.contained[0]", "no resource"},
		"null without partner": {`{"resourceType":"Patient","name":[{"given":["a",null]}]}`, fhir.IssueStructure,
			"Patient.name[0].given[1]", "null"},
		"companion of other length": {`{"resourceType":"Patient","name":[{"given":["a"],"_given":[null,{"id":"x"}]}]}`,
			fhir.IssueStructure, "Patient.name[0].given[0]", "same length"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			issues := faults(t, c.text)
			require.Len(t, issues, 1, "%v", issues)
			require.Equal(t, c.code, issues[0].Code)
			require.Equal(t, fhir.Error, issues[0].Severity)
			require.Equal(t, c.expression, issues[0].Expression)
			require.Contains(t, issues[0].Text, c.says)
			require.True(t, issues.Malformed())
		})
	}
}

func TestDecodeListsEveryFaultOfFHIR(t *testing.T) {
	t.Parallel()
	issues := faults(t, response(`"Authored":"x","item":[{"text":""},{"linkId":"a","answer":[{"valueDecimal":"1"},{"valueInteger":1.5}]}]`))
	var expressions []string
	for _, issue := range issues {
		expressions = append(expressions, issue.Expression)
	}
	require.ElementsMatch(t, []string{
		"QuestionnaireResponse", "QuestionnaireResponse.item[0].text", "QuestionnaireResponse.item[0]",
		"QuestionnaireResponse.item[1].answer[0].value", "QuestionnaireResponse.item[1].answer[1].value",
	}, expressions)

	many := faults(t, response(`"item":[`+strings.Repeat(`{"text":"a"},`, 500)+`{"text":"a"}]`))
	require.Len(t, many, fhir.MaxFaults+1)
	require.Contains(t, many[fhir.MaxFaults].Text, strconv.Itoa(501-fhir.MaxFaults)+" more")
}

func TestDecodeRefusesModifierExtensionsAsARule(t *testing.T) {
	t.Parallel()
	const extension = `"modifierExtension":[{"url":"http://a.example/x","valueBoolean":true}]`
	for expression, text := range map[string]string{
		"QuestionnaireResponse.modifierExtension[0]":         response(extension),
		"QuestionnaireResponse.item[0].modifierExtension[0]": response(`"item":[{"linkId":"a",` + extension + `}]`),
		"QuestionnaireResponse.item[0].answer[0].modifierExtension[0]": response(
			`"item":[{"linkId":"a","answer":[{"valueInteger":1,` + extension + `}]}]`),
	} {
		issues := faults(t, text)
		require.Len(t, issues, 1)
		require.Equal(t, fhir.IssueExtension, issues[0].Code)
		require.Equal(t, expression, issues[0].Expression)
		require.False(t, issues.Malformed(), "it is valid FHIR that cannot be processed: 422")
	}
}

func TestDecodeAccepts(t *testing.T) {
	t.Parallel()
	for name, text := range map[string]string{
		"resourceType at the end":      `{"status":"completed","resourceType":"QuestionnaireResponse"}`,
		"resourceType in the middle":   `{"status":"completed","resourceType":"QuestionnaireResponse","item":[{"linkId":"a"}]}`,
		"white space everywhere":       " \t\r\n{ \"resourceType\" : \"Patient\" , \"active\" : true } \n",
		"a companion instead of value": response(`"_questionnaire":{"extension":[{"url":"http://a.example/x","valueString":"a"}]}`),
		"value and its companion":      response(`"authored":"2026","_authored":{"id":"x"}`),
		"nulls in paired arrays":       `{"resourceType":"Patient","name":[{"given":["a",null],"_given":[null,{"id":"x"}]}]}`,
		"escapes":                      response(`"identifier":{"value":"\u00e4\n\ud83d\ude00\/\\"}`),
		"a contained resource":         response(`"contained":[{"resourceType":"Patient","id":"p"}]`),
		"a year":                       response(`"authored":"2026"`),
		"a leap second":                response(`"authored":"2016-12-31T23:59:60Z"`),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			document, err := fhir.Decode([]byte(text))
			require.NoError(t, err)
			document.Release()
		})
	}
}

func TestDecodeNeverRepeatsAValue(t *testing.T) {
	t.Parallel()
	const marker = "MARKED-VALUE"
	for _, text := range []string{
		response(`"authored":"` + marker + `"`), response(`"id":"` + marker + `/"`),
		`{"resourceType":"` + marker + `"}`, `{"resourceType":"QuestionnaireResponse","status":"` + marker + `"}`,
		response(`"item":[{"linkId":"a","answer":[{"valueInteger":"` + marker + `"}]}]`), response(`"x":"` + marker),
	} {
		for _, issue := range faults(t, text) {
			require.NotContains(t, issue.Text+issue.Expression, marker)
		}
	}
}

func TestDocument(t *testing.T) {
	t.Parallel()
	document, err := fhir.Decode([]byte(response(`"identifier":{"value":"a\"b"},"item":[{"linkId":"one"},{"linkId":"two","answer":[{"valueDecimal":2.50}]}]`)))
	require.NoError(t, err)
	defer document.Release()
	root := document.Root()

	var links []string
	for item := range root.Each("item") {
		links = append(links, item.Get("linkId").Text())
	}
	require.Equal(t, []string{"one", "two"}, links)
	require.Equal(t, `a"b`, root.Get("identifier").Get("value").Text())
	require.True(t, root.Get("identifier").Get("value").Is(`a"b`))
	require.False(t, root.Get("nothing").Exists())
	require.False(t, root.Get("nothing").Get("more").Exists())

	second := root.Get("item").GetNext()
	value := second.Get("answer").Choice("value[x]")
	require.Equal(t, "2.50", string(value.Raw()), "digits stay as they were written")
	require.Equal(t, "valueDecimal", value.Name())
	require.Equal(t, "QuestionnaireResponse.item[1].answer[0].value", value.Path())
	require.False(t, second.GetNext().Exists())
	require.Equal(t, "QuestionnaireResponse.item", second.Type())
}

func TestDigestIsOfContentAlone(t *testing.T) {
	t.Parallel()
	digest := func(text string) string {
		document, err := fhir.Decode([]byte(text))
		require.NoError(t, err)
		defer document.Release()
		return document.Root().Digest()
	}
	same := digest(response(`"item":[{"linkId":"a"},{"linkId":"b"}]`))
	require.Equal(t, same, digest(response(` "id":"x", "meta":{"versionId":"4"}, "item" : [ {"linkId":"a"}, {"linkId":"b"} ]`)))
	require.NotEqual(t, same, digest(response(`"item":[{"linkId":"a","item":[{"linkId":"b"}]}]`)), "shape counts")
	require.NotEqual(t, same, digest(response(`"item":[{"linkId":"b"},{"linkId":"a"}]`)), "order counts")
}

// Digests are stored, as what a repetition is recognised by.
func TestDigestNeverChanges(t *testing.T) {
	t.Parallel()
	document, err := fhir.Decode([]byte(response(`"item":[` + repeat(3000, `{"linkId":"a","answer":[{"valueInteger":1}]}`) + `]`)))
	require.NoError(t, err)
	defer document.Release()
	require.Equal(t, "98ed129fbabb502dec6e4a1467d5a3d8da989770d3ee82bea351ef9b840c8d00", document.Root().Digest())
}
