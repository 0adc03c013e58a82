package auth_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
)

const all = auth.Create | auth.Read | auth.Update | auth.Delete | auth.Search

// The forms of SMART App Launch 2.2.0, "Scopes and Launch Context": v2 with its
// letters in order, v1 and what the table there says it stands for.
func TestScopesOfSMARTAreRead(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]auth.Scope{
		"patient/Observation.rs":           {Context: auth.PatientContext, Type: "Observation", Allows: auth.Read | auth.Search},
		"system/*.cruds":                   {Context: auth.SystemContext, Type: "*", Allows: all},
		"user/Patient.c":                   {Context: auth.UserContext, Type: "Patient", Allows: auth.Create},
		"system/Observation.read":          {Context: auth.SystemContext, Type: "Observation", Allows: auth.Read | auth.Search},
		"system/Observation.write":         {Context: auth.SystemContext, Type: "Observation", Allows: auth.Create | auth.Update | auth.Delete},
		"patient/*.*":                      {Context: auth.PatientContext, Type: "*", Allows: all},
		"system/QuestionnaireResponse.cud": {Context: auth.SystemContext, Type: "QuestionnaireResponse", Allows: auth.Create | auth.Update | auth.Delete},
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			got, err := auth.ParseScope(text)
			require.NoError(t, err)
			require.Equal(t, text, got.String(), "as it was read")
			require.Equal(t, want.Context, got.Context)
			require.Equal(t, want.Type, got.Type)
			require.Equal(t, want.Allows, got.Allows, got.Allows.String())
			require.Empty(t, got.Filters)
		})
	}
}

func TestQueryRestrictionsAreRead(t *testing.T) {
	t.Parallel()
	const survey = "http://terminology.hl7.org/CodeSystem/observation-category|survey"
	for text, want := range map[string][]auth.Filter{
		"patient/Observation.rs?category=" + survey: {{Param: "category", Tokens: []auth.Token{{System: "http://terminology.hl7.org/CodeSystem/observation-category", Code: "survey"}}}},
		"patient/Observation.rs?code=a":             {{Param: "code", Tokens: []auth.Token{{AnySystem: true, Code: "a"}}}},
		"patient/Observation.rs?code=|a,b|":         {{Param: "code", Tokens: []auth.Token{{Code: "a"}, {System: "b"}}}},
		"system/Observation.r?code=a&category=b":    {{Param: "code", Tokens: []auth.Token{{AnySystem: true, Code: "a"}}}, {Param: "category", Tokens: []auth.Token{{AnySystem: true, Code: "b"}}}},
		"system/Observation.r?code=a%26b":           {{Param: "code", Tokens: []auth.Token{{AnySystem: true, Code: "a&b"}}}},
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			got, err := auth.ParseScope(text)
			require.NoError(t, err)
			require.Equal(t, want, got.Filters)
		})
	}
}

// What is not exactly SMART's grammar grants nothing.
func TestScopesOutsideTheGrammarAreRefused(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"", "openid", "launch/patient", "patient", "patient/", "patient/Observation", "patient/Observation.",
		"patient/Observation.sr", "patient/Observation.dus", "patient/Observation.rr", "patient/Observation.rsx", "patient/Observation.R",
		"patient/Observation.READ", "patient/Observation.reads", "Patient/Observation.r", "patients/Observation.r", "system/observation.r",
		"system/Obs*.r", "system/**.r", "system/.r", "system/Observation/1.r", "system/Observation.r.s", "system/Observation..r",
		"system/Observation.r?", "system/Observation.r?code", "system/Observation.r?code=", "system/Observation.r?code=|",
		"system/Observation.r?code:in=a", "system/Observation.r?code:not=a", "system/Observation.r?_id=1", "system/Observation.r?subject=Patient/1",
		"system/Observation.r?category=a&", "system/Observation.r?&category=a", "system/Observation.r?category=a|b|c", "system/Observation.r?category=a%",
		"system/Observation.r?category=a%5Cb", "system/Observation.r?category=a%20b", "system/Observation.r?category=a%00", "system/Observation.r?category=a,,b",
		"system/Observation.read?category=a", "system/Observation.*?category=a", "system/Observation.r?Category=a", "system/Observation.r#?category=a",
		"system/" + strings.Repeat("A", 65) + ".r", "ſystem/Observation.r", "system/Observаtion.r", "system/Observation.r\n",
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			_, err := auth.ParseScope(text)
			require.Error(t, err)
		})
	}
}

func TestScopeStringsFollowOAuth(t *testing.T) {
	t.Parallel()
	t.Run("scopes for other things and unreadable ones are left out, not guessed", func(t *testing.T) {
		t.Parallel()
		scopes, left, err := auth.ParseScopes("openid patient/Observation.rs patient/Observation.sr launch/patient system/Device.r?_id=1")
		require.NoError(t, err)
		require.Len(t, scopes, 1)
		require.Equal(t, "patient/Observation.rs", scopes[0].String())
		require.Equal(t, []string{"openid", "patient/Observation.sr", "launch/patient", "system/Device.r?_id=1"}, left)
	})
	for name, text := range map[string]string{
		"empty":           "",
		"two spaces":      "openid  system/Observation.r",
		"space at start":  " system/Observation.r",
		"space at end":    "system/Observation.r ",
		"tab":             "openid\tsystem/Observation.r",
		"quote":           `openid "system/Observation.r"`,
		"backslash":       `system\Observation.r`,
		"not ASCII":       "system/Observation.r é",
		"far too many":    strings.Repeat("openid ", 300) + "openid",
		"a NUL character": "openid\x00",
	} {
		t.Run(name+" is refused", func(t *testing.T) {
			t.Parallel()
			_, _, err := auth.ParseScopes(text)
			require.Error(t, err)
		})
	}
}
