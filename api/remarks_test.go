package api_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/test/sqlitetest"
)

// entryTime is the clock of the stores of these tests, half an hour after the
// response of oona was answered.
var entryTime = time.Date(2026, 3, 4, 19, 0, 0, 0, time.UTC)

// onTime has a server on a store whose clock stands at entryTime.
func onTime(t testing.TB) func(*api.Options) {
	return func(o *api.Options) {
		db := sqlitetest.Open(t, sqlite.Options{Clock: func() time.Time { return entryTime }})
		t.Cleanup(func() { require.NoError(t, db.Close()) })
		o.Store = db
	}
}

// newClocked is a rig on such a store.
func newClocked(t testing.TB, adjust ...func(*api.Options)) *rig {
	var kept store.Store
	r := newRig(t, append([]func(*api.Options){onTime(t), func(o *api.Options) { kept = o.Store }}, adjust...)...)
	r.store = kept
	return r
}

// daysLater is a response of another day.
func daysLater(identifier string, days int) response {
	body := oona(identifier)
	body.authored = time.Date(2026, 3, 4+days, 19, 30, 0, 0, time.FixedZone("", 3600)).Format(time.RFC3339)
	return body
}

// drawn is a response by a drawing on a chart, with the percent of each front of an
// arm, and no other skin.
func drawn(body response, chart string, percent int) string {
	choice := func(link, code string) string {
		return `{"linkId":"` + link + `","answer":[{"valueCoding":{"system":"` + questionnaire.ScoradSystem + `","code":"` + code + `"}}]}`
	}
	items := []string{choice("extent.method", "regions"), choice("extent.age-group", chart)}
	for i := range scoring.RegionCount {
		of := 0
		if region := scoring.Region(i); region == scoring.ArmLeftFront || region == scoring.ArmRightFront {
			of = percent
		}
		items = append(items, fmt.Sprintf(`{"linkId":"extent.%s","answer":[{"valueInteger":%d}]}`, scoring.Region(i), of))
	}
	return strings.Replace(body.json(), choice("extent.method", "direct")+`,{"linkId":"extent.direct","answer":[{"valueDecimal":`+body.extent+`}]}`, strings.Join(items, ","), 1)
}

// remark is a warning as it reaches people.
type remark struct{ code, severity string }

// told are the remarks of an OperationOutcome, without those that a response shows by
// itself.
func (a answer) told(path ...any) (all []remark) {
	a.t.Helper()
	for i := range a.count(append(slices.Clone(path), "issue")...) {
		at := append(slices.Clone(path), "issue", i)
		code := a.text(append(slices.Clone(at), "details", "coding", 0, "code")...)
		if slices.ContainsFunc(questionnaire.HistoryWarnings, func(q questionnaire.Quality) bool { return q.Warning().Code == code }) {
			all = append(all, remark{code, a.text(append(slices.Clone(at), "severity")...)})
		}
	}
	return all
}

// noted are the codes of the remarks in the notes of the score of a response, which
// stand before the caution.
func (r *rig) noted(id string) (codes []string) {
	r.t.Helper()
	score := r.score(id)
	for i := range score.count("note") {
		if q, ok := historyTexts()[score.text("note", i, "text")]; ok {
			codes = append(codes, q.Warning().Code)
			require.Less(r.t, i, score.count("note")-1)
		}
	}
	return codes
}

// remarked posts a response, and holds what the sender is told to be what is noted.
func (r *rig) remarked(body string) []string {
	r.t.Helper()
	a := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body, "Prefer", "return=OperationOutcome")
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	id := strings.Split(strings.TrimPrefix(a.header.Get("Location"), r.base+"/QuestionnaireResponse/"), "/")[0]
	var codes []string
	for _, each := range a.told() {
		codes = append(codes, each.code)
	}
	require.Equal(r.t, codes, r.noted(id))
	return codes
}

