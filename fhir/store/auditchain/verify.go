package auditchain

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Chain is a chain as the database keeps it.
type Chain struct {
	Number, Started, Head int64
	Name                  string
	// Anchor has the place only; its digest, as it is kept, is AnchorDigest.
	Anchor                            store.AuditPlace
	AnchorDigest, Genesis, HeadDigest []byte
}

// ChainColumns are what ScanChain reads of the table audit_chain.
const ChainColumns = "cid, name, started, anchor_chain, anchor_sequence, anchor_digest, genesis, head, head_digest"

// ScanChain reads the ChainColumns of a row.
func ScanChain(row Row) (c Chain, err error) {
	err = row.Scan(&c.Number, &c.Name, &c.Started, &c.Anchor.Chain, &c.Anchor.Sequence, &c.AnchorDigest, &c.Genesis, &c.Head, &c.HeadDigest)
	return c, err
}

// Source reads the audit trail of a database, all in one snapshot.
type Source interface {
	// Chains are all chains in the order in which they began.
	Chains() ([]Chain, error)
	// Given is the highest number that a chain was ever given.
	Given() (int64, error)
	// Digest is what is kept beside the entry at a place, nil if there is none.
	Digest(place store.AuditPlace) ([]byte, error)
	// Each visits the entries of a chain in their order, in flat memory.
	Each(number int64, visit func(Entry)) error
	// Strays counts the entries that belong to no chain, by the chain's number.
	Strays() (map[int64]int64, error)
}

// maxGap is how many missing entries in a row are reported one by one.
const maxGap = 100

// verifier follows the chains of a source.
type verifier struct {
	source  Source
	report  func(store.AuditFault)
	checked int64
	heads   []store.AuditHead
}

// Verify follows every chain from its beginning and reports what is wrong, as
// store.Audits has it.
func Verify(source Source, report func(store.AuditFault)) (checked int64, heads []store.AuditHead, err error) {
	v := &verifier{source: source, report: report}
	err = v.run()
	return v.checked, v.heads, err
}

func (v *verifier) fault(place store.AuditPlace, cause string) {
	v.report(store.AuditFault{Place: place, Cause: cause})
}

func (v *verifier) run() error {
	chains, err := v.source.Chains()
	if err != nil {
		return fmt.Errorf("read the audit chains: %w", err)
	}
	if err := v.missing(chains); err != nil {
		return err
	}
	for _, c := range chains {
		if err := v.anchor(c); err != nil {
			return err
		}
		if err := v.chain(c); err != nil {
			return err
		}
	}
	return v.strays()
}

// numbered is the place of a fault in a chain whose name is not known.
func numbered(chain int64) store.AuditPlace {
	return store.AuditPlace{Chain: "number " + strconv.FormatInt(chain, 10)}
}

// missing reports chains whose numbers were given and that are not there.
func (v *verifier) missing(chains []Chain) error {
	last, err := v.source.Given()
	if err != nil {
		return fmt.Errorf("read the number of audit chains: %w", err)
	}
	there := map[int64]bool{}
	for _, c := range chains {
		there[c.Number] = true
		last = max(last, c.Number)
	}
	for number := int64(1); number <= last; number++ {
		if !there[number] {
			v.fault(numbered(number), "the chain is missing")
		}
	}
	return nil
}

// anchor holds the entry that a chain is anchored in, and the chain's beginning.
func (v *verifier) anchor(c Chain) error {
	place, anchor := store.AuditPlace{Chain: c.Name}, store.AuditHead{AuditPlace: c.Anchor}
	copy(anchor.Digest[:], c.AnchorDigest)
	genesis := store.AuditGenesis(c.Name, time.UnixMilli(c.Started), anchor)
	if !bytes.Equal(genesis[:], c.Genesis) || !bytes.Equal(anchor.Digest[:], c.AnchorDigest) {
		v.fault(place, "the beginning of the chain was changed")
	}
	if c.Anchor.Chain == "" {
		if c.Number != 1 {
			v.fault(place, "the chain is not anchored in the one before it")
		}
		return nil
	}
	digest, err := v.source.Digest(c.Anchor)
	switch {
	case err != nil:
		return fmt.Errorf("read the anchor of an audit chain: %w", err)
	case digest == nil:
		v.fault(c.Anchor, "the entry is missing, and chain "+c.Name+" was begun behind it")
	case !bytes.Equal(digest, c.AnchorDigest):
		v.fault(c.Anchor, "the entry is not the one that chain "+c.Name+" was begun behind")
	}
	return nil
}

// chain follows one chain from entry to entry.
func (v *verifier) chain(c Chain) error {
	var before store.AuditDigest
	copy(before[:], c.Genesis)
	place := store.AuditPlace{Chain: c.Name}
	err := v.source.Each(c.Number, func(e Entry) {
		v.checked++
		for place.Sequence++; place.Sequence < e.Sequence; place.Sequence++ {
			if e.Sequence-place.Sequence > maxGap {
				place.Sequence = e.Sequence - 1
			}
			v.fault(place, "the entry is missing")
		}
		digest := store.AuditLink(before, place, &e.Audit, e.Packed)
		if !bytes.Equal(digest[:], e.Digest) {
			v.fault(place, "the entry was changed, or what stands before it")
		}
		before = store.AuditDigest{}
		copy(before[:], e.Digest)
	})
	if err != nil {
		return fmt.Errorf("follow an audit chain: %w", err)
	}
	switch {
	case place.Sequence < c.Head:
		v.fault(store.AuditPlace{Chain: c.Name, Sequence: place.Sequence + 1}, "the end of the chain is missing from this entry to "+strconv.FormatInt(c.Head, 10))
	case place.Sequence > c.Head || !bytes.Equal(before[:], c.HeadDigest):
		v.fault(place, "the chain does not end as its head says")
	}
	v.heads = append(v.heads, store.AuditHead{AuditPlace: place, Digest: before})
	return nil
}

// strays reports entries of chains that are not there.
func (v *verifier) strays() error {
	counts, err := v.source.Strays()
	if err != nil {
		return fmt.Errorf("look for entries without a chain: %w", err)
	}
	for _, number := range slices.Sorted(maps.Keys(counts)) {
		v.fault(numbered(number), strconv.FormatInt(counts[number], 10)+" entries belong to no chain")
	}
	return nil
}
