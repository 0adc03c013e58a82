package test_test

import (
	"context"
	"database/sql"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// An upgrade is rehearsed with one program, since there is no other version yet. What
// the next one would do to the schema is done by the test: a step as DEVELOPERS.md
// allows it (a column with a default, a table) under the next number. To the program
// under test this is what it is to be the version before; a program that knows the
// step and one that does not read and write the same rows. The step up is
// rehearsed from the schema of before, made by taking the newest migration back.

// portal sends responses one after the other to whichever server is there, as a load
// balancer would let it, and sends one again, under its identifier, until it is
// acknowledged.
type portal struct {
	mu      sync.Mutex
	servers []*server
	count   atomic.Int64
	stop    chan struct{}
	ended   chan struct{}
	kept    map[string]string // the id of each by its identifier
	fault   error
}

func startPortal(name string, servers ...*server) *portal {
	p := &portal{servers: servers, stop: make(chan struct{}), ended: make(chan struct{}), kept: map[string]string{}}
	go func() {
		defer close(p.ended)
		for i := 0; p.fault == nil; i++ {
			select {
			case <-p.stop:
				return
			default:
				p.send(name + "-" + strconv.Itoa(i))
			}
		}
	}()
	return p
}

// send sends one until it is acknowledged.
func (p *portal) send(identifier string) {
	body := oona(identifier, "6")
	for deadline := time.Now().Add(patience); ; {
		for _, s := range p.to() {
			r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", body)
			if err == nil && r.status == http.StatusCreated {
				p.kept[identifier] = strings.TrimSuffix(r.location[strings.LastIndex(r.location, "QuestionnaireResponse/"):], "/_history/1")
				p.count.Add(1)
				return
			}
			if err == nil && r.status < 500 {
				p.fault = fmt.Errorf("%s was refused with %d: %s", identifier, r.status, r.body)
				return
			}
		}
		if time.Now().After(deadline) {
			p.fault = fmt.Errorf("%s found no server", identifier)
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (p *portal) to() []*server {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.servers
}

// goTo changes where it sends.
func (p *portal) goTo(servers ...*server) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.servers = servers
}

// more waits until some more are acknowledged.
func (p *portal) more(t *testing.T) {
	t.Helper()
	want := p.count.Load() + 10
	require.Eventually(t, func() bool { return p.count.Load() >= want }, patience, 5*time.Millisecond)
}

// settle stops it, and requires of the last server that everything that was
// acknowledged is there once.
func (p *portal) settle(t *testing.T, s *server) {
	t.Helper()
	close(p.stop)
	<-p.ended
	require.NoError(t, p.fault)
	require.NotEmpty(t, p.kept)
	for identifier, id := range p.kept {
		r, err := call(http.MethodGet, s.fhir+"/QuestionnaireResponse?identifier=https://fernway-portal.example/responses%7C"+identifier, nil)
		require.NoError(t, err)
		require.Equal(t, 1, parse(t, r.body).Total, "%s", r.body)
		get(t, s.fhir+"/"+id)
	}
}

// step is what the migration of a next version might do, on either database.
func step(next int64) []string {
	return []string{
		"ALTER TABLE resource_version ADD COLUMN rehearsed INTEGER NOT NULL DEFAULT 0",
		"CREATE TABLE rehearsal (one INTEGER PRIMARY KEY)",
		fmt.Sprintf("INSERT INTO goose_db_version (version_id, is_applied) VALUES (%d, true)", next),
	}
}

// newest is the number of the newest migration of a store, and what takes it back.
func newest(t *testing.T, store string) (number int64, down string) {
	t.Helper()
	files, err := filepath.Glob("../fhir/store/" + store + "/migrations/*.sql")
	require.NoError(t, err)
	last := files[len(files)-1]
	number, err = strconv.ParseInt(filepath.Base(last)[:5], 10, 64)
	require.NoError(t, err)
	text, err := os.ReadFile(last)
	require.NoError(t, err)
	_, down, found := strings.Cut(string(text), "-- +goose Down\n")
	require.True(t, found)
	return number, regexp.MustCompile(`(?m)^-- \+goose .*$`).ReplaceAllString(down, "")
}

// TestUpgradeOnPostgreSQL: replicas are replaced one by one by those of the next version,
// and those by the ones of before again, while responses come in. Nothing that was
// acknowledged is lost, nothing is there twice, and no score differs.
func TestUpgradeOnPostgreSQL(t *testing.T) {
	t.Parallel()
	own, database := cluster(t)
	schema := "s1"
	number, down := newest(t, "postgres")
	run := func(statements ...string) {
		for _, each := range statements {
			require.NoError(t, own.Exec(context.Background(), schema, each), each)
		}
	}
	one := serve(t, database)
	require.Equal(t, 0, one.stop())
	run(down, fmt.Sprintf("DELETE FROM goose_db_version WHERE version_id = %d", number))

	one = serve(t, database) // it steps up from the schema of before
	other := serve(t, database)
	p := startPortal("upgrade", one, other)
	p.more(t)
	run(step(number + 1)...) // the first replica of the next version starts, and migrates
	p.more(t)
	upgraded := serve(t, database)
	p.goTo(upgraded, other)
	require.Equal(t, 0, one.stop())
	p.more(t)
	back := serve(t, database) // it is gone back to the version before, which the schema is ahead of
	p.goTo(back, upgraded)
	require.Equal(t, 0, other.stop())
	p.goTo(back)
	require.Equal(t, 0, upgraded.stop())
	p.more(t)
	p.settle(t, back)
	require.Equal(t, 0, back.stop())
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, " 0 differ")

	run(fmt.Sprintf("INSERT INTO goose_db_version (version_id, is_applied) VALUES (%d, true)", number+2))
	two := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 3, two.code, "two steps ahead is too far to go back from")
	require.Contains(t, two.err, "more than one step ahead")
}

// TestUpgradeOnSQLite: the one process is stopped and the next started; a portal waits
// for a moment and sends again.
func TestUpgradeOnSQLite(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	number, down := newest(t, "sqlite")
	run := func(statements ...string) {
		db, err := sql.Open("sqlite", database)
		require.NoError(t, err)
		for _, each := range statements {
			_, err := db.Exec(each)
			require.NoError(t, err, each)
		}
		require.NoError(t, db.Close())
	}
	s := serve(t, database)
	require.Equal(t, 0, s.stop())
	run(down, fmt.Sprintf("DELETE FROM goose_db_version WHERE version_id = %d", number))

	s = serve(t, database)
	p := startPortal("upgrade", s)
	p.more(t)
	require.Equal(t, 0, s.stop())
	run(step(number + 1)...)
	s = serve(t, database) // the next version
	p.goTo(s)
	p.more(t)
	require.Equal(t, 0, s.stop())
	s = serve(t, database) // the one of before again, which the schema is ahead of
	p.goTo(s)
	p.more(t)
	p.settle(t, s)
	require.Equal(t, 0, s.stop())
	checked := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
	require.Contains(t, checked.out, " 0 differ")
}
