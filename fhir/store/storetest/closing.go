package storetest

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testClosing: Close answers everybody, and nothing works after it.
func testClosing(t *testing.T, driver Driver) {
	t.Run("RefusesEverythingAfterwards", func(t *testing.T) {
		t.Parallel()
		testClosed(t, driver)
	})
	t.Run("AnswersEverybodyUnderLoad", func(t *testing.T) {
		t.Parallel()
		testCloseUnderLoad(t, driver)
	})
	driver.subtest(t, "PingSaysThatItTakesWritesAndReads", func(t *testing.T, s store.Store, _ *Clock) {
		require.NoError(t, s.Ping(context.Background()))
		require.NoError(t, s.Ping(context.Background()))
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		require.ErrorIs(t, s.Ping(ctx), context.Canceled)
	})
	driver.subtest(t, "ReadsEndWithTheirContext", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("o1"), store.Index{})
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		_, err := s.Get(ctx, observation("o1"))
		require.ErrorIs(t, err, context.Canceled)
		_, err = s.Search(ctx, store.Query{Type: "Observation", Limit: 1})
		require.ErrorIs(t, err, context.Canceled)
		_, err = s.Heads(ctx, store.Heads{Type: "Observation", Patient: "Patient/oona", Limit: 1})
		require.ErrorIs(t, err, context.Canceled)
	})
}

// testClosed tries every method of a closed store.
func testClosed(t *testing.T, driver Driver) {
	ctx := context.Background()
	s, err := driver.Open(driver.Create(t), NewClock().Now)
	require.NoError(t, err)
	put(t, s, observation("o1"), store.Index{})
	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "a second time does nothing")
	for name, call := range map[string]func() error{
		"Write":         func() error { return s.Write(ctx, nil, func(store.Tx) error { panic("ran") }) },
		"Get":           func() error { _, err := s.Get(ctx, observation("o1")); return err },
		"Version":       func() error { _, err := s.Version(ctx, observation("o1"), 1); return err },
		"History":       func() error { _, err := s.History(ctx, observation("o1"), 0, 1); return err },
		"Search":        func() error { _, err := s.Search(ctx, store.Query{Type: "Observation", Limit: 1}); return err },
		"Heads":         func() error { _, err := s.Heads(ctx, store.Heads{Type: "Observation", Limit: 1}); return err },
		"Each":          func() error { return s.Each(ctx, "Observation", func(store.Resource) error { panic("visited") }) },
		"Ping":          func() error { return s.Ping(ctx) },
		"Export":        func() error { _, err := s.Export(ctx, "x"); return err },
		"ClaimExport":   func() error { _, err := s.ClaimExport(ctx, "x", time.Minute); return err },
		"RecordExport":  func() error { _, err := s.RecordExport(ctx, store.Export{}, time.Minute); return err },
		"ForgetExports": func() error { _, err := s.ForgetExports(ctx); return err },
		"Snapshot": func() error {
			_, err := s.Snapshot(ctx, store.SnapshotQuery{Type: "Observation", Limit: 1})
			return err
		},
		"Audit":          func() error { _, err := s.Audit(ctx, store.AuditPlace{Chain: "x", Sequence: 1}); return err },
		"Audits":         func() error { _, err := s.Audits(ctx, store.AuditQuery{Limit: 1}); return err },
		"AuditsAfter":    func() error { _, err := s.AuditsAfter(ctx, target, 1); return err },
		"AuditShipped":   func() error { return s.AuditShipped(ctx, target, store.AuditPlace{}) },
		"AuditBacklog":   func() error { _, _, err := s.AuditBacklog(ctx, target); return err },
		"VerifyAudits":   func() error { _, _, err := s.VerifyAudits(ctx, func(store.AuditFault) {}); return err },
		"Claim":          func() error { _, err := s.Claim(ctx, target, worker, time.Minute, 1); return err },
		"Begin":          func() error { return s.Begin(ctx, store.Delivery{}) },
		"Record":         func() error { return s.Record(ctx, store.Delivery{}) },
		"Advance":        func() error { return s.Advance(ctx, make([]store.Step, 1))[0] },
		"Usage":          func() error { _, err := s.Usage(ctx); return err },
		"Backlog":        func() error { _, err := s.Backlog(ctx); return err },
		"LastDeliveries": func() error { _, err := s.LastDeliveries(ctx); return err },
		"Deliveries":     func() error { _, err := s.Deliveries(ctx, store.DeliveryQuery{Limit: 1}); return err },
		"Delivery":       func() error { _, err := s.Delivery(ctx, target, observation("o1"), store.Whole); return err },
		"Members":        func() error { _, err := s.Members(ctx, target, observation("o1")); return err },
	} {
		require.ErrorIs(t, call(), store.ErrClosed, name)
	}
}

// testCloseUnderLoad closes a store that many write to and read from. What was
// acknowledged is there afterwards, what was refused is not, and nobody waits
// for ever.
func testCloseUnderLoad(t *testing.T, driver Driver) {
	clock, place := NewClock(), driver.Create(t)
	s, err := driver.Open(place, clock.Now)
	require.NoError(t, err)
	var acknowledged, refused [writers][]string
	var total atomic.Int64
	enough := make(chan struct{})
	errs := make([]error, writers)
	closed := make(chan error, 1)
	go func() {
		<-enough
		closed <- s.Close()
	}()
	together(func(writer int) {
		for round := 0; ; round++ {
			id := fmt.Sprintf("w%d-%d", writer, round)
			err := s.Write(context.Background(), nil, func(tx store.Tx) error { return everything(tx, id) })
			if err == nil {
				_, err = s.Get(context.Background(), observation(id))
				acknowledged[writer] = append(acknowledged[writer], id)
				if total.Add(1) == 3*writers {
					close(enough)
				}
			} else {
				refused[writer] = append(refused[writer], id)
			}
			if err != nil {
				errs[writer] = err
				return
			}
		}
	})
	require.NoError(t, <-closed)
	require.ErrorIs(t, errors.Join(errs...), store.ErrClosed)
	s = driver.open(t, place, clock.Now)
	for writer := range writers {
		require.ErrorIs(t, errs[writer], store.ErrClosed)
		for _, id := range acknowledged[writer] {
			require.EqualValues(t, 1, get(t, s, observation(id)).Version)
		}
		for _, id := range refused[writer] {
			requireNothing(t, s, id)
		}
	}
}
