package test_test

import (
	"context"
	"database/sql"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/test/postgrestest"
)

// stream sends responses one after the other until it is stopped, and keeps the
// ids of those that were acknowledged.
type stream struct {
	acknowledged atomic.Int64
	stop         chan struct{}
	ended        chan struct{}
	ids          []string
	fault        error
}

func startStream(s *server) *stream {
	f := &stream{stop: make(chan struct{}), ended: make(chan struct{})}
	go func() {
		defer close(f.ended)
		for i := 0; ; i++ {
			select {
			case <-f.stop:
				return
			default:
			}
			r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("stream-"+strconv.Itoa(i), "6"))
			if err != nil || r.status != http.StatusCreated {
				f.fault = fmt.Errorf("response %d: status %d, %w", i, r.status, err)
				return
			}
			f.ids = append(f.ids, filepath.Base(r.location[:len(r.location)-len("/_history/1")]))
			f.acknowledged.Add(1)
		}
	}()
	return f
}

// reaches waits until so many are acknowledged.
func (f *stream) reaches(t *testing.T, count int64) {
	t.Helper()
	require.Eventually(t, func() bool { return f.acknowledged.Load() >= count }, patience, 5*time.Millisecond)
}

// end stops it and gives the ids in the order in which they were acknowledged.
func (f *stream) end(t *testing.T) []string {
	t.Helper()
	close(f.stop)
	<-f.ended
	require.NoError(t, f.fault)
	return f.ids
}

// holdsAll requires a server to have the first responses of a stream.
func holdsAll(t *testing.T, database string, ids []string) {
	t.Helper()
	s := serve(t, database)
	for _, id := range ids {
		get(t, s.fhir+"/QuestionnaireResponse/"+id)
	}
	require.Equal(t, 0, s.stop())
}

// TestBackupAndRestore rehearses deploy/backup.md on SQLite: a backup is made while
// responses come in, the database is lost, and what was acknowledged before the
// backup is there again, each score as its answers lead to it.
func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	database, monday := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "monday.db")
	settings := []string{"TIDEMARK_DATABASE=" + database}
	s := serve(t, database)
	traffic := startStream(s)
	traffic.reaches(t, 20)
	before := traffic.acknowledged.Load()
	made := tidemark(t, "", settings, "backup", "--to", monday)
	require.Equal(t, 0, made.code, "%s", made.err)
	require.Contains(t, made.out, "monday.db")
	during := traffic.acknowledged.Load()
	traffic.reaches(t, during+5)

	again := tidemark(t, "", settings, "backup", "--to", monday)
	require.Equal(t, 2, again.code, "no backup is written over")
	require.Contains(t, again.err, "another name")
	running := tidemark(t, "", settings, "restore", "--from", monday)
	require.Equal(t, 3, running.code, "a running server keeps its database")
	require.Contains(t, running.err, "stop the server")
	ids := traffic.end(t)
	get(t, s.fhir+"/QuestionnaireResponse/"+ids[len(ids)-1])
	require.Equal(t, 0, s.stop())

	for _, name := range []string{database, database + "-wal", database + "-shm"} {
		_ = os.Remove(name) // the disk is lost; some are not there
	}
	restored := tidemark(t, "", settings, "restore", "--from", monday)
	require.Equal(t, 0, restored.code, "%s%s", restored.out, restored.err)
	checked := tidemark(t, "", settings, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, " 0 differ")
	holdsAll(t, database, ids[:before])

	broken, err := sql.Open("sqlite", monday)
	require.NoError(t, err)
	_, err = broken.Exec(`DROP TRIGGER audit_never_shrinks; DELETE FROM audit WHERE aid = (SELECT aid FROM audit ORDER BY aid LIMIT 1 OFFSET 5)`)
	require.NoError(t, err)
	require.NoError(t, broken.Close())
	refused := tidemark(t, "", settings, "restore", "--from", monday)
	require.Equal(t, 1, refused.code, "a backup that was tampered with replaces nothing: %s", refused.err)
	require.Contains(t, refused.err, "nothing was replaced")
	holdsAll(t, database, ids[:before])
}

