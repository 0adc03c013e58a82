package test_test

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// canarySystem is that of the identifiers of what `tidemark check` writes.
const canarySystem = "https://tidemark.example/fhir/sid/canary"

// checkedAtHAPI: `tidemark check` writes its canary there and takes it back, twice,
// and finds out what HAPI makes of a conditional update.
func checkedAtHAPI(w *hapiWard) {
	i := newInstallation(w.t.(*testing.T), "TIDEMARK_EHR_URL="+w.hapi.Base)
	for range 2 {
		c := i.check()
		require.Equal(w.t, 0, c.code, c.text)
		verdict, _, says := c.of("canary")
		require.Equal(w.t, "ok", verdict)
		require.Contains(w.t, says, "entered in error and read again")
		_, _, says = c.of("reach")
		require.Contains(w.t, says, "FHIR 4.0.1; it is written to in mode conditional-create-then-update")
	}
	list := i.file("tidemark.yaml")
	require.NoError(w.t, os.WriteFile(list, []byte("TIDEMARK_EHR_URL:\n  - {name: hapi, url: "+w.hapi.Base+", mode: conditional-update}\n"), 0o600))
	i.settings = i.settings[:len(i.settings)-1]
	c := i.check("--config", list)
	require.Equal(w.t, 1, c.code, c.text)
	verdict, setting, says := c.of("canary")
	require.Equal(w.t, "look", verdict)
	require.Equal(w.t, "TIDEMARK_EHR_URL[0].mode", setting)
	require.Contains(w.t, says, "whatever If-None-Match says")

	var bundle struct {
		Entry []struct{ Resource charted }
	}
	_, err := w.fresh("Observation?_count=50&identifier="+url.QueryEscape(canarySystem+"|"), &bundle)
	require.NoError(w.t, err)
	require.NotEmpty(w.t, bundle.Entry)
	for _, e := range bundle.Entry {
		require.Equal(w.t, "entered-in-error", e.Resource.Status, "nothing of it stays")
	}
}

// namedAtHAPI: where references to other servers are refused, a score that names
// Device and response by identifier is taken, and is as we have it.
func namedAtHAPI(w *hapiWard) {
	require.NoError(w.t, w.hapi.AllowStrangers(false))
	defer func() { require.NoError(w.t, w.hapi.AllowStrangers(true)) }()
	p := w.tampered("named", "references: logical")
	id := p.sends(http.MethodPost, "", oona("named", "6"))
	p.w.arrives(id, "42.00", "final")
	require.Zero(w.t, metric(w.t, p.server, "tidemark_writeback_parked", ""), "%s", p.server.log)
	all, err := p.w.kept(id)
	require.NoError(w.t, err)
	held := clinical(w.t, all[0])
	require.NotContains(w.t, held["device"], "reference")
	source := held["derivedFrom"].([]any)[0].(map[string]any)
	require.Equal(w.t, map[string]any{"system": "https://fernway-portal.example/responses", "value": "named"}, source["identifier"])
	require.Zero(w.t, metric(w.t, p.server, "tidemark_writeback_copies_differing", ""))
	require.Equal(w.t, 0, p.server.stop())
}

// tampered is a ward of a program of its own, with settings of its target.
func (w *hapiWard) tampered(name, settings string) *shapedProgram {
	own := *w
	p := &shapedProgram{w: &own, name: name}
	file := filepath.Join(w.t.TempDir(), "tidemark.yaml")
	require.NoError(w.t, os.WriteFile(file, []byte(fmt.Sprintf("TIDEMARK_ADMIN_TOKEN: %s\nTIDEMARK_EHR_URL:\n  - {name: hapi, url: %q, timeout: 10s, %s}\n",
		deskToken, w.hapi.Base, settings)), 0o600))
	p.server = serveWith(w.t, []string{"--config", file}, filepath.Join(w.t.TempDir(), "tidemark.db"), outside)
	own.server = p.server
	return p
}

// sweptAtHAPI: somebody writes another number over a score at HAPI, which the
// sweep over its copies finds: it is reported, and put right when the operator
// says so, or at once where that is configured.
func sweptAtHAPI(w *hapiWard) {
	for action, repairs := range map[string]float64{"report": 0, "repair": 1} {
		p := w.tampered("swept-"+action, "read_back: {action: "+action+", interval: 1m}")
		id := p.sends(http.MethodPost, "", oona("swept-"+action, "6"))
		held := p.w.arrives(id, "42.00", "final")
		p.writesOver(id, held.ID, "12.00")
		if action == "report" {
			list := func(args ...string) result {
				return tidemark(w.t, "", []string{"TIDEMARK_ADMIN_TOKEN=" + deskToken}, append([]string{"deliveries"}, append(args, "--admin", p.server.admin)...)...)
			}
			require.Eventually(w.t, func() bool { return strings.Contains(list("list", "--state", "differs").out, id) }, hapiPatience, waiting*10, "%s", p.server.log)
			require.Contains(w.t, list("list").out, "changed")
			require.Contains(w.t, p.server.log.String(), "valueQuantity", "the element is named")
			require.NotContains(w.t, p.server.log.String(), "12.00", "its value is not")
			require.Equal(w.t, "12.00", p.w.arrives(id, "12.00", "final").ValueQuantity.Value.String(), "it is left to the operator")
			require.Equal(w.t, result{0, "1 to be tried again\n", ""}, list("retry", "--fault", "changed"))
		}
		require.Equal(w.t, held.ID, p.w.arrives(id, "42.00", "final").ID, "put right in the same resource")
		require.Eventually(w.t, func() bool {
			return metric(w.t, p.server, "tidemark_writeback_copies_differing", "") == 0
		}, hapiPatience, waiting*10, "%s", p.server.log)
		require.Equal(w.t, repairs, metric(w.t, p.server, "tidemark_writeback_copies_repairs_total", ""))
		require.Equal(w.t, 0, p.server.stop())
	}
}

// writesOver puts another total over that of a score at HAPI, past the program.
func (p *shapedProgram) writesOver(id, at, total string) {
	all, err := p.w.kept(id)
	require.NoError(p.w.t, err)
	body := strings.Replace(string(all[0]), `"value":42.00`, `"value":`+total, 1)
	require.NotEqual(p.w.t, string(all[0]), body)
	r, err := call(http.MethodPut, p.w.hapi.Base+"/Observation/"+at, []byte(body))
	require.NoError(p.w.t, err)
	require.Equal(p.w.t, http.StatusOK, r.status, "%s", r.body)
}
