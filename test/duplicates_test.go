package test_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// outside is the address that the servers of these tests are known under, so
// that two of them, and one before and after a restart, answer alike.
const outside = "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir"

// onBoth runs a test on a database of each kind; start starts one more server on
// the same.
func onBoth(t *testing.T, test func(t *testing.T, start func() *server)) {
	t.Helper()
	t.Run("SQLite", func(t *testing.T) {
		t.Parallel()
		database := filepath.Join(t.TempDir(), "tidemark.db")
		test(t, func() *server { return serve(t, database, outside) })
	})
	t.Run("PostgreSQL", func(t *testing.T) {
		t.Parallel()
		_, database := cluster(t)
		test(t, func() *server { return serve(t, database, outside) })
	})
}

// unnamed is a response without an identifier.
func unnamed(itch string) []byte {
	before, after, _ := bytes.Cut(oona("unnamed", itch), []byte(`"identifier":{"system":"https://fernway-portal.example/responses","value":"unnamed"},`))
	return append(bytes.Clone(before), after...)
}

// amendedTo is a response that says that it was corrected.
func amendedTo(identifier, itch string) []byte {
	return bytes.Replace(oona(identifier, itch), []byte(`"completed"`), []byte(`"amended"`), 1)
}

// posts sends a response to a server.
func (s *server) posts(body []byte) reply {
	s.t.Helper()
	r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", body)
	require.NoError(s.t, err)
	return r
}

// bundle sends responses in one, and gives the answers of its entries, each with
// its status and where it is.
func (s *server) bundle(kind string, bodies ...[]byte) (status int, entries []string) {
	s.t.Helper()
	var b strings.Builder
	for i, body := range bodies {
		fmt.Fprintf(&b, `%s{"resource":%s,"request":{"method":"POST","url":"QuestionnaireResponse"}}`, strings.Repeat(",", min(i, 1)), body)
	}
	r, err := call(http.MethodPost, s.fhir, []byte(`{"resourceType":"Bundle","type":"`+kind+`","entry":[`+b.String()+`]}`))
	require.NoError(s.t, err)
	var answer struct {
		Entry []struct {
			Response struct{ Status, Location string }
		}
	}
	require.NoError(s.t, json.Unmarshal(r.body, &answer), "%s", r.body)
	for _, e := range answer.Entry {
		status, _, _ := strings.Cut(e.Response.Status, " ")
		entries = append(entries, status+" "+e.Response.Location)
	}
	return r.status, entries
}

// stored counts the responses on a server.
func (s *server) stored() int {
	s.t.Helper()
	return parse(s.t, get(s.t, s.fhir+"/QuestionnaireResponse?_summary=count")).Total
}

// TestDuplicatesFromOutside: a sender that repeats is answered as the first time,
// one that means something else is told so, by whichever database, and also
// after a restart or a kill.
func TestDuplicatesFromOutside(t *testing.T) {
	t.Parallel()
	onBoth(t, func(t *testing.T, start func() *server) {
		s := start()
		first := map[string]reply{"named": s.posts(oona("named", "6")), "unnamed": s.posts(unnamed("6"))}
		sent := map[string][]byte{"named": oona("named", "6"), "unnamed": unnamed("6")}
		for _, r := range first {
			require.Equal(t, http.StatusCreated, r.status, "%s", r.body)
		}
		repeated := func() {
			t.Helper()
			for name, body := range sent {
				require.Equal(t, first[name], s.posts(body), name)
			}
			other := s.posts(oona("named", "1"))
			require.Equal(t, http.StatusConflict, other.status, "%s", other.body)
			require.Equal(t, "duplicate", parse(t, other.body).Issue[0].Code)
			require.Equal(t, len(first), s.stored())
		}
		repeated()
		require.Equal(t, 0, s.stop())
		s = start()
		repeated()
		s.kill()
		s = start()
		repeated()

		amended := s.posts(amendedTo("named", "7"))
		require.Equal(t, http.StatusOK, amended.status, "%s", amended.body)
		require.True(t, strings.HasSuffix(amended.location, "/"+parse(t, first["named"].body).ID+"/_history/2"), amended.location)
		first["amended"], sent["amended"] = amended, amendedTo("named", "7")
		for range 2 {
			for name, body := range sent {
				require.Equal(t, first[name], s.posts(body), "%s: each as the first time it was sent", name)
			}
			s.kill()
			s = start()
		}
		require.Equal(t, 2, s.stored())
		score := parse(t, get(t, s.fhir+"/Observation/"+parse(t, amended.body).ID))
		require.Equal(t, "43.00", score.ValueQuantity.Value.String(), "20/5 + 3.5*8 + 7 + 4: the amendment stands")
	})
}

