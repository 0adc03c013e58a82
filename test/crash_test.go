package test_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// hospital is the stand-in at an address that can be dead for a while.
type hospital struct {
	*sandbox.Server
	base string
	// name, shape and mode are those of it as a target; "" is one Observation.
	name, shape, mode string
	down              sync.RWMutex
	dead              bool
	mu                sync.Mutex
	// given are the ids that it gave, in order.
	given []string
	// trouble answers in the hospital's place, unless it says false.
	trouble func(w http.ResponseWriter, r *http.Request) bool
}

// newHospital makes one that is dead at first.
func newHospital(t testing.TB) *hospital {
	h := &hospital{dead: true}
	h.Server = sandbox.New(sandbox.Options{NewID: h.newID})
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.down.RLock()
		dead, trouble := h.dead, h.trouble
		h.down.RUnlock()
		if dead {
			// 429 says for certain that nothing was done, whoever asked.
			w.Header().Set("Retry-After", "1")
			w.WriteHeader(http.StatusTooManyRequests)
			return
		}
		if trouble != nil && trouble(w, r) {
			return
		}
		if tooLate(r) {
			panic(http.ErrAbortHandler)
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(web.Close)
	h.base = web.URL + "/fhir"
	return h
}

// troubled lets the hospital misbehave; nil ends it.
func (h *hospital) troubled(trouble func(http.ResponseWriter, *http.Request) bool) {
	h.down.Lock()
	defer h.down.Unlock()
	h.trouble = trouble
}

// newID gives the next id.
func (h *hospital) newID() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.given = append(h.given, fmt.Sprintf("h%07d", len(h.given)+1))
	return h.given[len(h.given)-1]
}

// ids are those of all resources that it ever had.
func (h *hospital) ids() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.given)
}

// dies lets it answer nothing but 429, until it is revived.
func (h *hospital) dies() {
	h.down.Lock()
	defer h.down.Unlock()
	h.dead = true
}

func (h *hospital) revive() {
	h.down.Lock()
	defer h.down.Unlock()
	h.dead = false
}

// metric is the sum of the samples of a metric, over all labels that contain the text.
func metric(t testing.TB, s *server, name, labels string) float64 {
	t.Helper()
	sum := 0.0
	for line := range strings.Lines(string(get(t, s.admin+"/metrics"))) {
		sample, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		if strings.HasPrefix(sample, name) && strings.Contains(sample, labels) {
			n, err := strconv.ParseFloat(value, 64)
			require.NoError(t, err)
			sum += n
		}
	}
	return sum
}

// leasePatience is how long the write-back may take after a crash: a lease that
// the dead process held runs out after two minutes.
const leasePatience = 4 * time.Minute

func TestKilledTheInstantAfterTheAnswer(t *testing.T) {
	t.Parallel()
	for round := range 3 {
		t.Run(fmt.Sprintf("nothing acknowledged is lost, round %d", round), func(t *testing.T) {
			t.Parallel()
			h := newHospital(t)
			database := filepath.Join(t.TempDir(), "tidemark.db")
			settings := []string{"TIDEMARK_EHR_URL=" + h.base, "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir"}
			s := serve(t, database, settings...)
			// The first answer shows the hospital to be down, so that the second is
			// not under way when the process dies.
			first, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("before", "6"))
			require.NoError(t, err)
			require.Equal(t, http.StatusCreated, first.status, "%s", first.body)
			require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_attempts_total", "retry") > 0 }, patience, 10*time.Millisecond)
			second, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("at-the-end", "7.5"))
			s.kill()
			require.NoError(t, err)
			require.Equal(t, http.StatusCreated, second.status, "%s", second.body)
			require.False(t, s.cmd.ProcessState.Success(), "it was killed")
			require.Empty(t, h.Current("Observation"))

			h.revive()
			s = serve(t, database, settings...)
			id := parse(t, second.body).ID
			stored := get(t, s.fhir+"/QuestionnaireResponse/"+id)
			require.Equal(t, string(second.body), string(stored), "the response as it was acknowledged")
			score := parse(t, get(t, s.fhir+"/Observation/"+id))
			require.Equal(t, "43.50", score.ValueQuantity.Value.String(), "20/5 + 3.5*8 + 7.5 + 4")
			require.Equal(t, "final", score.Status)
			require.Eventually(t, func() bool { return len(h.Current("Observation")) == 2 }, leasePatience, 20*time.Millisecond)
			require.ElementsMatch(t, []string{"42.00", "43.50"}, values(t, h))
			require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, patience, 20*time.Millisecond)
			require.Equal(t, 0, s.stop())
		})
	}
}

