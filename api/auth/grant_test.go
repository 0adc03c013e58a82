package auth_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

// granted gives the grant of a token with scopes and a patient.
func granted(t *testing.T, users auth.UserAccess, scope, patient string) *auth.Grant {
	t.Helper()
	o := options(t)
	o.Users = users
	change := members{"scope": scope}
	if patient != "" {
		change["patient"] = patient
	}
	grant, err := verifier(t, o).Verify(t.Context(), token(goodHeader(), goodClaims().with(change)))
	require.NoError(t, err)
	return grant
}

func TestScopesGrantWhatTheySayAndNoMore(t *testing.T) {
	t.Parallel()
	const types = "Observation QuestionnaireResponse AuditEvent"
	for scope, want := range map[string]string{
		"system/Observation.rs":                                   "Observation.rs",
		"system/Observation.read":                                 "Observation.rs",
		"system/Observation.write":                                "Observation.cud",
		"system/Observation.*":                                    "Observation.cruds",
		"system/*.r":                                              "Observation.r QuestionnaireResponse.r",
		"system/*.cruds":                                          "Observation.cruds QuestionnaireResponse.cruds",
		"system/AuditEvent.rs":                                    "AuditEvent.rs",
		"system/Observation.c system/Observation.s":               "Observation.cs",
		"patient/Observation.rs":                                  "",
		"user/Observation.rs":                                     "",
		"openid fhirUser launch/patient offline_access":           "",
		"system/Observation.sr system/Observation.r?_id=1":        "",
		"system/Observation.r?category:in=a":                      "",
		"patient/*.cruds user/*.cruds system/Observation.r":       "Observation.r",
		"system/observation.r system/Observation.R system/Obs*.r": "",
	} {
		t.Run(scope, func(t *testing.T) {
			t.Parallel()
			requireAllows(t, granted(t, auth.UserNone, scope, ""), types, want)
		})
	}
}

// requireAllows asks for each type and each single interaction.
func requireAllows(t *testing.T, grant *auth.Grant, types, want string) {
	t.Helper()
	var have []string
	for name := range strings.FieldsSeq(types) {
		var allowed auth.Interaction
		for _, one := range []auth.Interaction{auth.Create, auth.Read, auth.Update, auth.Delete, auth.Search} {
			if grant.Allows(name, one) {
				allowed |= one
				require.NotEmpty(t, grant.Restriction(name, one), "what is allowed is allowed for something")
			} else {
				require.Empty(t, grant.Restriction(name, one))
			}
		}
		if allowed != 0 {
			have = append(have, name+"."+allowed.String())
		}
	}
	require.Equal(t, want, strings.Join(have, " "))
}

func TestUserScopesAreHonouredAsConfigured(t *testing.T) {
	t.Parallel()
	for users, want := range map[auth.UserAccess]string{auth.UserNone: "", auth.UserRead: "Observation.rs", auth.UserFull: "Observation.cruds"} {
		requireAllows(t, granted(t, users, "user/Observation.cruds", ""), "Observation", want)
	}
	t.Run("a scope that is cut down does not say what it was", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, "user/Observation.rs", granted(t, auth.UserRead, "user/Observation.cruds", "").Scopes[0].String())
	})
}

