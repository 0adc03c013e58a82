package writeback

import (
	"context"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// subjectNode reads a Reference.
func subjectNode(t *testing.T, reference string) fhir.Node {
	document, err := fhir.Decode([]byte(`{"resourceType":"Observation","status":"final","code":{"text":"score"},"subject":` + reference + `}`))
	require.NoError(t, err)
	t.Cleanup(document.Release)
	return document.Root().Get("subject")
}

func TestBirthDateIsAskedForAsPatientsAreMatched(t *testing.T) {
	t.Parallel()
	admit := func(w *ward) {
		w.admit("17", "4711", `,"birthDate":"2021-05"`)
		w.admit("18", "4712")
		w.admit("19", "4713", `,"birthDate":"2019-01-02"`, `,"link":[{"type":"replaced-by","other":{"reference":"Patient/17"}}]`)
		w.admit("20", "4714", `,"birthDate":"2019-01-02"`)
		w.admit("21", "4714", `,"birthDate":"2018-01-02"`)
	}
	byNumber := func(number string) string {
		return `{"identifier":{"system":"` + chart + `","value":"` + number + `"}}`
	}
	keep, identified := Subject{}, Subject{Match: ByIdentifier, System: chart}
	for name, c := range map[string]struct {
		how   Subject
		asked string
		date  string
		found bool
	}{
		"KeptReference":                       {keep, `{"reference":"Patient/17"}`, "2021-05", true},
		"KeptReferenceOfAVersion":             {keep, `{"reference":"Patient/17/_history/1"}`, "2021-05", true},
		"WithoutADate":                        {keep, `{"reference":"Patient/18"}`, "", true},
		"OfNobody":                            {keep, `{"reference":"Patient/99"}`, "", false},
		"OfAnotherServer":                     {keep, `{"reference":"https://elsewhere.example/fhir/Patient/17"}`, "", false},
		"IdentifierWhereReferencesAreKept":    {keep, byNumber("4711"), "", false},
		"Identifier":                          {identified, byNumber("4711"), "2021-05", true},
		"IdentifierWithoutADate":              {identified, byNumber("4712"), "", true},
		"IdentifierOfARecordThatWasMerged":    {identified, byNumber("4713"), "", false},
		"IdentifierOfTwo":                     {identified, byNumber("4714"), "", false},
		"IdentifierOfNobody":                  {identified, byNumber("4799"), "", false},
		"IdentifierOfAnotherSystem":           {identified, `{"identifier":{"system":"urn:other","value":"4711"}}`, "", false},
		"RelativeReferenceOfTheSenders":       {identified, `{"reference":"Patient/17"}`, "", false},
		"ReferenceWithAnotherBase":            {Subject{Match: ByReference, Bases: map[string]string{"https://portal.example/fhir": ""}}, `{"reference":"https://portal.example/fhir/Patient/17"}`, "2021-05", true},
		"ReferenceWithABaseThatIsNotMapped":   {Subject{Match: ByReference, Bases: map[string]string{"https://portal.example/fhir": ""}}, `{"reference":"https://other.example/fhir/Patient/17"}`, "", false},
		"ReferenceToSomebodyWhoIsNoPatient":   {keep, `{"reference":"RelatedPerson/17"}`, "", false},
		"ReferenceThatNamesNothingOfAnyThing": {keep, `{"display":"Oona"}`, "", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := matching(t, c.how)
			admit(w)
			date, found, err := w.worker.BirthDate(context.Background(), subjectNode(t, c.asked))
			require.NoError(t, err)
			require.Equal(t, c.found, found)
			require.Equal(t, c.date, date)
		})
	}
}

// A hospital that does not answer as it should gives no date and no patient, and the
// error says nothing of whom was asked about.
func TestBirthDateOfAHospitalThatFails(t *testing.T) {
	t.Parallel()
	for name, answer := range map[string]http.HandlerFunc{
		"AnError":    func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusInternalServerError) },
		"ARefusal":   func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusForbidden) },
		"ALoginPage": func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>4711</html>")) },
		"AnotherPatient": func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte(`{"resourceType":"Patient","id":"1"}`))
		},
		"AnotherType": func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte(`{"resourceType":"Person","id":"4711"}`))
		},
		"ARedirect":      func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/elsewhere", http.StatusFound) },
		"ACutConnection": func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var asked atomic.Int64
			hospital := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked.Add(1)
				answer(w, r)
			}))
			t.Cleanup(hospital.Close)
			w := newWard(t)
			worker, err := New(w.store, Target{Name: targetName, Base: hospital.URL}, Options{Timeout: time.Minute})
			require.NoError(t, err)
			date, found, err := worker.BirthDate(context.Background(), subjectNode(t, `{"reference":"Patient/4711"}`))
			require.Error(t, err)
			require.NotContains(t, err.Error(), "4711")
			require.False(t, found)
			require.Empty(t, date)
			require.EqualValues(t, 1, asked.Load(), "once, at nobody else's")
		})
	}
}
