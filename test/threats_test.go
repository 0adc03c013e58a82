package test_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const threatModel = "../deploy/threat-model"

// namedTest is a test as a page writes it: `package.Name`.
var namedTest = regexp.MustCompile("`([a-z/]+)\\.((?:Test|Fuzz)[A-Za-z0-9_]+)`")

// threat is one row of a page.
type threat struct{ kind, text, holds, tests string }

// threatsOf reads the table of a page.
func threatsOf(t *testing.T, page string) []threat {
	t.Helper()
	text, err := os.ReadFile(page)
	require.NoError(t, err)
	var all []threat
	for line := range strings.Lines(string(text)) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if !strings.HasPrefix(line, "| ") || len(cells) < 4 || strings.TrimSpace(cells[0]) == "kind" {
			continue
		}
		require.Len(t, cells, 4, "%s: %s", page, line)
		all = append(all, threat{strings.TrimSpace(cells[0]), strings.TrimSpace(cells[1]), strings.TrimSpace(cells[2]), strings.TrimSpace(cells[3])})
	}
	return all
}

// testsIn are the tests and fuzz targets of a package.
func testsIn(t *testing.T, dir string) map[string]bool {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", dir, "*_test.go"))
	require.NoError(t, err)
	found := map[string]bool{}
	for _, file := range files {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		for _, declaration := range parsed.Decls {
			if f, ok := declaration.(*ast.FuncDecl); ok && f.Recv == nil {
				found[f.Name.Name] = true
			}
		}
	}
	return found
}

// TestThreatsNameTheirTests: every threat of the model names tests, and they are
// there; every page is listed, and looks at all six kinds.
func TestThreatsNameTheirTests(t *testing.T) {
	t.Parallel()
	pages, err := filepath.Glob(filepath.Join(threatModel, "*.md"))
	require.NoError(t, err)
	index, err := os.ReadFile(filepath.Join(threatModel, "README.md"))
	require.NoError(t, err)
	packages := map[string]map[string]bool{}
	seen := 0
	for _, page := range pages {
		name := filepath.Base(page)
		if name == "README.md" {
			continue
		}
		seen++
		require.Contains(t, string(index), "("+name+")")
		kinds := map[string]bool{}
		for _, row := range threatsOf(t, page) {
			kinds[row.kind] = true
			require.NotEmpty(t, row.holds, "%s: %s", name, row.text)
			named := namedTest.FindAllStringSubmatch(row.tests, -1)
			require.NotEmpty(t, named, "%s: no test holds that %s", name, row.text)
			require.Equal(t, strings.Count(row.tests, "`"), 2*len(named), "%s: a name that is none in %s", name, row.tests)
			for _, test := range named {
				if packages[test[1]] == nil {
					packages[test[1]] = testsIn(t, test[1])
				}
				assert.True(t, packages[test[1]][test[2]], "%s: there is no %s.%s", name, test[1], test[2])
			}
		}
		require.Equal(t, map[string]bool{"S": true, "T": true, "R": true, "I": true, "D": true, "E": true}, kinds, name)
	}
	require.Equal(t, 7, seen)
}
