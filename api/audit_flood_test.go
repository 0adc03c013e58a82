package api_test

import (
	"context"
	"errors"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// requestsIn is for how many requests an event stands.
func requestsIn(t testing.TB, record store.AuditRecord) int {
	t.Helper()
	description, _ := pick(t, record.Event, "outcomeDesc").(string)
	if found := regexp.MustCompile(`^(\d+) requests since `).FindStringSubmatch(description); found != nil {
		n, err := strconv.Atoi(found[1])
		require.NoError(t, err)
		return n
	}
	return 1
}

// TestFloodOfRefusalsIsBounded: refusals that nobody vouches for fill no disk,
// and yet each of them counts.
func TestFloodOfRefusalsIsBounded(t *testing.T) {
	t.Parallel()
	const flood, alone = 480, 300
	r := newRig(t)
	var senders sync.WaitGroup
	for range 8 {
		senders.Go(func() {
			for range flood / 8 {
				_, _ = send(r.origin, http.MethodGet, "/fhir/Observation/none", "") // what fails is not answered, and shows below
			}
		})
	}
	senders.Wait()
	r.server.Close()
	trail := r.trail()
	require.Len(t, trail, alone+1, "one by one at first, then together")
	total := 0
	for _, record := range trail {
		total += requestsIn(t, record)
		require.Equal(t, "4", record.Outcome)
	}
	require.Equal(t, flood, total, "none is forgotten")
	require.Equal(t, flood-alone, requestsIn(t, trail[0]), "the last entry tells of those that had none")
	require.EqualValues(t, flood-alone, r.admin().series()["tidemark_audit_summarised_total"])
	t.Run("and a client that is known is not drowned in it", func(t *testing.T) {
		r.as(portal)
		record := r.find(r.get("/fhir/Observation/none"))
		require.Equal(t, portal.Client, record.Client)
		require.Equal(t, 1, requestsIn(t, record))
	})
}

// deaf takes no entries of the audit trail while it is so.
type deaf struct {
	store.Store
	is atomic.Bool
}

// Write implements store.Store.
func (d *deaf) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	return d.Store.Write(ctx, keys, func(tx store.Tx) error { return job(deafTx{tx, d}) }, ahead...)
}

type deafTx struct {
	store.Tx
	of *deaf
}

// Audit implements store.Tx.
func (d deafTx) Audit(entry store.Audit) error {
	if d.of.is.Load() {
		return errors.New("no room for " + entry.Patient)
	}
	return d.Tx.Audit(entry)
}

// TestNothingIsGivenThatCannotBeRecorded: without audit reads are refused, and
// writes leave nothing; both are counted and logged as lost.
func TestNothingIsGivenThatCannotBeRecorded(t *testing.T) {
	t.Parallel()
	d := &deaf{}
	r := newRig(t, func(o *api.Options) { d.Store = o.Store; o.Store = d })
	id := r.create(oona("heard").json()).id()
	d.is.Store(true)
	a := r.admin()
	lost := func() float64 { return a.series()["tidemark_audit_lost_total"] }
	for _, path := range []string{"/fhir/Observation/" + id, "/fhir/QuestionnaireResponse/" + id + "/_history/1", "/fhir/Observation?patient=oona-thistledown",
		"/fhir/QuestionnaireResponse/" + id + "/_history", "/fhir/Observation/$lastn?patient=oona-thistledown&code=scorad", "/fhir/AuditEvent"} {
		before := lost()
		refused := r.get(path)
		refused.refused(http.StatusServiceUnavailable, "no-store")
		require.Equal(t, "2", refused.header.Get("Retry-After"))
		require.Empty(t, refused.header.Get("ETag"))
		require.NotContains(t, string(refused.body), "oona")
		require.Greater(t, lost(), before)
	}
	require.Contains(t, r.log.String(), `"msg":"audit lost"`)
	kept := r.kept()
	r.do(http.MethodPost, responsePath, oona("unheard").json()).refused(http.StatusServiceUnavailable, "no-store")
	r.bundle("transaction", postOf(oona("unheard"))).refused(http.StatusServiceUnavailable, "no-store")
	r.remove(id).refused(http.StatusServiceUnavailable, "no-store")
	require.Equal(t, kept, r.kept(), "what cannot be recorded is not done")
	r.get("/nothing").refused(http.StatusNotFound, "not-supported")
	require.Equal(t, http.StatusOK, r.get("/fhir/metadata").status, "what the server offers is nobody's")
	d.is.Store(false)
	require.Equal(t, http.StatusOK, r.get("/fhir/Observation/"+id).status, "and it goes on")
	r.create(oona("unheard").json())
}

func TestAgentsOnRecord(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("who").json()).id()
	require.Contains(t, string(r.newest().Event), "a client that was not authenticated")
	require.Contains(t, string(r.newest().Event), `"address":"127.0.0.1"`)
	r.as(audit.Agent{Client: "fernway-portal", Issuer: "https://login.fernway-portal.example", Opaque: audit.Tail(strings.Repeat("x", 200) + "end")})
	record := r.find(r.get("/fhir/Observation/" + id))
	require.Equal(t, "fernway-portal", record.Client)
	require.NotContains(t, string(record.Event), strings.Repeat("x", 33), "of a token its end alone")
	require.Contains(t, string(record.Event), `xxxend"]`)
}

// TestReadsOfWhatIsPublishedAreCounted: they are on record together, by address
// and client.
func TestReadsOfWhatIsPublishedAreCounted(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for range 5 {
		r.get("/fhir/Questionnaire/scorad-self-assessment")
	}
	r.get("/fhir/metadata")
	r.get("/fhir/Questionnaire?title=scorad")
	require.Zero(t, r.trailLength())
	r.get("/fhir/Questionnaire/none").refused(http.StatusNotFound, "not-found")
	require.Equal(t, "Questionnaire/none", r.newest().Entity, "a refusal is on record at once")
	r.server.Close()
	counts := map[string]int{}
	for _, record := range r.trail() {
		counts[record.Subtype+" "+record.Entity] = requestsIn(t, record)
	}
	require.Equal(t, map[string]int{"read Questionnaire/scorad-self-assessment": 5, "capabilities ": 1, "search-type ": 1, "read Questionnaire/none": 1}, counts)
}