// Each warning, by what was sent before.
func TestHistoryIsRemarkedOn(t *testing.T) {
	t.Parallel()
	week := func(n int) string { return daysLater(fmt.Sprint("week-", n), -7*n).json() }
	father := func(body response) response { body.source = "RelatedPerson/cole-thistledown"; return body }
	late := daysLater("late", -4)
	ahead := daysLater("ahead", 1)
	clinician := func(days int, who string) string {
		body := daysLater(fmt.Sprint("team", days), days)
		body.form, body.source = clinicianForm, "Practitioner/"+who
		return body.json()
	}
	higher := daysLater("higher", 0)
	higher.extent = "100" // 16 points more
	higher.itch = "10.0"  // and 4, and a tenth
	higher.sleep = "4.1"
	for name, c := range map[string]struct {
		before []string
		sent   string
		want   []string
	}{
		"TheFirst":                       {nil, oona("x").json(), []string{"learning"}},
		"TheSecond":                      {[]string{week(1)}, oona("x").json(), []string{"learning"}},
		"TheThird":                       {[]string{week(2), week(1)}, oona("x").json(), nil},
		"TheThirdTwoDaysAfter":           {[]string{week(2), week(1), daysLater("near", -2).json()}, oona("x").json(), []string{"large-or-early-change"}},
		"TwoDaysBeforeOneThatIsHere":     {[]string{week(2), week(1), daysLater("near", 0).json()}, daysLater("x", -2).json(), []string{"large-or-early-change"}},
		"ThreeDaysAfter":                 {[]string{week(2), week(1), daysLater("near", -3).json()}, oona("x").json(), nil},
		"ThreeDaysAndMoreThanTwenty":     {[]string{week(2), week(1), daysLater("near", -3).json()}, higher.json(), []string{"large-or-early-change"}},
		"ByAnother":                      {[]string{week(2), week(1)}, father(oona("x")).json(), []string{"circumstances-differ"}},
		"ByAnotherMethod":                {[]string{week(2), week(1)}, drawn(oona("x"), "2-and-over", 50), []string{"circumstances-differ"}},
		"CoarseTwice":                    {[]string{week(3), week(2), drawn(daysLater("map", -7), "2-and-over", 100)}, drawn(oona("x"), "2-and-over", 100), []string{"coarse-extent"}},
		"CoarseLongBefore":               {[]string{drawn(daysLater("map", -40), "2-and-over", 100), week(3), week(2), week(1)}, drawn(oona("x"), "2-and-over", 100), []string{"circumstances-differ", "coarse-extent"}},
		"CoarseOnce":                     {[]string{week(2), drawn(daysLater("map", -7), "2-and-over", 90)}, drawn(oona("x"), "2-and-over", 100), nil},
		"TwiceOnADay":                    {[]string{week(2), week(1), daysLater("again", 0).json()}, oona("x").json(), []string{"large-or-early-change", "two-on-one-day"}},
		"OnADayAfterAnother":             {[]string{week(2), week(1), father(daysLater("again", 0)).json()}, oona("x").json(), []string{"large-or-early-change", "circumstances-differ"}},
		"FourDaysLate":                   {[]string{week(3), week(2)}, late.json(), []string{"date-implausible"}},
		"Ahead":                          {[]string{week(2), week(1)}, ahead.json(), []string{"date-implausible"}},
		"TheTeamIsAnotherSeries":         {[]string{week(2), week(1), clinician(-1, "a")}, oona("x").json(), nil},
		"TheTeamDoesNotLearn":            {nil, clinician(0, "a"), nil},
		"AnotherOfTheTeam":               {[]string{clinician(-7, "b")}, clinician(0, "a"), []string{"circumstances-differ"}},
		"AnotherPatientIsNotSetBesideIt": {[]string{week(2), week(1), strings.Replace(daysLater("other", 0).json(), "Patient/oona-thistledown", "Patient/casper-quillfeather", 1)}, oona("x").json(), nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newClocked(t)
			for _, body := range c.before {
				r.create(body)
			}
			require.Equal(t, c.want, r.remarked(c.sent))
			r.sound()
		})
	}
}

// sound holds every score to be what verify computes again.
func (r *rig) sound() {
	r.t.Helper()
	checked, err := api.Verify(context.Background(), r.store, scoring.Published(), scoring.UsualBands, func(d api.Difference) { r.t.Errorf("%s: %s", d.Key, d.Cause) })
	require.NoError(r.t, err)
	require.Positive(r.t, checked)
}

