package writeback

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// chart is the system that the hospital of these tests knows patients by.
const chart = "https://brindlemoor.example/chart"

// matching is a ward whose patients must be known, and are found so.
func matching(t testing.TB, how Subject) *ward {
	w := newWardOf(t, sandbox.Options{RequirePatients: true})
	worker, err := New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Subject: how}, w.worker.options)
	require.NoError(t, err)
	w.worker = worker
	return w
}

func byChart(t testing.TB) *ward { return matching(t, Subject{Match: ByIdentifier, System: chart}) }

// admit puts a patient on the hospital's server.
func (w *ward) admit(id, number string, more ...string) {
	w.hospital.Put(fmt.Appendf(nil, `{"resourceType":"Patient","id":"%s","identifier":[{"system":"%s","value":"%s"}]%s}`, id, chart, number, strings.Join(more, "")))
}

// about wants the next version of the score of number 1 about a subject, with
// performers, each as JSON.
func (w *ward) about(subject string, retract bool, performers ...string) {
	w.t.Helper()
	require.NoError(w.t, w.store.Write(context.Background(), nil, func(tx store.Tx) error {
		stored, err := tx.Put(keyOf(1), "PUT", store.Index{}, func(v int64, _ time.Time) ([]byte, error) {
			body := strings.Replace(string(scoreOf(1, v, retract)), `"subject":{"reference":"Patient/oona"}`, `"subject":`+subject, 1)
			if subject == "" {
				body = strings.Replace(body, `"subject":,`, "", 1)
			}
			if len(performers) > 0 {
				body = strings.Replace(body, `"issued"`, `"performer":[`+strings.Join(performers, ",")+`],"issued"`, 1)
			}
			return []byte(body), nil
		})
		if err != nil {
			return err
		}
		return tx.Want(targetName, keyOf(1), stored.Version, retract)
	}))
}

// held is the subject of the one score at the hospital, performers beside it.
func (w *ward) held() (subject map[string]any, performers []any) {
	w.t.Helper()
	score := w.only()
	subject, _ = score["subject"].(map[string]any)
	performers, _ = score["performer"].([]any)
	return subject, performers
}

// parks lets the one delivery that is due be parked for a fault.
func (w *ward) parks(fault Fault) {
	w.t.Helper()
	require.Equal(w.t, 1, w.pass())
	require.Equal(w.t, Refused, w.seen.last().Outcome)
	require.Equal(w.t, fault, w.seen.last().Fault)
	d := state(w.t, w.store, 1)
	require.True(w.t, d.Parked)
	require.Equal(w.t, string(fault), d.Fault)
	for _, secret := range []string{"oona", "4711", "Patient/"} {
		require.NotContains(w.t, d.Reason, secret, "nothing of the patient")
	}
	require.Zero(w.t, w.pass(), "and is not tried again by itself")
}

// retries releases what is parked, as an operator does.
func (w *ward) retries() {
	w.t.Helper()
	require.NoError(w.t, w.store.Write(context.Background(), nil, func(tx store.Tx) error {
		n, err := tx.Release(store.DeliveryQuery{})
		require.Equal(w.t, 1, n)
		return err
	}))
}

const byNumber = `{"identifier":{"system":"` + chart + `","value":"4711"},"display":"O. T."}`

