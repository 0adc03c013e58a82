package schema_test

import (
	"reflect"
	"strings"
	"testing"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/schema"
)

// R4 valueset-resource-types.html lists 148 codes, of which Resource and
// DomainResource are abstract.
func TestEveryConcreteResourceIsThere(t *testing.T) {
	t.Parallel()
	require.Len(t, schema.Resources(), 148-2)
}

// The model library was generated from the same standard by other people, so
// the two tables must agree on names, arrays and what is mandatory.
func TestElementsAgreeWithTheModelLibrary(t *testing.T) {
	t.Parallel()
	compared := map[reflect.Type]bool{}
	for _, resource := range []any{
		models.QuestionnaireResponse{}, models.Questionnaire{}, models.Observation{}, models.Bundle{},
		models.Patient{}, models.Provenance{}, models.Device{}, models.OperationOutcome{},
		models.Parameters{}, models.CodeSystem{}, models.ValueSet{}, models.CapabilityStatement{},
		models.Practitioner{}, models.RelatedPerson{}, models.DiagnosticReport{}, models.AuditEvent{},
		models.Task{}, models.Subscription{}, models.Organization{}, models.Encounter{},
	} {
		model := reflect.TypeOf(resource)
		compare(t, model, schema.Resource(model.Name()), compared)
	}
	require.Greater(t, len(compared), 100, "types compared")
}

func compare(t *testing.T, model reflect.Type, got *schema.Type, compared map[reflect.Type]bool) {
	t.Helper()
	require.NotNil(t, got, "%s", model)
	if compared[model] {
		return
	}
	compared[model] = true
	for i := range model.NumField() {
		field := model.Field(i)
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		e := got.Lookup([]byte(name))
		require.NotNil(t, e, "%s.%s", model, name)
		inner := field.Type
		many := inner.Kind() == reflect.Slice && inner.Elem().Kind() != reflect.Uint8
		require.Equal(t, many, e.Many, "%s.%s is an array", model, name)
		if e.Choice == "" {
			require.Equal(t, options != "omitempty", e.Required, "%s.%s is mandatory", model, name)
		}
		for inner.Kind() == reflect.Slice || inner.Kind() == reflect.Pointer {
			inner = inner.Elem()
		}
		if e.Kind == schema.Complex && inner.Kind() == reflect.Struct {
			compare(t, inner, e.Type, compared)
		}
	}
}

func TestLookup(t *testing.T) {
	t.Parallel()
	response := schema.Resource("QuestionnaireResponse")

	t.Run("finds every member of every resource under its own name", func(t *testing.T) {
		t.Parallel()
		for _, name := range schema.Resources() {
			r := schema.Resource(name)
			for _, e := range r.Elements {
				require.Same(t, e, r.Lookup([]byte(e.Name)), "%s.%s", name, e.Name)
			}
		}
	})
	t.Run("finds nothing under other names", func(t *testing.T) {
		t.Parallel()
		for _, name := range []string{"", "x", "Status", "statuS", "answer", "value[x]", "__status", "_item"} {
			require.Nil(t, response.Lookup([]byte(name)), "%q", name)
		}
		require.Nil(t, schema.Resource("Element"), "a data type is no resource")
		require.Nil(t, schema.Resource("Nonsense"))
	})
	t.Run("tells what a mis-cased name means", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, "status", response.Fold("Status").Name)
		require.Nil(t, response.Fold("state"))
	})
	t.Run("spells choices out and groups them", func(t *testing.T) {
		t.Parallel()
		answer := schema.TypeNamed("QuestionnaireResponse.item.answer")
		decimal, coding := answer.Lookup([]byte("valueDecimal")), answer.Lookup([]byte("valueCoding"))
		require.Equal(t, schema.Decimal, decimal.Kind)
		require.Equal(t, "Coding", coding.Type.Name)
		require.Equal(t, decimal.Group, coding.Group)
		require.Equal(t, "value[x]", coding.Choice)
		require.Nil(t, answer.Lookup([]byte("valueCodeableConcept")), "R4 allows no such answer")
	})
	t.Run("knows the required codes", func(t *testing.T) {
		t.Parallel()
		status := response.Lookup([]byte("status"))
		require.True(t, status.HasCode("entered-in-error"))
		require.False(t, status.HasCode("final"), "a code of Observation.status")
	})
}
