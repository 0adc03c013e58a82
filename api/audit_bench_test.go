package api_test

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"sort"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
)

// forgetful takes writes and does nothing of them, once it is told to: what
// reading costs without the audit being on disk before the answer.
type forgetful struct {
	store.Store
	forgets bool
}

// Write implements store.Store.
func (f *forgetful) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	if f.forgets {
		return nil
	}
	return f.Store.Write(ctx, keys, job, ahead...)
}

// BenchmarkAuditedReads measures reads of one score over HTTP, by 1 client and by
// 64, whose audit is on disk before the answer, side by side with the same reads
// whose audit is made and thrown away. It reports the rates and the median of
// their ratios.
func BenchmarkAuditedReads(b *testing.B) {
	for _, clients := range []int{1, 64} {
		b.Run(map[int]string{1: "clients=1", 64: "clients=64"}[clients], func(b *testing.B) {
			quiet := func(o *api.Options) { o.Logger = slog.New(slog.NewJSONHandler(io.Discard, nil)) }
			f := &forgetful{}
			servers := []*rig{newRig(b, quiet), newRig(b, quiet, func(o *api.Options) { f.Store = o.Store; o.Store = f })}
			var getters [2][]*getter
			for i, r := range servers {
				path := "/fhir/Observation/" + r.create(oona("bench").json()).id()
				body := r.get(path).body
				for range clients {
					getters[i] = append(getters[i], newGetter(b, r.origin, path, "", body))
				}
			}
			f.forgets = true
			const turns = 10
			each := max(b.N/turns/clients, 1)
			var took [2]time.Duration
			var ratios []float64
			b.ResetTimer()
			for turn := range turns {
				var this [2]time.Duration
				for i := range 2 {
					side := (i + turn) % 2
					start := time.Now()
					var all sync.WaitGroup
					for _, g := range getters[side] {
						all.Go(func() {
							for range each {
								g.get()
							}
						})
					}
					all.Wait()
					this[side] = time.Since(start)
					took[side] += this[side]
				}
				ratios = append(ratios, float64(this[1])/float64(this[0]))
			}
			sort.Float64s(ratios)
			reads := float64(each * clients * turns)
			b.ReportMetric(reads/took[0].Seconds(), "audited/s")
			b.ReportMetric(reads/took[1].Seconds(), "unaudited/s")
			b.ReportMetric(ratios[turns/2], "ratio")
			require.Positive(b, servers[0].trailLength())
			require.Equal(b, http.StatusOK, servers[1].get("/fhir/metadata").status)
		})
	}
}
