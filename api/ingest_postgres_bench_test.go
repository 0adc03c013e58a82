//go:build linux

package api_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store/pack"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/test/postgrestest"
)

// BenchmarkIngestPostgreSQL posts responses of 26 answers to the real server from many
// clients, over TCP on the loopback, and waits for each to be durable on a PostgreSQL
// on the same machine's disk. Beside it, and in turns, PostgreSQL's own pgbench runs
// three inserts of such a response, prepared, from as many clients: a row of resource,
// of resource_version and of identity. A submission is more than that: it is decoded,
// scored and answered, and leaves a response, an Observation and a Provenance with all
// that they are found by, two identity keys and a delivery.
//
// 64 clients all wait for the same commit, and while it is under way nobody has work for
// the other processor; 256 are the load at which a server is full.
//
// Run it with a fixed count of several rounds, as -benchtime 16384x. Processor time is
// told apart: ours, with that of the clients, and PostgreSQL's of either side.
func BenchmarkIngestPostgreSQL(b *testing.B) {
	if why := postgrestest.Missing(); why != "" {
		b.Skip("SKIPPED: ", why)
	}
	b.Setenv(postgrestest.OnDisk, "1")
	for _, clients := range []int{ingestClients, 4 * ingestClients} {
		b.Run(fmt.Sprintf("%d_clients", clients), func(b *testing.B) { besidePgbench(b, clients) })
	}
}

// besidePgbench is the benchmark with as many clients, on a cluster of its own.
func besidePgbench(b *testing.B, clients int) {
	own, err := postgrestest.Start("shared_buffers=256MB", "max_wal_size=4GB", "max_connections=300")
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, own.Stop()) })
	server := startIngestPostgreSQL(b, own, clients)
	address := emptyTables(b, own)
	response, err := os.ReadFile("../fhir/testdata/response-regions.json")
	require.NoError(b, err)
	codec, err := pack.New()
	require.NoError(b, err)
	defer codec.Close()
	body := codec.Pack(response)
	var served tally
	var theirs, ratios []float64
	var ourServer, theirServer time.Duration
	for from := 0; from < b.N; from += ingestRound {
		n := min(ingestRound, b.N-from)
		before := effort(b, own)
		ours := measure(b, func() { server.post(n) })
		between := effort(b, own)
		served.add(n, ours)
		rate, err := own.ThreeInserts(b.TempDir(), address, body, clients, n)
		require.NoError(b, err)
		ourServer, theirServer = ourServer+between-before, theirServer+effort(b, own)-between
		theirs, ratios = append(theirs, rate), append(ratios, float64(n)/ours.wall.Seconds()/rate)
	}
	slices.Sort(ratios)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(served.best, "submissions/s")
	b.ReportMetric(slices.Max(theirs), "pgbench/s")
	b.ReportMetric(ratios[len(ratios)/2], "of-pgbench")
	b.ReportMetric(served.best/slices.Max(theirs), "best-of-pgbench")
	b.ReportMetric(served.micros(), "cpu-µs")
	b.ReportMetric(float64(ourServer.Microseconds())/float64(b.N), "server-cpu-µs")
	b.ReportMetric(float64(theirServer.Microseconds())/float64(b.N), "pgbench-server-cpu-µs")
}

func effort(tb testing.TB, own *postgrestest.Cluster) time.Duration {
	tb.Helper()
	spent, err := own.ProcessorTime()
	require.NoError(tb, err)
	return spent
}

// startIngestPostgreSQL is startIngest on a schema of a cluster.
func startIngestPostgreSQL(tb testing.TB, own *postgrestest.Cluster, clients int) *poster {
	tb.Helper()
	address, err := own.Create(context.Background())
	require.NoError(tb, err)
	metrics := api.NewMetrics()
	db, err := postgres.Open(context.Background(), address, postgres.Options{Observe: metrics.Batch})
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, db.Close()) })
	listener := listen(tb)
	return newPosterOf(tb, clients, listener, api.New(api.Options{
		Store: db, BaseURL: "http://" + listener.Addr().String() + "/fhir", Bands: scoring.UsualBands,
		Targets: []api.Target{{Name: target}}, Logger: slog.New(slog.NewJSONHandler(io.Discard, nil)),
	}, metrics).Handler())
}

// emptyTables is a schema with our tables and the sequence of pgbench's script.
func emptyTables(tb testing.TB, own *postgrestest.Cluster) string {
	tb.Helper()
	ctx := context.Background()
	address, err := own.Create(ctx)
	require.NoError(tb, err)
	db, err := postgres.Open(ctx, address, postgres.Options{})
	require.NoError(tb, err)
	require.NoError(tb, db.Close())
	conn, err := pgx.Connect(ctx, address)
	require.NoError(tb, err)
	_, err = conn.Exec(ctx, "CREATE SEQUENCE rids")
	require.NoError(tb, err)
	require.NoError(tb, conn.Close(ctx))
	return address
}

// TestPgbenchMakesTheThreeInserts holds the yardstick to be work of the kind that it
// is said to be.
func TestPgbenchMakesTheThreeInserts(t *testing.T) {
	t.Parallel()
	if why := postgrestest.Missing(); why != "" {
		t.Skip("SKIPPED: ", why)
	}
	const n = 96
	own, err := postgrestest.Start()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, own.Stop()) })
	address := emptyTables(t, own)
	before := effort(t, own)
	rate, err := own.ThreeInserts(t.TempDir(), address, []byte("packed"), 4, n)
	require.NoError(t, err)
	require.Positive(t, rate)
	require.Greater(t, effort(t, own), before, "with the sessions that ended")
	conn, err := pgx.Connect(context.Background(), address)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	var whole int
	require.NoError(t, conn.QueryRow(context.Background(), `SELECT count(*) FROM resource r
		JOIN resource_version v ON v.vid = r.rid * 1048576 + 1 AND v.body = 'packed'
		JOIN identity i ON i.type = r.type AND i.id = r.id`).Scan(&whole))
	require.Equal(t, n, whole)
	_, err = own.ThreeInserts(t.TempDir(), own.Address("public"), nil, 4, n)
	require.ErrorContains(t, err, "pgbench")
}
