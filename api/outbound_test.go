package api_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// lookups are the names that this test binary has asked a resolver about.
var lookups struct {
	sync.Mutex
	queries [][]byte
}

// No test here needs a name that is not in the machine's own file, so a look-up
// is what no resource may cause. It is kept and fails.
func init() {
	net.DefaultResolver = &net.Resolver{PreferGo: true, Dial: func(context.Context, string, string) (net.Conn, error) {
		client, server := net.Pipe()
		go func() {
			query := make([]byte, 512)
			n, _ := server.Read(query)
			lookups.Lock()
			lookups.queries = append(lookups.queries, query[:n])
			lookups.Unlock()
			_ = server.Close()
		}()
		return client, nil
	}}
}

// lookedUp says whether a name that holds the label was asked about.
func lookedUp(label string) bool {
	lookups.Lock()
	defer lookups.Unlock()
	for _, query := range lookups.queries {
		if strings.Contains(string(query), label) {
			return true
		}
	}
	return false
}

// trap is an address that nobody may connect to.
func trap(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = listener.Close() })
	go func() {
		for {
			c, err := listener.Accept()
			if errors.Is(err, net.ErrClosed) {
				return
			}
			t.Errorf("the server connected to an address that a resource names")
			_ = c.Close()
		}
	}()
	return listener.Addr().String()
}

// TestNothingIsFetched: no URL in whatever is sent is ever asked for, neither by
// its address nor by its name.
func TestNothingIsFetched(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const label = "fetched-by-mistake"
	stored := r.create(oona("to be asked about").json()).id()
	for _, base := range []string{"http://" + trap(t), "https://" + trap(t), "http://" + label + ".example", "ftp://" + label + ".example", "//" + label + ".example"} {
		body := oona("fetch " + base)
		body.patient, body.source = base+"/fhir/Patient/1", base+"/fhir/RelatedPerson/1"
		body.members = fmt.Sprintf(`,"meta":{"profile":["%[1]s/StructureDefinition/p"],"source":"%[1]s/source","tag":[{"system":"%[1]s/tags","code":"a"}]},"implicitRules":"%[1]s/rules"`, base)
		extended := body
		extended.members = fmt.Sprintf(`,"extension":[{"url":"%[1]s/e","valueUrl":"%[1]s/v"},{"url":"%[1]s/f","valueAttachment":{"contentType":"text/html","url":"%[1]s/a"}}],`+
			`"basedOn":[{"reference":"%[1]s/ServiceRequest/1"}],"partOf":[{"reference":"%[1]s/Observation/1"}],"encounter":{"reference":"%[1]s/Encounter/1"},`+
			`"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><img src=\"%[1]s/i.png\"/><a href=\"%[1]s/l\">l</a></div>"},`+
			`"contained":[{"resourceType":"Questionnaire","id":"q","url":"%[1]s/q","status":"active","derivedFrom":["%[1]s/d"],"item":[{"linkId":"a","type":"choice","answerValueSet":"%[1]s/vs"}]}]`, base)
		foreign := body
		foreign.form, foreign.members = base+"/Questionnaire/q|1", ""
		for _, sent := range []response{body, extended, foreign} {
			text := sent.json()
			for _, path := range []string{responsePath, responsePath + "/$extract", responsePath + "/$validate", "/fhir/Questionnaire/$process-response", "/fhir/Questionnaire/$populate", "/fhir/Observation/$validate"} {
				r.do(http.MethodPost, path, text, "X-Provenance", fmt.Sprintf(`{"resourceType":"Provenance","target":[{"reference":"%s/x"}]}`, base))
				r.do(http.MethodPost, path, text)
			}
			for _, kind := range []string{"batch", "transaction"} {
				r.do(http.MethodPost, "/fhir", fmt.Sprintf(`{"resourceType":"Bundle","type":%q,"link":[{"relation":"self","url":"%[2]s/self"}],"entry":[`+
					`{"fullUrl":"%[2]s/fhir/QuestionnaireResponse/1","resource":%[3]s,"request":{"method":"POST","url":"QuestionnaireResponse"}},`+
					`{"fullUrl":"%[2]s/fhir/Patient/1","resource":{"resourceType":"Patient","identifier":[{"system":"%[2]s/s","value":"1"}],"photo":[{"url":"%[2]s/p.png"}]},"request":{"method":"PUT","url":"Patient?identifier=%[2]s/s|1"}}]}`, kind, base, text))
				r.do(http.MethodPost, "/fhir", fmt.Sprintf(`{"resourceType":"Bundle","type":%q,"entry":[{"request":{"method":"GET","url":"%s/fhir/Observation"}}]}`, kind, base))
			}
		}
		r.do(http.MethodPost, "/fhir/Questionnaire/$populate", fmt.Sprintf(`{"resourceType":"Parameters","parameter":[{"name":"canonical","valueUri":"%[1]s/Questionnaire/q"},`+
			`{"name":"questionnaireRef","valueReference":{"reference":"%[1]s/Questionnaire/q"}},{"name":"subject","valueReference":{"reference":"%[1]s/Patient/1"}}]}`, base))
		for _, path := range []string{
			"/fhir/Observation?subject=" + base + "/Patient/1", "/fhir/Observation?derived-from=" + base + "/x", "/fhir/Questionnaire?url=" + base + "/q",
			"/fhir/Observation?_profile=" + base + "/p", "/fhir/QuestionnaireResponse/" + stored + "/$extract?target=" + base, "/fhir/Observation/$lastn?category=survey&patient=" + base + "/Patient/1",
			"/fhir/QuestionnaireResponse/" + stored + "/$validate?profile=" + base + "/p",
		} {
			r.get(path, "Referer", base, "Origin", base, "X-Forwarded-Host", strings.TrimPrefix(base, "http://"), "Host", label+".example")
		}
	}
	r.settle()
	require.False(t, lookedUp(label), "no name of a resource is looked up")
	_, err := net.DefaultResolver.LookupHost(context.Background(), label+"-control.example")
	require.Error(t, err)
	require.Eventually(t, func() bool { return lookedUp(label + "-control") }, patience, waiting, "a look-up would have been seen")
}
