package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/api/tracing"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// shutdownTimeout is how long requests may take to be finished at the end.
const shutdownTimeout = 20 * time.Second

// settingsHelp lists every setting.
func settingsHelp(out io.Writer) {
	fmt.Fprintln(out, "Settings, from the environment, or from a YAML FILE with the same names:")
	for _, s := range config.All() {
		fmt.Fprintf(out, "  %-25s %s (default %q)\n", s.Name, s.Help, s.Default)
	}
	targetsHelp(out)
}

func serve(ctx context.Context, p *program, args []string) int {
	flags := flag.NewFlagSet("serve", flag.ContinueOnError)
	file := flags.String("config", "", "")
	if err := p.parse(flags, args); err != nil {
		return p.fail(exitUsage, err)
	}
	s, err := config.Load(*file, p.getenv)
	if err != nil {
		return p.fail(exitUsage, errors.Join(err, otherFaults(ctx, s, err)))
	}
	useMemory(p.getenv)
	logger := slog.New(tracing.Logs(slog.NewJSONHandler(p.err, nil)))
	service, err := start(ctx, s, logger, time.Now)
	if err != nil {
		code := exitEnvironment
		if bad, setting := (*badForm)(nil), (*badSetting)(nil); errors.As(err, &bad) || errors.As(err, &setting) {
			code = exitUsage
		}
		return p.fail(code, errors.Join(err, otherFaults(ctx, s, err)))
	}
	checking, stopChecking := context.WithCancel(ctx)
	defer stopChecking()
	go service.checkAtStart(checking, s, logger)
	logger.Info("serving", "fhir", service.FHIR, "admin", service.Admin, "version", version())
	<-ctx.Done()
	if err := service.Stop(); err != nil {
		return p.fail(exitEnvironment, err)
	}
	return exitFine
}

// service is a running server with its write-back.
type service struct {
	FHIR, Admin string

	store store.Store
	api   *api.Server
	// standing is how the targets stand, for the status page.
	standing standing
	shipped  chan struct{}
	servers  []*http.Server
	workers  chan error
	// notified is closed when no endpoint is called any more; nil before any may be.
	notified chan struct{}
	// exported is closed when no export is prepared any more; nil before any may be.
	exported chan struct{}
	cancel   context.CancelFunc
	// flush sends the last spans; nil if none are recorded.
	flush func()
}

// start opens the database and both listeners; what it answers is running.
func start(ctx context.Context, s config.Settings, logger *slog.Logger, clock func() time.Time) (*service, error) {
	metrics := api.NewMetrics()
	db, err := openDatabase(ctx, s.Database, logger, clock, metrics.Batch)
	if err != nil {
		return nil, err
	}
	if err := api.Reindex(ctx, db, s.BaseURL); err != nil {
		return nil, errors.Join(fmt.Errorf("bringing the index of the database up to date: %w", err), db.Close())
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	sv := &service{store: db, cancel: cancel, workers: make(chan error, 1)}
	fhir, admin, err := listeners(&s, metrics, logger)
	if err != nil {
		sv.workers <- nil
		return nil, errors.Join(err, sv.Stop())
	}
	forms := api.NewForms(db)
	if err := registerForms(ctx, forms, &s); err != nil {
		sv.workers <- nil
		return nil, errors.Join(err, fhir.Close(), admin.Close(), sv.Stop())
	}
	go forms.Run(run, api.FormsPoll, logger)
	bands, _ := scoring.BandSetByName(s.Bands)
	options := api.Options{Store: db, BaseURL: s.BaseURL, Bands: bands, Logger: logger, Version: version(), CORSOrigins: s.Origins(), Forms: forms}
	limit(&options, &s)
	measured(&s, metrics)
	if options.Auth, err = authorised(&s, db, logger, metrics); err == nil {
		options.CDS, err = cdsHooks(&s)
	}
	if err == nil {
		err = sv.trace(ctx, &s, &options)
	}
	if err != nil {
		sv.workers <- nil
		return nil, errors.Join(err, fhir.Close(), admin.Close(), sv.Stop())
	}
	if err := sv.writeBack(run, s.Targets, &options, metrics, logger); err != nil {
		sv.workers <- nil
		return nil, errors.Join(err, fhir.Close(), admin.Close(), sv.Stop())
	}
	if err := sv.subscriptions(run, s.Hooks, &options, metrics, logger); err != nil {
		return nil, errors.Join(err, fhir.Close(), admin.Close(), sv.Stop())
	}
	if err := sv.exports(run, s.Exports, &options, metrics, logger); err != nil {
		return nil, errors.Join(err, fhir.Close(), admin.Close(), sv.Stop())
	}
	sv.FHIR, sv.Admin = fhir.Addr().String(), admin.Addr().String()
	sv.api = api.New(options, metrics)
	sv.ship(run, s.AuditShip, metrics, logger)
	sv.serve(fhir, sv.api.Handler(), s.Limits().RequestTimeout, logger)
	page := statusPage{settings: s, store: db, standing: &sv.standing, started: time.Now()}
	sv.serve(admin, api.Admin(db, metrics, sv.api.FormsAdmin(s.AdminToken).Mount, sv.api.DeliveriesAdmin(s.AdminToken).Mount, page.Mount), api.DefaultRequestTimeout, logger)
	return sv, nil
}

// listeners opens both, before anything is served, so that a port left to the
// system (0) is known for the base URL.
func listeners(s *config.Settings, metrics *api.Metrics, logger *slog.Logger) (fhir, admin net.Listener, err error) {
	ofFHIR, ofAdmin, err := listenOptions(s, logger)
	if err != nil {
		return nil, nil, err
	}
	if ofFHIR.Certificates != nil {
		metrics.Certificate(ofFHIR.Certificates.Ends)
	}
	if fhir, err = net.Listen("tcp", s.Listen); err != nil {
		return nil, nil, fmt.Errorf("listening on TIDEMARK_LISTEN: %w", err)
	}
	if admin, err = net.Listen("tcp", s.AdminListen); err != nil {
		return nil, nil, errors.Join(fmt.Errorf("listening on TIDEMARK_ADMIN_LISTEN: %w", err), fhir.Close())
	}
	if scheme, own := strings.CutSuffix(s.BaseURL, s.Listen+"/fhir"); own && strings.HasSuffix(s.Listen, ":0") {
		s.BaseURL = scheme + fhir.Addr().String() + "/fhir"
	}
	return edge.Listen(fhir, ofFHIR), edge.Listen(admin, ofAdmin), nil
}

func (sv *service) serve(listener net.Listener, handler http.Handler, requestTime time.Duration, logger *slog.Logger) {
	server := edge.NewServer(handler, requestTime, logger)
	sv.servers = append(sv.servers, server)
	go func() {
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			logger.Error("a listener stopped", "error", err)
		}
	}()
}

// Stop takes nothing new, finishes what was begun, and closes the database.
func (sv *service) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), shutdownTimeout)
	defer cancel()
	var errs []error
	for _, server := range sv.servers {
		errs = append(errs, server.Shutdown(ctx))
	}
	sv.cancel()
	if sv.api != nil {
		sv.api.Close()
		<-sv.shipped
	}
	if sv.notified != nil {
		<-sv.notified
	}
	if sv.exported != nil {
		<-sv.exported
	}
	errs = append(errs, <-sv.workers, sv.store.Close())
	if sv.flush != nil {
		sv.flush()
	}
	return errors.Join(errs...)
}
