package main

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/status"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/test/sqlitetest"
)

// standingStore is a store that stands as a test says.
type standingStore struct {
	store.Store
	down, unread error
	oldest       time.Time
}

// Ping implements store.Store.
func (s *standingStore) Ping(context.Context) error { return s.down }

// Backlog implements store.Store.
func (s *standingStore) Backlog(context.Context) ([]store.Backlog, error) {
	return []store.Backlog{
		{Target: "registry", Pending: 7, InDoubt: 2, Parked: 3, Oldest: s.oldest}, {Target: "closed-clinic", Parked: 1}, {Target: "forgotten"},
	}, s.unread
}

// Copies implements store.Store.
func (s *standingStore) Copies(context.Context) ([]store.Copies, error) {
	return []store.Copies{{Target: "brindlemoor", Differing: 4}}, nil
}

// LastDeliveries implements store.Store.
func (s *standingStore) LastDeliveries(context.Context) (map[string]time.Time, error) {
	return map[string]time.Time{"brindlemoor": s.oldest.Add(time.Minute)}, nil
}

// Subscriptions implements store.Store.
func (s *standingStore) Subscriptions(context.Context, []string) ([]store.Subscription, error) {
	of := func(status store.SubscriptionStatus, events, delivered int64, failing time.Time) store.Subscription {
		return store.Subscription{SubscriptionState: store.SubscriptionState{Status: status, Events: events, Delivered: delivered, Failing: failing}}
	}
	return []store.Subscription{of(store.SubscriptionActive, 9, 4, time.Time{}), of(store.SubscriptionActive, 3, 1, s.oldest),
		of(store.SubscriptionError, 8, 8, s.oldest), of(store.SubscriptionOff, 50, 10, s.oldest)}, nil
}

// TestStatusIsWhatStands: the page tells of each target, endpoint and file what the
// database, the write-back and the disk do.
func TestStatusIsWhatStands(t *testing.T) {
	t.Parallel()
	dir, began := t.TempDir(), time.Now().Add(-time.Hour)
	database := filepath.Join(dir, "tidemark.db")
	sqlitetest.Place(t, database)
	s := &standingStore{oldest: began}
	known := &standing{}
	known.change("registry", func(t *status.Target) { t.Paused = true })
	keys := filepath.Join(dir, "keys.json")
	page := statusPage{store: s, standing: known, started: began, settings: config.Settings{
		Database: config.Database(database), BaseURL: "https://tidemark.brindlemoor.example/fhir", Authorization: config.Authorization{AuthKeys: keys},
		Targets: []config.Target{{Name: "brindlemoor"}, {Name: "registry"}},
	}}

	r := page.read(t.Context())
	require.Equal(t, began, r.Started)
	require.Equal(t, "https://tidemark.brindlemoor.example/fhir", r.BaseURL)
	require.Empty(t, r.Database.Fault)
	require.Equal(t, "SQLite", r.Database.Kind)
	require.Equal(t, r.Database.Known, r.Database.Schema)
	require.NotEmpty(t, r.Database.Durability)
	require.Len(t, r.Targets, 3, "what waits for a target that is not configured any more, but not one that nothing waits for")
	require.Equal(t, []status.Target{
		{Name: "brindlemoor", Configured: true, Differing: 4, Last: began.Add(time.Minute)},
		{Name: "registry", Configured: true, Paused: true, Pending: 7, InDoubt: 2, Parked: 3, Oldest: began},
		{Name: "closed-clinic", Parked: 1},
	}, r.Targets)
	require.Equal(t, status.Endpoints{Active: 1, Failing: 2, Off: 1, Waiting: 5 + 2}, r.Endpoints)
	var faults []string
	for _, check := range r.Checks {
		if check.Verdict == string(fault) {
			faults = append(faults, check.Name)
			require.Contains(t, check.To, "TIDEMARK_AUTH_KEYS")
		}
	}
	require.Equal(t, []string{"Signing key"}, faults, "the file of keys is not there")

	s.unread = errors.New("gone")
	require.Equal(t, "it does not answer a read", page.read(t.Context()).Database.Fault)
	s.down = errors.New("gone")
	r = page.read(t.Context())
	require.Equal(t, "it does not take a write", r.Database.Fault)
	require.Empty(t, r.Targets)
	require.NotEmpty(t, r.Checks, "what can be known without a database")
}
