package api

import (
	"crypto/cipher"
	"log/slog"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gin-gonic/gin"
	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// Limits of a request; what is larger or slower is refused.
const (
	DefaultMaxBody     = 4 << 20
	DefaultBodyTimeout = 20 * time.Second
	DefaultMaxEntries  = 500
)

// Options configure a Server.
type Options struct {
	// Store keeps what is accepted.
	Store store.Store
	// BaseURL is the FHIR base that the server is known under, as
	// http://127.0.0.1:8080/fhir, without a slash at its end.
	BaseURL string
	// Bands is the set that scores are interpreted by.
	Bands scoring.BandSet
	// Algorithms are the versions of the arithmetic that scores kept here were
	// computed by, whose Devices are served; nil for those published.
	Algorithms scoring.Algorithms
	// Targets are the servers that scores are written back to.
	Targets []Target
	// Kick wakes the write-back after a commit; nil if there is none.
	Kick func()
	// Logger gets one line for each request and the cause of each failure.
	Logger *slog.Logger
	// MaxBody is the largest body in bytes, MaxEntries the most entries of a
	// Bundle, BodyTimeout how long a body may take to arrive and RequestTimeout
	// the whole request; 0 means the defaults.
	MaxBody                     int64
	MaxEntries                  int
	BodyTimeout, RequestTimeout time.Duration
	// Limits are how much each client may ask for; the zero value limits nothing.
	Limits edge.Limits
	// Proxies are those whose word on where a request comes from is taken.
	Proxies edge.Proxies
	// Forms are those that responses are read by; nil for the published ones.
	Forms *Forms
	// Published is what is served of forms and terminology; nil for what the
	// program publishes.
	Published []questionnaire.Published
	// CORSOrigins are the origins whose pages may use the server, as
	// https://portal.example; none by default.
	CORSOrigins []string
	// ClientKeys publishes the keys by which this service proves itself to the
	// servers that it writes to; nil if it does so to none.
	ClientKeys http.Handler
	// Auth is how requests are authorised; nil lets everybody do everything.
	Auth *Auth
	// Subscriptions is how notifications are offered; nil if they are not.
	Subscriptions *Subscriptions
	// Exports is how bulk exports are offered; nil if they are not.
	Exports *Exports
	// CDS is how CDS Hooks calls are answered; nil if they are not.
	CDS *CDS
	// Traces records spans of requests; nil if nobody wants them.
	Traces trace.TracerProvider
	// BirthDate asks a hospital's server how old patients are, for the warnings that
	// need it; nil asks nobody.
	BirthDate BirthDate
	// Version is that of the program, for the CapabilityStatement.
	Version string
}

// Target is a server that scores are written back to.
type Target struct {
	// Name is what the store calls it, Base its FHIR base URL, "" if it is not known,
	// for receipts to refer to what it holds.
	Name, Base string
	// Members gives the names of the resources that it takes for a score which has
	// these parts as components (codes of CodeSystem/scorad, see observation.Parts);
	// nil stands for the one resource store.Whole.
	Members func(parts []string) []string
}

// want asks for a version of a score at the target.
func (t *Target) want(tx store.Tx, score store.Resource, retract bool, parts func() []string) error {
	var members []string
	if t.Members != nil {
		members = t.Members(parts())
	}
	return tx.Want(t.Name, score.Key, score.Version, retract, members...)
}

// Server answers FHIR requests. Make one with New.
type Server struct {
	options Options
	metrics *Metrics
	routes  []route
	// router is the handler, which entries of Bundles go through too.
	router http.Handler
	// sealed encrypts what links must not show, once sealing has made it.
	sealing sync.Mutex
	sealed  cipher.AEAD
	shelf   shelf
	limiter *edge.Limiter
	meters  sync.Map // of *meter by meterKey
	// raw is the store without audit, for the audit itself.
	raw      store.Store
	refusals *refusals
	// counted are the paths of what is published, whose reads are counted, and
	// published are the counts.
	counted   map[string]bool
	published *publishedReads
	// drawing has a place for each report that is drawn at once.
	drawing chan struct{}
	cds     *cdsCallers
	births  *births
	// rated remembers scores that others were set beside.
	rated ratedScores
}

// New makes a server whose requests are counted by the metrics.
func New(options Options, metrics *Metrics) *Server {
	options.defaultLimits()
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	if options.Forms == nil {
		options.Forms = NewForms(options.Store)
	}
	if options.Bands.Name == "" {
		options.Bands = scoring.UsualBands
	}
	if options.Algorithms == nil {
		options.Algorithms = scoring.Published()
	}
	for _, target := range options.Targets {
		metrics.expect(target.Name)
	}
	s := &Server{options: options, metrics: metrics, shelf: ours(), limiter: edge.NewLimiter(options.Limits, nil), drawing: make(chan struct{}, max(1, runtime.GOMAXPROCS(0)))}
	metrics.mostFlow.Set(float64(options.Limits.Total))
	metrics.Build(options.Version)
	s.raw = options.Store
	if options.Auth != nil {
		s.options.Store = &guardedStore{options.Store, s}
	}
	s.options.Store = &auditedStore{s.options.Store, s}
	s.published = &publishedReads{server: s, reads: map[publishedRead]*audit.Event{}, every: publishedSummary}
	s.refusals = newRefusals(s.summarise, metrics.auditSummarised.Inc)
	if options.Published != nil {
		s.shelf = newShelf(options.Published)
	}
	s.births = newBirths(options.BirthDate)
	s.cds = newCDSCallers(options.CDS, options.BaseURL)
	s.routes = s.table()
	s.counted = countedPaths(s.routes)
	for _, r := range s.routes {
		if r.submits() { // so that an alert has something to rise from
			s.meter(meterKey{r.path, methodLabel(r.method), "5xx"})
		}
	}
	return s
}

// Handler is the server as HTTP.
func (s *Server) Handler() http.Handler {
	s.router = withoutTrailingSlash(s.engine())
	return edge.Harden(s.router, s.options.Proxies)
}

// engine has the routes of the table, and answers for everything else.
func (s *Server) engine() *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	engine := gin.New()
	engine.HandleMethodNotAllowed = true
	engine.RedirectTrailingSlash = false
	engine.RedirectFixedPath = false
	if err := engine.SetTrustedProxies(nil); err != nil {
		panic(err) // nil is always accepted
	}
	engine.Use(s.traced(), s.observe, s.trace, s.recover, s.cors, s.admit, s.answerOptions, s.authenticate, s.negotiate)
	for _, r := range s.routes {
		engine.Handle(r.method, r.path, s.handle(r))
		if r.method == http.MethodGet {
			engine.Handle(http.MethodHead, r.path, s.handle(r))
		}
	}
	engine.NoRoute(s.noRoute)
	engine.NoMethod(s.noMethod)
	return engine
}