// TestBackupCommandsRefuse: they say what to do instead.
func TestBackupCommandsRefuse(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, command := range []string{"backup --to", "restore --from"} {
		name, flag, _ := strings.Cut(command, " ")
		r := tidemark(t, "", []string{"TIDEMARK_DATABASE=postgres://tidemark@127.0.0.1:1/x", "TIDEMARK_BANDS=none"}, name)
		require.Equal(t, 2, r.code)
		for _, says := range []string{"pg_dump", "TIDEMARK_BANDS", flag} {
			require.Contains(t, r.err, says)
		}
		r = tidemark(t, "", []string{"TIDEMARK_DATABASE=" + filepath.Join(dir, "none.db")}, name, flag, filepath.Join(dir, "other.db"))
		require.Equal(t, 3, r.code, "%s", r.err)
		require.Contains(t, r.err, "TIDEMARK_DATABASE")
		require.NoFileExists(t, filepath.Join(dir, "other.db"))
		require.NoFileExists(t, filepath.Join(dir, "none.db"))
	}
}

// TestBackupAndRestoreOnPostgreSQL rehearses deploy/backup.md there: pg_dump while
// responses come in, pg_restore into another database, and verify.
func TestBackupAndRestoreOnPostgreSQL(t *testing.T) {
	t.Parallel()
	own, _ := cluster(t)
	address := withDatabase(t, own, "postgres", "public")
	s := serve(t, address)
	traffic := startStream(s)
	traffic.reaches(t, 20)
	before := traffic.acknowledged.Load()
	dump := filepath.Join(t.TempDir(), "monday.dump")
	postgresTool(t, own, "pg_dump", "--format=custom", "--file="+dump, "--dbname="+withDatabase(t, own, "postgres", ""))
	traffic.reaches(t, traffic.acknowledged.Load()+5)
	ids := traffic.end(t)
	require.Equal(t, 0, s.stop())

	require.NoError(t, own.Exec(context.Background(), "public", "CREATE DATABASE restored"))
	postgresTool(t, own, "pg_restore", "--exit-on-error", "--single-transaction", "--no-owner", "--dbname="+withDatabase(t, own, "restored", ""), dump)
	restored := withDatabase(t, own, "restored", "public")
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + restored}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, " 0 differ")
	holdsAll(t, restored, ids[:before])

	require.NoError(t, own.Exec(context.Background(), "public", "CREATE DATABASE damaged"))
	damaged := withDatabase(t, own, "damaged", "public")
	postgresTool(t, own, "pg_restore", "--exit-on-error", "--no-owner", "--dbname="+withDatabase(t, own, "damaged", ""), dump)
	conn := withDatabase(t, own, "damaged", "")
	postgresTool(t, own, "psql", "--dbname="+conn, "--command=ALTER TABLE audit DISABLE TRIGGER ALL",
		"--command=DELETE FROM audit WHERE aid = (SELECT aid FROM audit ORDER BY aid LIMIT 1 OFFSET 5)")
	checked = tidemark(t, "", []string{"TIDEMARK_DATABASE=" + damaged}, "verify")
	require.Equal(t, 1, checked.code, "what is missing is found: %s%s", checked.out, checked.err)
}

// withDatabase is the address of another database of the cluster.
func withDatabase(t *testing.T, own *postgrestest.Cluster, name, schema string) string {
	t.Helper()
	address, err := url.Parse(own.Address(schema))
	require.NoError(t, err)
	address.Path = "/" + name
	if schema == "" { // which PostgreSQL's own programs do not take
		query := address.Query()
		query.Del("search_path")
		address.RawQuery = query.Encode()
	}
	return address.String()
}

// postgresTool runs one of PostgreSQL's programs.
func postgresTool(t *testing.T, own *postgrestest.Cluster, program string, args ...string) {
	t.Helper()
	out, err := exec.Command(filepath.Join(own.Bin(), program), args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", program, out)
}
