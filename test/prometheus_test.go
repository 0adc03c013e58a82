package test_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/test/ports"
)

// How long it may take until every alert fires, and until every one has cleared:
// the slowest clears once its window of six hours, shortened, is past the fault.
const (
	firingTime   = 150 * time.Second
	clearingTime = 240 * time.Second
)

// trouble is one fault of what the program stands on: what it must raise, what
// breaks, what goes on happening while it is broken, and what mends it.
type trouble struct {
	alerts      []string
	breaks      func()
	meanwhile   func()
	mends       func()
	untilHealed func()
}

// TestPrometheusAlerts scrapes the real program by Debian's Prometheus, breaks
// what each alert is about, sees Alertmanager page for it, mends it, and sees it
// clear. It runs by test/prometheus/run.
func TestPrometheusAlerts(t *testing.T) {
	if os.Getenv("TIDEMARK_TEST_PROMETHEUS") == "" {
		t.Skip("SKIPPED: it needs Prometheus and Alertmanager and takes three minutes; test/prometheus/run runs it")
	}
	var troubles []trouble
	var scraped, raises []string
	for _, each := range []func(*testing.T) ([]string, []trouble){delivering, storing, letting, standing} {
		addresses, made := each(t)
		scraped, troubles = append(scraped, addresses...), append(troubles, made...)
	}
	for _, each := range troubles {
		raises = append(raises, each.alerts...)
	}
	requireEveryAlert(t, raises)
	m := monitor(t, scraped)
	for _, each := range troubles {
		each.breaks()
	}
	ctx, mended := context.WithCancel(t.Context())
	repeat(ctx, troubles, func(of trouble) func() { return of.meanwhile })
	if !assert.Eventually(t, func() bool { return len(m.lack(raises, m.fired)) == 0 }, firingTime, 200*time.Millisecond) {
		require.FailNow(t, "not all of them fire", "%v do not", m.lack(raises, m.fired))
	}
	t.Logf("%d alerts fired", len(raises))
	m.queries(t)
	mended()
	for _, each := range troubles {
		each.mends()
	}
	ctx, healed := context.WithCancel(t.Context())
	defer healed()
	repeat(ctx, troubles, func(of trouble) func() { return of.untilHealed })
	if !assert.Eventually(t, func() bool { return len(m.firing(t)) == 0 && len(m.lack(raises, m.cleared)) == 0 }, clearingTime, 300*time.Millisecond) {
		require.FailNow(t, "not all of them clear", "%v fire, of %v nobody was told", m.firing(t), m.lack(raises, m.cleared))
	}
	t.Logf("%d alerts cleared", len(raises))
}

// repeat does what goes on, again and again, until the context ends.
func repeat(ctx context.Context, troubles []trouble, which func(trouble) func()) {
	for _, each := range troubles {
		do := which(each)
		if do == nil {
			continue
		}
		go func() {
			for ctx.Err() == nil {
				do()
				time.Sleep(150 * time.Millisecond)
			}
		}()
	}
}

// requireEveryAlert holds the faults to the rules: each alert is provoked, but
// for one that needs a disk of its own where none can be made.
func requireEveryAlert(t *testing.T, provoked []string) {
	t.Helper()
	for _, name := range alertNames(t) {
		if name == "TidemarkDiskFull" && !slices.Contains(provoked, name) {
			t.Log("SKIPPED: TidemarkDiskFull, since no disk can be made here; it takes the right to mount one")
			continue
		}
		require.Contains(t, provoked, name, "nothing provokes it")
	}
}

// earlier fills a database as it was some time ago with one score that a target
// was to hold.
func earlier(t *testing.T, path, target string, ago time.Duration) {
	t.Helper()
	db, err := sqlite.Open(t.Context(), path, sqlite.Options{Clock: func() time.Time { return time.Now().Add(-ago) }})
	require.NoError(t, err)
	server := api.New(api.Options{Store: db, BaseURL: "http://127.0.0.1/fhir", Targets: []api.Target{{Name: target}}}, api.NewMetrics())
	request := httptest.NewRequest(http.MethodPost, "/fhir/QuestionnaireResponse", strings.NewReader(string(oona("earlier", "6"))))
	request.Header.Set("Content-Type", "application/fhir+json")
	answer := httptest.NewRecorder()
	server.Handler().ServeHTTP(answer, request)
	require.Equal(t, http.StatusCreated, answer.Code, answer.Body)
	server.Close()
	require.NoError(t, db.Close())
}

