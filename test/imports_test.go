package test_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "tidemark.example/tidemark"

// allowed is the package map: what each package may import of ours. Imports
// point one way, so that a reader can follow a form from HTTP to the chart.
var allowed = map[string][]string{
	"scoring":                {},
	"scoring/trend":          {"scoring"},
	"scoring/agreement":      {"scoring"},
	"fhir/schema":            {},
	"fhir/schema/generate":   {},
	"fhir":                   {"fhir/schema"},
	"fhir/audit":             {"fhir"},
	"fhir/audit/ship":        {"fhir/audit", "fhir/store"},
	"config":                 {"scoring"},
	"config/watch":           {},
	"questionnaire":          {"scoring", "fhir", "fhir/schema"},
	"fhir/observation":       {"questionnaire", "questionnaire/languages", "scoring", "fhir"},
	"fhir/store":             {"fhir"},
	"fhir/store/groupcommit": {"fhir", "fhir/store"},
	"fhir/store/searchsql":   {"fhir", "fhir/store"},
	"fhir/store/pack":        {},
	"fhir/store/auditchain":  {"fhir/store"},
	"fhir/store/sqlite":      {"fhir", "fhir/store", "fhir/store/auditchain", "fhir/store/groupcommit", "fhir/store/searchsql", "fhir/store/pack"},
	"fhir/store/postgres":    {"fhir", "fhir/store", "fhir/store/auditchain", "fhir/store/groupcommit", "fhir/store/searchsql", "fhir/store/pack"},
	"fhir/store/storetest":   {"fhir", "fhir/store"},
	"fhir/receipt":           {"fhir", "fhir/observation", "fhir/store", "questionnaire"},
	"fhir/report":            {"fhir", "fhir/observation", "questionnaire", "questionnaire/languages", "scoring", "scoring/trend", "scoring/agreement"},
	"fhir/writeback":         {"fhir", "fhir/store", "fhir/observation"},
	"fhir/writeback/login":   {"config/watch", "fhir/writeback"},
	"fhir/subscription":      {"fhir"},
	"fhir/notify":            {"fhir", "fhir/store", "fhir/subscription"},
	"fhir/export":            {"fhir", "fhir/store"},
	"fhir/sandbox":           {"fhir"},
	"api/auth":               {"fhir"},
	"api/edge":               {"config/watch"},
	"api/tracing":            {},
	"api/status":             {},
	"api/auth/authserver":    {"api/auth"},
	"api":                    {"api/auth", "api/auth/authserver", "api/edge", "api/tracing", "config", "scoring", "scoring/trend", "scoring/agreement", "fhir", "questionnaire", "questionnaire/languages", "fhir/observation", "fhir/store", "fhir/store/groupcommit", "fhir/audit", "fhir/receipt", "fhir/report", "fhir/subscription", "fhir/export"},
	"cmd/tidemark":           {"*"},
	"test/fhirpath/grid":     {"scoring"},
	"test/statistics/cases":  {"scoring", "scoring/trend", "scoring/agreement"},
	"test/validator/emit":    {"*"},
	"test/ports":             {},
	"test/postgrestest":      {"test/ports"},
	"test/sqlitetest":        {"fhir/store/sqlite"},
	"test/hapi":              {"test/ports"},
	"test/hospital":          {"fhir/sandbox"},
	"test/jsonformat":        {},
	"test":                   {"*"},

	"questionnaire/languages":       {},
	"questionnaire/languages/merge": {"questionnaire/languages"},
	"deploy/release/licences":       {},
}

// eachFile visits every Go file of the module that is not a test.
func eachFile(t *testing.T, visit func(dir string, file *ast.File)) {
	t.Helper()
	seen := 0
	root := ".."
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		dir, err := filepath.Rel(root, filepath.Dir(path))
		seen++
		visit(filepath.ToSlash(dir), file)
		return err
	}))
	require.Greater(t, seen, 50, "files found")
}

func TestImportsPointOneWay(t *testing.T) {
	t.Parallel()
	eachFile(t, func(dir string, file *ast.File) {
		may, known := allowed[dir]
		require.True(t, known, "package %s is not on the map; add it to the map here and in DEVELOPERS.md", dir)
		for _, spec := range file.Imports {
			path, err := strconv.Unquote(spec.Path.Value)
			require.NoError(t, err)
			if path == "github.com/gin-gonic/gin" {
				require.Equal(t, "api", dir, "Gin lives only in api")
			}
			ours, found := strings.CutPrefix(path, module+"/")
			if found && (len(may) == 0 || may[0] != "*") {
				require.Contains(t, may, ours, "%s imports %s", dir, ours)
			}
		}
	})
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	t.Parallel()
	comments := map[string]bool{}
	eachFile(t, func(dir string, file *ast.File) {
		comments[dir] = comments[dir] || file.Doc != nil && len(file.Doc.Text()) > 60
	})
	for dir, ok := range comments {
		require.True(t, ok, "package %s has no comment", dir)
	}
}

func TestScoringIsPure(t *testing.T) {
	t.Parallel()
	intervals := 0
	eachFile(t, func(dir string, file *ast.File) {
		if dir != "scoring" && !strings.HasPrefix(dir, "scoring/") {
			return
		}
		for _, spec := range file.Imports {
			require.NotContains(t, []string{`"os"`, `"net"`, `"net/http"`, `"io"`, `"time"`, `"log/slog"`}, spec.Path.Value)
		}
		// The ends of intervals of agreement are irrational, and in one file.
		if dir == "scoring/agreement" && file.Scope.Lookup("studentT") != nil {
			intervals++
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			if id, ok := n.(*ast.Ident); ok {
				require.NotContains(t, []string{"float64", "float32"}, id.Name, "no float on the way from answer to score")
			}
			return true
		})
	})
	require.Equal(t, 1, intervals, "files with floating point")
}
