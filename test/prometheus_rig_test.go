package test_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// shorter is how many times shorter than in the field every duration of the
// rules is while they are tried.
const shorter = 300

var (
	// lasting is a duration of PromQL or of a rule: a window, an offset, a "for".
	lasting = regexp.MustCompile(`(\[|offset |for: )(\d+)([smhd])`)
	// product is a duration within a threshold, in seconds.
	product = regexp.MustCompile(`(\d+) \* (60|86400)\b`)
)

// shortened makes every duration of the rules that many times shorter.
func shortened(t testing.TB, rules string) string {
	t.Helper()
	number := func(text string) int {
		n, err := strconv.Atoi(text)
		require.NoError(t, err)
		return n
	}
	seconds := map[string]int{"s": 1, "m": 60, "h": 3600, "d": 86400}
	rules = lasting.ReplaceAllStringFunc(rules, func(found string) string {
		part := lasting.FindStringSubmatch(found)
		return fmt.Sprintf("%s%dms", part[1], number(part[2])*seconds[part[3]]*1000/shorter)
	})
	return product.ReplaceAllStringFunc(rules, func(found string) string {
		part := product.FindStringSubmatch(found)
		return fmt.Sprint(float64(number(part[1])*number(part[2])) / shorter)
	})
}

// monitoring is Debian's Prometheus and Alertmanager, and whoever they page.
type monitoring struct {
	address string

	mu sync.Mutex
	// fired and cleared are the alerts that a notification came of.
	fired, cleared map[string]bool
}

// monitor starts them on loopback, to scrape the addresses by the shortened rules.
func monitor(t *testing.T, scraped []string) *monitoring {
	t.Helper()
	m := &monitoring{fired: map[string]bool{}, cleared: map[string]bool{}}
	page := httptest.NewServer(m)
	t.Cleanup(page.Close)
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	rules, err := os.ReadFile("../deploy/prometheus/rules.yml")
	require.NoError(t, err)
	write("rules.yml", shortened(t, string(rules)))
	manager := running(t, "prometheus-alertmanager", "--config.file="+write("alertmanager.yml", "route: {receiver: desk, group_by: [alertname], group_wait: 100ms, group_interval: 500ms}\n"+
		"receivers: [{name: desk, webhook_configs: [{url: '"+page.URL+"', send_resolved: true}]}]\n"),
		"--storage.path="+filepath.Join(dir, "alertmanager"), "--web.listen-address=127.0.0.1:0", "--cluster.listen-address=")
	m.address = running(t, "prometheus", "--config.file="+write("prometheus.yml", fmt.Sprintf("global: {scrape_interval: 200ms, scrape_timeout: 200ms, evaluation_interval: 300ms}\n"+
		"rule_files: [rules.yml]\nalerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}\n"+
		"scrape_configs: [{job_name: tidemark, scrape_interval: 200ms, scrape_timeout: 200ms, static_configs: [{targets: [%s]}]}]\n", manager, "'"+strings.Join(scraped, "', '")+"'")),
		"--storage.tsdb.path="+filepath.Join(dir, "prometheus"), "--web.listen-address=127.0.0.1:0", "--enable-feature=exemplar-storage")
	for _, address := range []string{manager, m.address} {
		require.Eventually(t, func() bool {
			r, err := call(http.MethodGet, "http://"+address+"/-/ready", nil)
			return err == nil && r.status == http.StatusOK
		}, patience, 100*time.Millisecond)
	}
	return m
}

// ServeHTTP is the desk that is paged.
func (m *monitoring) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	var told struct {
		Alerts []struct {
			Status              string
			Labels, Annotations map[string]string
		}
	}
	if err := json.NewDecoder(r.Body).Decode(&told); err != nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, a := range told.Alerts {
		switch {
		case a.Status == "firing" && a.Annotations["summary"] != "":
			m.fired[a.Labels["alertname"]] = true
		case a.Status == "resolved":
			m.cleared[a.Labels["alertname"]] = true
		}
	}
}

// firing are the alerts that Prometheus itself says fire.
func (m *monitoring) firing(t testing.TB) []string {
	t.Helper()
	var told struct {
		Data struct {
			Alerts []struct {
				State  string
				Labels map[string]string
			}
		}
	}
	require.NoError(t, json.Unmarshal(get(t, "http://"+m.address+"/api/v1/alerts"), &told))
	var names []string
	for _, a := range told.Data.Alerts {
		if a.State == "firing" {
			names = append(names, a.Labels["alertname"])
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// lack are those of the names that are not among the ones told of.
func (m *monitoring) lack(names []string, among map[string]bool) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool { return among[name] })
}

// listening is what both programs log of their address, the port of 0 replaced.
var listening = regexp.MustCompile(`msg="Listening on" address=(\S+)`)

// running runs a program until the end of the test, and gives the address that it
// serves.
func running(t *testing.T, name string, args ...string) (address string) {
	t.Helper()
	cmd := exec.Command(name, args...)
	log := &lockedBuffer{}
	cmd.Stdout, cmd.Stderr = io.Discard, log
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
		if t.Failed() {
			t.Log(name, ": ", log)
		}
	})
	require.Eventually(t, func() bool {
		found := listening.FindStringSubmatch(log.String())
		if found != nil {
			address = found[1]
		}
		return found != nil
	}, patience, waiting, "%s serves nowhere: %s", name, log)
	return address
}
