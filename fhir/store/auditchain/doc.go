// Package auditchain is what both databases share of the audit trail: the keys
// of its entries, how the chain of a process goes on, and how the chains are
// followed to see whether anything in them was changed. The statements are those
// of each database.
package auditchain

import (
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// sequenceBits is how much of an entry's key is its place in its chain.
const sequenceBits = 40

// Key is the key of an entry: the number of its chain and its place in that.
func Key(number, sequence int64) int64 { return number<<sequenceBits + sequence }

// HasPlace says whether a chain can have such a place at all.
func HasPlace(sequence int64) bool { return sequence > 0 && sequence < 1<<sequenceBits }

// Entry is an entry as it is on disk.
type Entry struct {
	store.AuditRecord
	Key int64
	// Packed is the event as it is kept, Digest what is kept beside it.
	Packed, Digest []byte
}

// Columns are what Scan reads, of entry a and its chain c.
const Columns = `a.aid, c.name, a.recorded, coalesce(a.patient, ''), a.client, a.user, coalesce(a.entity, ''),
	a.type, a.subtype, a.action, a.outcome, a.event, a.digest`

// From joins entry a with its chain c.
const From = "audit a JOIN audit_chain c ON c.cid = a.aid >> 40"

// Row is a row of either database.
type Row interface{ Scan(columns ...any) error }

// Scan reads the Columns of a row.
func Scan(row Row) (Entry, error) {
	var e Entry
	var recorded int64
	err := row.Scan(&e.Key, &e.Chain, &recorded, &e.Patient, &e.Client, &e.User, &e.Entity,
		&e.Type, &e.Subtype, &e.Action, &e.Outcome, &e.Packed, &e.Digest)
	e.Recorded, e.Sequence = time.UnixMilli(recorded).UTC(), e.Key&(1<<sequenceBits-1)
	return e, err
}

// Records are what the store's callers see of entries.
func Records(entries []Entry) []store.AuditRecord {
	all := make([]store.AuditRecord, len(entries))
	for i := range entries {
		all[i] = entries[i].AuditRecord
	}
	return all
}
