package api

import (
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// CDS is how an EHR is answered that calls by CDS Hooks 2.0 when a clinician
// opens a patient's record (patient-view). With neither Clients nor Open the
// service is not offered.
type CDS struct {
	// Clients are the EHRs that are answered.
	Clients []CDSClient
	// Open answers everybody and asks for no JWT; for this machine only.
	Open bool
	// Now is the clock that the age of a score is told by; nil for the system's.
	Now func() time.Time
}

func (c *CDS) offered() bool { return c != nil && (c.Open || len(c.Clients) > 0) }

// The paths of CDS Hooks, beside the FHIR base, and its one service.
const (
	cdsPath        = "/cds-services"
	cdsServiceID   = "scorad-patient-view"
	cdsServicePath = cdsPath + "/" + cdsServiceID
	patientView    = "patient-view"
)

// The interactions of these routes.
const (
	cdsDiscovery = "cds-discovery"
	cdsCall      = "cds-call"
)

// cdsMedia stands for application/json in the format of an answer: what is no
// FHIR has no fhirVersion.
const cdsMedia = "cds-hooks"

// isCDS says whether a path is one of CDS Hooks, offered or not.
func isCDS(path string) bool { return path == cdsPath || strings.HasPrefix(path, cdsPath+"/") }

// usualMedia is what a path answers in, until the request has been read.
func usualMedia(path string) string {
	if isCDS(path) {
		return cdsMedia
	}
	return jsonTypes[0]
}

// CDSURL is the address of the discovery endpoint beside a FHIR base: /fhir at its
// end, or else the whole path, gives way to /cds-services.
func CDSURL(base string) string {
	if origin, cut := strings.CutSuffix(strings.TrimSuffix(base, "/"), "/fhir"); cut {
		return origin + cdsPath
	}
	u, err := url.Parse(base)
	if err != nil {
		return base + cdsPath
	}
	return u.Scheme + "://" + u.Host + cdsPath
}

// CDSServiceURL is the address of the service, which aud of a JWT must be.
func CDSServiceURL(base string) string { return CDSURL(base) + "/" + cdsServiceID }

func (s *Server) cdsRoutes() []route {
	if !s.options.CDS.offered() {
		return nil
	}
	return []route{
		{http.MethodGet, cdsPath, "", cdsDiscovery, "", s.cdsDiscovery()},
		{http.MethodPost, cdsServicePath, "", cdsCall, "", s.patientView},
	}
}

// cdsService describes a service (CDS Hooks 2.0, Discovery).
type cdsService struct {
	Hook              string            `json:"hook"`
	Title             string            `json:"title"`
	Description       string            `json:"description"`
	ID                string            `json:"id"`
	Prefetch          map[string]string `json:"prefetch"`
	UsageRequirements string            `json:"usageRequirements"`
}

// cdsDiscovery answers what is offered. It is nobody's data, so that it needs no
// JWT.
func (s *Server) cdsDiscovery() func(*gin.Context) (reply, error) {
	body, err := json.Marshal(map[string][]cdsService{"services": {{
		Hook: patientView, ID: cdsServiceID,
		Title:       "SCORAD: where the eczema score stands",
		Description: "Shows the last SCORAD by patient or carer and by a clinician, with band, change and age. It supports, and never replaces, the judgement of a clinician.",
		Prefetch:    map[string]string{prefetchedPatient: "Patient/{{context.patientId}}"},
		UsageRequirements: "Scores come from this service's own store; the FHIR server of the CDS client is not asked. The prefetch is optional: " +
			"its identifiers find scores that name the patient by identifier.",
	}}})
	return func(*gin.Context) (reply, error) {
		return reply{status: http.StatusOK, body: body, cache: cacheCurrent}, err
	}
}

// patientView answers the hook of that name with one card, or with none where
// there is no score.
func (s *Server) patientView(c *gin.Context) (reply, error) {
	body, err := s.body(c)
	if err != nil {
		return reply{}, err
	}
	call, err := readHook(body)
	if err != nil {
		return reply{}, err
	}
	client := cdsClientOf(c.Request.Context())
	patients, err := call.patients(client, s.options.BaseURL)
	if err != nil {
		return reply{}, err
	}
	trailOf(c.Request.Context()).called(&call)
	// The caller may see these patients and nobody else.
	ctx := asServer(c.Request.Context())
	answer := cdsAnswer{Cards: []card{}}
	self, clinician, err := s.standings(ctx, patients)
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	if in := (cardInput{self, clinician, s.options.Bands, s.cds.now(), s.options.BaseURL, languageAsked(c)}); self != nil || clinician != nil {
		answer.Cards = append(answer.Cards, in.card(newRequestID()))
	}
	if body, err = json.Marshal(answer); err != nil {
		return reply{}, fmt.Errorf("api: writing cards: %w", err)
	}
	return reply{status: http.StatusOK, body: body}, nil
}

// called puts whom a call is about, and who opened the record, into its trail.
func (t *trail) called(call *hookCall) {
	if t != nil {
		t.query += "?" + url.Values{"patientId": {call.patient}, "userId": {call.user}}.Encode()
	}
}

// negotiateCDS refuses a body that is not JSON. Answers are JSON whatever is
// accepted.
func (s *Server) negotiateCDS(c *gin.Context) {
	answer := format{media: cdsMedia}
	var err error
	if answer.coding, err = acceptedCoding(c.Request.Header); err == nil && c.FullPath() == cdsServicePath {
		err = readableCDS(c.Request)
	}
	exchangeOf(c).format = answer
	if err != nil {
		s.writeError(c, err)
	}
}

func readableCDS(request *http.Request) error {
	media, params, err := mime.ParseMediaType(request.Header.Get("Content-Type"))
	if err != nil || !slices.Contains(jsonTypes, media) || params["charset"] != "" && !strings.EqualFold(params["charset"], "utf-8") {
		return unsupportedMedia("A CDS Hooks call is JSON in UTF-8; send Content-Type: application/json.")
	}
	return readableCoding(request.Header)
}

// cdsFault is one thing wrong with a call.
type cdsFault struct {
	Code    fhir.IssueType `json:"code"`
	Path    string         `json:"path,omitempty"`
	Message string         `json:"message"`
}

// cdsFaults writes issues as plain JSON; CDS Hooks names no form for errors.
func cdsFaults(issues fhir.Issues) []byte {
	faults := make([]cdsFault, len(issues))
	for i, issue := range issues {
		faults[i] = cdsFault{issue.Code, issue.Expression, issue.Text}
	}
	body, err := json.Marshal(map[string][]cdsFault{"errors": faults})
	if err != nil {
		return []byte(`{"errors":[{"code":"exception","message":"The server failed."}]}`) // texts are always JSON
	}
	return body
}
