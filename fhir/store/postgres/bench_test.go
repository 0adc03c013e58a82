package postgres_test

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/pack"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/test/postgrestest"
)

// clients is how many submit at once.
const clients = 64

// document is a body of five kilobytes that looks like a response, all invented.
func document(n int) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `{"resourceType":"QuestionnaireResponse","id":"%d","status":"completed","item":[`, n)
	for i := range 21 {
		fmt.Fprintf(&b, `{"linkId":"item-%d","text":"How much of this part of the body was affected over the last three days and nights (%d)?","answer":[{"valueQuantity":{"value":%d,"unit":"percent","system":"http://unitsofmeasure.org","code":"%%"}}]},`,
			i, i, (n*7+i*13)%101)
	}
	return []byte(strings.TrimSuffix(b.String(), ",") + "]}")
}

// ids grow with time, as those of the server do.
func ids(n int) string {
	var b [16]byte
	binary.BigEndian.PutUint64(b[:], uint64(n)) //nolint:gosec // it counts from 1
	binary.BigEndian.PutUint64(b[8:], rand.Uint64())
	return hex.EncodeToString(b[:])
}

// onDisk is what a benchmark runs on: a cluster on the disk, with a schema.
func onDisk(b *testing.B) (*postgrestest.Cluster, string) {
	b.Helper()
	need(b)
	b.Setenv(postgrestest.OnDisk, "1")
	own, err := postgrestest.Start("shared_buffers=256MB", "max_wal_size=4GB")
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, own.Stop()) })
	address, err := own.Create(context.Background())
	require.NoError(b, err)
	return own, address
}

// BenchmarkThreeInserts stores one resource under an identity key from 64 clients
// at once, each waiting for its answer: a row of resource, of resource_version
// and of identity.
func BenchmarkThreeInserts(b *testing.B) {
	_, address := onDisk(b)
	s := open(b, address, postgres.Options{})
	var next atomic.Int64
	var group sync.WaitGroup
	began := time.Now()
	for range clients {
		group.Go(func() {
			for n := int(next.Add(1)); n <= b.N; n = int(next.Add(1)) {
				id, content := ids(n), document(n)
				err := s.Write(context.Background(), []string{"of " + id}, func(tx store.Tx) error {
					if _, found, err := tx.Identity("of " + id); err != nil || found {
						return err
					}
					index := store.Index{Patient: fmt.Sprint("Patient/", n%20000), Status: "final", Start: tx.Now(), End: tx.Now()}
					if _, err := tx.Put(key(id), "POST", index, func(int64, time.Time) ([]byte, error) { return content, nil }); err != nil {
						return err
					}
					return tx.PutIdentity("of "+id, store.Identity{Key: key(id), Digest: id})
				})
				if err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	group.Wait()
	b.ReportMetric(float64(b.N)/time.Since(began).Seconds(), "submissions/s")
}

// BenchmarkPgbench is the yardstick: PostgreSQL's own pgbench runs the same three
// inserts into the same tables in one transaction, prepared, from 64 clients, with
// a body of the size that ours has when it is packed.
func BenchmarkPgbench(b *testing.B) {
	own, address := onDisk(b)
	s, err := postgres.Open(context.Background(), address, postgres.Options{})
	require.NoError(b, err)
	require.NoError(b, s.Close())
	codec, err := pack.New()
	require.NoError(b, err)
	defer codec.Close()
	exec(b, address, "CREATE SEQUENCE rids")
	rate, err := own.ThreeInserts(b.TempDir(), address, codec.Pack(document(17)), clients, b.N)
	require.NoError(b, err)
	b.ReportMetric(rate, "submissions/s")
}
