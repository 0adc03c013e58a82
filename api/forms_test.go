package api_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/scoring"
)

const (
	adminToken = "an-invented-admin-token"
	diary      = "fernway-eczema-diary"
	diaryURL   = "https://fernway-portal.example/fhir/Questionnaire/eczema-diary"
)

// desk is where the administrator of a rig's forms works.
type desk struct {
	*rig
	forms  *api.Forms
	origin string
}

// newDesk starts a server with its admin listener, which takes the token.
func newDesk(t *testing.T, token string) desk {
	t.Helper()
	d := desk{}
	d.rig = newRig(t, func(o *api.Options) { d.forms = api.NewForms(o.Store); o.Forms = d.forms })
	d.origin = d.listen(t, token)
	return d
}

func (r *rig) listen(t *testing.T, token string) string {
	t.Helper()
	mux := http.NewServeMux()
	r.server.FormsAdmin(config.Secret(token)).Mount(mux)
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	return server.URL
}

// admin makes a request of the administrator, with the token unless a header
// says otherwise.
func (d desk) admin(t *testing.T, method, path, body string, headers ...string) answer {
	t.Helper()
	a, err := send(d.origin, method, path, body, append([]string{"Authorization", "Bearer " + adminToken}, headers...)...)
	require.NoError(t, err)
	a.t = t
	return a
}

// register puts a form that must be taken.
func (d desk) register(t *testing.T, body string, status int) answer {
	t.Helper()
	a := d.admin(t, http.MethodPut, "/Questionnaire/"+diary, body)
	require.Equal(t, status, a.status, "%s", a.body)
	return a
}

func portalFile(t testing.TB, name string) string {
	t.Helper()
	data, err := os.ReadFile("../examples/" + name)
	require.NoError(t, err)
	return string(data)
}

func portalForm(t testing.TB) string { return portalFile(t, "portal-form.json") }

// diaryResponse is the example's response under another identifier.
func diaryResponse(t testing.TB, identifier string) string {
	return strings.Replace(portalFile(t, "portal-response.json"), "oona-diary-2026-03-05", identifier, 1)
}

// changed replaces what must be there.
func changed(t testing.TB, text, old, replacement string) string {
	t.Helper()
	require.Contains(t, text, old)
	return strings.Replace(text, old, replacement, 1)
}

func TestRegisteredFormIsScoredFromThenOn(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.do(http.MethodPost, responses, diaryResponse(t, "before")).refused(http.StatusUnprocessableEntity, "not-found")

	a := d.register(t, portalForm(t), http.StatusCreated)
	require.Contains(t, a.text("issue", 0, "details", "text"), diaryURL+"|2.1.0")
	require.Equal(t, 1, a.count("issue"), "nothing to warn of: %s", a.body)
	require.Equal(t, d.base+"/Questionnaire/"+diary, a.header.Get("Location"))

	created := d.create(diaryResponse(t, "after"))
	score := d.score(created.id())
	require.Equal(t, "34.00", score.text("valueQuantity", "value"))
	require.Equal(t, "self-hands", score.text("method", "coding", 0, "code"))
	require.Equal(t, d.base+"/QuestionnaireResponse/"+created.id()+"/_history/1", score.text("derivedFrom", 0, "reference"))
	require.Equal(t, diaryURL+"|2.1.0", d.get(responses+"/"+created.id()).text("questionnaire"))
	require.Contains(t, string(score.body), `"code":"symptoms-itch"`, "components are coded as ours")
	require.NotContains(t, string(score.body), "fernway-portal.example/fhir/CodeSystem", "and not by the portal's own codes")

	checked, err := api.Verify(context.Background(), d.store, scoring.Published(), scoring.UsualBands, func(difference api.Difference) {
		require.Fail(t, "a difference", "%+v", difference)
	})
	require.NoError(t, err)
	require.Equal(t, 1, checked)
}

// A response without a version is read by the newest, and verified by the one
// that was newest then.
func TestVersionThatWasAnsweredIsOnRecord(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	bare := changed(t, diaryResponse(t, "bare"), diaryURL+"|2.1.0", diaryURL)
	created := d.create(bare)
	found := d.get("/fhir/Provenance?target=Observation/" + created.id())
	require.Equal(t, 1, found.count("entry"))
	require.Equal(t, diaryURL+"|2.1.0", found.text("entry", 0, "resource", "entity", 1, "what", "identifier", "value"))

	// In the next version an option of redness has another code.
	next := changed(t, changed(t, portalForm(t), `"version": "2.1.0"`, `"version": "3.0.0"`), `"code": "clear"`, `"code": "strong-or-clear"`)
	d.register(t, next, http.StatusOK)
	d.do(http.MethodPost, responses+"/$extract", bare).refused(http.StatusUnprocessableEntity, "code-invalid")
	checked, err := api.Verify(context.Background(), d.store, scoring.Published(), scoring.UsualBands, func(difference api.Difference) {
		require.Fail(t, "a difference", "%+v", difference)
	})
	require.NoError(t, err)
	require.Equal(t, 1, checked)
}

