package test_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
)

// quarter is a quarter of the time that the dashboard is drawn over: a bad day, which
// ends with all but one of its troubles mended.
const quarter = 18 * time.Second

// rate is how many requests a second a client may make.
const rate = 40

// day is what the dashboard is drawn of: a server with its hospitals, a portal that
// is told, and the servers beside it.
type day struct {
	main, app, secure *server
	dead, picky       *hospital
	smart             *smartHospital
	issuer            *login
	portal            *subscriber
}

// TestDashboardDrawn has Debian's Prometheus record the real program on a bad day,
// and every panel of the dashboard drawn from that: each must have something to
// show. It runs by test/prometheus/run, which says where the picture is.
func TestDashboardDrawn(t *testing.T) {
	python, picture := os.Getenv("TIDEMARK_TEST_MATPLOTLIB"), os.Getenv("TIDEMARK_TEST_PICTURE")
	if python == "" || picture == "" {
		t.Skip("SKIPPED: it needs Prometheus and matplotlib; test/prometheus/run runs it")
	}
	d := newDay(t)
	var scraped []string
	for _, each := range []*server{d.main, d.app, d.secure} {
		scraped = append(scraped, strings.TrimPrefix(each.admin, "http://"))
	}
	m := monitor(t, scraped)
	began := time.Now()
	ctx, over := context.WithCancel(t.Context())
	defer over()
	go d.families(ctx)
	go d.strangers(ctx, t)
	time.Sleep(quarter)
	d.smart.register(d.main.fhir + "/.well-known/jwks.json")
	d.issuer.down.Store(false)
	d.dead.dies()
	time.Sleep(quarter)
	d.dead.revive()
	time.Sleep(2 * quarter)
	ended := time.Now()
	unix := func(at time.Time) string { return fmt.Sprintf("%.3f", float64(at.UnixMilli())/1000) }
	out, err := exec.Command(python, "prometheus/draw.py", "../deploy/grafana/tidemark.json", picture, "--prometheus", m.address, //nolint:gosec // test/prometheus/run names it
		"--start", unix(began), "--end", unix(ended), "--step", "0.5", "--variable", "job=tidemark", "--variable", "target=.*",
		"--variable", "__rate_interval=3s", "--variable", fmt.Sprintf("__range=%ds", int(ended.Sub(began).Seconds()))).CombinedOutput()
	require.NoError(t, err, "%s", out)
	t.Logf("%s", out)
}

// newDay starts them: a hospital that will be dead for a while, one that refuses
// some scores for good, one that gives no tokens at first, one whose copies
// somebody deletes; and beside them a server that takes the tokens of an issuer
// which does not answer at first, and one by TLS.
func newDay(t *testing.T) *day {
	t.Helper()
	dir := t.TempDir()
	d := &day{dead: newHospital(t), picky: newHospital(t), smart: newSMARTHospital(t), issuer: newLogin(t), portal: newSubscriber(t, 1)}
	d.dead.revive()
	d.picky.revive()
	d.issuer.down.Store(true)
	var refused atomic.Int64
	d.picky.troubled(func(w http.ResponseWriter, r *http.Request) bool {
		if r.Method == http.MethodGet || refused.Add(1) > 3 {
			return false
		}
		w.Header().Set("Content-Type", "application/fhir+json")
		w.WriteHeader(http.StatusUnprocessableEntity)
		_, _ = w.Write([]byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"business-rule"}]}`))
		return true
	})
	_, meadow := newMeddling(t, func(hospital *sandbox.Server, id, _ string) { hospital.Delete("Observation", id) })
	keys := filepath.Join(dir, "keys.json")
	require.Equal(t, 0, tidemark(t, "", nil, "keys", "make", keys).code)
	database, settings := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "tidemark.yaml")
	earlier(t, database, "brindlemoor", 20*time.Minute)
	require.NoError(t, os.WriteFile(settings, []byte("TIDEMARK_ADMIN_TOKEN: "+deskToken+"\nTIDEMARK_EHR_URL:\n"+
		"  - {name: brindlemoor, url: "+d.dead.base+", timeout: 1s}\n"+
		"  - {name: moody, url: "+d.picky.base+", timeout: 1s}\n"+
		"  - {name: smart, url: "+d.smart.base+", auth: {type: smart, client_id: tidemark, key_file: "+keys+", token_url: "+d.smart.base+"/auth/token}}\n"+
		"  - {name: meadow, url: "+meadow+", timeout: 1s}\n"), 0o600))
	d.main = serveWith(t, []string{"--config", settings}, database, append(subscriberSettings, "TIDEMARK_AUDIT_SHIP="+filepath.Join(dir, "audit.ndjson"), fmt.Sprint("TIDEMARK_RATE=", rate), fmt.Sprint("TIDEMARK_BURST=", rate))...)
	d.portal.begins(t, d.main.fhir)
	cert, key := filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key")
	certificateUntil(t, cert, key, time.Now().Add(60*24*time.Hour))
	d.secure = serve(t, filepath.Join(dir, "secure.db"), "TIDEMARK_TLS_CERT="+cert, "TIDEMARK_TLS_KEY="+key,
		"TIDEMARK_EHR_URL=https://127.0.0.1:1/fhir", "TIDEMARK_EHR_TLS_CLIENT_CERT="+cert, "TIDEMARK_EHR_TLS_CLIENT_KEY="+key)
	d.app = serve(t, filepath.Join(dir, "app.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS="+d.issuer.URL)
	return d
}

// families send what families send: mostly good forms, of every severity, some
// twice, some that cannot be scored.
func (d *day) families(ctx context.Context) {
	grades := []string{"000000", "100001", "111111", "211112", "222222", "333333"}
	for n := 0; ctx.Err() == nil; n++ {
		of := responseOf(fmt.Sprint("day-", n), fmt.Sprint(n%7*12), grades[n%len(grades)], fmt.Sprint(n%10), fmt.Sprint(n%8))
		switch {
		case n%11 == 3:
			of = []byte(strings.Replace(string(of), `"extent.direct"`, `"extent.nothing"`, 1))
		case n%17 == 5:
			of = of[:len(of)/2]
		}
		_, _ = call(http.MethodPost, d.main.fhir+"/QuestionnaireResponse", of)
		if n%13 == 7 {
			_, _ = call(http.MethodPost, d.main.fhir+"/QuestionnaireResponse", of)
		}
		time.Sleep(60 * time.Millisecond)
	}
}

// strangers ask with a token and without one, and now and then too often.
func (d *day) strangers(ctx context.Context, t *testing.T) {
	token := d.issuer.token(t, d.app.fhir, "patient/*.rs", "oona-thistledown")
	for n := 0; ctx.Err() == nil; n++ {
		_, _ = call(http.MethodGet, d.app.fhir+"/Observation", nil)
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, d.app.fhir+"/Observation", nil)
		if err != nil {
			return
		}
		request.Header.Set("Authorization", "Bearer "+token)
		if response, err := client.Do(request); err == nil {
			_ = response.Body.Close()
		}
		if n%50 == 40 {
			for range 2 * rate {
				_, _ = call(http.MethodGet, d.main.fhir+"/metadata", nil)
			}
		}
		time.Sleep(200 * time.Millisecond)
	}
}
