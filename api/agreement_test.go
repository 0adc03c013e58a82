package api_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

const agreementPath = "/fhir/Observation/$scorad-agreement"

// visit keeps a pair: the family the day before, the team on the day. The family
// has an itch of its own, so that its total is by so much higher than 36 plus the
// team's itch.
func visit(keep func(response) string, patient string, n int, itch, teams string) (own, team string) {
	self, clinician := filledFor(patient, fmt.Sprint(patient, "-own-", n)), filledFor(patient, fmt.Sprint(patient, "-team-", n))
	day := time.Date(2026, 3, 4+14*n, 9, 0, 0, 0, time.UTC)
	self.authored, self.itch = day.AddDate(0, 0, -1).Format(time.RFC3339), itch
	clinician.form, clinician.source, clinician.authored, clinician.itch = clinicianForm, "Practitioner/ilse-varnholt", day.Format(time.RFC3339), teams
	return keep(self), keep(clinician)
}

func (r *rig) keepResponse(body response) string { return r.create(body.json()).id() }

func TestAgreementOfAPatient(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var own, team []string
	// Differences 2, 0, 4 and -2 of totals about 42.
	for n, itches := range [][2]string{{"6", "4"}, {"5", "5"}, {"8", "4"}, {"3", "5"}} {
		a, b := visit(r.keepResponse, oonaID, n, itches[0], itches[1])
		own, team = append(own, a), append(team, b)
	}
	visit(r.keepResponse, casperID, 1, "9", "1")
	lonely := oona("lonely")
	lonely.authored = "2027-01-01T09:00:00Z"
	r.create(lonely.json())
	const path = agreementPath + "?patient=oona-thistledown"
	r.run(t, "is worked out of its pairs", func(t *testing.T, r *rig) {
		a := r.get(path)
		r.holdsDefinition(a, "scorad-agreement")
		// By hand: mean 1, deviations 1 -1 3 -3, so s = sqrt(20/3) = 2.581989. The means of
		// the pairs are 41 41 42 40: between them 2*2/3, between raters 2, rest 10/3.
		for want, steps := range map[string][]any{
			"4": {"pairs"}, "1": {"patients"}, "Observation/" + own[2]: {"pair", 2, "self", "source"}, "Observation/" + team[2]: {"pair", 2, "clinician", "source"},
			"2026-03-31T09:00:00Z": {"pair", 2, "self", "date"}, "clinician-direct": {"pair", 2, "clinician", "method"}, "-1 d": {"pair", 2, "days-after-clinician"},
			"scorad": {"pair", 2, "item", "code"}, "44 {score}": {"pair", 2, "item", "self"}, "40 {score}": {"pair", 2, "item", "clinician"}, "4 {score}": {"pair", 2, "item", "difference"},
			"extent": {"pair", 2, "item", 5, "code"}, "20 %": {"pair", 2, "item", 5, "self"}, "1 {score}": {"limits-of-agreement", "bias", "value"},
			"2.581989 {score}": {"limits-of-agreement", "standard-deviation"}, "-4.060698 {score}": {"limits-of-agreement", "lower-limit", "value"},
			"6.060698 {score}": {"limits-of-agreement", "upper-limit", "value"}, "usual-25-50": {"bands", "set"},
			"Patient/oona-thistledown": {"subject"}, "1.0.0": {"algorithm"},
		} {
			require.Equal(t, want, a.named(steps...), "%v", steps)
		}
		require.Equal(t, "", a.named("pair", 4), "who rated alone is in no pair")
		require.Equal(t, "2", a.named("item", "higher"))
		require.Equal(t, "1", a.named("item", "alike"))
		require.Equal(t, "1", a.named("item", "lower"))
		require.Equal(t, "", a.named("bands", "linear-kappa"), "all are moderate")
		require.Equal(t, []string{"few-pairs", "repeated-measures", "one-patient", "nothing-differs"}, a.warned())
		require.NotEmpty(t, a.named("icc", "value"))
		require.NotEmpty(t, a.named("concordance", "interval-95"))
	})
	r.run(t, "of a period", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, agreementPath, parametersOf(`{"name":"patient","valueString":"Patient/oona-thistledown"}`, `{"name":"start","valueDate":"2026-03-17"}`, `{"name":"end","valueDate":"2026-03"}`))
		r.holdsDefinition(a, "scorad-agreement")
		require.Equal(t, "1", a.named("pairs"), "the family's of the 31st has its partner on the 1st of April")
		require.Equal(t, []string{"too-few-pairs"}, a.warned())
		require.Equal(t, "", a.named("limits-of-agreement"))
		require.Equal(t, "0 {score}", a.named("pair", "item", "difference"))
	})
	r.run(t, "one pair of each patient", func(t *testing.T, r *rig) {
		a := r.get(path + "&one-per-patient=true")
		require.Equal(t, "1", a.named("pairs"))
		require.Equal(t, "Observation/"+own[3], a.named("pair", "self", "source"))
	})
	r.run(t, "of nobody is empty, with its cautions", func(t *testing.T, r *rig) {
		a := r.get(agreementPath + "?patient=nobody")
		r.holdsDefinition(a, "scorad-agreement")
		require.Equal(t, "0", a.named("pairs"))
		require.Equal(t, []string{"no-pairs"}, a.warned())
		require.Contains(t, string(a.body), "neither diagnoses nor chooses a treatment")
	})
}

