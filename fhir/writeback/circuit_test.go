package writeback

import (
	"bytes"
	"io"
	"net/http"
	"regexp"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// TestCircuit: a fault of the whole target stops the sending, one probe at a
// time finds out when it is over, and what one delivery does to a target does
// not stop the others.
func TestCircuit(t *testing.T) {
	t.Parallel()
	t.Run("OneProbeAmongManySenders", func(t *testing.T) {
		t.Parallel()
		const senders, probes = 8, 12
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		for n := 1; n <= 40; n++ {
			want(t, s, n, false)
		}
		var arrived, under, most atomic.Int64
		all := make(chan struct{})
		url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			at := arrived.Add(1)
			switch {
			case at <= senders:
				// All are under way before any fails.
				if at == senders {
					close(all)
				}
				<-all
				w.WriteHeader(http.StatusServiceUnavailable)
			case at <= senders+probes:
				most.Store(max(most.Load(), under.Add(1)))
				time.Sleep(2 * time.Millisecond) // time for a second one to come
				under.Add(-1)
				w.WriteHeader(http.StatusServiceUnavailable)
			default:
				hospital.ServeHTTP(w, r)
			}
		}))
		o := duty(t, s, url, func(o *Options) { o.Senders, o.Batch = senders, 3*senders })
		for delivered := 0; delivered < 40; {
			if o.told.next(t).Outcome == Delivered {
				delivered++
			}
		}
		require.EqualValues(t, 1, most.Load(), "probes at once")
		require.Equal(t, targetName, await(t, o.told.resumed), "it is told that the target answers again")
		require.GreaterOrEqual(t, len(o.told.pauses), probes, "and each pause")
		o.end(t)
		require.Len(t, hospital.Current("Observation"), 40)
	})
	for name, fails := range map[string]func(http.ResponseWriter){
		"ThatHangUp":           hangUp,
		"ThatAGatewayGivesUp":  func(w http.ResponseWriter) { w.WriteHeader(http.StatusBadGateway) },
		"ThatAreErrors":        func(w http.ResponseWriter) { w.WriteHeader(http.StatusInternalServerError) },
		"ThatAreForbidden":     func(w http.ResponseWriter) { w.WriteHeader(http.StatusForbidden) },
		"ThatAreAnsweredInHTM": func(w http.ResponseWriter) { _, _ = io.WriteString(w, "<html>") },
		"ThatAreRefused":       func(w http.ResponseWriter) { w.WriteHeader(http.StatusUnprocessableEntity) },
	} {
		t.Run("Poisoned"+name+"DoNotStopTheOthers", func(t *testing.T) {
			t.Parallel()
			const poisoned, sound = 2 * maxStreak, 20
			s, hospital := realStore(t), sandbox.New(sandbox.Options{})
			for n := 1; n <= poisoned; n++ {
				want(t, s, n, false)
			}
			poison := regexp.MustCompile(`"value":"digest-([1-9]|1[0-6])"`)
			url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				body, _ := io.ReadAll(r.Body)
				if poison.Match(body) {
					fails(w)
					return
				}
				r.Body = io.NopCloser(bytes.NewReader(body))
				hospital.ServeHTTP(w, r)
			}))
			o := duty(t, s, url, func(o *Options) {
				o.Slow = o.Backoff
				o.Slow.Base = time.Millisecond
				o.Slow.Cap = 5 * time.Millisecond
			})
			for range poisoned {
				o.told.next(t) // each has been tried, or waits for it
			}
			for n := poisoned + 1; n <= poisoned+sound; n++ {
				want(t, s, n, false)
			}
			o.worker.Kick()
			for delivered := 0; delivered < sound; {
				if o.told.next(t).Outcome == Delivered {
					delivered++
				}
			}
			o.end(t)
			require.Len(t, hospital.Current("Observation"), sound)
		})
	}
	for name, c := range map[string]struct {
		status int
		fault  Fault
	}{
		"Errors":    {http.StatusInternalServerError, FaultServer},
		"Forbidden": {http.StatusForbidden, FaultForbidden},
	} {
		t.Run("ATargetThat"+name+"EverythingIsPaused", func(t *testing.T) {
			t.Parallel()
			s := realStore(t)
			for n := 1; n <= 60; n++ {
				want(t, s, n, false)
			}
			var mu sync.Mutex
			count := 0
			url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				mu.Lock()
				defer mu.Unlock()
				count++
				w.WriteHeader(c.status)
			}))
			o := duty(t, s, url, func(o *Options) {
				o.Senders = 2
				o.Backoff = Backoff{Base: time.Hour, Cap: time.Hour}
				o.Slow = o.Backoff
				o.Jitter = func(limit time.Duration) time.Duration { return limit }
			})
			pause := await(t, o.told.pauses)
			require.Equal(t, c.fault, pause.Fault)
			require.Equal(t, targetName, pause.Target)
			o.end(t)
			mu.Lock()
			defer mu.Unlock()
			require.Less(t, count, maxStreak+2, "not one for every delivery")
		})
	}
	t.Run("TheProbeIsWhatHasFailedLeast", func(t *testing.T) {
		t.Parallel()
		w := newWard(t)
		w.hospital.Misbehave(sandbox.Refuse(425, ""))
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		w.settle()
		want(t, w.store, 2, false)
		claimed := w.claim(w.worker)
		require.Len(t, claimed, 2)
		probe := w.worker.probe(claimed)
		require.Len(t, probe, 1)
		require.Equal(t, keyOf(2), probe[0].delivery.Key)
		w.worker.recording.Wait()
		require.Len(t, w.claim(w.worker), 1, "the other was given back")
		require.Empty(t, w.worker.probe(nil))
	})
}