// withoutTrailingSlash takes a slash at the end of a path as if it were not
// there: the base has none (R4 http.html 3.1.0.1.2), but general clients join
// it and an empty path by one.
func withoutTrailingSlash(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if path, cut := strings.CutSuffix(r.URL.Path, "/"); cut && path != "" {
			clone := *r.URL
			clone.Path, clone.RawPath = path, ""
			copied := *r
			copied.URL = &clone
			r = &copied
		}
		next.ServeHTTP(w, r)
	})
}

// route is one line of the table that the router and the CapabilityStatement
// are both made from.
type route struct {
	method, path string
	// resource and interaction are how the CapabilityStatement names it;
	// operation is set instead for an operation.
	resource, interaction, operation string
	handle                           func(*gin.Context) (reply, error)
}

// submits says whether the route changes which responses are kept.
func (r route) submits() bool {
	if r.operation == "process-response" {
		return true
	}
	switch r.interaction {
	case "create", "update", "delete", "transaction", conditionalUpdate, conditionalDelete:
		return true
	}
	return false
}

func (s *Server) table() []route {
	routes := []route{
		{http.MethodGet, "/fhir/metadata", "", "capabilities", "", s.capabilities()},
		{http.MethodPost, "/fhir", "", "transaction", "", s.bundle},
		{http.MethodPost, "/fhir/QuestionnaireResponse", "QuestionnaireResponse", "create", "", s.createResponse},
		{http.MethodPut, "/fhir/QuestionnaireResponse/:id", "QuestionnaireResponse", "update", "", s.updateResponse},
		{http.MethodPut, "/fhir/QuestionnaireResponse", "QuestionnaireResponse", conditionalUpdate, "", s.updateWhere},
		{http.MethodDelete, "/fhir/QuestionnaireResponse/:id", "QuestionnaireResponse", "delete", "", s.deleteResponse},
		{http.MethodDelete, "/fhir/QuestionnaireResponse", "QuestionnaireResponse", conditionalDelete, "", s.deleteWhere},
		{http.MethodPost, "/fhir/QuestionnaireResponse/$extract", "QuestionnaireResponse", "", "extract", s.extract},
		{http.MethodGet, "/fhir/Observation/$lastn", "Observation", "", "lastn", s.lastn},
		{http.MethodPost, "/fhir/Observation/$lastn", "Observation", "", "lastn", s.lastn},
		{http.MethodGet, "/fhir/Observation/$stats", "Observation", "", "stats", s.stats},
		{http.MethodPost, "/fhir/Observation/$stats", "Observation", "", "stats", s.stats},
		{http.MethodPost, "/fhir/QuestionnaireResponse/:id/$extract", "QuestionnaireResponse", "", "extract", s.extractStored},
		{http.MethodGet, "/fhir/QuestionnaireResponse/:id/$extract", "QuestionnaireResponse", "", "extract", s.extractStored},
		{http.MethodPost, "/fhir/Questionnaire/$process-response", "Questionnaire", "", "process-response", s.processResponse},
		{http.MethodPost, "/fhir/Questionnaire/:id/$process-response", "Questionnaire", "", "process-response", s.processResponseTo},
		{http.MethodPost, "/fhir/Questionnaire/$populate", "Questionnaire", "", "populate", s.populate},
		{http.MethodPost, "/fhir/Questionnaire/:id/$populate", "Questionnaire", "", "populate", s.populate},
		{http.MethodGet, "/fhir/Device", "Device", "search-type", "", s.searchFixed("Device", s.devices())},
		{http.MethodGet, "/fhir/Device/:id", "Device", "read", "", s.readDevice},
		{http.MethodGet, "/fhir/Device/:id/_history/:vid", "Device", "vread", "", s.readDevice},
	}
	routes = append(routes, s.trendRoutes()...)
	for _, resource := range []string{"QuestionnaireResponse", "Observation"} {
		routes = append(routes, route{http.MethodGet, "/fhir/" + resource + "/:id/_history", resource, "history-instance", "", s.history(resource)})
	}
	for _, resource := range []string{"QuestionnaireResponse", "Observation", "Provenance"} {
		routes = append(routes,
			route{http.MethodGet, "/fhir/" + resource, resource, "search-type", "", s.search(resource)},
			route{http.MethodGet, "/fhir/" + resource + "/:id", resource, "read", "", s.read(resource)},
			route{http.MethodGet, "/fhir/" + resource + "/:id/_history/:vid", resource, "vread", "", s.vread(resource)})
	}
	for _, resource := range append([]string{"QuestionnaireResponse", "Observation", "Provenance", "Device"}, publishedTypes...) {
		routes = append(routes,
			route{http.MethodPost, "/fhir/" + resource + "/$validate", resource, "", "validate", s.validate(resource)},
			route{http.MethodPost, "/fhir/" + resource + "/:id/$validate", resource, "", "validate", s.validate(resource)},
			route{http.MethodGet, "/fhir/" + resource + "/:id/$validate", resource, "", "validate", s.validate(resource)})
	}
	routes = append(routes,
		route{http.MethodGet, "/fhir/Task", "Task", "search-type", "", s.searchReceipts},
		route{http.MethodGet, "/fhir/Task/:id", "Task", "read", "", s.readReceipt},
		route{http.MethodGet, "/fhir/DiagnosticReport", "DiagnosticReport", "search-type", "", s.searchReports},
		route{http.MethodGet, "/fhir/DiagnosticReport/:id", "DiagnosticReport", "read", "", s.readReport},
		route{http.MethodGet, "/fhir/AuditEvent", "AuditEvent", "search-type", "", s.searchAudit},
		route{http.MethodGet, "/fhir/AuditEvent/:id", "AuditEvent", "read", "", s.readAudit})
	for _, resource := range publishedTypes {
		routes = append(routes,
			route{http.MethodGet, "/fhir/" + resource, resource, "search-type", "", s.searchFixed(resource, s.shelf.fixed(resource))},
			route{http.MethodGet, "/fhir/" + resource + "/:id", resource, "read", "", s.readPublished(resource)},
			route{http.MethodGet, "/fhir/" + resource + "/:id/_history/:vid", resource, "vread", "", s.vreadPublished(resource)})
	}
	routes = slices.Concat(routes, s.subscriptionRoutes(), s.cdsRoutes(), s.exportRoutes())
	return append(append(routes, posted(routes)...), s.authRoutes()...)
}