// delivering is a server with hospitals at fault in every way, a portal that does
// not answer, and nowhere to give the audit trail to.
func delivering(t *testing.T) ([]string, []trouble) {
	dir := t.TempDir()
	down := newHospital(t) // until it is revived
	moody := newMoody(t)
	smart := newSMARTHospital(t)
	meadow, meadowBase := newMeddling(t, func(hospital *sandbox.Server, id, _ string) { hospital.Delete("Observation", id) })
	portal := newSubscriber(t, 1)
	portal.kind = true
	var deaf atomic.Bool
	portal.web = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if deaf.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		portal.ServeHTTP(w, r)
	}))
	t.Cleanup(portal.web.Close)
	keys := filepath.Join(dir, "keys.json")
	require.Equal(t, 0, tidemark(t, "", nil, "keys", "make", keys).code)
	database, settings := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "tidemark.yaml")
	earlier(t, database, "brindlemoor", 20*time.Minute)
	require.NoError(t, os.WriteFile(settings, []byte("TIDEMARK_ADMIN_TOKEN: "+deskToken+"\nTIDEMARK_EHR_URL:\n"+
		"  - {name: brindlemoor, url: "+down.base+", timeout: 1s}\n"+
		"  - {name: moody, url: "+moody.URL+"/fhir, timeout: 1s}\n"+
		"  - {name: smart, url: "+smart.base+", auth: {type: smart, client_id: tidemark, key_file: "+keys+", token_url: "+smart.base+"/auth/token}}\n"+
		"  - {name: meadow, url: "+meadowBase+", timeout: 1s}\n"), 0o600))
	trail := filepath.Join(dir, "not yet", "audit.ndjson")
	s := serveWith(t, []string{"--config", settings}, database, append(subscriberSettings, "TIDEMARK_AUDIT_SHIP="+trail)...)
	portal.begins(t, s.fhir)
	desk := func(args ...string) result {
		return tidemark(t, "", []string{"TIDEMARK_ADMIN_TOKEN=" + deskToken}, append([]string{"deliveries"}, append(args, "--admin", s.admin)...)...)
	}
	first := true
	submits := func() {
		if first {
			first = false
			_, _ = call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("now", "6"))
		}
		_, _ = call(http.MethodPost, s.fhir+"/QuestionnaireResponse", []byte("{"))
	}
	nothing := func() {}
	return []string{strings.TrimPrefix(s.admin, "http://")}, []trouble{
		{alerts: []string{"TidemarkFormsRefused"}, breaks: nothing, meanwhile: submits, mends: nothing},
		{alerts: []string{"TidemarkChartBehind", "TidemarkTargetPaused", "TidemarkFormToChartLateFast", "TidemarkFormToChartLateSlow"}, breaks: nothing, mends: down.revive},
		{alerts: []string{"TidemarkDeliveriesParked"}, breaks: nothing, mends: func() {
			moody.open.Store(true)
			require.Equal(t, 0, desk("retry", "--target", "moody").code)
		}},
		{alerts: []string{"TidemarkTargetLoginRefused"}, breaks: func() { smart.refuse() }, mends: func() {
			smart.register(s.fhir + "/.well-known/jwks.json")
		}},
		{alerts: []string{"TidemarkCopiesDiffer"}, breaks: nothing, mends: func() {
			require.Equal(t, 0, desk("retry", "--target", "meadow", "--fault", "lost").code)
			require.Eventually(t, func() bool { return len(meadow.Current("Observation")) == 1 }, patience, 50*time.Millisecond)
		}},
		{alerts: []string{"TidemarkSubscriberFailing"}, breaks: func() { deaf.Store(true) }, mends: func() {
			deaf.Store(false)
			portal.subscribes(t, s.fhir)
		}},
		{alerts: []string{"TidemarkAuditShippingBehind"}, breaks: nothing, mends: func() {
			require.NoError(t, os.MkdirAll(filepath.Dir(trail), 0o700))
		}},
	}
}