// What asks for nothing to be corrected is information, and a note is in the language
// of the response.
func TestRemarksAreToldAndTranslated(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	body := oona("pl-1")
	body.members = `,"language":"pl"`
	a := r.create(body.json(), "Prefer", "return=OperationOutcome")
	require.Equal(t, []remark{{"learning", "information"}}, a.told())
	id := strings.Split(strings.TrimPrefix(a.header.Get("Location"), r.base+"/QuestionnaireResponse/"), "/")[0]
	require.Equal(t, languages.Match("pl").Text(questionnaire.LearningScore.Warning().Definition), r.score(id).text("note", 0, "text"))
	late := daysLater("pl-2", -6)
	require.Equal(t, []remark{{"date-implausible", "warning"}, {"learning", "information"}}, r.create(late.json(), "Prefer", "return=OperationOutcome").told())
	r.sound()
}

// Whatever comes at once, each score is remarked on by what was committed before it.
func TestRemarksOfManyAtOnce(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	const n = 40
	var group sync.WaitGroup
	for i := range n {
		group.Go(func() {
			body := oona(fmt.Sprint("at-once-", i))
			body.sleep = fmt.Sprint(i / 10)
			if a, err := send(r.origin, http.MethodPost, "/fhir/QuestionnaireResponse", body.json()); err != nil || a.status != http.StatusCreated {
				t.Errorf("status %d: %v", a.status, err)
			}
		})
	}
	group.Wait()
	count := map[string]int{}
	require.NoError(t, r.store.Each(context.Background(), "Observation", func(score store.Resource) error {
		for _, code := range r.noted(score.ID) {
			count[code]++
		}
		return nil
	}))
	// All are of one moment, so that of those before it each sees the first two only.
	require.Equal(t, map[string]int{"large-or-early-change": n - 1, "two-on-one-day": n - 1, "learning": 2}, count)
	r.sound()
}

// A transaction's own scores are seen by those after them.
func TestRemarksWithinATransaction(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	a := r.bundle("transaction", postOf(daysLater("in-1", -14)), postOf(daysLater("in-2", -7)), postOf(daysLater("in-3", 0)), postOf(daysLater("in-4", -1)))
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	codes := func(entry int) (codes []string) {
		for _, each := range a.told("entry", entry, "response", "outcome") {
			codes = append(codes, each.code)
		}
		return codes
	}
	require.Equal(t, []string{"date-implausible", "learning"}, codes(0))
	require.Equal(t, []string{"date-implausible", "learning"}, codes(1))
	require.Empty(t, codes(2))
	require.Equal(t, []string{"large-or-early-change"}, codes(3))
	r.sound()
}

// An amendment is not set beside what it amends, however it names it, and what was
// remarked on for its date stays so while the date does.
func TestRemarksOfAmendments(t *testing.T) {
	t.Parallel()
	for name, how := range map[string]func(r *rig, body response) answer{
		"ByID": func(r *rig, body response) answer { return r.put(body, "Prefer", "return=OperationOutcome") },
		"ByIdentifier": func(r *rig, body response) answer {
			body.id = ""
			return r.post(responsePath, body.json(), "Prefer", "return=OperationOutcome")
		},
		"ByCondition": func(r *rig, body response) answer {
			body.id = ""
			return r.do(http.MethodPut, responsePath+"?identifier="+portalSystem+"|"+body.identifier, body.json(), "Prefer", "return=OperationOutcome")
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newClocked(t)
			r.create(daysLater("a", -30).json())
			late := daysLater("b", -20)
			late.id = r.create(late.json()).id()
			require.Equal(t, []string{"date-implausible", "learning"}, r.noted(late.id))
			late.status, late.itch = "amended", "7"
			a := how(r, late)
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, []remark{{"date-implausible", "warning"}, {"learning", "information"}}, a.told())
			require.Equal(t, []string{"date-implausible", "learning"}, r.noted(late.id))
			late.authored = daysLater("", -1).authored
			require.Equal(t, []remark{{"learning", "information"}}, how(r, late).told(), "the date was corrected")
			r.create(daysLater("c", 0).json())
			late.itch = "6.5"
			require.Equal(t, []remark{{"large-or-early-change", "warning"}, {"learning", "information"}}, how(r, late).told(), "by what is stored by now")
			r.sound()
		})
	}
}

