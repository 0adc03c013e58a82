package auditchain

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Addition is an entry that is to be appended. Key and Digest are given when its
// batch ends: only then is it certain which entries there are.
type Addition struct {
	store.Audit
	Packed []byte
	Key    int64
	Digest store.AuditDigest
}

// Tip is the end of the chain of one process.
type Tip struct {
	// Number is 0 before the first entry, and after a commit that left it
	// unknown whether the chain exists.
	Number   int64
	Name     string
	Sequence int64
	Digest   store.AuditDigest
	// Unknown says that a commit failed, so that the database must be asked.
	Unknown bool
}

// Append gives an addition its place behind the tip, which moves on.
func (t *Tip) Append(a *Addition) {
	t.Sequence++
	a.Key = Key(t.Number, t.Sequence)
	a.Digest = store.AuditLink(t.Digest, store.AuditPlace{Chain: t.Name, Sequence: t.Sequence}, &a.Audit, a.Packed)
	t.Digest = a.Digest
}

// nameSize is how many random bytes name a chain.
const nameSize = 8

// Chains is the table of chains within the transaction that appends.
type Chains interface {
	// Head reads the head of a chain; store.ErrNotFound if there is no such chain.
	Head(number int64, name string) (sequence int64, digest []byte, err error)
	// Newest reads the head of the chain that began last; store.ErrNotFound if
	// there is none.
	Newest() (name string, sequence int64, digest []byte, err error)
	// Begin adds a chain that has no entry yet, and gives its number.
	Begin(name string, anchor store.AuditHead, genesis store.AuditDigest) (number int64, err error)
}

// Open makes the tip one to append to: as the database has it if a commit failed,
// or, where there is none, that of a new chain, anchored in the newest there is.
func (t *Tip) Open(chains Chains, now time.Time) error {
	if t.Unknown && t.Number != 0 {
		sequence, digest, err := chains.Head(t.Number, t.Name)
		switch {
		case errors.Is(err, store.ErrNotFound):
			*t = Tip{}
		case err != nil:
			return fmt.Errorf("read the head of the audit chain: %w", err)
		default:
			t.Sequence, t.Unknown = sequence, false
			copy(t.Digest[:], digest)
		}
	}
	if t.Number != 0 {
		return nil
	}
	return t.begin(chains, now)
}

func (t *Tip) begin(chains Chains, now time.Time) error {
	random := make([]byte, nameSize)
	if _, err := rand.Read(random); err != nil {
		return fmt.Errorf("no random bytes: %w", err)
	}
	var anchor store.AuditHead
	chain, sequence, digest, err := chains.Newest()
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("read the newest audit chain: %w", err)
	}
	anchor.Chain, anchor.Sequence = chain, sequence
	copy(anchor.Digest[:], digest)
	next := Tip{Name: hex.EncodeToString(random)}
	next.Digest = store.AuditGenesis(next.Name, now, anchor)
	if next.Number, err = chains.Begin(next.Name, anchor, next.Digest); err != nil {
		return fmt.Errorf("begin an audit chain: %w", err)
	}
	*t = next
	return nil
}
