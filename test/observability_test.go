package test_test

import (
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// rule is one of the rules for Prometheus.
type rule struct {
	Record, Alert, Expr, For string
	Labels, Annotations      map[string]string
}

func rulesOf(t *testing.T) []rule {
	t.Helper()
	text, err := os.ReadFile("../deploy/prometheus/rules.yml")
	require.NoError(t, err)
	var file struct{ Groups []struct{ Rules []rule } }
	require.NoError(t, yaml.Unmarshal(text, &file))
	var all []rule
	for _, group := range file.Groups {
		all = append(all, group.Rules...)
	}
	require.NotEmpty(t, all)
	return all
}

func alertNames(t *testing.T) []string {
	t.Helper()
	var names []string
	for _, r := range rulesOf(t) {
		if r.Alert != "" {
			names = append(names, r.Alert)
		}
	}
	return names
}

// sections are what each page of a runbook answers, in this order.
var sections = []string{"## What it means", "## Who is affected", "## First look", "## Cure", "## Proof of cure"}

// TestEveryAlertHasItsPage: an alert says how urgent it is and where to read on,
// the page answers what someone at three in the morning asks, and no page is left
// that no alert leads to.
func TestEveryAlertHasItsPage(t *testing.T) {
	t.Parallel()
	const at, where = "https://tidemark.example/", "deploy/runbooks/"
	led := map[string]bool{}
	for _, r := range rulesOf(t) {
		if r.Alert == "" {
			continue
		}
		require.Contains(t, []string{"page", "ticket"}, r.Labels["severity"], r.Alert)
		require.NotEmpty(t, r.Annotations["summary"], r.Alert)
		require.NotEmpty(t, r.Annotations["description"], r.Alert)
		require.NotEmpty(t, r.For, r.Alert)
		page, found := strings.CutPrefix(r.Annotations["runbook_url"], at+where)
		require.True(t, found, r.Alert)
		require.True(t, strings.HasPrefix(r.Alert, strings.TrimSuffix(page, ".md")), "%s leads to %s", r.Alert, page)
		led[page] = true
		text, err := os.ReadFile("../" + where + page)
		require.NoError(t, err, r.Alert)
		var titles []string
		for line := range strings.Lines(string(text)) {
			if strings.HasPrefix(line, "## ") {
				titles = append(titles, strings.TrimSpace(line))
			}
		}
		require.Equal(t, sections, titles, page)
	}
	pages, err := os.ReadDir("../" + where)
	require.NoError(t, err)
	for _, page := range pages {
		require.True(t, led[page.Name()], "no alert leads to %s", page.Name())
	}
}

// TestEveryAlertIsTried: promtool sees each alert fire, and not fire.
func TestEveryAlertIsTried(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../deploy/prometheus/rules_test.yml")
	require.NoError(t, err)
	var file struct {
		Tests []struct {
			Cases []struct {
				Name     string `yaml:"alertname"`
				Expected []any  `yaml:"exp_alerts"`
			} `yaml:"alert_rule_test"`
		}
	}
	require.NoError(t, yaml.Unmarshal(text, &file))
	fires, rests := map[string]bool{}, map[string]bool{}
	for _, test := range file.Tests {
		for _, c := range test.Cases {
			if len(c.Expected) > 0 {
				fires[c.Name] = true
			} else {
				rests[c.Name] = true
			}
		}
	}
	for _, name := range alertNames(t) {
		require.True(t, fires[name], "%s is not seen to fire", name)
		require.True(t, rests[name], "%s is not seen to rest", name)
	}
}

var (
	tidemarkMetric = regexp.MustCompile(`\btidemark[:_][a-z0-9_:]+`)
)

// reference are the metrics that there are: those of the reference, and those that
// rules record.
func reference(t *testing.T) map[string]bool {
	t.Helper()
	text, err := os.ReadFile("../deploy/prometheus/metrics.md")
	require.NoError(t, err)
	known := map[string]bool{}
	for _, row := range regexp.MustCompile("(?m)^\\| `(tidemark_[a-z_]+)` \\| (\\w+) ").FindAllStringSubmatch(string(text), -1) {
		known[row[1]] = true
		if row[2] == "histogram" {
			for _, suffix := range []string{"_bucket", "_count", "_sum"} {
				known[row[1]+suffix] = true
			}
		}
	}
	require.Greater(t, len(known), 50)
	for _, r := range rulesOf(t) {
		known[r.Record] = true
	}
	return known
}

// TestNamedMetricsExist: what rules, their tests, runbooks and the dashboard name
// is what the program has.
func TestNamedMetricsExist(t *testing.T) {
	t.Parallel()
	known, named := reference(t), 0
	for _, place := range []string{"prometheus/*.yml", "runbooks/*.md", "grafana/*.json"} {
		files, err := filepath.Glob("../deploy/" + place)
		require.NoError(t, err)
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			for _, name := range tidemarkMetric.FindAllString(string(text), -1) {
				if strings.HasSuffix(name, "_") || strings.HasSuffix(name, ":") {
					continue // a family that a text speaks of
				}
				require.True(t, known[name], "%s names %s, which is not there", file, name)
				named++
			}
		}
	}
	require.Greater(t, named, 200)
}