func TestFaultsOfAResponseAreInThePortalsWords(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	a := d.do(http.MethodPost, responses, changed(t, diaryResponse(t, "bad"), `"valueInteger": 5`, `"valueInteger": 50`))
	a.refused(http.StatusUnprocessableEntity, "value")
	require.Equal(t, "QuestionnaireResponse.item[1].item[1].answer[0].value", a.text("issue", 0, "expression", 0))
	require.Contains(t, a.text("issue", 0, "details", "text"), `nights-itch ("How bad was the itch`)
}

func TestRegisteredFormIsServedLikeOurs(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	form := d.get("/fhir/Questionnaire/" + diary)
	require.Equal(t, http.StatusOK, form.status)
	require.Equal(t, `W/"1"`, form.header.Get("ETag"))
	require.Equal(t, diaryURL, form.text("url"))
	require.Equal(t, "How did the last three days go?", form.text("item", 0, "text"))
	require.Equal(t, 1, d.get("/fhir/Questionnaire?url="+diaryURL).count("entry"))
	require.Equal(t, 1, d.get("/fhir/Questionnaire?url="+diaryURL+"%7C2.1.0").count("entry"))
	require.Equal(t, 3, d.get("/fhir/Questionnaire").count("entry"))
	require.Equal(t, http.StatusNotFound, d.get("/fhir/Questionnaire/no-such-form").status)
	list := d.admin(t, http.MethodGet, "/Questionnaire", "")
	require.Equal(t, 1, list.count("entry"), "the registered ones alone")
	require.Equal(t, diary, list.text("entry", 0, "resource", "id"))
	require.Equal(t, diaryURL, d.admin(t, http.MethodGet, "/Questionnaire/"+diary, "").text("url"))
	d.admin(t, http.MethodGet, "/Questionnaire/none", "").isRefused(http.StatusNotFound, "not-found")
}

// isRefused is refused for the admin listener, which gives no request id.
func (a answer) isRefused(status int, code string) {
	a.t.Helper()
	require.Equal(a.t, status, a.status, "%s", a.body)
	require.Equal(a.t, "OperationOutcome", a.text("resourceType"))
	require.Equal(a.t, code, a.text("issue", 0, "code"), "%s", a.body)
	require.NotEmpty(a.t, a.text("issue", 0, "details", "text"))
}

func TestFormsAreAdministeredWithTheTokenOnly(t *testing.T) {
	t.Parallel()
	routes := [][2]string{{http.MethodPut, "/Questionnaire/" + diary}, {http.MethodGet, "/Questionnaire/" + diary}, {http.MethodGet, "/Questionnaire"}, {http.MethodDelete, "/Questionnaire/" + diary}}
	t.Run("without a token set nothing is", func(t *testing.T) {
		t.Parallel()
		d := newDesk(t, "")
		for _, route := range routes {
			for _, header := range []string{"", "Bearer ", "Bearer " + adminToken} {
				a := d.admin(t, route[0], route[1], portalForm(t), "Authorization", header)
				a.isRefused(http.StatusForbidden, "forbidden")
				require.Contains(t, a.text("issue", 0, "details", "text"), "TIDEMARK_ADMIN_TOKEN")
			}
		}
		require.Equal(t, 2, d.get("/fhir/Questionnaire").count("entry"))
	})
	t.Run("with another one nothing is", func(t *testing.T) {
		t.Parallel()
		d := newDesk(t, adminToken)
		for _, route := range routes {
			for _, header := range []string{"", "Bearer", "Bearer " + adminToken + "x", "Bearer " + adminToken[1:], "Basic " + adminToken, adminToken} {
				a := d.admin(t, route[0], route[1], portalForm(t), "Authorization", header)
				a.isRefused(http.StatusUnauthorized, "login")
				require.Contains(t, a.header.Get("WWW-Authenticate"), "Bearer")
			}
		}
		require.Equal(t, 2, d.get("/fhir/Questionnaire").count("entry"))
		require.NotContains(t, d.log.String(), adminToken)
	})
	t.Run("the FHIR server itself takes no form", func(t *testing.T) {
		t.Parallel()
		d := newDesk(t, adminToken)
		d.do(http.MethodPut, "/fhir/Questionnaire/"+diary, portalForm(t), "Authorization", "Bearer "+adminToken).refused(http.StatusMethodNotAllowed, "not-supported")
	})
}

