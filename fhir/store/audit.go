package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"strconv"
	"strings"
	"time"
)

// ErrAuditPage says that the After of an AuditQuery is not a page of any search.
var ErrAuditPage = errors.New("store: no page of the audit trail")

// Audit is one entry of the audit trail, as it is to be kept: the AuditEvent
// and what it is found by. None of it is ever changed or deleted.
type Audit struct {
	// Recorded is AuditEvent.recorded; it is kept to the millisecond.
	Recorded time.Time
	// Event is the AuditEvent as JSON, without an id: that is the place in its
	// chain, which only the commit decides.
	Event []byte
	// Patient is the reference or identifier of the patient concerned, Client and
	// User are who acted, Entity is the resource, such as "Observation/17"; each
	// may be empty.
	Patient, Client, User, Entity string
	// Type and Subtype are codes of AuditEvent.type and subtype, Action is one of
	// C, R, U, D, E, Outcome one of 0, 4, 8, 12.
	Type, Subtype, Action, Outcome string
}

// AuditRecord is an entry that is on disk.
type AuditRecord struct {
	Audit
	AuditPlace
}

// AuditPlace is a place in the audit trail: an entry of one chain, counted from
// 1. Each process that writes has a chain of its own, named by random digits.
type AuditPlace struct {
	Chain    string
	Sequence int64
}

// String is the id of the entry's AuditEvent.
func (p AuditPlace) String() string { return p.Chain + "-" + strconv.FormatInt(p.Sequence, 10) }

// ParseAuditPlace reads the id of an entry's AuditEvent; false if it is none.
func ParseAuditPlace(id string) (AuditPlace, bool) {
	chain, text, _ := strings.Cut(id, "-")
	sequence, err := strconv.ParseInt(text, 10, 64)
	place := AuditPlace{Chain: chain, Sequence: sequence}
	return place, err == nil && chain != "" && sequence > 0 && place.String() == id
}

// AuditQuery says which entries to find, newest first. Every condition set must
// hold; within a list any one suffices.
type AuditQuery struct {
	Patients, Entities []string
	// Agents are clients or users.
	Agents                             []string
	Types, Subtypes, Actions, Outcomes []string
	// Recorded are ranges that must all hold.
	Recorded []TimeRange
	Limit    int
	// After continues behind another page: its Next.
	After string
}

// AuditPage is one page of a search of the audit trail.
type AuditPage struct {
	Records []AuditRecord
	// Next is the After of the following page, empty at the end.
	Next string
}

// AuditHead is where a chain ends.
type AuditHead struct {
	AuditPlace
	Digest AuditDigest
}

// AuditFault is something wrong with the audit trail. Place is the entry where it
// shows; its Sequence is 0 if it is the chain itself.
type AuditFault struct {
	Place AuditPlace
	Cause string
}

// Audits is the part of a store that keeps the audit trail: entries that are
// appended, each with the digest of the one before in its own, so that whoever
// changes, removes, adds or reorders one breaks the chain from there on.
type Audits interface {
	// Audit gives one entry; ErrNotFound if there is none.
	Audit(ctx context.Context, place AuditPlace) (AuditRecord, error)
	// Audits finds entries; ErrAuditPage if After is not a page.
	Audits(ctx context.Context, query AuditQuery) (AuditPage, error)
	// AuditsAfter gives entries not yet shipped to a target, at most limit, those
	// of each chain in their order.
	AuditsAfter(ctx context.Context, target string, limit int) ([]AuditRecord, error)
	// AuditShipped keeps that a target has all entries of a chain up to a place.
	AuditShipped(ctx context.Context, target string, place AuditPlace) error
	// AuditBacklog counts what a target lacks, and gives the time of the oldest,
	// zero if it lacks nothing.
	AuditBacklog(ctx context.Context, target string) (pending int64, oldest time.Time, err error)
	// VerifyAudits follows every chain from its beginning and reports what is
	// wrong; it gives the number of entries read and the head of each chain.
	VerifyAudits(ctx context.Context, report func(AuditFault)) (checked int64, heads []AuditHead, err error)
}

// AuditDigest is the digest of an entry, SHA-256 over that of the entry before
// and everything kept of this one.
type AuditDigest [sha256.Size]byte

// String writes a digest in hexadecimal.
func (d AuditDigest) String() string { return hex.EncodeToString(d[:]) }

// auditMark begins whatever a chain digests, so that no other digest of this
// program can be taken for one of a chain.
const auditMark = "tidemark audit 1"

// AuditGenesis is the digest that a chain begins with. The anchor is the entry
// that was the newest of the trail when the chain began, its digest included: a
// later chain vouches for the ones before it.
func AuditGenesis(chain string, started time.Time, anchor AuditHead) AuditDigest {
	return auditDigest(AuditDigest{}, []byte(chain), millis(started), []byte(anchor.Chain), number(anchor.Sequence), anchor.Digest[:])
}

// AuditLink is the digest of an entry that follows another. Packed is its event
// as the database keeps it, so that no byte there goes unseen.
func AuditLink(before AuditDigest, place AuditPlace, a *Audit, packed []byte) AuditDigest {
	return auditDigest(before, []byte(place.Chain), number(place.Sequence), millis(a.Recorded),
		[]byte(a.Patient), []byte(a.Client), []byte(a.User), []byte(a.Entity),
		[]byte(a.Type), []byte(a.Subtype), []byte(a.Action), []byte(a.Outcome), packed)
}

// auditDigest digests the parts with their lengths, so that no byte can move
// from one to the next unseen.
func auditDigest(before AuditDigest, parts ...[]byte) AuditDigest {
	buffer := make([]byte, 0, 1024)
	buffer = append(append(buffer, auditMark...), before[:]...)
	for _, part := range parts {
		buffer = binary.BigEndian.AppendUint64(buffer, uint64(len(part)))
		buffer = append(buffer, part...)
	}
	return sha256.Sum256(buffer)
}

func millis(at time.Time) []byte { return number(at.UnixMilli()) }

func number(n int64) []byte { return binary.BigEndian.AppendUint64(nil, uint64(n)) }
