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
	"os"
	"path/filepath"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/scoring"
)

func demoHelp(out io.Writer) {
	fmt.Fprintln(out, "It needs no configuration and leaves nothing behind. With --once it exits after the story; without, it\n"+
		"goes on until Ctrl-C and prints what to open.")
}

// demo runs the whole main job in one process and tells it as it happens.
func demo(ctx context.Context, p *program, args []string) int {
	flags := flag.NewFlagSet("demo", flag.ContinueOnError)
	once := flags.Bool("once", false, "")
	if err := p.parse(flags, args); err != nil {
		return p.fail(exitUsage, err)
	}
	d, err := newDemo(ctx, p)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	err = d.tell(ctx)
	if err == nil && !*once {
		d.invite(ctx)
		<-ctx.Done()
	}
	if err = errors.Join(err, d.close()); err != nil {
		return p.fail(exitEnvironment, err)
	}
	return exitFine
}

// demonstration is the hospital, the service and the clock of the story.
type demonstration struct {
	p        *program
	now      time.Time
	dir      string
	hospital *sandbox.Server
	ehr      *http.Server
	ehrBase  string
	service  *service
	base     string
	// created maps a response's identifier to its id.
	created map[string]string
}

// usualAddresses are those that the documentation shows; the demo takes others
// if one of them is in use.
var usualAddresses = []struct{ fhir, admin string }{{"127.0.0.1:8080", "127.0.0.1:9464"}, {"127.0.0.1:0", "127.0.0.1:0"}}

func newDemo(ctx context.Context, p *program) (*demonstration, error) {
	d := &demonstration{p: p, now: time.Now().Truncate(time.Second), hospital: sandbox.New(sandbox.Options{RequirePatients: true}), created: map[string]string{}}
	var err error
	if d.dir, err = os.MkdirTemp("", "tidemark-demo-"); err != nil {
		return nil, fmt.Errorf("making a directory for the demo: %w", err)
	}
	if err := d.openHospital(); err != nil {
		return nil, errors.Join(err, d.close())
	}
	for _, addresses := range usualAddresses {
		d.service, err = start(ctx, config.Settings{
			Listen: addresses.fhir, AdminListen: addresses.admin, BaseURL: "http://" + addresses.fhir + "/fhir",
			Database: config.Database(filepath.Join(d.dir, "tidemark.db")), Targets: []config.Target{config.NewTarget("ehr", d.ehrBase)}, Auth: "off", Bands: "usual-25-50",
		}, slog.New(slog.DiscardHandler), time.Now)
		if err == nil {
			d.base = "http://" + d.service.FHIR + "/fhir"
			return d, nil
		}
	}
	return nil, errors.Join(err, d.close())
}

func (d *demonstration) openHospital() error {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("starting the stand-in hospital server: %w", err)
	}
	d.ehr = edge.NewServer(d.hospital, time.Minute, slog.New(slog.DiscardHandler))
	d.ehrBase = "http://" + listener.Addr().String() + "/fhir"
	go func() { _ = d.ehr.Serve(listener) }() // ends with Close
	for _, patient := range demoPatients {
		d.hospital.Put(patient.resource(d.now))
	}
	return nil
}

// close ends whatever was begun, and leaves nothing behind.
func (d *demonstration) close() error {
	var errs []error
	if d.service != nil {
		errs = append(errs, d.service.Stop())
	}
	if d.ehr != nil {
		errs = append(errs, d.ehr.Close())
	}
	return errors.Join(append(errs, os.RemoveAll(d.dir))...)
}

func (d *demonstration) say(format string, args ...any) { fmt.Fprintf(d.p.out, format+"\n", args...) }

// writeReport draws Oona's page to a file beside the demo's database.
func (d *demonstration) writeReport(ctx context.Context) (path string, err error) {
	made, err := api.Report(ctx, d.service.store, d.base, "Patient/"+demoPatients[0].id, forever, scoring.UsualBands)
	if err != nil {
		return "", err
	}
	drawn, err := made.PDF("en")
	if err != nil {
		return "", err
	}
	path = filepath.Join(d.dir, "scorad-report.pdf")
	return path, writeOwn(path, drawn)
}

func (d *demonstration) invite(ctx context.Context) {
	d.say("\nThe demo goes on until Ctrl-C. To look around:")
	d.say("  the form            %s/Questionnaire/scorad-self-assessment", d.base)
	d.say("  Oona's scores       %s/Observation?patient=oona-thistledown&_sort=-date", d.base)
	if path, err := d.writeReport(ctx); err == nil {
		d.say("  her page as PDF     %s (until Ctrl-C)", path)
	} else {
		d.say("  her page as PDF     could not be written: %v", err)
	}
	d.say("  the same, by FHIR   %s/DiagnosticReport?patient=oona-thistledown&_count=1", d.base)
	d.say("  what is offered     %s/metadata", d.base)
	d.say("  the hospital's copy %s/Observation?subject=Patient/oona-thistledown", d.ehrBase)
	d.say("  metrics             http://%s/metrics", d.service.Admin)
}