func TestRegistrationsThatAreRefused(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	form := portalForm(t)
	for name, c := range map[string]struct {
		path, body, contentType string
		status                  int
		code                    string
	}{
		"not JSON":           {"/Questionnaire/" + diary, `{`, "", http.StatusBadRequest, "structure"},
		"another media type": {"/Questionnaire/" + diary, form, "text/plain", http.StatusUnsupportedMediaType, "not-supported"},
		"another id":         {"/Questionnaire/other", form, "", http.StatusBadRequest, "invalid"},
		"another resource":   {"/Questionnaire/p", `{"resourceType":"Patient","id":"p"}`, "", http.StatusBadRequest, "structure"},
		"an unknown rater":   {"/Questionnaire/" + diary + "?rater=parent", form, "", http.StatusBadRequest, "value"},
		"another rater":      {"/Questionnaire/" + diary + "?rater=clinician", form, "", http.StatusUnprocessableEntity, "conflict"},
		"an unknown member":  {"/Questionnaire/" + diary, changed(t, form, `"title"`, `"titel"`), "", http.StatusBadRequest, "structure"},
		"nothing to score":   {"/Questionnaire/" + diary, changed(t, form, `"symptoms-itch"`, `"also-seen-scaling"`), "", http.StatusUnprocessableEntity, "required"},
		"too large":          {"/Questionnaire/" + diary, form + strings.Repeat(" ", api.DefaultMaxBody), "", http.StatusRequestEntityTooLarge, "too-long"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var headers []string
			if c.contentType != "" {
				headers = []string{"Content-Type", c.contentType}
			}
			d.admin(t, http.MethodPut, c.path, c.body, headers...).isRefused(c.status, c.code)
		})
	}
	t.Run("another method", func(t *testing.T) {
		t.Parallel()
		d.admin(t, http.MethodPost, "/Questionnaire", form).isRefused(http.StatusMethodNotAllowed, "not-supported")
		d.admin(t, http.MethodPatch, "/Questionnaire/"+diary, form).isRefused(http.StatusMethodNotAllowed, "not-supported")
	})
	t.Cleanup(func() { require.Len(t, d.forms.Catalog().Forms(), 2, "none of them was kept") })
}

func TestVersionOfAFormNeverChanges(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	form := portalForm(t)
	d.register(t, form, http.StatusCreated)

	again := d.register(t, form, http.StatusOK)
	require.Contains(t, again.text("issue", 0, "details", "text"), "nothing was changed")
	require.Empty(t, again.header.Get("ETag"))

	reworded := changed(t, form, "Scratch marks", "Marks of scratching")
	d.admin(t, http.MethodPut, "/Questionnaire/"+diary, reworded).isRefused(http.StatusConflict, "conflict")
	other := changed(t, form, `"id": "`+diary+`"`, `"id": "other"`)
	d.admin(t, http.MethodPut, "/Questionnaire/other", other).isRefused(http.StatusConflict, "duplicate")
	moved := changed(t, form, `"url": "`+diaryURL+`"`, `"url": "`+diaryURL+`-2"`)
	d.admin(t, http.MethodPut, "/Questionnaire/"+diary, moved).isRefused(http.StatusConflict, "duplicate")

	next := changed(t, reworded, `"version": "2.1.0"`, `"version": "2.10.0"`)
	require.Equal(t, `W/"2"`, d.register(t, next, http.StatusOK).header.Get("ETag"))
	require.Equal(t, "2.10.0", d.get("/fhir/Questionnaire/"+diary).text("version"))
	old := d.create(diaryResponse(t, "to the old version"))
	require.Equal(t, "34.00", d.score(old.id()).text("valueQuantity", "value"), "old versions are scored for ever")
	require.Equal(t, 2, d.get("/fhir/Questionnaire?url="+diaryURL).count("entry"))
}

