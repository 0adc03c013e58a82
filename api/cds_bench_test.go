package api_test

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
)

// BenchmarkCDSCard measures calls of patient-view over HTTP, JWT and audit on disk
// included, for a patient with few scores and one with many, in turns beside the
// discovery, which asks the store nothing. It reports medians and 99th percentiles
// in milliseconds.
func BenchmarkCDSCard(b *testing.B) {
	for _, scores := range []int{4, 400} {
		b.Run(fmt.Sprintf("scores=%d", scores), func(b *testing.B) {
			r := newCDSRig(b, func(o *api.Options) { o.Logger = slog.New(slog.NewJSONHandler(io.Discard, nil)) })
			first := time.Date(2025, 1, 1, 10, 0, 0, 0, time.UTC)
			for i := range scores {
				body := filledFor(oonaID, random())
				body.authored = first.AddDate(0, 0, i).Format(time.RFC3339)
				if i%2 == 1 {
					byClinician(&body)
				}
				r.keep(body)
			}
			var cards, discoveries []time.Duration
			b.ResetTimer()
			for range b.N {
				body, jwt := hookCall(oonaID), "Bearer "+r.jwt(loginRing(), ehr)
				start := time.Now()
				a := r.do(http.MethodPost, cdsService, body, "Content-Type", "application/json", "Authorization", jwt)
				cards = append(cards, time.Since(start))
				require.Equal(b, 1, a.count("cards"))
				start = time.Now()
				require.Equal(b, http.StatusOK, r.get("/cds-services").status)
				discoveries = append(discoveries, time.Since(start))
			}
			for unit, all := range map[string][]time.Duration{"card": cards, "discovery": discoveries} {
				slices.Sort(all)
				b.ReportMetric(all[len(all)/2].Seconds()*1000, unit+"-p50-ms")
				b.ReportMetric(all[len(all)*99/100].Seconds()*1000, unit+"-p99-ms")
			}
		})
	}
}