// A score is set beside the newest version of another: of one that was remembered in
// an older version, and of one that the same transaction amends.
func TestRemarksByTheNewestVersion(t *testing.T) {
	t.Parallel()
	severe := func(body response) response {
		body.extent, body.itch, body.sleep = "100", "10", "10"
		return body
	}
	amended := func(r *rig, body response, days int) response {
		body.id = r.create(body.json()).id()
		body.status, body.authored = "amended", daysLater("", days).authored
		return body
	}
	start := func(t *testing.T) *rig {
		r := newClocked(t)
		r.create(daysLater("a", -30).json())
		r.create(daysLater("b", -20).json())
		return r
	}
	t.Run("Remembered", func(t *testing.T) {
		t.Parallel()
		r := start(t)
		recent := amended(r, daysLater("c", -8), -3)
		r.create(daysLater("d", -10).json()) // beside which c is set
		require.Equal(t, http.StatusOK, r.put(severe(recent)).status)
		require.Equal(t, []string{"large-or-early-change"}, r.remarked(oona("e").json()))
	})
	t.Run("AmendedBeside", func(t *testing.T) {
		t.Parallel()
		r := start(t)
		recent := amended(r, severe(daysLater("c", -3)), -3)
		mild := oona("")
		recent.extent, recent.itch, recent.sleep = mild.extent, mild.itch, mild.sleep
		last := amended(r, severe(oona("e")), 0)
		require.Empty(t, r.noted(last.id))
		last.itch = "9.5"
		a := r.bundle("transaction", entryOf("PUT", "QuestionnaireResponse/"+recent.id, recent.json()), entryOf("PUT", "QuestionnaireResponse/"+last.id, last.json()))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, []string{"large-or-early-change"}, r.noted(last.id))
	})
}

// What was entered in error is nothing that a score is set beside.
func TestRetractedScoresAreNotSetBeside(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	r.create(daysLater("a", -30).json())
	r.create(daysLater("b", -20).json())
	wrong := daysLater("c", -1)
	wrong.id = r.create(wrong.json()).id()
	wrong.status = "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(wrong).status)
	require.Empty(t, r.remarked(oona("d").json()))
}

// Of many scores of one day the newest are looked at, and the rest does not matter.
func TestRemarksAmongMany(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	for i := range 20 {
		r.create(strings.Replace(daysLater(fmt.Sprint("many-", i), 0).json(), "19:30:00", fmt.Sprintf("10:%d:00", 10+i), 1))
	}
	require.Equal(t, []string{"large-or-early-change", "two-on-one-day"}, r.remarked(oona("x").json()))
	r.sound()
}

// A repetition is told what the first was, whatever has come since.
func TestRepetitionIsToldTheSame(t *testing.T) {
	t.Parallel()
	r := newClocked(t)
	first := r.create(oona("a").json(), "Prefer", "return=OperationOutcome")
	r.create(daysLater("b", 0).json())
	r.create(daysLater("c", -1).json())
	again := r.create(oona("a").json(), "Prefer", "return=OperationOutcome")
	require.Equal(t, []remark{{"learning", "information"}}, first.told())
	require.Equal(t, string(first.body), string(again.body))
}

// A sender that may not read a patient's scores hears nothing of them; the note is
// there for those who may. What its own response shows it hears all the same.
func TestRemarksAreNotForThoseWhoMayNotRead(t *testing.T) {
	t.Parallel()
	a := newAuthRig(t, onTime(t))
	mine := "Patient/oona-thistledown"
	for i, c := range []struct {
		scope string
		want  []remark
	}{
		{"system/QuestionnaireResponse.c", []remark{{"date-implausible", "warning"}}},
		{"patient/QuestionnaireResponse.c", []remark{{"date-implausible", "warning"}}},
		{"patient/QuestionnaireResponse.cs", []remark{{"large-or-early-change", "warning"}, {"date-implausible", "warning"}}},
		{"patient/QuestionnaireResponse.c patient/Observation.rs", []remark{{"large-or-early-change", "warning"}, {"date-implausible", "warning"}}},
	} {
		patient := fmt.Sprint(strings.TrimPrefix(mine, "Patient/"), i)
		for n := range 3 {
			before := daysLater(fmt.Sprint("before-", i, n), -8*n-9)
			before.patient = "Patient/" + patient
			a.keep(before)
		}
		body := daysLater(fmt.Sprint("mine-", i), -8)
		body.patient = "Patient/" + patient
		token := a.token(c.scope, patient)
		if strings.HasPrefix(c.scope, "system/") {
			token = a.token(c.scope, "")
		}
		got := a.as(token, http.MethodPost, responsePath, body.json(), "Prefer", "return=OperationOutcome")
		require.Equal(t, http.StatusCreated, got.status, "%s", got.body)
		require.Equal(t, c.want, got.told(), c.scope)
		id := strings.Split(strings.TrimPrefix(got.header.Get("Location"), a.base+"/QuestionnaireResponse/"), "/")[0]
		require.Contains(t, string(a.as(a.everything(), http.MethodGet, "/fhir/Observation/"+id, "").body), questionnaire.LargeOrEarlyChange.Warning().Definition)
	}
}

