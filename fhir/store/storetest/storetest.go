// Package storetest is the one suite that every database must pass: each
// promise of package store, tested by what a caller can see.
//
// A database calls Run from a test of its own:
//
//	func TestStore(t *testing.T) {
//		storetest.Run(t, storetest.Driver{Create: create, Open: open})
//	}
//
// The test that calls Run must be at the top level, and nothing must come
// before the call: for the crash test, Run starts the test binary again as a
// child that kills itself, and recognises itself in the child.
package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// Driver is what the suite needs to know of a database.
type Driver struct {
	// Create makes a place for a new, empty database, such as the path of a
	// file, which goes when the test ends.
	Create func(t testing.TB) string
	// Open opens the database at a place, for the first time or again.
	Open func(place string, clock func() time.Time) (store.Store, error)
}

// Run tests a database.
func Run(t *testing.T, driver Driver) {
	if place := childPlace(); place != "" {
		runChild(driver, place)
	}
	for _, part := range []struct {
		name string
		test func(t *testing.T, driver Driver)
	}{
		{"Versions", testVersions},
		{"Jobs", testJobs},
		{"Concurrency", testConcurrency},
		{"Identity", testIdentity},
		{"Time", testTime},
		{"Search", testSearch},
		{"SearchPrefixes", testSearchPrefixes},
		{"Heads", testHeads},
		{"SearchPages", testSearchPages},
		{"SearchAgainstReference", testSearchAgainstReference},
		{"Reindex", testReindex},
		{"Secret", testSecret},
		{"Deliveries", testDeliveries},
		{"DeliveryLeases", testDeliveryLeases},
		{"DeliveryRaces", testDeliveryRaces},
		{"DeliveryMembers", testDeliveryMembers},
		{"DeliveriesAgainstModel", testDeliveriesAgainstModel},
		{"DeliveryLists", testDeliveryLists},
		{"Checks", testChecks},
		{"DeliveryDecisions", testDecisions},
		{"Once", testOnce},
		{"Subscriptions", testSubscriptions},
		{"Events", testEvents},
		{"SubscriptionClaims", testSubscriptionClaims},
		{"Exports", testExports},
		{"ExportClaims", testExportClaims},
		{"Snapshot", testSnapshot},
		{"SnapshotAgainstModel", testSnapshotAgainstModel},
		{"Audits", testAudits},
		{"Durability", testDurability},
		{"Closing", testClosing},
	} {
		t.Run(part.name, func(t *testing.T) {
			t.Parallel()
			part.test(t, driver)
		})
	}
}

// subtest runs one promise on a database of its own with a clock of its own.
func (d Driver) subtest(t *testing.T, name string, test func(t *testing.T, s store.Store, clock *Clock)) {
	t.Run(name, func(t *testing.T) {
		t.Parallel()
		clock := NewClock()
		test(t, d.open(t, d.Create(t), clock.Now), clock)
	})
}

// open opens a database until the end of the test.
func (d Driver) open(t testing.TB, place string, clock func() time.Time) store.Store {
	s, err := d.Open(place, clock)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// Clock is a clock that a test sets. It begins at a fixed time, so that a
// failure can be repeated.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// NewClock makes a clock that stands at noon of 10 May 2024, UTC.
func NewClock() *Clock {
	return &Clock{now: time.Date(2024, 5, 10, 12, 0, 0, 0, time.UTC)}
}

// Now is the time it shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Add moves it on, or back.
func (c *Clock) Add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// errRefused is an error of a job itself.
var errRefused = errors.New("refused")

// observation names an Observation.
func observation(id string) store.Key { return store.Key{Type: "Observation", ID: id} }

// body renders the version and time into a body, as a real job does.
func body(version int64, at time.Time) ([]byte, error) {
	return fmt.Appendf(nil, `{"versionId":"%d","lastUpdated":"%s"}`, version, at.Format(time.RFC3339Nano)), nil
}

// text renders a fixed body.
func text(content string) store.Render {
	return func(int64, time.Time) ([]byte, error) { return []byte(content), nil }
}

// tester is a test, or one round of a property.
type tester interface {
	require.TestingT
	Helper()
}

// write runs a job that must succeed.
func write(t tester, s store.Store, job store.Job) {
	t.Helper()
	require.NoError(t, s.Write(context.Background(), nil, job))
}

// put stores the next version of a resource.
func put(t tester, s store.Store, key store.Key, index store.Index) store.Resource {
	t.Helper()
	var stored store.Resource
	write(t, s, func(tx store.Tx) (err error) {
		stored, err = tx.Put(key, "PUT", index, body)
		return err
	})
	return stored
}

// remove deletes a resource.
func remove(t tester, s store.Store, key store.Key) store.Resource {
	t.Helper()
	var tombstone store.Resource
	write(t, s, func(tx store.Tx) (err error) {
		tombstone, err = tx.Delete(key)
		return err
	})
	return tombstone
}

// ids gives the ids of resources, in order.
func ids(resources []store.Resource) []string {
	found := []string{}
	for _, resource := range resources {
		found = append(found, resource.ID)
	}
	return found
}