// TestPatientIsFoundByIdentifier: exactly one match, and never a guess.
func TestPatientIsFoundByIdentifier(t *testing.T) {
	t.Parallel()
	t.Run("AndNamedAsTheHospitalDoes", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711")
		w.admit("p2", "4712")
		w.about(byNumber, false)
		w.delivers()
		subject, _ := w.held()
		require.Equal(t, "Patient/p1", subject["reference"])
		require.Equal(t, "O. T.", subject["display"], "what else is said stays")
		require.Equal(t, []string{"POST Patient/_search", "PUT Observation?"}, w.asked(), "the number is in no address")
	})
	t.Run("AlsoWhereASenderHasAReferenceOfItsOwn", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711")
		w.admit("oona", "4712")
		w.about(`{"reference":"Patient/oona","identifier":{"system":"`+chart+`","value":"4711"}}`, false,
			`{"reference":"Patient/oona"}`, `{"reference":"RelatedPerson/oona"}`, `{"reference":"https://portal.example/fhir/RelatedPerson/m"}`, `{"display":"Her mother"}`,
			`{"reference":"RelatedPerson/x","display":"Her father"}`)
		w.delivers()
		subject, performers := w.held()
		require.Equal(t, "Patient/p1", subject["reference"], "Patient/oona is somebody else there")
		require.Equal(t, []any{
			map[string]any{"reference": "Patient/p1"},
			map[string]any{"type": "RelatedPerson", "display": "RelatedPerson known to the sender"},
			map[string]any{"reference": "https://portal.example/fhir/RelatedPerson/m"},
			map[string]any{"display": "Her mother"},
			map[string]any{"type": "RelatedPerson", "display": "Her father"},
		}, performers)
	})
	t.Run("OrByTheHospitalsOwnAddress", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p9", "4713")
		w.about(`{"reference":"`+w.url+`/fhir/Patient/p9"}`, false)
		w.delivers()
		subject, _ := w.held()
		require.Equal(t, "Patient/p9", subject["reference"])
		require.Equal(t, []string{"PUT Observation?"}, w.asked())
	})
	t.Run("AndRememberedForAMinute", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711")
		w.about(byNumber, false)
		w.delivers()
		w.about(byNumber, false)
		w.delivers()
		require.Equal(t, []string{"POST Patient/_search", "PUT Observation?", `PUT Observation/h1 If-Match W/"1"`}, w.asked())
		w.clock.Add(patientMemory)
		w.about(byNumber, false)
		w.delivers()
		require.Equal(t, []string{"POST Patient/_search", `PUT Observation/h1 If-Match W/"2"`}, w.asked())
	})
	t.Run("NotUnderARecordThatAnotherHasReplaced", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711", `,"link":[{"other":{"reference":"Patient/p2"},"type":"replaced-by"}]`)
		w.about(byNumber, false)
		w.parks(FaultPatient)
		w.admit("p2", "4711", `,"link":[{"other":{"reference":"Patient/p1"},"type":"replaces"}]`)
		w.retries()
		w.delivers()
		subject, _ := w.held()
		require.Equal(t, "Patient/p2", subject["reference"])
	})
}

// TestPatientThatIsNotCertainParks: and is tried again when told.
func TestPatientThatIsNotCertainParks(t *testing.T) {
	t.Parallel()
	t.Run("NotThere", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p2", "4712")
		w.about(byNumber, false)
		w.parks(FaultPatient)
		require.Equal(t, []string{"POST Patient/_search"}, w.asked(), "nothing was sent")
		w.admit("p1", "4711")
		w.retries()
		w.delivers()
		require.Equal(t, []string{"POST Patient/_search", "PUT Observation?"}, w.asked(), "that there was none is not remembered")
	})
	t.Run("SeveralThere", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711")
		w.admit("p2", "4711")
		w.about(byNumber, false)
		w.parks(FaultPatients)
		require.Empty(t, w.hospital.Current("Observation"))
		w.hospital.Delete("Patient", "p2")
		w.retries()
		w.delivers()
	})
	for name, subject := range map[string]string{
		"NamedByAReferenceAlone":    `{"reference":"Patient/oona"}`,
		"NamedByAnotherSystem":      `{"identifier":{"system":"https://portal.example","value":"4711"}}`,
		"NamedByNoSystem":           `{"identifier":{"value":"4711"}}`,
		"NamedByNoValue":            `{"identifier":{"system":"` + chart + `"}}`,
		"OfAnotherServer":           `{"reference":"https://portal.example/fhir/Patient/p1"}`,
		"NotNamed":                  `{"display":"Oona"}`,
		"NoSubject":                 ``,
		"OfTheHospitalButNoPatient": `{"reference":"BASE/fhir/Group/p1"}`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := byChart(t)
			w.admit("oona", "4711")
			w.admit("p1", "4711")
			w.about(strings.Replace(subject, "BASE", w.url, 1), false)
			w.parks(FaultSubject)
			require.Empty(t, w.asked(), "nothing is asked, let alone sent")
		})
	}
	t.Run("RefusedByTheHospital", func(t *testing.T) {
		t.Parallel()
		w := matching(t, Subject{})
		w.about(`{"reference":"Patient/oona"}`, false)
		w.parks(FaultPatientRefused)
		w.admit("oona", "4711")
		w.retries()
		w.delivers()
	})
	t.Run("DeletedSinceItWasFound", func(t *testing.T) {
		t.Parallel()
		w := byChart(t)
		w.admit("p1", "4711")
		w.about(byNumber, false)
		w.delivers()
		w.hospital.Delete("Patient", "p1")
		w.about(byNumber, false)
		w.parks(FaultPatientRefused)
		w.retries()
		w.parks(FaultPatient)
	})
}

