package api_test

import (
	"bytes"
	"encoding/json"
	"math/big"
	"slices"
	"strings"
	"sync"
	"testing"

	jsonv2 "github.com/go-json-experiment/json"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

// This file computes scores in another way than the program does: from JSON by
// a general decoder, in fractions, with the formula and the weights as the
// contract has them, and nothing of fhir, questionnaire's reader or scoring.

// strictly decodes JSON by the rules of RFC 8259 and RFC 7493: no duplicate
// names, valid UTF-8, one value. Numbers keep their digits.
func strictly(data []byte) (map[string]any, bool) {
	var checked any
	if err := jsonv2.Unmarshal(data, &checked); err != nil {
		return nil, false
	}
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.UseNumber()
	var object map[string]any
	return object, decoder.Decode(&object) == nil && object != nil
}

// signs and regions are the items that the formula adds up, with the weights of
// the regions in quarter percents for each age group.
var (
	signs   = []string{"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness"}
	regions = []string{"head-front", "head-back", "trunk-front", "trunk-back", "arm-right-front", "arm-right-back", "arm-left-front",
		"arm-left-back", "leg-right-front", "leg-right-back", "leg-left-front", "leg-left-back", "genitals"}
	quarters = map[string][]int64{
		"2-and-over": {18, 18, 72, 72, 18, 18, 18, 18, 36, 36, 36, 36, 4},
		"1-to-2":     {38, 38, 52, 72, 19, 19, 19, 19, 30, 30, 30, 30, 4},
		"under-1":    {42, 42, 52, 72, 19, 19, 19, 19, 28, 28, 28, 28, 4},
	}
	gradeCodes = []string{"absent", "mild", "moderate", "severe"}
)

// sheet is a response as a simple reader has it: one answer for each linkId.
type sheet map[string]map[string]any

func (s sheet) collect(parent map[string]any) {
	items, _ := parent["item"].([]any)
	for _, i := range items {
		item, _ := i.(map[string]any)
		link, _ := item["linkId"].(string)
		answers, _ := item["answer"].([]any)
		for _, a := range answers {
			answer, _ := a.(map[string]any)
			if value := answered(answer); value != nil {
				s[link] = answer
			}
			s.collect(answer)
		}
		s.collect(item)
	}
}

func answered(answer map[string]any) any {
	for name, value := range answer {
		if strings.HasPrefix(name, "value") {
			return value
		}
	}
	return nil
}

// number reads a number in any of the shapes that a sender may choose.
func (s sheet) number(link string) *big.Rat {
	switch value := answered(s[link]).(type) {
	case json.Number:
		if n, ok := new(big.Rat).SetString(value.String()); ok {
			return n
		}
	case map[string]any:
		if text, ok := value["value"].(json.Number); ok {
			n, _ := new(big.Rat).SetString(text.String())
			return n
		}
	}
	return nil
}

// code reads a choice: a coding's code, or a text that the form or one of its
// translations has for it.
func (s sheet) code(link string) string {
	switch value := answered(s[link]).(type) {
	case map[string]any:
		code, _ := value["code"].(string)
		return code
	case string:
		for text, code := range optionTexts()[link] {
			if strings.EqualFold(text, strings.TrimSpace(value)) {
				return code
			}
		}
	}
	return ""
}

// grade is 0 to 3, nil for none.
func (s sheet) grade(link string) *big.Rat {
	if at := slices.Index(gradeCodes, s.code(link)); at >= 0 {
		return big.NewRat(int64(at), 1)
	}
	return s.number(link)
}

// extent is A in percent.
func (s sheet) extent() *big.Rat {
	switch s.code("extent.method") {
	case "hands":
		return s.number("extent.hands")
	case "direct":
		return s.number("extent.direct")
	case "regions":
		weights, ok := quarters[s.code("extent.age-group")]
		if !ok {
			return nil
		}
		sum := new(big.Rat)
		for i, region := range regions {
			percent := s.number("extent." + region)
			if percent == nil {
				return nil
			}
			sum.Add(sum, percent.Mul(percent, big.NewRat(weights[i], 400)))
		}
		// Rounded half up to a tenth, once.
		tenths := sum.Add(sum.Mul(sum, big.NewRat(10, 1)), big.NewRat(1, 2))
		whole := new(big.Int).Quo(tenths.Num(), tenths.Denom())
		return new(big.Rat).SetFrac(whole, big.NewInt(10))
	}
	return nil
}

// scores are SCORAD and objective SCORAD, nil where an answer is missing.
func (s sheet) scores() (scorad, objective *big.Rat) {
	a, b := s.extent(), new(big.Rat)
	for _, sign := range signs {
		grade := s.grade("intensity." + sign)
		if grade == nil || a == nil {
			return nil, nil
		}
		b.Add(b, grade)
	}
	objective = new(big.Rat).Add(new(big.Rat).Mul(a, big.NewRat(1, 5)), b.Mul(b, big.NewRat(7, 2)))
	itch, sleep := s.number("symptoms.itch"), s.number("symptoms.sleep-loss")
	if itch == nil || sleep == nil {
		return nil, objective
	}
	scorad = new(big.Rat).Add(objective, itch)
	return scorad.Add(scorad, sleep), objective
}

// optionTexts are the texts of the options of each item, from the published
// forms as they are, with their translations.
var optionTexts = sync.OnceValue(func() map[string]map[string]string {
	all := map[string]map[string]string{}
	for _, published := range questionnaire.All() {
		if form, ok := strictly(published.JSON); ok && form["resourceType"] == "Questionnaire" {
			formTexts(form, all)
		}
	}
	return all
})

func formTexts(parent map[string]any, all map[string]map[string]string) {
	items, _ := parent["item"].([]any)
	for _, i := range items {
		item := i.(map[string]any)
		link := item["linkId"].(string)
		if all[link] == nil {
			all[link] = map[string]string{}
		}
		options, _ := item["answerOption"].([]any)
		for _, o := range options {
			coding, _ := o.(map[string]any)["valueCoding"].(map[string]any)
			code, _ := coding["code"].(string)
			display, _ := coding["display"].(string)
			all[link][display] = code
			for _, translated := range translatedTexts(coding["_display"]) {
				all[link][translated] = code
			}
		}
		formTexts(item, all)
	}
}

// translatedTexts are the texts of translation extensions.
func translatedTexts(value any) (texts []string) {
	switch v := value.(type) {
	case map[string]any:
		if v["url"] == "content" {
			texts = append(texts, v["valueString"].(string))
		}
		for _, member := range v {
			texts = append(texts, translatedTexts(member)...)
		}
	case []any:
		for _, member := range v {
			texts = append(texts, translatedTexts(member)...)
		}
	}
	return texts
}

// judgeScore holds an Observation against the answers it was made from.
func judgeScore(t testing.TB, response, observation map[string]any) {
	t.Helper()
	s := sheet{}
	s.collect(response)
	scorad, objective := s.scores()
	require.NotNil(t, objective, "there is no score without extent and all grades: %v", response)
	components, _ := observation["component"].([]any)
	found := map[string]*big.Rat{}
	for _, c := range components {
		component := c.(map[string]any)
		found[ownCode(component)] = ownQuantity(component)
	}
	require.NotNil(t, found["objective"])
	require.Zero(t, objective.Cmp(found["objective"]), "objective %s, not %s", found["objective"].FloatString(4), objective.FloatString(4))
	total := ownQuantity(observation)
	if scorad == nil {
		require.Nil(t, total, "there is no SCORAD without itch and sleep loss")
		require.NotNil(t, observation["dataAbsentReason"])
		require.Nil(t, observation["interpretation"])
		return
	}
	require.NotNil(t, total, "all answers are there")
	require.Zero(t, scorad.Cmp(total), "SCORAD %s, not %s", total.FloatString(4), scorad.FloatString(4))
	require.True(t, total.Sign() >= 0 && total.Cmp(big.NewRat(103, 1)) <= 0)
}

// ownCode is our own code of an Observation's component.
func ownCode(component map[string]any) string {
	concept, _ := component["code"].(map[string]any)
	codings, _ := concept["coding"].([]any)
	for _, c := range codings {
		coding := c.(map[string]any)
		if coding["system"] == "https://tidemark.example/fhir/CodeSystem/scorad" {
			return coding["code"].(string)
		}
	}
	return ""
}

func ownQuantity(holder map[string]any) *big.Rat {
	quantity, _ := holder["valueQuantity"].(map[string]any)
	text, ok := quantity["value"].(json.Number)
	if !ok {
		return nil
	}
	n, _ := new(big.Rat).SetString(text.String())
	return n
}
