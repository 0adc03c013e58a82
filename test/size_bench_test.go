package test_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
)

// BenchmarkSize measures what a submission takes on the disk, with its score,
// Provenance, indexes, audit and one delivery, and the most memory that the server
// had meanwhile (Linux), for deploy/sizing.md:
//
//	go test -run xxx -bench Size -benchtime 4000x ./test
func BenchmarkSize(b *testing.B) {
	b.Run("SQLite", func(b *testing.B) {
		database := filepath.Join(b.TempDir(), "tidemark.db")
		fill(b, database)
		info, err := os.Stat(database)
		require.NoError(b, err)
		b.ReportMetric(float64(info.Size())/float64(b.N), "bytes/submission")
	})
	b.Run("PostgreSQL", func(b *testing.B) {
		own, database := cluster(b)
		fill(b, database)
		conn, err := pgx.Connect(context.Background(), own.Address("s1"))
		require.NoError(b, err)
		defer conn.Close(context.Background())
		var size int64
		const ask = "SELECT sum(pg_total_relation_size(c.oid))::bigint FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = current_schema() AND c.relkind = 'r'"
		require.NoError(b, conn.QueryRow(context.Background(), ask).Scan(&size))
		b.ReportMetric(float64(size)/float64(b.N), "bytes/submission")
	})
}

// fill sends as many responses as the benchmark says, each of another patient, one of
// 26 answers, to a server that is to deliver them to where nobody answers.
func fill(b *testing.B, database string) {
	b.Helper()
	response, err := os.ReadFile("../fhir/testdata/response-regions.json")
	require.NoError(b, err)
	s := serve(b, database, "TIDEMARK_RATE=0", "TIDEMARK_CONCURRENT=0", "TIDEMARK_EHR_URL=http://127.0.0.1:1/fhir")
	var next atomic.Int64
	var senders errgroup.Group
	for range 32 {
		senders.Go(func() error {
			for i := next.Add(1); i <= int64(b.N); i = next.Add(1) {
				own := strings.NewReplacer("oona-thistledown", fmt.Sprintf("oona-%d", i), "fw-2026-11-24-0007", fmt.Sprintf("fw-%d", i)).Replace(string(response))
				r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", []byte(own))
				if err != nil || r.status != http.StatusCreated {
					return fmt.Errorf("status %d, %w: %s", r.status, err, r.body)
				}
			}
			return nil
		})
	}
	require.NoError(b, senders.Wait())
	b.ReportMetric(peakMemory(b, s.cmd.Process.Pid), "peak-MB")
	require.Equal(b, 0, s.stop())
}

// peakMemory is the most memory that a process has had, in MB (10^6); 0 where the
// system does not tell it as Linux does.
func peakMemory(b *testing.B, pid int) float64 {
	b.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Log("memory is not told here: ", err)
		return 0
	}
	for line := range strings.Lines(string(status)) {
		var kib float64
		if n, _ := fmt.Sscanf(line, "VmHWM: %f kB", &kib); n == 1 {
			return kib * 1024 / 1e6
		}
	}
	return 0
}
