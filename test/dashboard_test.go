package test_test

import (
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// panel is one of the dashboard, or a row of them.
type panel struct {
	Type, Title string
	GridPos     struct{ H, W, X, Y int }
	Targets     []struct{ Expr, LegendFormat string }
	FieldConfig struct{ Defaults struct{ NoValue string } }
}

func panelsOf(t *testing.T) []panel {
	t.Helper()
	text, err := os.ReadFile("../deploy/grafana/tidemark.json")
	require.NoError(t, err)
	var dashboard struct{ Panels []panel }
	require.NoError(t, json.Unmarshal(text, &dashboard))
	return dashboard.Panels
}

// TestDashboardIsLaidOut: every panel has a title and queries with legends, lies
// under a row, and none lies over another. That the metrics exist is
// TestNamedMetricsExist, that the queries give something, TestPrometheusAlerts,
// that each panel can be drawn, TestDashboardDrawn.
func TestDashboardIsLaidOut(t *testing.T) {
	t.Parallel()
	taken := map[[2]int]string{}
	var titles []string
	for i, p := range panelsOf(t) {
		require.NotEmpty(t, p.Title)
		require.NotContains(t, titles, p.Title)
		titles = append(titles, p.Title)
		if i == 0 {
			require.Equal(t, "row", p.Type)
		}
		if p.Type != "row" {
			require.NotEmpty(t, p.Targets, p.Title)
		}
		for _, target := range p.Targets {
			require.NotEmpty(t, target.LegendFormat, p.Title)
			require.Contains(t, target.Expr, `{`, p.Title)
		}
		require.LessOrEqual(t, p.GridPos.X+p.GridPos.W, 24, p.Title)
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				require.Empty(t, taken[[2]int{x, y}], "%s lies over another", p.Title)
				taken[[2]int{x, y}] = p.Title
			}
		}
	}
	require.Greater(t, len(titles), 30)
}

// asked puts values in the place of Grafana's variables.
var asked = strings.NewReplacer("$__rate_interval", "30s", "$__range", "30s", "$job", "tidemark", "$target", ".*")

// queries has every query of the dashboard answered by a Prometheus that scrapes
// the program in every kind of trouble, and finds something in each answer but
// those that may find nothing now, which say what that means.
func (m *monitoring) queries(t *testing.T) {
	t.Helper()
	var empty []string
	for _, p := range panelsOf(t) {
		for _, target := range p.Targets {
			query := "http://" + m.address + "/api/v1/query?query=" + url.QueryEscape(asked.Replace(target.Expr))
			if p.FieldConfig.Defaults.NoValue != "" {
				answersSomething(t, query)
				continue
			}
			// A scrape that a busy machine was too late for leaves a gap.
			if !assert.Eventually(t, func() bool { return answersSomething(t, query) }, patience, 200*time.Millisecond) {
				empty = append(empty, p.Title+": "+target.Expr)
			}
		}
	}
	require.Empty(t, empty, "queries that nothing answers")
}

// answersSomething says whether a query, which must be PromQL, finds anything now.
func answersSomething(t *testing.T, query string) bool {
	t.Helper()
	r, err := call(http.MethodGet, query, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, r.status, "%s: %s", query, r.body)
	var answer struct{ Data struct{ Result []any } }
	require.NoError(t, json.Unmarshal(r.body, &answer))
	return len(answer.Data.Result) > 0
}
