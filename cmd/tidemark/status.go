package main

import (
	"context"
	"net/http"
	"slices"
	"sync"
	"time"

	"tidemark.example/tidemark/api/status"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/scoring"
)

// statusPatience is how long the status page waits for the database.
const statusPatience = 2 * time.Second

// standing is how the targets stand as this process sees them.
type standing struct {
	mu      sync.Mutex
	targets map[string]status.Target
}

// change changes what is known of a target.
func (s *standing) change(target string, by func(*status.Target)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.targets[target]
	by(&t)
	if s.targets == nil {
		s.targets = map[string]status.Target{}
	}
	s.targets[target] = t
}

func (s *standing) of(target string) status.Target {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.targets[target]
	t.Name = target
	return t
}

// statusPage is the page for people on the admin listener.
type statusPage struct {
	settings config.Settings
	store    store.Store
	standing *standing
	started  time.Time
}

// Mount adds it to the routes of the admin listener.
func (s *statusPage) Mount(mux *http.ServeMux) {
	mux.Handle("GET /{$}", status.Handler(s.read))
}

// read asks for everything that the page shows. Without a database it shows what
// can be known without.
func (s *statusPage) read(ctx context.Context) status.Report {
	ctx, cancel := context.WithTimeout(ctx, statusPatience)
	defer cancel()
	r := status.Report{At: time.Now(), Started: s.started, Version: version(), Algorithm: scoring.AlgorithmVersion, BaseURL: s.settings.BaseURL}
	r.Database = s.database(ctx)
	c := &checker{settings: s.settings}
	shows := func(name string, found ...finding) {
		for _, f := range found {
			r.Checks = append(r.Checks, status.Check{Name: name, Verdict: string(f.Verdict), Found: f.Found, To: toChange(f)})
		}
	}
	shows("Certificate of this server", checkListeners(ctx, c)...)
	for _, t := range s.settings.Targets {
		if t.TLS.ClientCert != "" {
			shows("Certificate toward "+t.Name, judgeOurs(t))
		}
	}
	shows("Signing key", checkKeys(ctx, c)...)
	if r.Database.Fault != "" {
		return r
	}
	var err error
	if r.Targets, err = s.targets(ctx); err == nil {
		r.Endpoints, err = s.endpoints(ctx)
	}
	if err != nil {
		r.Database.Fault = "it does not answer a read"
	}
	return r
}

// database sees whether it takes a write, and what it is.
func (s *statusPage) database(ctx context.Context) status.Database {
	d := status.Database{Kind: "SQLite"}
	inspect := sqlite.Inspect
	if postgres.IsAddress(string(s.settings.Database)) {
		d.Kind, inspect = "PostgreSQL", postgres.Inspect
	}
	begin := time.Now()
	if err := s.store.Ping(ctx); err != nil {
		d.Fault = "it does not take a write"
		return d
	}
	d.Took = time.Since(begin).Round(100 * time.Microsecond)
	if c, err := inspect(ctx, string(s.settings.Database)); err == nil {
		d.Schema, d.Known, d.Durability, d.Fault = c.Schema, c.Known, c.Durability, c.Fault
	}
	return d
}

// targets are those configured, in their order, and then those left behind.
func (s *statusPage) targets(ctx context.Context) ([]status.Target, error) {
	backlog, err := s.store.Backlog(ctx)
	if err != nil {
		return nil, err
	}
	copies, err := s.store.Copies(ctx)
	if err != nil {
		return nil, err
	}
	last, err := s.store.LastDeliveries(ctx)
	if err != nil {
		return nil, err
	}
	var all []status.Target
	for _, t := range s.settings.Targets {
		known := s.standing.of(t.Name)
		known.Configured = true
		all = append(all, known)
	}
	for _, b := range backlog {
		i := slices.IndexFunc(all, func(t status.Target) bool { return t.Name == b.Target })
		if i < 0 && b.Pending+b.InDoubt+b.Parked == 0 {
			continue
		}
		if i < 0 {
			i, all = len(all), append(all, status.Target{Name: b.Target})
		}
		all[i].Pending, all[i].InDoubt, all[i].Parked, all[i].Oldest = b.Pending, b.InDoubt, b.Parked, b.Oldest
	}
	for i := range all {
		all[i].Last = last[all[i].Name]
		for _, c := range copies {
			if c.Target == all[i].Name {
				all[i].Differing = c.Differing
			}
		}
	}
	return all, nil
}

// endpoints counts those that are told of scores.
func (s *statusPage) endpoints(ctx context.Context) (e status.Endpoints, err error) {
	all, err := s.store.Subscriptions(ctx, nil)
	for _, each := range all {
		switch {
		case each.Status == store.SubscriptionOff:
			e.Off++
			continue
		case !each.Failing.IsZero():
			e.Failing++
		default:
			e.Active++
		}
		e.Waiting += each.Events - each.Delivered
	}
	return e, err
}