func TestRetiredFormIsScoredWithAWarning(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	require.Equal(t, http.StatusOK, d.admin(t, http.MethodDelete, "/Questionnaire/"+diary, "").status)
	require.Equal(t, "retired", d.get("/fhir/Questionnaire/"+diary).text("status"))

	a := d.do(http.MethodPost, responses, diaryResponse(t, "late"), "Prefer", "return=OperationOutcome")
	require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
	require.Equal(t, "warning", a.text("issue", 0, "severity"))
	require.Equal(t, "business-rule", a.text("issue", 0, "code"))
	require.Contains(t, a.text("issue", 0, "details", "text"), "retired")

	require.Equal(t, http.StatusOK, d.admin(t, http.MethodDelete, "/Questionnaire/"+diary, "").status, "twice is as good as once")
	require.Equal(t, `W/"2"`, d.get("/fhir/Questionnaire/"+diary).header.Get("ETag"))
	d.admin(t, http.MethodDelete, "/Questionnaire/none", "").isRefused(http.StatusNotFound, "not-found")
	d.admin(t, http.MethodDelete, "/Questionnaire/scorad-self-assessment", "").isRefused(http.StatusNotFound, "not-found")

	require.Equal(t, `W/"3"`, d.register(t, portalForm(t), http.StatusOK).header.Get("ETag"), "and it comes back as it was")
	require.Equal(t, "active", d.get("/fhir/Questionnaire/"+diary).text("status"))
}

// The operator's word is written into what is kept, so that it holds after a
// restart and everyone who reads the form sees it.
func TestRaterOfTheOperatorIsKept(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	var form map[string]any
	require.NoError(t, json.Unmarshal([]byte(portalForm(t)), &form))
	delete(form, "extension")
	silent, err := json.Marshal(form)
	require.NoError(t, err)
	d.admin(t, http.MethodPut, "/Questionnaire/"+diary, string(silent)).isRefused(http.StatusUnprocessableEntity, "required")
	a := d.admin(t, http.MethodPut, "/Questionnaire/"+diary+"?rater=clinician", string(silent))
	require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
	require.Equal(t, "Practitioner", d.get("/fhir/Questionnaire/"+diary).text("extension", 0, "valueCode"))

	restarted := api.NewForms(d.store)
	require.NoError(t, restarted.Load(context.Background()))
	kept, ok := restarted.Catalog().Form(diaryURL)
	require.True(t, ok)
	require.Equal(t, scoring.RatedByClinician, kept.Rater)
	d.do(http.MethodPost, responses, diaryResponse(t, "by a parent")).refused(http.StatusUnprocessableEntity, "business-rule")
}

// A form registered at one process is known to the others on the database when
// the first response to it arrives.
func TestOtherProcessesOnTheDatabaseFindTheForm(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	elsewhere := api.NewForms(d.store)
	_, err := elsewhere.Register(context.Background(), []byte(portalForm(t)), scoring.Optional[scoring.Rater]{})
	require.NoError(t, err)
	require.Len(t, d.forms.Catalog().Forms(), 2)
	d.create(diaryResponse(t, "at once"))
	require.Len(t, d.forms.Catalog().Forms(), 3)

	require.NoError(t, elsewhere.Retire(context.Background(), diary))
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); d.forms.Run(ctx, time.Millisecond, slog.New(slog.DiscardHandler)) }()
	require.Eventually(t, func() bool {
		form, _ := d.forms.Catalog().Form(diaryURL)
		return form.Status == "retired"
	}, patience, waiting, "what changes is found by polling")
	cancel()
	<-done
}

// Unknown forms make the database be asked at most once in a while.
func TestUnknownFormsDoNotKeepTheDatabaseBusy(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	var passed atomic.Int64
	start := time.Now()
	d.forms.ClockedBy(func() time.Time { return start.Add(time.Duration(passed.Load())) })
	d.do(http.MethodPost, responses, diaryResponse(t, "first")).refused(http.StatusUnprocessableEntity, "not-found")
	elsewhere := api.NewForms(d.store)
	_, err := elsewhere.Register(context.Background(), []byte(portalForm(t)), scoring.Optional[scoring.Rater]{})
	require.NoError(t, err)
	passed.Store(int64(time.Second - 1))
	d.do(http.MethodPost, responses, diaryResponse(t, "second")).refused(http.StatusUnprocessableEntity, "not-found")
	passed.Store(int64(time.Second))
	d.create(diaryResponse(t, "third"))
}

// Responses are read while forms come and go; the race detector watches.
func TestFormsAreSwappedUnderLoad(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	d.register(t, portalForm(t), http.StatusCreated)
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			for range 10 {
				a, err := send(d.rig.origin, http.MethodPost, responses+"/$extract", diaryResponse(t, "x"))
				if err != nil || a.status != http.StatusOK {
					t.Errorf("%v %d %s", err, a.status, a.body)
				}
			}
		})
	}
	for i := range 5 {
		version := `"version": "3.` + string(rune('0'+i)) + `.0"`
		d.register(t, changed(t, portalForm(t), `"version": "2.1.0"`, version), http.StatusOK)
	}
	wait.Wait()
	require.Len(t, d.forms.Catalog().Forms(), 8)
}
