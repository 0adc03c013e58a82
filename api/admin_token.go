package api

import (
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"strings"
	"time"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
)

// adminDesk is where on the admin listener a token is asked for: the token,
// which if it is "" nobody has, and the media type of what is answered.
type adminDesk struct {
	server *Server
	token  config.Secret
	media  string
}

// adminPatience is how long a decision about a large store may take.
const adminPatience = 10 * time.Minute

// serveAdmin answers a request of the administrator, a refusal with an
// OperationOutcome.
func serveAdmin(w http.ResponseWriter, request *http.Request, desk adminDesk, handle func(*http.Request) (reply, error)) {
	controller := http.NewResponseController(w)
	// Not every test's writer has deadlines; the server's own always has.
	_ = controller.SetReadDeadline(time.Now().Add(DefaultBodyTimeout))
	_ = controller.SetWriteDeadline(time.Now().Add(adminPatience))
	request.Body = http.MaxBytesReader(w, request.Body, DefaultMaxBody)
	answer, err := reply{}, desk.authorise(request)
	if err == nil {
		answer, err = handle(request)
	} else {
		desk.server.turnedAway(request, classify(err))
	}
	media := desk.media
	if err != nil {
		f := classify(err)
		if f.status >= http.StatusInternalServerError {
			desk.server.options.Logger.ErrorContext(request.Context(), "request of the administrator failed", "error", err)
		}
		if f.status == http.StatusUnauthorized {
			w.Header().Set("WWW-Authenticate", `Bearer realm="tidemark admin"`)
		}
		answer, media = reply{status: f.status, body: f.issues.JSON()}, jsonTypes[0]
	}
	h := w.Header()
	h.Set("Content-Type", media)
	if media == jsonTypes[0] {
		h["Content-Type"] = contentTypes[media]
	}
	if answer.etag != "" {
		h.Set("ETag", answer.etag)
	}
	if answer.location != "" {
		h.Set("Location", answer.location)
	}
	w.WriteHeader(answer.status)
	// A client that hangs up has its answer as much as it ever will.
	_, _ = w.Write(answer.body)
}

// authorise compares digests, so that neither the time nor the length tells
// anything of the token.
func (d adminDesk) authorise(request *http.Request) error {
	if d.token == "" {
		return fail(http.StatusForbidden, fhir.IssueForbidden, "Nothing is administered here until an admin token is set; set TIDEMARK_ADMIN_TOKEN_FILE or TIDEMARK_ADMIN_TOKEN and start again. Forms may also be named in TIDEMARK_FORMS.")
	}
	scheme, token, _ := strings.Cut(request.Header.Get("Authorization"), " ")
	sent, want := sha256.Sum256([]byte(strings.TrimSpace(token))), sha256.Sum256([]byte(d.token))
	if !strings.EqualFold(scheme, "Bearer") || subtle.ConstantTimeCompare(sent[:], want[:]) != 1 {
		return fail(http.StatusUnauthorized, fhir.IssueLogin, "Send the admin token as Authorization: Bearer.")
	}
	return nil
}

// turnedAway counts who came to the admin listener without its token, and puts it
// on record as a refused token of the FHIR server.
func (s *Server) turnedAway(request *http.Request, f *failure) {
	s.metrics.unauthorised.WithLabelValues(administrator).Inc()
	e := eventOf(&trail{interaction: audit.Login}, s.options.BaseURL)
	e.Agent.Address = addressOf(request)
	e.Status, e.Reason, e.Query = f.status, f.reason(), "admin: "+request.Method+" "+request.URL.Path
	e.Query = e.Query[:min(len(e.Query), maxAuditQuery)]
	if !s.refusals.allow(&e) {
		return
	}
	if err := s.appendAudit(request.Context(), []audit.Event{e}); err != nil {
		s.metrics.auditLost.Inc()
		s.options.Logger.ErrorContext(request.Context(), "audit lost", "listener", "admin", "status", f.status, "error", err)
	}
}

// administrator is how the audit trail names whoever has the admin token.
const administrator = "admin-token"

// administered is the event of what the administrator does.
func administered(base string, request *http.Request, interaction string) audit.Event {
	e := eventOf(&trail{interaction: interaction, agent: audit.Agent{Client: administrator, Issuer: base}}, base)
	e.Agent.Address = addressOf(request)
	return e
}

// addressOf is where a request of the admin listener comes from.
func addressOf(request *http.Request) string {
	host, _, err := net.SplitHostPort(request.RemoteAddr)
	if err != nil {
		return ""
	}
	return host
}