// storing is a server whose database goes away, and one on a disk that is nearly
// full, where one can be made.
func storing(t *testing.T) ([]string, []trouble) {
	own, database := cluster(t)
	s := serve(t, database)
	n := 0
	scraped, troubles := []string{strings.TrimPrefix(s.admin, "http://")}, []trouble{{
		alerts: []string{"TidemarkDatabaseUnreachable", "TidemarkNotStoring", "TidemarkIngestUnavailableFast", "TidemarkIngestUnavailableSlow", "TidemarkAuditLost"},
		breaks: func() { require.NoError(t, own.Halt(syscall.SIGQUIT)) },
		meanwhile: func() {
			n++
			_, _ = call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(fmt.Sprint("lost-", n), "6"))
			_, _ = call(http.MethodGet, s.fhir+"/Observation?patient=oona-thistledown", nil)
		},
		mends: func() { require.NoError(t, own.Restart()) },
	}}
	disk := t.TempDir()
	mount := func(options string) error {
		return exec.Command("mount", "-t", "tmpfs", "-o", options, "tidemark-test", disk).Run()
	}
	if mount("size=64m") != nil {
		return scraped, troubles
	}
	t.Cleanup(func() { require.NoError(t, exec.Command("umount", "--lazy", disk).Run()) })
	small := serve(t, filepath.Join(disk, "tidemark.db"))
	return append(scraped, strings.TrimPrefix(small.admin, "http://")), append(troubles, trouble{
		alerts: []string{"TidemarkDiskFull"}, breaks: func() {}, mends: func() { require.NoError(t, mount("remount,size=3g")) },
	})
}

// letting is a server that asks an issuer who is let in, and one whose certificate
// ends in half an hour, toward its clients and toward its hospital.
func letting(t *testing.T) ([]string, []trouble) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key")
	certificateUntil(t, cert, key, time.Now().Add(30*time.Minute))
	h := newLogin(t)
	s := serve(t, filepath.Join(dir, "tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS="+h.URL)
	secure := serve(t, filepath.Join(dir, "secure.db"), "TIDEMARK_TLS_CERT="+cert, "TIDEMARK_TLS_KEY="+key,
		"TIDEMARK_EHR_URL=https://127.0.0.1:1/fhir", "TIDEMARK_EHR_TLS_CLIENT_CERT="+cert, "TIDEMARK_EHR_TLS_CLIENT_KEY="+key)
	asks := func() {
		request, err := http.NewRequestWithContext(context.Background(), http.MethodGet, s.fhir+"/Observation", nil)
		if err != nil {
			return
		}
		request.Header.Set("Authorization", "Bearer "+h.token(t, s.fhir, "patient/*.rs", "oona-thistledown"))
		if response, err := client.Do(request); err == nil {
			_ = response.Body.Close()
		}
	}
	return []string{strings.TrimPrefix(s.admin, "http://"), strings.TrimPrefix(secure.admin, "http://")}, []trouble{
		{alerts: []string{"TidemarkIssuerKeysFailing"}, breaks: func() { h.down.Store(true) }, meanwhile: asks, mends: func() { h.down.Store(false) }, untilHealed: asks},
		{alerts: []string{"TidemarkCertificateEnds", "TidemarkTargetCertificateEnds"}, breaks: func() {}, mends: func() { certificateUntil(t, cert, key, time.Now().Add(48*time.Hour)) }},
	}
}

// standing are a server that has no place left for requests, and one that dies.
func standing(t *testing.T) ([]string, []trouble) {
	dir := t.TempDir()
	full := serve(t, filepath.Join(dir, "full.db"), "TIDEMARK_CONCURRENT=0", "TIDEMARK_CONCURRENT_TOTAL=4")
	port, err := ports.Free() // it comes back there
	require.NoError(t, err)
	address := fmt.Sprint("127.0.0.1:", port)
	mortal := func() *server { return serve(t, filepath.Join(dir, "mortal.db"), "TIDEMARK_ADMIN_LISTEN="+address) }
	dies := mortal()
	var held []net.Conn
	return []string{strings.TrimPrefix(full.admin, "http://"), address}, []trouble{
		{alerts: []string{"TidemarkSaturated"}, breaks: func() {}, meanwhile: func() {
			// A request whose body does not come holds its place for a while.
			connection, err := net.Dial("tcp", strings.TrimSuffix(strings.TrimPrefix(full.fhir, "http://"), "/fhir"))
			if err != nil {
				return
			}
			held = append(held, connection)
			_, _ = connection.Write([]byte("POST /fhir/QuestionnaireResponse HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 100\r\n\r\n{"))
		}, mends: func() {
			for _, each := range held {
				_ = each.Close()
			}
		}},
		{alerts: []string{"TidemarkDown"}, breaks: dies.kill, mends: func() { mortal() }},
	}
}

// refuse lets the token endpoint know nobody.
func (h *smartHospital) refuse() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.tokens = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusUnauthorized)
		_, _ = w.Write([]byte(`{"error":"invalid_client"}`))
	})
}