// TestSearchForAPatient: what the answers to it mean, which hospital or gateway
// may give.
func TestSearchForAPatient(t *testing.T) {
	t.Parallel()
	found := func(entries ...string) string {
		return `{"resourceType":"Bundle","type":"searchset","entry":[` + strings.Join(entries, ",") + `]}`
	}
	p1 := `{"resource":{"resourceType":"Patient","id":"p1","identifier":[{"system":"` + chart + `","value":"4711"}]},"search":{"mode":"match"}}`
	for name, c := range map[string]struct {
		status  int
		body    string
		outcome Outcome
		fault   Fault
	}{
		"One":                      {200, found(p1, `{"resource":{"resourceType":"OperationOutcome"},"search":{"mode":"outcome"}}`), Delivered, FaultNone},
		"None":                     {200, `{"resourceType":"Bundle","type":"searchset","total":0}`, Refused, FaultPatient},
		"WithoutAnId":              {200, found(strings.Replace(p1, `"id":"p1",`, "", 1)), Refused, FaultPatient},
		"TheFirstOfMorePages":      {200, strings.Replace(found(p1), `"entry"`, `"link":[{"relation":"next","url":"http://x.example/"}],"entry"`, 1), Refused, FaultPatients},
		"AnybodySinceItIsIgnored":  {200, found(p1, `{"resource":{"resourceType":"Patient","id":"p2"}}`), Refused, FaultPatientSearch},
		"SomebodyOfAnotherSystem":  {200, found(strings.Replace(p1, chart, "https://else.example", 1)), Refused, FaultPatientSearch},
		"AnotherType":              {200, found(strings.Replace(p1, "Patient", "Person", 1)), Refused, FaultPatientSearch},
		"NoBundle":                 {200, `{"resourceType":"Patient","id":"p1"}`, Retry, FaultNotFHIR},
		"APageOfAGateway":          {200, `<html>`, Retry, FaultNotFHIR},
		"NoSearchByPost":           {405, ``, Refused, FaultPatientSearch},
		"NoPatients":               {404, ``, Refused, FaultPatientSearch},
		"ForbiddenToSearch":        {403, ``, Retry, FaultForbidden},
		"NotLoggedIn":              {401, ``, Retry, FaultLogin},
		"Busy":                     {503, ``, Retry, FaultBusy},
		"TooMany":                  {429, ``, Retry, FaultThrottled},
		"AnErrorOfItsOwn":          {500, ``, Retry, FaultServer},
		"AnUpdateThatIsNoAnswer":   {409, ``, Retry, FaultConflict},
		"AnAnswerThatIsRedirected": {302, ``, Retry, FaultRedirect},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			worker, err := New(r.store, Target{Name: targetName, Base: r.hospital.URL + "/fhir", Subject: Subject{Match: ByIdentifier, System: chart}}, r.worker.options)
			require.NoError(t, err)
			r.worker = worker
			w := &ward{t: t, store: r.store}
			w.about(byNumber, false)
			r.hospital.script(func(answer http.ResponseWriter, request *http.Request, _ int) bool {
				if !strings.HasSuffix(request.URL.Path, "/Patient/_search") {
					return false
				}
				require.NoError(t, request.ParseForm())
				require.Equal(t, chart+"|4711", request.PostForm.Get("identifier"))
				require.Empty(t, request.URL.RawQuery)
				answer.Header().Set("Content-Type", "application/fhir+json")
				answer.WriteHeader(c.status)
				_, _ = answer.Write([]byte(c.body))
				return true
			})
			require.Equal(t, 1, r.pass())
			require.Equal(t, c.outcome, r.seen.last().Outcome)
			require.Equal(t, c.fault, r.seen.last().Fault)
			d := state(t, r.store, 1)
			require.Equal(t, c.outcome == Refused, d.Parked)
			require.False(t, d.InDoubt, "nothing was written")
			if c.outcome != Delivered {
				require.Equal(t, 1, d.Attempts, "the attempt is counted")
			}
		})
	}
}

// TestRetractionDoesNotWaitForAPatient: what the hospital holds is taken back
// under the patient that it is held under.
func TestRetractionDoesNotWaitForAPatient(t *testing.T) {
	t.Parallel()
	w := byChart(t)
	w.admit("p1", "4711")
	w.about(byNumber, false)
	w.delivers()
	w.clock.Add(patientMemory)
	w.admit("p1", "4799")
	w.about(byNumber, false)
	w.parks(FaultPatient)
	w.asked()
	w.about(byNumber, true)
	w.delivers()
	require.Equal(t, []string{"POST Patient/_search", "GET Observation/h1", `PUT Observation/h1 If-Match W/"1"`}, w.asked())
	require.Equal(t, "entered-in-error", w.only()["status"])
	subject, _ := w.held()
	require.Equal(t, "Patient/p1", subject["reference"])

	lost := byChart(t)
	lost.admit("p1", "4711")
	lost.about(byNumber, false)
	lost.delivers()
	lost.clock.Add(patientMemory)
	lost.hospital.Delete("Patient", "p1")
	lost.hospital.Delete("Observation", "h1")
	lost.about(byNumber, true)
	lost.parks(FaultPatient)
}