func TestPatientScopesAreBoundToThePatientOfTheToken(t *testing.T) {
	t.Parallel()
	for _, claim := range []string{"oona", "Patient/oona"} {
		grant := granted(t, auth.UserNone, "patient/Observation.rs", claim)
		require.Equal(t, "oona", grant.Patient)
		limits := grant.Restriction("Observation", auth.Read)
		require.False(t, limits.Unrestricted())
		require.True(t, limits.Permits(auth.Facts{Patient: "oona"}))
		for _, other := range []string{"", "casper", "Oona", "oon", "oona2", "Patient/oona"} {
			require.False(t, limits.Permits(auth.Facts{Patient: other}), other)
		}
		ids, all := limits.Patients()
		require.Equal(t, []string{"oona"}, ids)
		require.True(t, all)
	}
	t.Run("without a patient they are not even in the grant", func(t *testing.T) {
		t.Parallel()
		require.Empty(t, granted(t, auth.UserNone, "patient/Observation.rs", "").Scopes)
	})
	t.Run("a grant made by hand without a patient grants nothing", func(t *testing.T) {
		t.Parallel()
		scope, err := auth.ParseScope("patient/*.cruds")
		require.NoError(t, err)
		grant := &auth.Grant{Scopes: []auth.Scope{scope}}
		require.False(t, grant.Allows("Observation", auth.Read))
		require.Empty(t, grant.Restriction("Observation", auth.Read))
	})
	t.Run("a system scope beside it is not bound", func(t *testing.T) {
		t.Parallel()
		grant := granted(t, auth.UserNone, "patient/Observation.rs system/Observation.r", "oona")
		require.True(t, grant.Restriction("Observation", auth.Read).Unrestricted())
		require.False(t, grant.Restriction("Observation", auth.Search).Unrestricted(), "only r is")
		_, all := grant.Restriction("Observation", auth.Read).Patients()
		require.False(t, all)
	})
}

func TestQueryRestrictionsHoldBack(t *testing.T) {
	t.Parallel()
	grant := granted(t, auth.UserNone, "system/Observation.rs?category=http://c|survey&code=http://s|scorad,plain", "")
	limits := grant.Restriction("Observation", auth.Read)
	facts := func(category, code auth.Coding) auth.Facts {
		return auth.Facts{Codings: func(param string) []auth.Coding {
			if param == "category" {
				return []auth.Coding{{System: "http://x", Code: "other"}, category}
			}
			return []auth.Coding{code}
		}}
	}
	survey, scorad := auth.Coding{System: "http://c", Code: "survey"}, auth.Coding{System: "http://s", Code: "scorad"}
	require.True(t, limits.Permits(facts(survey, scorad)))
	require.True(t, limits.Permits(facts(survey, auth.Coding{System: "http://any", Code: "plain"})), "a code without a bar is of any system")
	require.False(t, limits.Permits(facts(survey, auth.Coding{System: "http://s", Code: "other"})), "both parameters must pass")
	require.False(t, limits.Permits(facts(auth.Coding{System: "http://c", Code: "exam"}, scorad)))
	require.False(t, limits.Permits(facts(auth.Coding{System: "http://C", Code: "survey"}, scorad)), "systems are compared exactly")
	require.False(t, limits.Permits(auth.Facts{}), "a resource without codings passes no filter")
	require.False(t, limits.Unrestricted())
}

func TestInsufficientScopeIs403AndSaysWhatWouldDo(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		scope, patient, want string
		needs                []auth.Need
	}{
		"system":  {"system/Observation.r", "", "system/Observation.s", []auth.Need{{Type: "Observation", Does: auth.Search}}},
		"patient": {"patient/Observation.rs", "oona", "patient/QuestionnaireResponse.c", []auth.Need{{Type: "QuestionnaireResponse", Does: auth.Create}}},
		"two": {"system/Observation.r", "", "system/Observation.r system/Device.cs",
			[]auth.Need{{Type: "Observation", Does: auth.Read}, {Type: "Device", Does: auth.Create | auth.Search}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			refusal := refused(t, granted(t, auth.UserNone, c.scope, c.patient).Check(c.needs...))
			require.Equal(t, http.StatusForbidden, refusal.Status)
			require.Equal(t, fhir.IssueForbidden, refusal.Issue)
			require.Equal(t, auth.ReasonScope, refusal.Reason)
			require.Equal(t, c.want, refusal.Scope)
			require.Equal(t, `Bearer realm="fhir", error="insufficient_scope", error_description="`+refusal.Text+`", scope="`+c.want+`"`, refusal.WWWAuthenticate())
		})
	}
	require.NoError(t, granted(t, auth.UserNone, "system/Observation.r", "").Check(auth.Need{Type: "Observation", Does: auth.Read}))
	require.NoError(t, granted(t, auth.UserNone, "openid", "").Check())
}

