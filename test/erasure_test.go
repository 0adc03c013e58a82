package test_test

import (
	"bytes"
	"context"
	"database/sql"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // database/sql on PostgreSQL
	"github.com/stretchr/testify/require"
)

// erasing are the statements of deploy/erasure.md for a database, with a patient.
func erasing(t *testing.T, database, patient string) string {
	t.Helper()
	text, err := os.ReadFile("../deploy/erasure.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(text), "\n"+database+", by ")
	require.True(t, found)
	statements := regexp.MustCompile(`(?m)^    .*;$`).FindAllString(strings.Split(rest, "\nPostgreSQL, by ")[0], -1)
	require.Greater(t, len(statements), 8)
	return strings.ReplaceAll(strings.Join(statements, "\n"), "Patient/17", patient)
}

// erasure rehearses deploy/erasure.md: of one of two patients everything is gone
// but the audit trail, of the other nothing, and the program goes on.
func erasure(t *testing.T, database string, run func(statements string), rows func(t *testing.T, query string) int) {
	h := newHospital(t)
	h.revive()
	settings := append([]string{"TIDEMARK_EHR_URL=" + h.base}, subscriberSettings...)
	s := serve(t, database, settings...)
	portal := newSubscriber(t, 1)
	portal.kind = true
	portal.begins(t, s.fhir)
	sends := func(of []byte) string {
		t.Helper()
		r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", of)
		require.NoError(t, err)
		require.Equal(t, http.StatusCreated, r.status, "%s", r.body)
		return parse(t, r.body).ID
	}
	kept := sends(bytes.ReplaceAll(oona("kept", "5"), []byte("oona-thistledown"), []byte("casper-quillfeather")))
	sends(oona("erased", "6"))
	deleted := sends(oona("deleted", "7"))
	before := get(t, s.fhir+"/Observation/"+kept)
	r, err := call(http.MethodDelete, s.fhir+"/QuestionnaireResponse/"+deleted, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusNoContent, r.status)
	require.Equal(t, "completed", parse(t, get(t, s.fhir+"/QuestionnaireResponse/"+deleted+"/_history/1")).Status, "a deletion erases nothing, as the page says")
	require.Equal(t, "entered-in-error", parse(t, get(t, s.fhir+"/Observation/"+deleted)).Status)
	settled(t, s)
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_notifications_total", "event-notification") > 0 }, patience, patience/100)
	require.Equal(t, 0, s.stop())

	const hers = "SELECT count(*) FROM resource WHERE patient = 'Patient/oona-thistledown'"
	require.Positive(t, rows(t, hers))
	run(erasing(t, map[bool]string{true: "PostgreSQL", false: "SQLite"}[strings.HasPrefix(database, "postgres:")], "Patient/oona-thistledown"))
	require.Zero(t, rows(t, hers))
	for _, table := range []string{"token", "number", "delivery", "happened", "notification"} {
		require.Zero(t, rows(t, "SELECT count(*) FROM "+table+" WHERE rid NOT IN (SELECT rid FROM resource)"), table)
	}
	require.Zero(t, rows(t, "SELECT count(*) FROM resource_version WHERE vid >> 20 NOT IN (SELECT rid FROM resource)"))
	require.Zero(t, rows(t, "SELECT count(*) FROM identity WHERE (type, id) NOT IN (SELECT type, id FROM resource)"))
	require.Positive(t, rows(t, "SELECT count(*) FROM audit WHERE patient = 'Patient/oona-thistledown'"), "the audit trail stays, as the page says")
	verified := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, verified.code, "%s%s", verified.out, verified.err)
	require.Contains(t, verified.out, "1 scores computed again, 0 differ")

	s = serve(t, database, settings...)
	require.Equal(t, string(before), string(get(t, s.fhir+"/Observation/"+kept)))
	for _, of := range []string{"QuestionnaireResponse?patient=", "Observation?status=final,entered-in-error&patient="} {
		require.Zero(t, parse(t, get(t, s.fhir+"/"+of+"oona-thistledown&_total=accurate")).Total)
		require.Equal(t, 1, parse(t, get(t, s.fhir+"/"+of+"casper-quillfeather&_total=accurate")).Total)
	}
	again := sends(oona("erased", "6"))
	require.Equal(t, 1, parse(t, get(t, s.fhir+"/Observation?patient=oona-thistledown&_total=accurate")).Total, "what comes later is not taken for what was erased")
	get(t, s.fhir+"/Observation/"+again)
	settled(t, s)
}

func TestErasureOnSQLite(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	with := func(do func(db *sql.DB)) {
		db, err := sql.Open("sqlite", path)
		require.NoError(t, err)
		db.SetMaxOpenConns(1)
		do(db)
		require.NoError(t, db.Close())
	}
	erasure(t, path, func(statements string) {
		with(func(db *sql.DB) {
			_, err := db.Exec(statements)
			require.NoError(t, err)
		})
	}, func(t *testing.T, query string) (n int) {
		with(func(db *sql.DB) { require.NoError(t, db.QueryRow(query).Scan(&n)) })
		return n
	})
}

func TestErasureOnPostgreSQL(t *testing.T) {
	t.Parallel()
	own, database := cluster(t)
	conn := func() *sql.DB {
		db, err := sql.Open("pgx", database)
		require.NoError(t, err)
		return db
	}
	erasure(t, database, func(statements string) {
		require.NoError(t, own.Exec(context.Background(), "s1", statements))
	}, func(t *testing.T, query string) (n int) {
		db := conn()
		require.NoError(t, db.QueryRow(strings.Replace(query, "FROM delivery", "FROM deliveries", 1)).Scan(&n))
		require.NoError(t, db.Close())
		return n
	})
}