// verify takes remarks as they were noted, and nothing else.
func TestVerifyHoldsAllButRemarks(t *testing.T) {
	t.Parallel()
	definition := func(q questionnaire.Quality) string { return `{"text":"` + q.Warning().Definition + `"},` }
	for name, c := range map[string]struct {
		change func(body string) string
		sound  bool
	}{
		"WithoutIt": {func(body string) string { return strings.Replace(body, definition(questionnaire.LearningScore), "", 1) }, true},
		"WithAnother": {func(body string) string {
			return strings.Replace(body, definition(questionnaire.LearningScore), definition(questionnaire.CircumstancesDiffer)+definition(questionnaire.LearningScore), 1)
		}, true},
		"Twice": {func(body string) string {
			return strings.Replace(body, definition(questionnaire.LearningScore), definition(questionnaire.LearningScore)+definition(questionnaire.LearningScore), 1)
		}, false},
		"InAnotherOrder": {func(body string) string {
			return strings.Replace(body, definition(questionnaire.LearningScore), definition(questionnaire.LearningScore)+definition(questionnaire.CircumstancesDiffer), 1)
		}, false},
		"WithOtherWords": {func(body string) string { return strings.Replace(body, "first two scores", "first ten scores", 1) }, false},
		"OneOfItsOwn": {func(body string) string {
			return strings.Replace(body, `"note":[`, `"note":[`+definition(questionnaire.PatternAnswers), 1)
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newClocked(t)
			id := r.create(oona("a").json()).id()
			require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
				key := store.Key{Type: "Observation", ID: id}
				score, err := tx.Get(key)
				require.NoError(t, err)
				changed := c.change(string(score.Body))
				require.NotEqual(t, string(score.Body), changed)
				_, err = tx.Put(key, http.MethodPut, store.Index{}, func(version int64, _ time.Time) ([]byte, error) {
					return []byte(strings.Replace(changed, `"versionId":"1"`, fmt.Sprintf(`"versionId":"%d"`, version), 1)), nil
				})
				return err
			}))
			found := 0
			_, err := api.Verify(context.Background(), r.store, scoring.Published(), scoring.UsualBands, func(api.Difference) { found++ })
			require.NoError(t, err)
			require.Equal(t, c.sound, found == 0)
		})
	}
}

