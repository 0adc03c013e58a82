package api_test

import (
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// flood sends everything that a portal, a mistake or an attacker may, with a
// mark wherever a patient's name, id or identifier can be. It gives the bodies
// of all errors.
func flood(r *rig, mark string) []answer {
	r.t.Helper()
	var errors []answer
	keep := func(a answer) answer {
		if a.status >= 400 {
			errors = append(errors, a)
		}
		return a
	}
	good := oona(mark)
	good.patient, good.source = "Patient/"+mark, "RelatedPerson/"+mark
	good.members = `,"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">` + mark + `</div>"}`
	bad, begun, foreign, amended := good, good, good, good
	bad.itch, bad.identifier = "11", mark+"-bad"
	begun.status, begun.identifier = "in-progress", mark+"-begun"
	foreign.form = "https://" + mark + ".example/form"
	created := keep(r.do(http.MethodPost, responsePath, good.json()))
	amended.id, amended.status, amended.itch = created.id(), "amended", "7"
	for _, body := range []response{good, bad, begun, foreign} {
		keep(r.do(http.MethodPost, responsePath, body.json(), "User-Agent", mark, "X-Request-Id", mark+" (patient)", "Referer", "https://x.example/"+mark))
		keep(r.do(http.MethodPost, responsePath+"/$extract", body.json()))
		keep(r.bundle("batch", postOf(body), entryOf(http.MethodGet, "Observation/"+mark, ""), entryOf(mark, mark, "")))
		keep(r.bundle("transaction", postOf(body), entryOf(http.MethodPut, "Patient/"+mark, "")))
		keep(r.do(http.MethodPost, responsePath, body.json()[:200]))
		keep(r.do(http.MethodPost, responsePath, body.json(), "Content-Type", "text/"+mark))
		keep(r.do(http.MethodPost, responsePath, body.json(), "If-None-Exist", "identifier="+mark+"%zz"))
		keep(r.do(http.MethodPut, responsePath+"/"+mark, body.json(), "If-Match", mark))
		keep(r.do(http.MethodPost, "/fhir/"+mark, body.json()))
		keep(r.do(http.MethodDelete, responsePath+"/"+mark, body.json()))
	}
	keep(r.put(amended))
	keep(r.put(amended, "If-Match", `W/"99"`))
	for _, method := range []string{"GET", "HEAD", "PATCH", "OPTIONS", "TRACE", strings.ToUpper(mark), mark} {
		for _, path := range []string{
			"/" + mark, "/fhir/" + mark, "/fhir/Observation/" + mark, "/fhir/Observation/" + mark + "!", "/fhir/Observation/" + mark + "/_history/" + mark,
			"/fhir/Observation?patient=" + mark, "/fhir/Observation?date=" + mark, "/fhir/Observation?_cursor=" + mark, "/fhir/metadata?_format=" + mark,
			"/fhir/Observation?identifier=" + mark + "|", "/fhir/Questionnaire?url=" + mark + "&_count=" + mark, "/fhir/Device/" + mark, "/fhir/$" + mark,
		} {
			keep(r.do(method, path, "", "Accept", "*/*, text/"+mark, "Authorization", "Bearer "+mark, "Cookie", mark))
		}
	}
	return errors
}

func TestFlood(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.admin()
	marks := []string{"zebulon-quagmire", "araminta-foxglove", "peregrine-oxbow"}
	var errors []answer
	errors = append(errors, flood(r, marks[0])...)
	r.settle()
	first := labelSets(a)
	for _, mark := range marks[1:] {
		errors = append(errors, flood(r, mark)...)
	}
	r.settle()

	require.Equal(t, first, labelSets(a), "other patients and other nonsense make no new series")
	require.Less(t, len(first), 500, "series of one target")
	status, metrics := a.get("/metrics")
	require.Equal(t, http.StatusOK, status)
	require.Greater(t, len(errors), 200)
	log := r.log.String()
	require.Greater(t, strings.Count(log, `"msg":"request"`), 300, "a line for each request")
	for _, mark := range append(marks, "fernway", "thistledown", "bearer") {
		require.NotContains(t, strings.ToLower(metrics), mark)
		require.NotContains(t, strings.ToLower(log), mark)
		for _, e := range errors {
			require.NotContains(t, strings.ToLower(string(e.body)), mark)
		}
	}
	require.NotContains(t, log, `"level":"ERROR"`, "nothing that is sent is the server's fault")
}

// settle waits until every request that was answered is counted, which is done
// behind the answer.
func (r *rig) settle() {
	r.t.Helper()
	require.Eventually(r.t, func() bool { return r.busy.Load() == 0 }, patience, waiting)
}

// labelSets are the series that are there, without their values.
func labelSets(a admin) []string {
	var all []string
	for name := range a.series() {
		all = append(all, name)
	}
	slices.Sort(all)
	return all
}

// TestLabelsAreFromClosedLists: every label of every series is one of those that
// the program itself can name.
func TestLabelsAreFromClosedLists(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.admin()
	flood(r, "zebulon-quagmire")
	r.settle()
	label := regexp.MustCompile(`(\w+)="([^"]*)"`)
	allowed := map[string]*regexp.Regexp{
		"route":       regexp.MustCompile(`^(none|/fhir(/metadata|/(QuestionnaireResponse|Observation|Provenance|Questionnaire|CodeSystem|ValueSet|Device)(/:id(/_history/:vid)?|(/:id)?/\$(extract|process-response))?)?)$`),
		"method":      regexp.MustCompile(`^(GET|HEAD|POST|PUT|DELETE|PATCH|OPTIONS|other)$`),
		"status":      regexp.MustCompile(`^([1-5]xx|in-progress|completed|amended|entered-in-error|stopped|replayed|requested|active|error|off)$`),
		"reason":      regexp.MustCompile(`^(structure|required|value|invariant|invalid|no-store|exception|not-supported|duplicate|not-found|conflict|code-invalid|business-rule|too-long|timeout)$`),
		"limit":       regexp.MustCompile(`^(rate|concurrency|capacity)$`),
		"band":        regexp.MustCompile(`^(none|clear|clear-or-almost-clear|mild|moderate|moderate-or-severe|severe)$`),
		"rater":       regexp.MustCompile(`^(self|clinician)$`),
		"target":      regexp.MustCompile(`^brindlemoor$`),
		"le":          regexp.MustCompile(`^(\+Inf|[0-9.e+-]+)$`),
		"interaction": regexp.MustCompile(`^(unknown|create|read|vread|update|delete|search-type|history-instance|operation|transaction|batch|capabilities|process-response|conditional-(update|delete))$`),
		"event":       regexp.MustCompile(`^(started|completed|failed|cancelled|expired)$`),
		"outcome":     regexp.MustCompile(`^(0|4|8|12|committed|empty|replayed|unknown|delivered|found|without-date|no-patient|failed|skipped)$`),
		"version":     regexp.MustCompile(`^9\.9\.9-test$`),
		"goversion":   regexp.MustCompile(`^go`),
		"algorithm":   regexp.MustCompile(`^1\.0\.0$`),
	}
	seen := map[string]bool{}
	for _, series := range labelSets(a) {
		for _, found := range label.FindAllStringSubmatch(series, -1) {
			require.Contains(t, allowed, found[1], series)
			require.Regexp(t, allowed[found[1]], found[2], series)
			seen[found[1]] = true
		}
	}
	require.Len(t, seen, len(allowed), "each of them was there to be judged")
}
