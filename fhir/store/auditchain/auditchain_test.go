package auditchain_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/pack"
)

// memory is a trail that is kept in memory, as a database would.
type memory struct {
	chains  []auditchain.Chain
	entries []auditchain.Entry
	broken  error
}

func (m *memory) Head(number int64, name string) (int64, []byte, error) {
	for _, c := range m.chains {
		if c.Number == number && c.Name == name {
			return c.Head, c.HeadDigest, m.broken
		}
	}
	return 0, nil, errors.Join(store.ErrNotFound, m.broken)
}

func (m *memory) Newest() (string, int64, []byte, error) {
	if len(m.chains) == 0 {
		return "", 0, nil, store.ErrNotFound
	}
	last := m.chains[len(m.chains)-1]
	return last.Name, last.Head, last.HeadDigest, m.broken
}

func (m *memory) Begin(name string, anchor store.AuditHead, genesis store.AuditDigest) (int64, error) {
	number := int64(len(m.chains)) + 1
	m.chains = append(m.chains, auditchain.Chain{
		Number: number, Name: name, Started: started.UnixMilli(), Anchor: anchor.AuditPlace,
		AnchorDigest: anchor.Digest[:], Genesis: genesis[:], HeadDigest: genesis[:],
	})
	return number, m.broken
}

func (m *memory) Chains() ([]auditchain.Chain, error) { return m.chains, m.broken }
func (m *memory) Given() (int64, error)               { return int64(len(m.chains)), m.broken }

func (m *memory) Digest(place store.AuditPlace) ([]byte, error) {
	for _, e := range m.entries {
		if e.AuditPlace == place {
			return e.Digest, m.broken
		}
	}
	return nil, m.broken
}

func (m *memory) Each(number int64, visit func(auditchain.Entry)) error {
	for _, e := range m.entries {
		if e.Key > auditchain.Key(number, 0) && e.Key < auditchain.Key(number+1, 0) {
			visit(e)
		}
	}
	return m.broken
}

func (m *memory) Strays() (map[int64]int64, error) { return nil, m.broken }

var started = time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)

// append adds entries to the chain of a process, as one batch does.
func (m *memory) append(t require.TestingT, tip *auditchain.Tip, codec *pack.Codec, count int) {
	require.NoError(t, tip.Open(m, started))
	for i := range count {
		event := fmt.Appendf(nil, `{"resourceType":"AuditEvent","n":%d}`, i)
		addition := auditchain.Addition{
			Audit:  store.Audit{Recorded: started.Add(time.Duration(i) * time.Second), Event: event, Patient: fmt.Sprint("Patient/", i), Type: "rest", Action: "R", Outcome: "0"},
			Packed: codec.Pack(event),
		}
		tip.Append(&addition)
		m.entries = append(m.entries, auditchain.Entry{
			AuditRecord: store.AuditRecord{Audit: addition.Audit, AuditPlace: store.AuditPlace{Chain: tip.Name, Sequence: tip.Sequence}},
			Key:         addition.Key, Packed: addition.Packed, Digest: addition.Digest[:],
		})
	}
	chain := &m.chains[tip.Number-1]
	digest := tip.Digest
	chain.Head, chain.HeadDigest = tip.Sequence, digest[:]
}

func verify(t require.TestingT, m *memory) (faults []store.AuditFault, checked int64) {
	checked, _, err := auditchain.Verify(m, func(f store.AuditFault) { faults = append(faults, f) })
	require.NoError(t, err)
	return faults, checked
}

// TestWhatIsAppendedVerifies holds for any processes that append in turns, and
// any one change to what they left is found.
func TestWhatIsAppendedVerifies(t *testing.T) {
	t.Parallel()
	codec, err := pack.NewAudits()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		m, tips := &memory{}, make([]auditchain.Tip, rapid.IntRange(1, 3).Draw(t, "processes"))
		want := int64(0)
		for range rapid.IntRange(1, 6).Draw(t, "batches") {
			count := rapid.IntRange(1, 4).Draw(t, "entries")
			m.append(t, &tips[rapid.IntRange(0, len(tips)-1).Draw(t, "process")], codec, count)
			want += int64(count)
		}
		faults, checked := verify(t, m)
		require.Empty(t, faults)
		require.Equal(t, want, checked)

		e := &m.entries[rapid.IntRange(0, len(m.entries)-1).Draw(t, "entry")]
		switch rapid.IntRange(0, 4).Draw(t, "change") {
		case 0:
			e.Patient += "x"
		case 1:
			e.Recorded = e.Recorded.Add(time.Millisecond)
		case 2:
			e.Packed = append([]byte{0}, e.Packed...)
		case 3:
			e.Digest = append([]byte{e.Digest[0] ^ 1}, e.Digest[1:]...)
		case 4:
			*e = auditchain.Entry{} // which no chain has
		}
		faults, _ = verify(t, m)
		require.NotEmpty(t, faults)
	})
}

// TestUnknownCommit: what a failed commit left is read again.
func TestUnknownCommit(t *testing.T) {
	t.Parallel()
	codec, err := pack.NewAudits()
	require.NoError(t, err)
	m, tip := &memory{}, auditchain.Tip{}
	m.append(t, &tip, codec, 2)
	kept := tip
	lost := auditchain.Addition{Packed: codec.Pack([]byte("{}"))}
	tip.Append(&lost) // its commit fails, and nothing of it is on disk
	tip.Unknown = true
	require.NoError(t, tip.Open(m, started))
	require.Equal(t, kept, tip, "the chain goes on where the disk has it")

	tip.Unknown, m.broken = true, errors.New("no connection")
	require.ErrorIs(t, tip.Open(m, started), m.broken)
	m.broken = nil
	m.chains = nil // not even the chain's beginning came to disk
	require.NoError(t, tip.Open(m, started))
	require.NotEqual(t, kept.Name, tip.Name)
	require.Equal(t, auditchain.Tip{Number: 1, Name: tip.Name, Digest: store.AuditGenesis(tip.Name, started, store.AuditHead{})}, tip)
}

func TestVerifyFailsWithItsSource(t *testing.T) {
	t.Parallel()
	m := &memory{broken: errors.New("no connection")}
	_, _, err := auditchain.Verify(m, func(store.AuditFault) {})
	require.ErrorIs(t, err, m.broken)
}
