package test_test

import (
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestReportCommand: the page is written while a server uses the database; exit
// codes are those of every command.
func TestReportCommand(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := serve(t, database)
	_, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("report", "6"))
	require.NoError(t, err)
	dir := t.TempDir()
	report := func(args ...string) result {
		return tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, append([]string{"report"}, args...)...)
	}
	for _, file := range []struct{ name, begins string }{{"page.pdf", "%PDF-1."}, {"page.svg", "<?xml"}} {
		path := filepath.Join(dir, file.name)
		r := report("--patient", "Patient/oona-thistledown", "--out", path)
		require.Equal(t, 0, r.code, r.err)
		require.Contains(t, r.out, path)
		written, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, file.begins, string(written[:len(file.begins)]))
		about, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), about.Mode().Perm(), "for its owner alone")
	}
	polish := report("--patient", "Patient/oona-thistledown", "--out", "-", "--language", "pl")
	require.Contains(t, polish.out, "/Lang (pl)")
	r := report("--patient", "Patient/oona-thistledown", "--out", "-")
	require.Equal(t, "%PDF-1.", r.out[:7])
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 2, "nothing but the pages")

	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"nobody":           {[]string{"--patient", "Patient/nobody"}, 1, "no score of that patient"},
		"before all":       {[]string{"--patient", "Patient/oona-thistledown", "--as-of", "1999-12-31"}, 1, "no score of that patient"},
		"without patient":  {nil, 2, "--patient"},
		"no date":          {[]string{"--patient", "Patient/a", "--as-of", "yesterday"}, 2, "--as-of"},
		"no such language": {[]string{"--patient", "Patient/a", "--language", "xx"}, 2, "--language"},
		"no such form":     {[]string{"--patient", "Patient/a", "--out", "page.doc"}, 2, ".pdf or .svg"},
		"no such place":    {[]string{"--patient", "Patient/oona-thistledown", "--out", filepath.Join(dir, "none", "page.pdf")}, 3, "writing the report"},
	} {
		t.Run(name, func(t *testing.T) {
			r := report(c.args...)
			require.Equal(t, c.code, r.code, r.err)
			require.Contains(t, r.err, c.says)
		})
	}
	require.Contains(t, tidemark(t, "", nil, "report", "--help").out, "Example: tidemark report --patient")
	require.Equal(t, 3, tidemark(t, "", []string{"TIDEMARK_DATABASE=" + filepath.Join(dir, "none.db")}, "report", "--patient", "Patient/a").code)
}
