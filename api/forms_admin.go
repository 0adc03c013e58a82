package api

import (
	"errors"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// FormsAdmin is where an operator registers, reads and retires forms, on the
// admin listener. Without a token it refuses everything.
type FormsAdmin struct {
	server *Server
	forms  *Forms
	token  config.Secret
}

// FormsAdmin makes it for the forms of the server.
func (s *Server) FormsAdmin(token config.Secret) *FormsAdmin {
	return &FormsAdmin{server: s, forms: s.options.Forms, token: token}
}

// Mount adds the routes to those of the admin listener.
func (a *FormsAdmin) Mount(mux *http.ServeMux) {
	for pattern, handle := range map[string]func(*http.Request) (reply, error){
		"PUT /Questionnaire/{id}": a.put, "GET /Questionnaire/{id}": a.get, "DELETE /Questionnaire/{id}": a.retire,
		"GET /Questionnaire": a.list, "/Questionnaire": a.noMethod, "/Questionnaire/{id}": a.noMethod,
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, request *http.Request) {
			serveAdmin(w, request, adminDesk{a.server, a.token, jsonTypes[0]}, handle)
		})
	}
}

func (a *FormsAdmin) put(request *http.Request) (reply, error) {
	media, _, err := mime.ParseMediaType(request.Header.Get("Content-Type"))
	if err != nil || !slices.Contains(jsonTypes, media) {
		return reply{}, fail(http.StatusUnsupportedMediaType, fhir.IssueNotSupported, "The form is read as JSON; send Content-Type: application/fhir+json.")
	}
	rater, err := raterOf(request.URL.Query().Get("rater"))
	if err != nil {
		return reply{}, fail(http.StatusBadRequest, fhir.IssueValue, err.Error())
	}
	body, err := io.ReadAll(request.Body)
	if err != nil {
		return reply{}, err
	}
	if err := sameID(body, request.PathValue("id")); err != nil {
		return reply{}, err
	}
	done, err := a.forms.register(request.Context(), body, rater, a.onRecord(request))
	if err != nil {
		return reply{}, err
	}
	a.server.options.Logger.InfoContext(request.Context(), "form registered", "form", done.Form.Canonical, "id", done.Form.ID, "version", done.Version, "unchanged", done.Unchanged)
	r := reply{status: http.StatusOK, location: a.server.options.BaseURL + "/Questionnaire/" + done.Form.ID, body: done.outcome().JSON()}
	if done.Created {
		r.status = http.StatusCreated
	}
	if done.Version > 0 {
		r.etag = etag(done.Version)
	}
	return r, nil
}

// onRecord puts what the administrator does to a form on the audit trail.
func (a *FormsAdmin) onRecord(request *http.Request) formRecord {
	return func(tx store.Tx, interaction string, key store.Key, version int64) error {
		event := administered(a.server.options.BaseURL, request, interaction)
		event.Entity = versioned(store.Resource{Key: key, Version: version})
		return tx.Audit(entryOf(&event))
	}
}

// sameID holds the id in the path against that of a body that can be read; one
// that cannot is refused with its own faults.
func sameID(body []byte, id string) error {
	document, err := fhir.Decode(body)
	if err != nil {
		return err
	}
	defer document.Release()
	if !document.Root().Get("id").Is(id) {
		return failures(http.StatusBadRequest, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueInvalid, Class: fhir.Malformed, Expression: document.Root().Path() + ".id",
			Text: "The id of the resource must be there and equal the id in the URL.",
		})
	}
	return nil
}

// raterOf reads the operator's word on who rates, "" for none.
func raterOf(text string) (scoring.Optional[scoring.Rater], error) {
	switch text {
	case "":
		return scoring.Optional[scoring.Rater]{}, nil
	case scoring.RatedBySelf.String():
		return scoring.Answer(scoring.RatedBySelf), nil
	case scoring.RatedByClinician.String():
		return scoring.Answer(scoring.RatedByClinician), nil
	}
	return scoring.Optional[scoring.Rater]{}, errors.New("rater is self or clinician")
}

// outcome tells the operator what was taken, and what may not be meant.
func (r *Registration) outcome() fhir.Issues {
	text := "Responses to " + r.Form.Canonical + " are scored from now on, as " + r.Form.Ours.Title + "."
	if r.Unchanged {
		text = r.Form.Canonical + " was registered with the same content before; nothing was changed."
	}
	return append(fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational, Text: text}}, r.Form.Warnings...)
}

func (a *FormsAdmin) get(request *http.Request) (reply, error) {
	form, ok := a.forms.current(request.PathValue("id"))
	if !ok {
		return reply{}, errNoForm
	}
	return formReply(form), nil
}

// formReply answers with a registered form as it was last stored.
func formReply(form *questionnaire.Form) reply {
	return reply{status: http.StatusOK, body: form.JSON, etag: `W/"` + form.StoredVersion + `"`}
}

func (a *FormsAdmin) list(*http.Request) (reply, error) {
	forms := a.forms.registered()
	total := len(forms)
	b := newSearchset(a.server.options.BaseURL)
	b.total, b.links = &total, []link{{"self", a.server.options.BaseURL + "/Questionnaire"}}
	for _, form := range forms {
		b.add("Questionnaire/"+form.ID, form.JSON, "match")
	}
	return reply{status: http.StatusOK, body: b.close()}, nil
}

func (a *FormsAdmin) retire(request *http.Request) (reply, error) {
	id := request.PathValue("id")
	if err := a.forms.retireAll(request.Context(), id, a.onRecord(request)); err != nil {
		return reply{}, err
	}
	a.server.options.Logger.InfoContext(request.Context(), "form retired", "id", id)
	return reply{status: http.StatusOK, body: fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational,
		Text: "The form is retired. It stays readable, and responses to it are scored with a warning."}}.JSON()}, nil
}

func (a *FormsAdmin) noMethod(request *http.Request) (reply, error) {
	return reply{}, fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "Forms take GET; one form takes GET, PUT and DELETE, not "+strconv.Quote(request.Method)+".")
}

// registeredForms are those that a search of forms finds beside the published.
func (s *Server) registeredForms() []fixed {
	var all []fixed
	for _, form := range s.options.Forms.registered() {
		all = append(all, fixedOf(form.Published))
	}
	return all
}

// readForm answers a registered form by its id.
func (s *Server) readForm(id string) (reply, error) {
	form, ok := s.options.Forms.current(id)
	if !ok {
		return reply{}, store.ErrNotFound
	}
	return formReply(form), nil
}
