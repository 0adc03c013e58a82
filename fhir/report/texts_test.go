package report_test

import (
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/report"
)

// empties lists the texts that are not there, by their path.
func empties(path string, v reflect.Value) (all []string) {
	switch v.Kind() {
	case reflect.String:
		if v.String() == "" {
			all = append(all, path)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			all = append(all, empties(path+"."+v.Type().Field(i).Name, v.Field(i))...)
		}
	case reflect.Array, reflect.Slice:
		for i := range v.Len() {
			all = append(all, empties(path, v.Index(i))...)
		}
	case reflect.Map:
		if v.Len() == 0 {
			all = append(all, path)
		}
		for _, key := range v.MapKeys() {
			all = append(all, empties(path+"."+key.String(), v.MapIndex(key))...)
		}
	}
	return all
}

// TestEveryLanguageHasEveryText: the way of giving the extent has one that is none.
func TestEveryLanguageHasEveryText(t *testing.T) {
	t.Parallel()
	require.NotEmpty(t, report.Languages())
	for _, language := range report.Languages() {
		require.Equal(t, []string{language + ".methods"}, empties(language, reflect.ValueOf(report.Texts(language))))
	}
}

// TestThePageHasItsCautions, and names no treatment but to say that it chooses
// none.
func TestThePageHasItsCautions(t *testing.T) {
	t.Parallel()
	texts := strings.Join(wellFormed(t, of(t, winter()).SVG("en")), " ")
	for _, want := range []string{observation.Caution, "nobody may be watching what is entered", "harder to see on dark skin", "above all near the eye", "the emergency number now",
		"A rise is not a flare", "conventions of experts, not thresholds of treatment"} {
		require.Contains(t, texts, want)
	}
	for _, word := range []string{"you are fine", "steroid", "cream", "medicine", "dose", "should be treated"} {
		require.NotContains(t, strings.ToLower(texts), word)
	}
}

// TestItIsToldApartWithoutColour: inks differ by a third in how light they are
// (WCAG 2.2 contrast of 1.5 at least, but for the two dark ones, which differ in
// nothing that is said), text has a contrast of 7 to paper, and eczema is shown by
// how close lines are.
func TestItIsToldApartWithoutColour(t *testing.T) {
	t.Parallel()
	inks := report.Inks()
	require.Len(t, inks, 5)
	for _, dark := range []string{"black", "deep", "grey"} {
		require.GreaterOrEqual(t, contrast(inks[dark], inks["white"]), 7.0, dark)
	}
	require.GreaterOrEqual(t, contrast(inks["pale"], inks["white"]), 1.5)
	require.GreaterOrEqual(t, contrast(inks["grey"], inks["pale"]), 1.5)
	require.GreaterOrEqual(t, contrast(inks["black"], inks["grey"]), 1.5)
	for percent := 2; percent <= 100; percent++ {
		if percent != 50 { // there the lines begin to cross
			require.Less(t, report.HatchSpacing(float64(percent)), report.HatchSpacing(float64(percent-1)), percent)
		}
	}
}

// contrast of two colours (WCAG 2.2, relative luminance of sRGB, to the precision
// that is needed here).
func contrast(a, b [3]uint8) float64 {
	light := func(c [3]uint8) float64 {
		linear := func(v uint8) float64 { s := float64(v) / 255; return s*s*(s*0.305306+0.682171) + s*0.012523 }
		return 0.2126*linear(c[0]) + 0.7152*linear(c[1]) + 0.0722*linear(c[2])
	}
	x, y := light(a)+0.05, light(b)+0.05
	return max(x, y) / min(x, y)
}