// TestDuplicatesInBundles: the same rules hold for each entry.
func TestDuplicatesInBundles(t *testing.T) {
	t.Parallel()
	onBoth(t, func(t *testing.T, start func() *server) {
		s := start()
		_, batch := s.bundle("batch", oona("one", "6"), unnamed("5"))
		status, transaction := s.bundle("transaction", oona("two", "6"), unnamed("4"))
		require.Equal(t, http.StatusOK, status)
		for _, entry := range append(batch, transaction...) {
			require.Regexp(t, `^201 https://tidemark.brindlemoor.example/fhir/QuestionnaireResponse/[^/]+/_history/1$`, entry)
		}
		for range 2 {
			_, again := s.bundle("batch", oona("one", "6"), unnamed("5"), oona("two", "1"), oona("three", "6"), oona("three", "6"))
			require.Equal(t, batch, again[:2], "as the first time")
			require.Equal(t, "409 ", again[2], "other answers under an identifier that is taken")
			require.Equal(t, again[3], again[4], "the same twice in one batch is one response")
			status, again := s.bundle("transaction", oona("two", "6"), unnamed("4"))
			require.Equal(t, http.StatusOK, status)
			require.Equal(t, transaction, again)
			status, _ = s.bundle("transaction", oona("four", "6"), oona("one", "1"))
			require.Equal(t, http.StatusConflict, status, "and nothing of it is done")
			status, _ = s.bundle("transaction", oona("five", "6"), oona("five", "6"))
			require.Equal(t, http.StatusUnprocessableEntity, status, "which of the two would count in one transaction cannot be said")
			alone := s.posts(oona("one", "6"))
			require.Equal(t, batch[0], fmt.Sprint(alone.status, " ", alone.location), "alone as in the Bundle")
			require.Equal(t, 5, s.stored())
			s.kill()
			s = start()
		}
		_, amended := s.bundle("batch", amendedTo("two", "7"))
		require.Equal(t, "200 "+strings.TrimSuffix(strings.TrimPrefix(transaction[0], "201 "), "1")+"2", amended[0])
	})
}

// TestDuplicatesFromTwoReplicas: many senders at once, to two programs on one
// database; one response is stored, and all are told of the same.
func TestDuplicatesFromTwoReplicas(t *testing.T) {
	t.Parallel()
	_, database := cluster(t)
	replicas := []*server{serve(t, database, outside), serve(t, database, outside)}
	race := func(bodies ...[]byte) map[string][]reply {
		t.Helper()
		const senders = 16
		answers := make([]reply, senders)
		faults := make([]error, senders)
		var all sync.WaitGroup
		for i := range senders {
			all.Go(func() {
				answers[i], faults[i] = call(http.MethodPost, replicas[i%2].fhir+"/QuestionnaireResponse", bodies[(i/2)%len(bodies)])
			})
		}
		all.Wait()
		by := map[string][]reply{}
		for i, a := range answers {
			require.NoError(t, faults[i])
			by[fmt.Sprint(a.status)] = append(by[fmt.Sprint(a.status)], a)
		}
		return by
	}
	for round := range 5 {
		name := fmt.Sprint("race-", round)
		for _, body := range [][]byte{oona(name, "6"), unnamed(fmt.Sprint(round))} {
			by := race(body)
			require.Len(t, by, 1)
			for _, a := range by["201"] {
				require.Equal(t, by["201"][0], a)
			}
		}
		by := race(oona(name+"-either", "6"), oona(name+"-either", "1"))
		require.Len(t, by["201"], 8, "one content has won")
		require.Len(t, by["409"], 8, "and the other was told so: %v", by)
		for _, a := range by["201"] {
			require.Equal(t, by["201"][0], a)
		}
		require.Equal(t, 3*(round+1), replicas[round%2].stored())

		by = race(amendedTo(name, "7"), oona(name, "6"))
		require.Len(t, by["200"], 8, "the amendment, once: %v", by)
		require.Len(t, by["201"], 8, "and who repeats what it amends is answered as the first time")
		require.True(t, strings.HasSuffix(by["200"][0].location, "/_history/2"), by["200"][0].location)
	}
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s", checked.err)
}
