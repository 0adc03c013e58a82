//go:build unix

package writeback_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/test/postgrestest"
)

// drainRound is how many deliveries each side makes before the other has its
// turn, since what else the machine does changes from second to second.
const drainRound = 10000

// BenchmarkDrain delivers a backlog of b.N scores from a store on the disk
// (SQLite, synchronous=FULL, or PostgreSQL) to a sink on the loopback: each is
// claimed, its attempt recorded before it is sent, read, shaped, sent, compared with
// the answer, and its outcome recorded. Beside it, and in turns, a bare loop puts the
// very bodies that came to the sink, on as many kept-alive connections, and does
// nothing else. Run it with -benchtime 100000x.
func BenchmarkDrain(b *testing.B) {
	for _, senders := range []int{1, 4, 64} {
		b.Run(fmt.Sprint("SQLite, ", senders, " senders"), func(b *testing.B) {
			backlog, err := sqlite.Open(context.Background(), filepath.Join(b.TempDir(), "tidemark.db"), sqlite.Options{})
			require.NoError(b, err)
			b.Cleanup(func() { require.NoError(b, backlog.Close()) })
			benchmarkDrain(b, backlog, senders)
		})
	}
	b.Run("PostgreSQL, 4 senders", func(b *testing.B) {
		if why := postgrestest.Missing(); why != "" {
			b.Skip("SKIPPED: ", why)
		}
		b.Setenv(postgrestest.OnDisk, "1")
		own, err := postgrestest.Start("shared_buffers=256MB", "max_wal_size=4GB")
		require.NoError(b, err)
		b.Cleanup(func() { require.NoError(b, own.Stop()) })
		address, err := own.Create(context.Background())
		require.NoError(b, err)
		backlog, err := postgres.Open(context.Background(), address, postgres.Options{})
		require.NoError(b, err)
		b.Cleanup(func() { require.NoError(b, backlog.Close()) })
		benchmarkDrain(b, backlog, 4)
	})
}

func benchmarkDrain(b *testing.B, backlog store.Store, senders int) {
	fillBacklog(b, backlog, b.N)
	s := newSink(b)
	var drained, put, ratios, efforts []float64
	var ourTime, bareTime time.Duration
	for done := 0; done < b.N; {
		n := 0
		ours := timed(b, func() { n = s.drain(b, backlog, senders, min(drainRound, b.N-done)) })
		done += n
		bare := timed(b, func() { s.putBare(b, senders, n) })
		drained, put = append(drained, float64(n)/ours.wall.Seconds()), append(put, float64(n)/bare.wall.Seconds())
		ratios = append(ratios, bare.wall.Seconds()/ours.wall.Seconds())
		efforts = append(efforts, bare.processor.Seconds()/ours.processor.Seconds())
		ourTime, bareTime = ourTime+ours.processor, bareTime+bare.processor
	}
	left, err := backlog.Backlog(context.Background())
	require.NoError(b, err)
	require.Empty(b, left)
	slices.Sort(ratios)
	slices.Sort(efforts)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(slices.Max(drained), "delivered/s")
	b.ReportMetric(slices.Max(put), "bare-puts/s")
	b.ReportMetric(ratios[len(ratios)/2], "of-bare")
	b.ReportMetric(efforts[len(efforts)/2], "cpu-of-bare")
	b.ReportMetric(float64(ourTime.Microseconds())/float64(b.N), "cpu-µs")
	b.ReportMetric(float64(bareTime.Microseconds())/float64(b.N), "bare-cpu-µs")
}

// took is what a part took: time passed, and processor time of the process, which is
// steadier where other programs wait for the processors too. Both sides' have the
// sink in it.
type took struct{ wall, processor time.Duration }

func timed(tb testing.TB, part func()) took {
	tb.Helper()
	before, began := processorTime(tb), time.Now()
	part()
	return took{time.Since(began), processorTime(tb) - before}
}

func processorTime(tb testing.TB) time.Duration {
	tb.Helper()
	var usage syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &usage))
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}

// number stands in the template of a score for what tells one from another.
const number = "n0000000"

// scoreTemplate is a score as the service stores it, made of a response of 26
// answers.
func scoreTemplate(tb testing.TB) []byte {
	tb.Helper()
	data, err := os.ReadFile("../testdata/response-regions.json")
	require.NoError(tb, err)
	document, err := fhir.Decode(data)
	require.NoError(tb, err)
	defer document.Release()
	response, err := questionnaire.Read(document.Root())
	require.NoError(tb, err)
	at := time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)
	return observation.Append(nil, &observation.Input{
		Response: &response, ID: number, Version: 1, Status: "final", Identifier: number, Base: "https://tidemark.example/fhir",
		DerivedFrom: "QuestionnaireResponse/" + number + "/_history/1", Issued: at, LastUpdated: at, Bands: &scoring.UsualBands,
	})
}

