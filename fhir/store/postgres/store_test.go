package postgres_test

import (
	"context"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/storetest"
	"tidemark.example/tidemark/test/postgrestest"
)

// shared is the cluster of all tests here but those that stop one.
var shared = struct {
	once    sync.Once
	cluster *postgrestest.Cluster
	err     error
}{}

func TestMain(m *testing.M) {
	code := m.Run()
	if shared.cluster != nil {
		if err := shared.cluster.Stop(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// need skips a test where there is no PostgreSQL.
func need(t testing.TB) {
	t.Helper()
	if why := postgrestest.Missing(); why != "" {
		t.Skip("SKIPPED: ", why)
	}
}

// cluster gives the shared cluster, started when it is first asked for.
func cluster(t testing.TB) *postgrestest.Cluster {
	t.Helper()
	need(t)
	shared.once.Do(func() { shared.cluster, shared.err = postgrestest.Start() })
	require.NoError(t, shared.err)
	return shared.cluster
}

// create makes an empty schema.
func create(t testing.TB) string {
	t.Helper()
	address, err := cluster(t).Create(context.Background())
	require.NoError(t, err)
	return address
}

// open opens a store until the end of the test.
func open(t testing.TB, address string, options postgres.Options) *postgres.Store {
	t.Helper()
	s, err := postgres.Open(context.Background(), address, options)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func TestStore(t *testing.T) {
	need(t)
	storetest.Run(t, storetest.Driver{
		Create: create,
		Open: func(place string, clock func() time.Time) (store.Store, error) {
			return postgres.Open(context.Background(), place, postgres.Options{Clock: clock})
		},
	})
}