func TestAgreementOfAClinic(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	for i, patient := range []string{oonaID, casperID, "mirren-ashby-vale"} {
		for n := range 2 {
			visit(r.keep, patient, n, strconv.Itoa(3*i+n), strconv.Itoa(2*i+2*n))
		}
	}
	ask := func(token, query string) answer { return r.as(token, http.MethodGet, agreementPath+query, "") }
	system := r.token("system/Observation.rs", "")
	r.run(t, "pools the pairs of all", func(t *testing.T, _ *rig) {
		a := ask(system, "")
		r.holdsDefinition(a, "scorad-agreement")
		require.Equal(t, "6", a.named("pairs"))
		require.Equal(t, "3", a.named("patients"))
		require.Equal(t, "", a.named("pair"), "sums, not people")
		require.Equal(t, "", a.named("subject"))
		for _, id := range []string{oonaID, casperID, "mirren", "Observation/"} {
			require.NotContains(t, string(a.body), id)
		}
		// Differences 0 -1 1 0 2 1, by hand.
		require.Equal(t, "0.5 {score}", a.named("limits-of-agreement", "bias", "value"))
		require.Equal(t, []string{"few-pairs", "repeated-measures", "nothing-differs"}, a.warned())
	})
	r.run(t, "one pair of each patient, which are independent", func(t *testing.T, _ *rig) {
		a := ask(system, "?one-per-patient=true")
		require.Equal(t, "3", a.named("pairs"))
		require.NotContains(t, a.warned(), "repeated-measures")
		require.Equal(t, "0 {score}", a.named("limits-of-agreement", "bias", "value"), "-1 0 1")
	})
	r.run(t, "of a period", func(t *testing.T, _ *rig) {
		require.Equal(t, "3", ask(system, "?start=2026-03-10").named("pairs"))
		require.Equal(t, "3", ask(system, "?end=2026-03-10").named("pairs"))
		require.Equal(t, "0", ask(system, "?start=2027-01-01").named("pairs"))
	})
	r.run(t, "takes a system's scope", func(t *testing.T, r2 *rig) {
		for _, token := range []string{r.token("patient/Observation.rs", oonaID), r.token("patient/*.cruds user/Observation.rs", oonaID),
			r.token("system/Observation.s", ""), r.token("system/QuestionnaireResponse.rs patient/Observation.rs", oonaID)} {
			ask(token, "").refused(http.StatusForbidden, "forbidden")
		}
		require.Equal(t, http.StatusOK, ask(r.token("system/*.rs", ""), "").status)
		require.Equal(t, "2", ask(r.token("patient/Observation.rs", oonaID), "?patient="+oonaID).named("pairs"))
		require.Equal(t, "0", ask(r.token("patient/Observation.rs", oonaID), "?patient="+casperID).named("pairs"))
		require.Equal(t, "0", ask(r.token("system/Observation.rs?category=exam", ""), "").named("pairs"), "only the team's are seen")
		r2.get(agreementPath).refused(http.StatusUnauthorized, "login")
	})
	r.run(t, "in a batch is held to the same", func(t *testing.T, _ *rig) {
		batch := func(token string) string {
			return r.as(token, http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Observation/$scorad-agreement"}}]}`).text("entry", 0, "response", "status")
		}
		require.True(t, strings.HasPrefix(batch(r.token("patient/Observation.rs", oonaID)), "403"))
		require.True(t, strings.HasPrefix(batch(system), "200"))
	})
}

func TestAgreementRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, c := range map[string]struct{ query, code string }{
		"an empty patient": {"?patient=", "value"},
		"unknown":          {"?subject=Patient/x", "not-supported"},
		"twice":            {"?patient=x&start=2026&start=2027", "value"},
		"a start":          {"?start=soon", "value"},
		"an end before":    {"?start=2026-03-04&end=2026-03-03", "value"},
		"one per what":     {"?one-per-patient=yes", "value"},
	} {
		r.run(t, name, func(_ *testing.T, r *rig) {
			r.get(agreementPath+c.query).refused(http.StatusBadRequest, c.code)
		})
	}
}

// TestStatisticsAreBounded: what grows with the number of scores is refused
// before it is worked out, with what to do.
func TestStatisticsAreBounded(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	own, team := visit(r.keepResponse, oonaID, 0, "6", "4")
	bodies := [][]byte{r.score(own).body, r.score(team).body}
	copies := func(patient string, count int) {
		require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
			for i := range count {
				body := bytes.ReplaceAll(bodies[i%2], []byte(oonaID), []byte(patient))
				key := store.Key{Type: "Observation", ID: fmt.Sprint(patient, "-copy-", i)}
				if _, err := tx.Put(key, http.MethodPost, store.Index{Patient: "Patient/" + patient, Status: "final"}, func(int64, time.Time) ([]byte, error) { return body, nil }); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	copies(casperID, 2000)
	a := r.get(agreementPath + "?patient=" + casperID)
	require.Equal(t, "1000", a.named("pairs"), "as many as may be")
	require.Equal(t, http.StatusOK, r.get(trendPath+"?patient="+casperID).status)
	copies("mirren-ashby-vale", 5001)
	for path, text := range map[string]string{
		agreementPath + "?patient=mirren-ashby-vale": "too many scores for this operation; name a shorter period",
		agreementPath: "A patient has too many scores", trendPath + "?patient=mirren-ashby-vale": "too many scores",
	} {
		a := r.get(path)
		a.refused(http.StatusUnprocessableEntity, "too-costly")
		require.Contains(t, string(a.body), text)
	}
}
