package api_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// Sizes of the benchmark: a small store, a large one, how many scores a patient
// has, and how often how many searches are timed.
const (
	smallStore        = 10_000
	largeStoreSetting = "TIDEMARK_BENCH_OBSERVATIONS"
	perPatient        = 50
	searchRounds      = 15
	searchesPerRound  = 1000
)

// BenchmarkPatientSearch compares the search for a patient's scores in a store of
// ten thousand with the same in a large one, whose size TIDEMARK_BENCH_OBSERVATIONS
// tells. The two are asked in turns, search by search, so that what else the
// machine does falls on both alike; what is reported is the median of the rounds'
// 99th percentiles, and of their ratio. It runs once, whatever b.N.
func BenchmarkPatientSearch(b *testing.B) {
	size, err := strconv.Atoi(os.Getenv(largeStoreSetting))
	if err != nil || size < smallStore {
		b.Skip("set " + largeStoreSetting + " to the size of the large store, as 1000000; it takes minutes and gigabytes")
	}
	template := scoreTemplate(b)
	small, large := template.fill(b, smallStore), template.fill(b, size)
	var smalls, larges, ratios []float64
	b.ResetTimer()
	for round := range searchRounds + 1 {
		s, l := inTurns(b, small, large, round)
		if round == 0 {
			continue // fills the caches
		}
		smalls, larges, ratios = append(smalls, s), append(larges, l), append(ratios, l/s)
	}
	b.ReportMetric(median(smalls), "µs-p99-small")
	b.ReportMetric(median(larges), "µs-p99-large")
	b.ReportMetric(median(ratios), "large/small")
	b.ReportMetric(0, "ns/op")
}

func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[len(sorted)/2]
}

// template is one score as the server itself stores it, to be stored again under
// other patients.
type template struct {
	body  string
	index store.Index
}

// templatePatient stands for the patient in the template.
const templatePatient = "Patient/oona-thistledown"

func scoreTemplate(b *testing.B) template {
	record := &indexed{written: map[string]store.Index{}}
	r := newRig(b, func(o *api.Options) { record.Store = o.Store; o.Store = record })
	id := r.create(oona("template").json()).id()
	return template{string(r.score(id).body), record.written["Observation/"+id+"/1"]}
}

// filled is a server on a store of many scores.
type filled struct {
	handler  http.Handler
	patients int
}

// fill stores so many scores, in batches, those of a patient apart from each
// other as time leaves them.
func (t template) fill(b *testing.B, size int) filled {
	b.Helper()
	db, err := sqlite.Open(context.Background(), filepath.Join(b.TempDir(), "tidemark.db"), sqlite.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, db.Close()) })
	f := filled{patients: size / perPatient}
	const batch = 500
	for from := 0; from < size; from += batch {
		require.NoError(b, db.Write(context.Background(), nil, func(tx store.Tx) error {
			for i := from; i < min(from+batch, size); i++ {
				if err := t.put(tx, i, f.patient(i%f.patients)); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	f.handler = api.New(api.Options{Store: db, BaseURL: "http://127.0.0.1/fhir"}, api.NewMetrics()).Handler()
	return f
}

func (f filled) patient(n int) string { return fmt.Sprintf("Patient/invented-%06d", n) }

// put stores the n-th score.
func (t template) put(tx store.Tx, n int, patient string) error {
	id := fmt.Sprintf("0190a1b2-%08x-7abc", n)
	index := t.index
	index.Patient = patient
	index.Start, index.End = index.Start.Add(time.Duration(n)*time.Minute), index.End.Add(time.Duration(n)*time.Minute)
	index.Tokens = slices.Clone(index.Tokens)
	for i := range index.Tokens {
		if index.Tokens[i].Param == "identifier" || index.Tokens[i].Param == "derived-from" {
			index.Tokens[i].Value += id
		}
	}
	_, err := tx.Put(store.Key{Type: "Observation", ID: id}, http.MethodPost, index, func(int64, time.Time) ([]byte, error) {
		return []byte(strings.Replace(t.body, templatePatient, patient, 1)), nil
	})
	return err
}

// inTurns asks both, one search each at a time, and gives the 99th percentiles
// of a round in microseconds.
func inTurns(b *testing.B, small, large filled, round int) (p99Small, p99Large float64) {
	b.Helper()
	random := rand.New(rand.NewPCG(1, uint64(round)))
	var times [2][]time.Duration
	for i := range searchesPerRound {
		for which, f := range []filled{small, large} {
			times[which] = append(times[which], f.search(b, random, i))
		}
	}
	for which := range times {
		slices.Sort(times[which])
	}
	p99 := func(sorted []time.Duration) float64 { return float64(sorted[len(sorted)*99/100].Nanoseconds()) / 1000 }
	return p99(times[0]), p99(times[1])
}

// search asks for the scores of a patient, in one of the usual ways.
func (f filled) search(b *testing.B, random *rand.Rand, i int) time.Duration {
	b.Helper()
	path := "/fhir/Observation?patient=" + f.patient(random.IntN(f.patients)) + [...]string{"", "&_sort=-date", "&code=scorad&category=survey"}[i%3]
	request, answer := httptest.NewRequest(http.MethodGet, path, nil), httptest.NewRecorder()
	began := time.Now()
	f.handler.ServeHTTP(answer, request)
	took := time.Since(began)
	require.Equal(b, http.StatusOK, answer.Code)
	require.Contains(b, answer.Body.String()[:200], `"total":50,`)
	return took
}