// TestRulesAreShortened: the rules that are tried end to end are those of the
// field, but for the time that they take.
func TestRulesAreShortened(t *testing.T) {
	t.Parallel()
	require.Equal(t, "rate(x[1000ms] offset 864000ms) > 3 or y[6000ms]\nfor: 400ms", shortened(t, "rate(x[5m] offset 3d) > 15 * 60 or y[30m]\nfor: 2m"))
	text, err := os.ReadFile("../deploy/prometheus/rules.yml")
	require.NoError(t, err)
	var short struct{ Groups []struct{ Rules []rule } }
	require.NoError(t, yaml.Unmarshal([]byte(shortened(t, string(text))), &short))
	longest := 72 * time.Hour / shorter
	for _, group := range short.Groups {
		for _, r := range group.Rules {
			for _, found := range regexp.MustCompile(`\[(\w+)\]`).FindAllStringSubmatch(r.Expr, -1) {
				took, err := time.ParseDuration(found[1])
				require.NoError(t, err)
				require.LessOrEqual(t, took, longest)
			}
		}
	}
}

// parsers are how files to deploy by are read, by the end of their names.
var parsers = map[string]func([]byte) error{
	".json": func(text []byte) error { return json.Unmarshal(text, new(any)) },
	".yml":  everyDocument, ".yaml": everyDocument,
}

// everyDocument reads each document of a YAML file.
func everyDocument(text []byte) error {
	decoder := yaml.NewDecoder(strings.NewReader(string(text)))
	for {
		var each any
		if err := decoder.Decode(&each); err != nil {
			if err.Error() == "EOF" {
				return nil
			}
			return err
		}
	}
}

var linked = regexp.MustCompile(`\]\(([^)#:]+)(#[^)]*)?\)`)

// TestEveryFileToDeployByParses: JSON and YAML can be read, and what pages link to
// is there.
func TestEveryFileToDeployByParses(t *testing.T) {
	t.Parallel()
	var kinds []string
	require.NoError(t, filepath.WalkDir("../deploy", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NotEmpty(t, text, path)
		kind := filepath.Ext(path)
		kinds = append(kinds, kind)
		if parse, ok := parsers[kind]; ok {
			require.NoError(t, parse(text), path)
		}
		if kind == ".md" {
			for _, link := range linked.FindAllStringSubmatch(string(text), -1) {
				_, err := os.Stat(filepath.Join(filepath.Dir(path), link[1]))
				require.NoError(t, err, "%s links to %s", path, link[1])
			}
		}
		return nil
	}))
	for _, kind := range []string{".md", ".yml"} {
		require.True(t, slices.Contains(kinds, kind), "%s was there to be parsed", kind)
	}
}