// The patient beside the response says how old it is, however it is referred to, and
// its birth date is nowhere to be found afterwards.
func TestBirthDateOfThePatientBeside(t *testing.T) {
	t.Parallel()
	const born = "2025-06-07"
	infant := strings.Replace(patient(chart+"|1"), `"name"`, `"birthDate":"`+born+`","name"`, 1)
	ageless := patient(chart + "|1")
	for name, c := range map[string]struct {
		entry, subject, chart string
		want                  []string
	}{
		"ByFullURL":                {named(urnA, entryOf("POST", "Patient", infant)), urnA, "2-and-over", []string{"age-and-chart-differ", "learning"}},
		"ByRightChart":             {named(urnA, entryOf("POST", "Patient", infant)), urnA, "under-1", []string{"learning"}},
		"ByCondition":              {entryOf("PUT", "Patient?identifier="+chart+"|1", infant), "Patient?identifier=" + chart + "|1", "2-and-over", []string{"age-and-chart-differ", "learning"}},
		"ByItsID":                  {named("https://brindlemoor.example/fhir/Patient/17", entryOf("PUT", "Patient/17", strings.Replace(infant, `"name"`, `"id":"17","name"`, 1))), "Patient/17", "2-and-over", []string{"age-and-chart-differ", "learning"}},
		"WithoutADate":             {named(urnA, entryOf("POST", "Patient", ageless)), urnA, "under-1", []string{"age-and-chart-differ", "learning"}},
		"AnotherThanTheOneBeside":  {named(urnA, entryOf("POST", "Patient", infant)), "Patient/18", "2-and-over", []string{"learning"}},
		"BornAfterTheAssessedDay":  {named(urnA, entryOf("POST", "Patient", strings.Replace(infant, born, "2026-03-05", 1))), urnA, "under-1", []string{"age-and-chart-differ", "date-implausible", "learning"}},
		"BornInTheYearOfTheRating": {named(urnA, entryOf("POST", "Patient", strings.Replace(infant, born, "2026", 1))), urnA, "under-1", []string{"age-and-chart-differ", "learning"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newClocked(t)
			a := r.bundle("transaction", c.entry, entryOf("POST", "QuestionnaireResponse", drawn(of("beside", c.subject), c.chart, 50)))
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			id := a.text("entry", 1, "resource", "id")
			require.Equal(t, c.want, r.noted(id))
			require.NotContains(t, string(r.score(id).body)+string(r.get(responsePath+"/"+id).body)+r.log.String()+string(a.body), born)
			r.sound()
		})
	}
}

// A hospital's server is asked if that is configured, and never gets in the way.
func TestBirthDateThatIsLookedUp(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		date    string
		found   bool
		err     error
		outcome string
		want    []string
	}{
		"AnInfant":    {"2025-06-07", true, nil, "found", []string{"age-and-chart-differ", "learning"}},
		"OfTheChart":  {"2020-06-07", true, nil, "found", []string{"learning"}},
		"WithoutDate": {"", true, nil, "without-date", []string{"age-and-chart-differ", "learning"}},
		"Nobody":      {"", false, nil, "no-patient", []string{"learning"}},
		"ToTheMinute": {"2020-06-07T10:00:00Z", true, nil, "found", []string{"age-and-chart-differ", "learning"}},
		"Failing":     {"", false, errors.New("down"), "failed", []string{"learning"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var asked atomic.Int64
			r := newClocked(t, func(o *api.Options) {
				o.BirthDate = func(_ context.Context, subject fhir.Node) (string, bool, error) {
					asked.Add(1)
					if !subject.Get("reference").Is("Patient/oona-thistledown") {
						return "", false, errors.New("another patient was asked for")
					}
					return c.date, c.found, c.err
				}
			})
			count := func(outcome string) int {
				family, err := r.metrics.Registry.Gather()
				require.NoError(t, err)
				for _, f := range family {
					for _, m := range f.GetMetric() {
						if f.GetName() == "tidemark_birth_lookups_total" && m.GetLabel()[0].GetValue() == outcome {
							return int(m.GetCounter().GetValue())
						}
					}
				}
				return -1
			}
			require.Equal(t, c.want, r.remarked(drawn(oona("asked"), "2-and-over", 50)))
			require.Equal(t, 1, count(c.outcome))
			draft := oona("draft")
			draft.status = "in-progress"
			r.create(draft.json())
			require.EqualValues(t, 1, asked.Load(), "of a draft nobody asks")
			r.create(daysLater("next", 0).json())
			if c.err != nil {
				require.EqualValues(t, 1, asked.Load(), "a server that failed is left alone for a while")
				require.Equal(t, 1, count("skipped"))
			} else {
				require.EqualValues(t, 2, asked.Load(), "nothing is remembered")
			}
			r.sound()
		})
	}
}

// A server that does not answer costs a sender little, and no response is refused.
func TestBirthDateThatDoesNotCome(t *testing.T) {
	t.Parallel()
	r := newClocked(t, func(o *api.Options) {
		o.BirthDate = func(ctx context.Context, _ fhir.Node) (string, bool, error) {
			<-ctx.Done()
			return "", false, ctx.Err()
		}
	})
	require.Equal(t, []string{"learning"}, r.remarked(drawn(oona("slow"), "2-and-over", 50)))
}