// fillBacklog stores n scores and wants them delivered.
func fillBacklog(tb testing.TB, s store.Store, n int) {
	tb.Helper()
	template := scoreTemplate(tb)
	for from := 0; from < n; from += 500 {
		require.NoError(tb, s.Write(context.Background(), nil, func(tx store.Tx) error {
			for i := from; i < min(from+500, n); i++ {
				id := fmt.Sprintf("n%07d", i)
				key := store.Key{Type: "Observation", ID: id}
				stored, err := tx.Put(key, "POST", store.Index{}, func(int64, time.Time) ([]byte, error) {
					return bytes.ReplaceAll(template, []byte(number), []byte(id)), nil
				})
				if err != nil {
					return err
				}
				if err := tx.Want("sink", key, stored.Version, false); err != nil {
					return err
				}
			}
			return nil
		}))
	}
}

// sink takes whatever is put and gives it an id and a version, as a FHIR server
// does that answers without a body.
type sink struct {
	base  string
	taken atomic.Int64
	// until is closed when that many are taken.
	mu    sync.Mutex
	limit int64
	full  chan struct{}
	// body is the first that came.
	body atomic.Pointer[[]byte]
}

func newSink(tb testing.TB) *sink {
	tb.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(tb, err)
	s := &sink{base: "http://" + listener.Addr().String() + "/fhir"}
	server := &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = server.Serve(listener) }() // ends with Close
	tb.Cleanup(func() { require.NoError(tb, server.Close()) })
	return s
}

// ServeHTTP takes a resource.
func (s *sink) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPut {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	if s.body.Load() == nil {
		body, _ := io.ReadAll(r.Body) // the benchmark compares its length
		s.body.Store(&body)
	} else {
		_, _ = io.Copy(io.Discard, r.Body) // what fails here is put again
	}
	n := s.taken.Add(1)
	w.Header().Set("Location", fmt.Sprint(s.base, "/Observation/s", n, "/_history/1"))
	w.Header().Set("ETag", `W/"1"`)
	w.WriteHeader(http.StatusCreated)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.full != nil && n >= s.limit {
		close(s.full)
		s.full = nil
	}
}

// await gives what is closed when n more are taken.
func (s *sink) await(n int) <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.limit, s.full = s.taken.Load()+int64(n), make(chan struct{})
	return s.full
}

// drain lets a worker deliver n, and what it has under way by then; it gives how
// many these are.
func (s *sink) drain(tb testing.TB, from writeback.Store, senders, n int) int {
	tb.Helper()
	before := s.taken.Load()
	w, err := writeback.New(from, writeback.Target{Name: "sink", Base: s.base}, writeback.Options{Senders: senders})
	require.NoError(tb, err)
	ctx, stop := context.WithCancel(context.Background())
	full := s.await(n)
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	<-full
	stop()
	require.NoError(tb, <-ended)
	return int(s.taken.Load() - before)
}

// putBare puts n of the same bodies from a loop that does nothing else.
func (s *sink) putBare(tb testing.TB, connections, n int) {
	tb.Helper()
	transport := &http.Transport{MaxIdleConnsPerHost: connections}
	defer transport.CloseIdleConnections()
	body := *s.body.Load()
	var next atomic.Int64
	var putting sync.WaitGroup
	for range connections {
		putting.Go(func() {
			for next.Add(1) <= int64(n) {
				request, err := http.NewRequestWithContext(context.Background(), http.MethodPut, s.base+"/Observation?identifier=https://tidemark.example/fhir/sid/score|"+number, bytes.NewReader(body))
				if err != nil {
					tb.Error(err)
					return
				}
				request.Header.Set("Content-Type", "application/fhir+json")
				response, err := transport.RoundTrip(request)
				if err != nil {
					tb.Error(err)
					return
				}
				_, _ = io.Copy(io.Discard, response.Body) // so that the connection is kept
				_ = response.Body.Close()
			}
		})
	}
	putting.Wait()
}

// TestTheBareLoopPutsWhatTheWorkerPuts holds the yardstick to be the same work:
// the bodies, and one request for each.
func TestTheBareLoopPutsWhatTheWorkerPuts(t *testing.T) {
	t.Parallel()
	const n = 50
	backlog, err := sqlite.Open(context.Background(), filepath.Join(t.TempDir(), "tidemark.db"), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, backlog.Close()) })
	fillBacklog(t, backlog, n)
	s := newSink(t)
	s.drain(t, backlog, 4, n)
	require.EqualValues(t, n, s.taken.Load(), "one request for each")
	body := string(*s.body.Load())
	require.Contains(t, body, `"component":[`)
	require.Greater(t, len(body), len(scoreTemplate(t))*9/10, "the score as it is stored, but for its id and version")
	require.False(t, strings.Contains(body, `"versionId"`))
	s.putBare(t, 4, n)
	require.EqualValues(t, 2*n, s.taken.Load())
	require.Equal(t, body, string(*s.body.Load()))
	left, err := backlog.Backlog(context.Background())
	require.NoError(t, err)
	require.Empty(t, left)
}