// TestPatientIsFoundByReference: the base of a reference is replaced by what is
// configured for it, and by nothing else.
func TestPatientIsFoundByReference(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		subject string
		bases   map[string]string
		want    string
	}{
		"OfAPortal":           {`{"reference":"https://portal.example/fhir/Patient/oona"}`, map[string]string{"https://portal.example/fhir": "BASE/fhir"}, "Patient/oona"},
		"OfAVersion":          {`{"reference":"https://portal.example/fhir/Patient/oona/_history/3"}`, map[string]string{"https://portal.example/fhir": "BASE/fhir/"}, "Patient/oona"},
		"ToAThirdServer":      {`{"reference":"https://portal.example/fhir/Patient/oona"}`, map[string]string{"https://portal.example/fhir": "https://mpi.example/fhir"}, "https://mpi.example/fhir/Patient/oona"},
		"OfTheHospitalItself": {`{"reference":"BASE/fhir/Patient/oona"}`, map[string]string{"https://portal.example/fhir": "BASE/fhir"}, "Patient/oona"},
		"Relative":            {`{"reference":"Patient/oona"}`, map[string]string{"https://portal.example/fhir": "BASE/fhir"}, "Patient/oona"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWardOf(t, sandbox.Options{RequirePatients: true})
			bases := map[string]string{}
			for from, to := range c.bases {
				bases[from] = strings.Replace(to, "BASE", w.url, 1)
			}
			worker, err := New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Subject: Subject{Match: ByReference, Bases: bases}}, w.worker.options)
			require.NoError(t, err)
			w.worker = worker
			w.admit("oona", "4711")
			subject := strings.Replace(c.subject, "BASE", w.url, 1)
			w.about(subject, false, subject, `{"reference":"https://portal.example/fhir/RelatedPerson/m"}`, `{"reference":"https://else.example/Practitioner/i"}`)
			w.delivers()
			held, performers := w.held()
			require.Equal(t, c.want, held["reference"])
			require.Equal(t, c.want, performers[0].(map[string]any)["reference"])
			require.Equal(t, strings.Replace(c.want, "Patient/oona", "RelatedPerson/m", 1), performers[1].(map[string]any)["reference"], "others by the same base")
			require.Equal(t, "https://else.example/Practitioner/i", performers[2].(map[string]any)["reference"])
		})
	}
	t.Run("ButNotOfAServerThatNobodyConfigured", func(t *testing.T) {
		t.Parallel()
		for _, subject := range []string{`{"reference":"https://else.example/fhir/Patient/oona"}`, `{"reference":"urn:uuid:0190a1b2-0000-7000-8000-00000000000a"}`, ``} {
			w := matching(t, Subject{Match: ByReference, Bases: map[string]string{"https://portal.example/fhir": "https://mpi.example"}})
			w.admit("oona", "4711")
			w.about(subject, false)
			w.parks(FaultSubject)
			require.Empty(t, w.asked())
		}
	})
	t.Run("AndWhatHasNoReferenceIsLeft", func(t *testing.T) {
		t.Parallel()
		w := matching(t, Subject{Match: ByReference, Bases: map[string]string{"https://portal.example/fhir": "https://mpi.example"}})
		w.about(byNumber, false)
		w.delivers()
		var want map[string]any
		require.NoError(t, json.Unmarshal([]byte(byNumber), &want))
		subject, _ := w.held()
		require.Equal(t, want, subject)
	})
}

func TestSubjectIsChecked(t *testing.T) {
	t.Parallel()
	for name, how := range map[string]Subject{
		"system": {Match: ByIdentifier}, "bases": {Match: ByReference}, "guess": {Match: "guess"},
	} {
		_, err := New(openStore(t, newClock().Now), Target{Name: targetName, Base: "https://ehr.example/fhir", Subject: how}, Options{})
		require.ErrorContains(t, err, name)
	}
}

// TestKnownPatientsAreFewAndForgotten: what is known of patients is bounded.
func TestKnownPatientsAreFewAndForgotten(t *testing.T) {
	t.Parallel()
	p, now := &patients{}, newClock().Now()
	for i := range maxPatients + 1 {
		p.put(fmt.Sprint(i), "p", now)
	}
	require.LessOrEqual(t, len(p.known), maxPatients)
	_, ok := p.get(fmt.Sprint(maxPatients), now)
	require.True(t, ok)
	_, ok = p.get(fmt.Sprint(maxPatients), now.Add(patientMemory))
	require.False(t, ok)
}
