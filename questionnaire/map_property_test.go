package questionnaire_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// disguise is a form of ours under other linkIds and in another order, which is
// the same to whoever fills it in and to nothing that goes by names.
type disguise struct {
	form *questionnaire.Form
	// links and places give, by our linkId, the new one and its place.
	links  map[string]string
	places map[string]int
}

const disguisedURL = "https://fernway-portal.example/fhir/Questionnaire/disguised"

func disguised(t *rapid.T, id string) *disguise {
	form := parsed(t, mustFind(id).JSON)
	form["id"], form["url"], form["version"] = "disguised", disguisedURL, "0.7.0"
	d := &disguise{links: map[string]string{}, places: map[string]int{}}
	d.shuffle(t, form)
	d.rename(form)
	data, err := json.Marshal(form)
	require.NoError(t, err)
	ours, _ := questionnaire.FormByCanonical(questionnaire.Base + "/Questionnaire/" + id)
	d.form, err = questionnaire.Map(data, scoring.Answer(ours.Rater))
	require.NoError(t, err)
	require.Empty(t, d.form.Warnings)
	return d
}

func mustFind(id string) questionnaire.Published {
	found, ok := questionnaire.Find("Questionnaire", questionnaire.Base+"/Questionnaire/"+id)
	if !ok {
		panic("no form " + id)
	}
	return found
}

func parsed(t require.TestingT, data []byte) object {
	var value object
	require.NoError(t, json.Unmarshal(data, &value))
	return value
}

// shuffle orders the items of every group anew and names each by its new place.
func (d *disguise) shuffle(t *rapid.T, parent object) {
	items, _ := parent["item"].([]any)
	if len(items) == 0 {
		return
	}
	numbers := make([]int, len(items))
	for i := range numbers {
		numbers[i] = i
	}
	var reordered []any
	for _, number := range rapid.Permutation(numbers).Draw(t, "order") {
		reordered = append(reordered, items[number])
	}
	parent["item"] = reordered
	for _, each := range parent["item"].([]any) {
		item := each.(object)
		link := item["linkId"].(string)
		d.places[link] = len(d.places)
		d.links[link] = fmt.Sprintf("q%03d", len(d.links))
		d.shuffle(t, item)
	}
}

func (d *disguise) rename(parent object) {
	items, _ := parent["item"].([]any)
	for _, each := range items {
		item := each.(object)
		item["linkId"] = d.links[item["linkId"].(string)]
		conditions, _ := item["enableWhen"].([]any)
		for _, condition := range conditions {
			c := condition.(object)
			c["question"] = d.links[c["question"].(string)]
		}
		d.rename(item)
	}
}

// response puts a response to our form under the disguise.
func (d *disguise) response(t require.TestingT, ours []byte) []byte {
	response := parsed(t, ours)
	response["questionnaire"] = disguisedURL + "|0.7.0"
	d.order(response)
	data, err := json.Marshal(response)
	require.NoError(t, err)
	return data
}

func (d *disguise) order(parent object) {
	items, _ := parent["item"].([]any)
	slices.SortStableFunc(items, func(a, b any) int {
		return d.places[a.(object)["linkId"].(string)] - d.places[b.(object)["linkId"].(string)]
	})
	for _, each := range items {
		item := each.(object)
		item["linkId"] = d.links[item["linkId"].(string)]
		d.order(item)
		answers, _ := item["answer"].([]any)
		for _, answer := range answers {
			d.order(answer.(object))
		}
	}
}

// Whatever an item is called and wherever it stands, its code says what it asks.
func TestRenamedAndReorderedFormGivesTheSameScore(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := drawn(t)
		s := written(t, want)
		d := disguised(t, s.form)
		catalog, err := questionnaire.Ours().With(d.form)
		require.NoError(t, err)

		ours, err := fhir.Decode(s.json())
		require.NoError(t, err)
		defer ours.Release()
		through, err := questionnaire.Read(ours.Root())
		require.NoError(t, err)

		theirs, err := fhir.Decode(d.response(t, s.json()))
		require.NoError(t, err)
		defer theirs.Release()
		response, err := catalog.Read(theirs.Root())
		require.NoError(t, err, "%s", theirs.Root().Raw())

		require.Equal(t, want, response.Assessment)
		require.Equal(t, through.Result, response.Result)
		require.Equal(t, codesOf(through.Issues), codesOf(response.Issues), "and is warned of the same")
	})
}

// codesOf counts the issues by code and detail, wherever they stand.
func codesOf(issues fhir.Issues) map[string]int {
	all := map[string]int{}
	for _, issue := range issues {
		all[string(issue.Code)+" "+issue.Detail]++
	}
	return all
}

// A derived form that keeps our linkIds needs no codes.
func TestDerivedFormIsMappedByLinkID(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		form := parsed(t, mustFind(id).JSON)
		form["id"], form["url"] = "derived", disguisedURL
		uncoded(form)
		data, err := json.Marshal(form)
		require.NoError(t, err)
		_, err = questionnaire.Map(data, scoring.Answer(scoring.RatedBySelf))
		require.ErrorContains(t, err, "No item asks for", "by words nothing is mapped")

		form["derivedFrom"] = []any{questionnaire.Base + "/Questionnaire/" + id + "|1.0.0"}
		derived, err := mapped(t, form)
		require.NoError(t, err)
		require.Equal(t, id, derived.Ours.ID, "whose rater is that of the form it is derived from")
		require.Empty(t, derived.Warnings)
	}
}

func uncoded(parent object) {
	items, _ := parent["item"].([]any)
	for _, each := range items {
		delete(each.(object), "code")
		uncoded(each.(object))
	}
}

// FuzzMap holds what any Questionnaire comes to: a form, or a list of faults.
func FuzzMap(f *testing.F) {
	f.Add(example(f, "portal-form.json"))
	for _, id := range bothForms {
		f.Add(mustFind(id).JSON)
	}
	f.Add([]byte(`{"resourceType":"Questionnaire","status":"draft","item":[{"linkId":"a","type":"choice","enableWhen":[{"question":"a","operator":"=","answerCoding":{}}]}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		form, err := questionnaire.Map(data, asTheFormSays)
		if err == nil {
			require.NotNil(t, form.Ours)
			require.False(t, form.Warnings.Refused())
			return
		}
		var issues fhir.Issues
		require.ErrorAs(t, err, &issues)
		require.Nil(t, form)
		require.True(t, issues.Refused())
	})
}
