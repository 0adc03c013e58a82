package test_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/stretchr/testify/require"
)

// hapiShapes are how panels and documents are written to HAPI, by one program
// after the other, since no server may be two targets of one.
var hapiShapes = []struct {
	shape, mode string
	members     func(whole map[string]string) map[string]string
}{
	{"panel", "conditional-create-then-update", asPanel},
	{"panel", "transaction", asPanel},
	{"document", "conditional-create-then-update", asDocument},
	{"document", "transaction", asDocument},
}

// shapedAtHAPI: a score in each shape, created, amended so that parts of it go,
// taken back, and another deleted.
func shapedAtHAPI(w *hapiWard) {
	for _, each := range hapiShapes {
		p := &shapedProgram{w: w, name: each.shape + "-" + each.mode, members: each.members}
		p.serves(each.shape, each.mode)
		p.plays()
	}
}

// shapedProgram is another program that writes to the same HAPI.
type shapedProgram struct {
	w       *hapiWard
	name    string
	members func(whole map[string]string) map[string]string
	server  *server
}

func (p *shapedProgram) serves(shape, mode string) {
	target := fmt.Sprintf("TIDEMARK_EHR_URL:\n  - {name: hapi, url: %q, timeout: 10s, shape: %s, mode: %s}\n", p.w.hapi.Base, shape, mode)
	file := filepath.Join(p.w.t.TempDir(), "tidemark.yaml")
	require.NoError(p.w.t, os.WriteFile(file, []byte(target), 0o600))
	p.server = serveWith(p.w.t, []string{"--config", file}, filepath.Join(p.w.t.TempDir(), "tidemark.db"), outside)
}

// sends sends a response and gives its id.
func (p *shapedProgram) sends(method, path string, body []byte) string {
	r, err := call(method, p.server.fhir+"/QuestionnaireResponse"+path, body)
	require.NoError(p.w.t, err)
	require.Less(p.w.t, r.status, 300, "%s", r.body)
	if method == http.MethodDelete {
		return ""
	}
	return parse(p.w.t, r.body).ID
}

// plays is the life of two scores.
func (p *shapedProgram) plays() {
	id := p.sends(http.MethodPost, "", oona(p.name, "6"))
	whole := scoreOfOona()
	p.arrives(id, "final", whole)
	revised := func(status string) []byte {
		return withoutSleep([]byte(strings.Replace(string(oona(p.name, "6")), `"status":"completed"`, `"id":"`+id+`","status":"`+status+`"`, 1)))
	}
	p.sends(http.MethodPut, "/"+id, revised("amended"))
	whole[wholeMember] = "" // there is no total without sleep loss
	p.arrives(id, "amended", whole, sleepless...)
	p.sends(http.MethodPut, "/"+id, revised(wrong))
	p.arrives(id, wrong, whole)

	other := p.sends(http.MethodPost, "", oona(p.name+"-deleted", "6"))
	p.arrives(other, "final", scoreOfOona())
	p.sends(http.MethodDelete, "/"+other, nil)
	p.arrives(other, wrong, scoreOfOona())
	require.Equal(p.w.t, 0, p.server.stop())
}

// arrives waits until HAPI holds every member of a score so, in one resource each,
// and the panel names those that are left.
func (p *shapedProgram) arrives(id, status string, whole map[string]string, gone ...string) {
	t := p.w.t
	t.Helper()
	var score measured
	require.NoError(t, unmarshal(get(t, p.server.fhir+"/Observation/"+id), &score))
	all := p.members(whole)
	expected, left := expectedOf(all, status, gone)
	var members map[string]heldMember
	var named []string
	require.Eventually(t, func() bool {
		if metric(t, p.server, "tidemark_writeback_pending", "") > 0 {
			return false
		}
		members, named = membersIn(t, p.kept(score, all), score.identifier(), false)
		_, panel := all[panelMember]
		return reflect.DeepEqual(expected, members) && (!panel || status == wrong || slices.Equal(left, named))
	}, hapiPatience, 10*waiting, "%s: %v\n%v\n%s", status, &members, &named, p.server.log)
	require.Zero(t, metric(t, p.server, "tidemark_writeback_parked", ""), "%s", p.server.log)
}

// kept is what HAPI finds by the identifiers of all members.
func (p *shapedProgram) kept(score measured, members map[string]string) [][]byte {
	system := ""
	for _, i := range score.Identifier {
		if i.Value == score.identifier() {
			system = i.System
		}
	}
	var tokens []string
	for member := range members {
		tokens = append(tokens, system+"|"+strings.TrimSuffix(score.identifier()+"."+member, "."))
	}
	var found [][]byte
	for _, kind := range []string{"Observation", "DocumentReference"} {
		var bundle struct {
			Entry []struct{ Resource json.RawMessage }
		}
		_, err := p.w.fresh(kind+"?_count=200&identifier="+url.QueryEscape(strings.Join(tokens, ",")), &bundle)
		require.NoError(p.w.t, err)
		for _, e := range bundle.Entry {
			found = append(found, e.Resource)
		}
	}
	return found
}
