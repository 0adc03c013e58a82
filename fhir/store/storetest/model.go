package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
)

// deliveryModel is what a target is to hold of one resource, in a few lines of
// memory, written from the definitions, to hold the databases against.
type deliveryModel struct {
	target  string
	key     store.Key
	version int64
	rows    map[string]*store.Delivery
	store   store.Store
	clock   *Clock
}

// memberNames are what a version may be wanted as.
var memberNames = []string{store.Whole, "a", "b", "c"}

// testDeliveriesAgainstModel holds what is wanted and delivered, in any order of
// writes and deliveries, against the model.
func testDeliveriesAgainstModel(t *testing.T, driver Driver) {
	driver.subtest(t, "Property", func(t *testing.T, s store.Store, clock *Clock) {
		round := 0
		rapid.Check(t, func(t *rapid.T) {
			round++
			m := &deliveryModel{
				target: fmt.Sprint("ehr", round), key: observation(fmt.Sprint("o", round)),
				rows: map[string]*store.Delivery{}, store: s, clock: clock,
			}
			t.Repeat(map[string]func(*rapid.T){
				"want":  func(t *rapid.T) { m.write(t, 1, true) },
				"wants": func(t *rapid.T) { m.write(t, 3, true) },
				"fail":  func(t *rapid.T) { m.write(t, 2, false) },
				"again": m.again,
				"work":  m.work,
				"look":  m.look,
				"judge": m.judge,
				"":      m.check,
			})
		})
	})
}

// write runs a job that writes versions and wants them.
func (m *deliveryModel) write(t *rapid.T, versions int, keep bool) {
	m.clock.Add(time.Second)
	before, rows := m.version, map[string]*store.Delivery{}
	for name, row := range m.rows {
		kept := *row
		rows[name] = &kept
	}
	members := make([][]string, versions)
	retract := make([]bool, versions)
	for i := range versions {
		members[i] = rapid.SliceOfNDistinct(rapid.SampledFrom(memberNames), 1, 4, rapid.ID[string]).Draw(t, "members")
		retract[i] = rapid.IntRange(0, 5).Draw(t, "retract") == 0
	}
	err := m.store.Write(context.Background(), nil, func(tx store.Tx) error {
		m.version, m.rows = before, map[string]*store.Delivery{}
		for name, row := range rows {
			kept := *row
			m.rows[name] = &kept
		}
		for i := range versions {
			stored, err := tx.Put(m.key, "POST", store.Index{}, body)
			if err != nil {
				return err
			}
			m.version = stored.Version
			m.want(m.version, retract[i], members[i])
			if err := tx.Want(m.target, m.key, m.version, retract[i], members[i]...); err != nil {
				return err
			}
		}
		if !keep {
			return errRefused
		}
		return nil
	})
	if keep {
		require.NoError(t, err)
		return
	}
	require.ErrorIs(t, err, errRefused)
	m.version, m.rows = before, rows
}

// again wants a version that may be wanted already.
func (m *deliveryModel) again(t *rapid.T) {
	if m.version == 0 {
		t.Skip("nothing is stored")
	}
	version := rapid.Int64Range(1, m.version).Draw(t, "version")
	members := rapid.SliceOfNDistinct(rapid.SampledFrom(memberNames), 1, 4, rapid.ID[string]).Draw(t, "members")
	m.want(version, false, members)
	write(t, m.store, func(tx store.Tx) error { return tx.Want(m.target, m.key, version, false, members...) })
}

// want is what Want does.
func (m *deliveryModel) want(version int64, retract bool, members []string) {
	for _, row := range m.rows {
		if row.Wanted >= version {
			return
		}
	}
	for _, name := range memberNames {
		named, row := slices.Contains(members, name), m.rows[name]
		switch {
		case row == nil && !named, row != nil && !named && row.Retract:
			continue
		case row == nil:
			row = &store.Delivery{Target: m.target, Key: m.key, Member: name, WantedSince: m.clock.Now()}
			m.rows[name] = row
		case row.Delivered == row.Wanted:
			row.WantedSince = m.clock.Now()
		}
		row.Wanted, row.Retract, row.Due = version, retract || !named, m.clock.Now()
		row.Parked, row.Dropped, row.Reason, row.Fault = false, false, "", ""
	}
}