func TestWhatInteractionsAndOperationsNeed(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"capabilities": "", "transaction": "", "batch": "", "read": "r", "vread": "r", "history-instance": "r", "create": "c", "update": "u", "patch": "u",
		"delete": "d", "search-type": "s", "history-type": "s", "conditional-create": "cs", "conditional-update": "cus", "conditional-delete": "ds",
	} {
		needs, known := auth.InteractionNeeds(name, "Observation")
		require.True(t, known, name)
		require.Equal(t, want, lettersOf(needs), name)
	}
	for name, want := range map[string]string{"validate": "", "extract": "c", "process-response": "c", "populate": "r", "lastn": "rs", "stats": "rs"} {
		needs, known := auth.OperationNeeds(name, "QuestionnaireResponse", false)
		require.True(t, known, name)
		require.Equal(t, want, lettersOf(needs), name)
	}
	needs, _ := auth.OperationNeeds("extract", "QuestionnaireResponse", true)
	require.Equal(t, "r", lettersOf(needs), "of a stored response")
	needs, _ = auth.OperationNeeds("validate", "Observation", true)
	require.Equal(t, []auth.Need{{Type: "Observation", Does: auth.Read}}, needs, "it speaks of what is stored")
	for _, unknown := range []string{"", "history-system", "everything", "READ"} {
		_, known := auth.InteractionNeeds(unknown, "Observation")
		require.False(t, known)
		_, known = auth.OperationNeeds(unknown, "Observation", true)
		require.False(t, known)
	}
}

func lettersOf(needs []auth.Need) string {
	var all auth.Interaction
	for _, need := range needs {
		all |= need.Does
	}
	return all.String()
}

// aScope draws a scope of few types and codes, so that they often meet.
func aScope(t *rapid.T, label string) auth.Scope {
	text := rapid.SampledFrom([]string{"patient/", "system/"}).Draw(t, label+" context") +
		rapid.SampledFrom([]string{"*", "Observation", "Device"}).Draw(t, label+" type") + "." +
		auth.Interaction(rapid.IntRange(1, 31).Draw(t, label+" letters")).String() +
		rapid.SampledFrom([]string{"", "?category=s|a", "?code=b,s|c", "?category=a&code=s|"}).Draw(t, label+" query")
	scope, err := auth.ParseScope(text)
	require.NoError(t, err, text)
	return scope
}

// Scopes only ever add: no scope takes from what the others grant, and what a
// grant permits, one of its scopes permits alone.
func TestAGrantIsTheUnionOfItsScopes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		scopes := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) auth.Scope { return aScope(t, "scope") }), 0, 4).Draw(t, "scopes")
		facts := someFacts(t)
		resource := rapid.SampledFrom([]string{"Observation", "Device", "AuditEvent"}).Draw(t, "resource")
		does := auth.Interaction(1 << rapid.IntRange(0, 4).Draw(t, "does"))
		permits := func(scopes ...auth.Scope) bool {
			grant := &auth.Grant{Patient: "oona", Scopes: scopes}
			return grant.Restriction(resource, does).Permits(facts)
		}
		one := false
		for _, scope := range scopes {
			one = one || permits(scope)
		}
		require.Equal(t, one, permits(scopes...))
	})
}

func someFacts(t *rapid.T) auth.Facts {
	coding := func(label string) auth.Coding {
		return auth.Coding{System: rapid.SampledFrom([]string{"", "s"}).Draw(t, label+" system"), Code: rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, label)}
	}
	category, code := coding("category"), coding("code")
	return auth.Facts{Patient: rapid.SampledFrom([]string{"", "oona", "casper"}).Draw(t, "patient"), Codings: func(param string) []auth.Coding {
		if param == "category" {
			return []auth.Coding{category}
		}
		return []auth.Coding{code}
	}}
}