// values are the scores that the hospital holds.
func values(t testing.TB, h *hospital) []string {
	var all []string
	for _, body := range h.Current("Observation") {
		all = append(all, parse(t, body).ValueQuantity.Value.String())
	}
	return all
}

// sent is a request of a client that went on until its server died.
type sent struct {
	identifier, itch, id string
	acknowledged         bool
}

// pour sends responses from several clients until the server is gone, and gives
// what was sent in all.
func pour(s *server, clients int, end func()) []sent {
	var mu sync.Mutex
	var all []sent
	var acknowledged atomic.Int64
	var pouring sync.WaitGroup
	for c := range clients {
		pouring.Go(func() {
			for n := range 10000 {
				one := sent{identifier: fmt.Sprintf("client-%d-%d", c, n), itch: strconv.Itoa(n % 11)}
				r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(one.identifier, one.itch))
				one.acknowledged = err == nil && r.status == http.StatusCreated
				if one.acknowledged {
					one.id = path.Base(path.Dir(path.Dir(r.location)))
				}
				if one.acknowledged {
					acknowledged.Add(1)
				}
				mu.Lock()
				all = append(all, one)
				mu.Unlock()
				if err != nil {
					return
				}
			}
		})
	}
	for began := time.Now(); acknowledged.Load() < 50 && time.Since(began) < patience; {
		time.Sleep(time.Millisecond)
	}
	end()
	pouring.Wait()
	return all
}

// verifyAll holds a restarted server to every acknowledgement, then repeats
// everything: what was stored is answered as before, and nothing is there twice.
func verifyAll(t *testing.T, s *server, all []sent) {
	t.Helper()
	acknowledged := 0
	for _, one := range all {
		if one.acknowledged {
			acknowledged++
			response := get(t, s.fhir+"/QuestionnaireResponse/"+one.id)
			require.Contains(t, string(response), strconv.Quote(one.identifier))
			itch, err := strconv.Atoi(one.itch)
			require.NoError(t, err)
			require.Equal(t, fmt.Sprintf("%d.00", 36+itch), parse(t, get(t, s.fhir+"/Observation/"+one.id)).ValueQuantity.Value.String())
		}
		again, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(one.identifier, one.itch))
		require.NoError(t, err)
		require.Equal(t, http.StatusCreated, again.status, "%s", again.body)
		if one.acknowledged {
			require.Equal(t, one.id, parse(t, again.body).ID)
		}
	}
	require.Greater(t, acknowledged, 10, "the test must have acknowledged something")
	for _, kind := range []string{"QuestionnaireResponse", "Observation"} {
		require.Equal(t, len(all), parse(t, get(t, s.fhir+"/"+kind+"?_count=0")).Total, kind)
	}
}

func TestKilledUnderLoad(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database)
	all := pour(s, 8, s.kill)
	verifyAll(t, serve(t, database), all)
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, fmt.Sprintf("%d scores computed again, 0 differ", len(all)))
}

func TestToldToStopUnderLoad(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database)
	code := -1
	all := pour(s, 8, func() { code = s.stop() })
	require.Equal(t, 0, code, "%s", s.log)
	require.NotContains(t, s.log.String(), `"level":"ERROR"`)
	verifyAll(t, serve(t, database), all)
}

func TestToldToStopWhileAnAnswerIsOut(t *testing.T) {
	t.Parallel()
	h := newHospital(t)
	h.revive()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database, "TIDEMARK_EHR_URL="+h.base)
	r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("stopped", "6"))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, r.status)
	require.Equal(t, 0, s.stop())
	s = serve(t, database, "TIDEMARK_EHR_URL="+h.base)
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, leasePatience, 20*time.Millisecond)
	require.Len(t, h.Current("Observation"), 1, "delivered once, before or after the restart")
}