// work claims what is due and records what became of it.
func (m *deliveryModel) work(t *rapid.T) {
	claimed, err := m.store.Claim(context.Background(), m.target, worker, time.Minute, 10)
	require.NoError(t, err)
	for _, d := range claimed {
		row := m.rows[d.Member]
		require.True(t, !row.Parked && (row.InDoubt || row.Delivered != row.Wanted))
		row.Attempts++
		expected := *row
		expected.Owner, expected.LeaseUntil = worker, m.clock.Now().Add(time.Minute)
		require.Equal(t, expected, d)
		if rapid.Bool().Draw(t, "begins") {
			require.NoError(t, m.store.Begin(context.Background(), d))
		}
		step := store.Step{}
		switch rapid.IntRange(0, 5).Draw(t, "outcome") {
		case 0:
			d.Parked, d.Reason, d.Fault = true, "refused", "content"
		case 1:
			d.InDoubt, d.ETag = true, `W/"of before"`
		case 2:
			step.Unsent = true
			row.Attempts--
		case 3:
			row.InDoubt, row.Owner, row.LeaseUntil = true, expected.Owner, expected.LeaseUntil
			defer m.clock.Add(2 * time.Minute) // the process has died
			continue
		default:
			d.Delivered, d.InDoubt, d.RemoteID, row.Attempts = d.Wanted, false, "remote "+d.Member, 0
			row.WantedSince = time.Time{}
		}
		step.Delivery = d
		require.NoError(t, m.store.Advance(context.Background(), []store.Step{step})[0])
		if d.Delivered > row.Delivered {
			row.Repairs = 0
		}
		row.Fresh, row.Looked = true, m.clock.Now()
		row.Delivered, row.InDoubt, row.RemoteID, row.ETag, row.Changed = d.Delivered, d.InDoubt, d.RemoteID, d.ETag, m.clock.Now()
		row.Owner, row.LeaseUntil = "", time.Time{}
		row.Parked, row.Reason, row.Fault = d.Parked, d.Reason, d.Fault
	}
}

// look claims the copies that are delivered and records what was found.
func (m *deliveryModel) look(t *rapid.T) {
	m.clock.Add(time.Second)
	claimed, err := m.store.ClaimChecks(context.Background(), m.target, worker, time.Minute, store.CheckDue{}, 10)
	require.NoError(t, err)
	delivered := 0
	for _, row := range m.rows {
		if row.Wanted == row.Delivered && !row.InDoubt {
			delivered++
		}
	}
	require.Len(t, claimed, delivered)
	for _, d := range claimed {
		row, before := m.rows[d.Member], [2]string{d.Reason, d.Fault}
		switch rapid.IntRange(0, 2).Draw(t, "found") {
		case 0:
			d.Reason, d.Fault = "", ""
		case 1:
			d.Reason, d.Fault = "another", "changed"
		default:
			d.Reason, d.Fault, d.InDoubt = "gone", "lost", true
			d.Repairs++
			row.Due, row.WantedSince = m.clock.Now(), m.clock.Now()
		}
		require.NoError(t, m.store.RecordCheck(context.Background(), store.Check{Delivery: d, Looked: true, Read: true}))
		if before != [2]string{d.Reason, d.Fault} {
			row.Changed = m.clock.Now()
		}
		row.Reason, row.Fault, row.InDoubt, row.Repairs = d.Reason, d.Fault, d.InDoubt, d.Repairs
		row.Fresh, row.Looked, row.Checked = false, m.clock.Now(), m.clock.Now()
	}
}

// judge releases or drops one member, or all.
func (m *deliveryModel) judge(t *rapid.T) {
	m.clock.Add(time.Second)
	query := store.DeliveryQuery{Target: m.target, Keys: []store.Key{m.key}}
	if rapid.Bool().Draw(t, "one") {
		name := rapid.SampledFrom(memberNames).Draw(t, "member")
		query.Member = &name
	}
	dropping := rapid.Bool().Draw(t, "drop")
	if !dropping && rapid.Bool().Draw(t, "dropped too") {
		query.States = []store.DeliveryState{store.Parked, store.Dropped, store.Differs}
	}
	changed := 0
	for name, row := range m.rows {
		differs := row.State() == store.Differs && !dropping && query.States != nil
		hit := differs || row.Parked && (!row.Dropped || !dropping && query.States != nil)
		if !hit || query.Member != nil && *query.Member != name {
			continue
		}
		changed++
		row.Changed = m.clock.Now()
		if differs {
			row.InDoubt, row.Repairs, row.WantedSince = true, 0, m.clock.Now()
		}
		if dropping {
			row.Dropped, row.Reason = true, "given up"
		} else {
			row.Parked, row.Dropped, row.Attempts, row.Due = false, false, 0, m.clock.Now()
		}
	}
	if dropping {
		require.Equal(t, changed, drop(t, m.store, query, "given up"))
	} else {
		require.Equal(t, changed, release(t, m.store, query))
	}
}

// check holds the database against the model.
func (m *deliveryModel) check(t *rapid.T) {
	expected := []store.Delivery{}
	for _, name := range memberNames {
		if row := m.rows[name]; row != nil {
			expected = append(expected, *row)
		}
	}
	found, err := m.store.Members(context.Background(), m.target, m.key)
	require.NoError(t, err)
	require.Equal(t, expected, append([]store.Delivery{}, found...))
}
