// Package pack compresses what the databases keep: the bodies of resources and
// the events of the audit trail. The disk is the limit of both databases, and
// FHIR JSON that is much like what was stored before shrinks to a tenth or less.
package pack

import (
	"bytes"
	_ "embed"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"slices"
	"sync"

	"github.com/klauspost/compress/s2"
	"github.com/klauspost/compress/zstd"
)

// maxBody is the largest body that is unpacked, in bytes: far above what the
// server accepts, and a bound on what a damaged database can make it allocate.
const maxBody = 64 << 20

// auditDictionary are AuditEvents of invented clients. Events are mostly alike,
// and what they share with these takes hardly any room or time: 2300 bytes become
// about 150. It must never change, or what was packed with it is lost; a better
// one gets the next number and is added to what is unpacked with.
//
//go:embed audit-1.dict
var auditDictionary []byte

// resourceDictionary are a Provenance, a response with the items' texts, and its score,
// as the service stored them of an invented family. What resources share with these is
// most of them: a score of 12000 bytes becomes about 640. It must never change either.
//
//go:embed resource-1.dict
var resourceDictionary []byte

// The numbers by which a packed body names what it was packed with.
const (
	auditDictionaryID    = 1
	resourceDictionaryID = 2
)

// Codec packs bodies with S2 and a dictionary. It takes a fifth of the time of zstd at
// its fastest level and a third more room, and time is what a submission costs most of.
// It is safe for concurrent use.
type Codec struct {
	number     byte
	dictionary *s2.Dict
	// rooms are where bodies are packed, which takes more room than what comes of it.
	rooms sync.Pool
	// before reads what earlier programs packed with zstd.
	before *zstd.Decoder
}

// New makes a codec for the bodies of resources.
func New() (*Codec, error) { return makeCodec(resourceDictionaryID, resourceDictionary) }

// NewAudits makes a codec for AuditEvents.
func NewAudits() (*Codec, error) { return makeCodec(auditDictionaryID, auditDictionary) }

func makeCodec(number byte, dictionary []byte) (*Codec, error) {
	// The first byte says that the dictionary's beginning is as good as any other
	// place of it to repeat from.
	of := s2.NewDict(append([]byte{0}, dictionary...))
	if of == nil {
		return nil, errors.New("make the compressor: the dictionary is none")
	}
	before, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(uint32(number), dictionary),
		zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(maxBody))
	if err != nil {
		return nil, fmt.Errorf("make the decompressor: %w", err)
	}
	return &Codec{number: number, dictionary: of, before: before}, nil
}

// A packed body begins with form, the number of the dictionary and the CRC-32C of the
// body; the rest is a block of S2, which has no sum of its own. A frame of zstd begins
// with another byte (RFC 8878 3.1.1).
const (
	form   = 'S'
	header = 6
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Pack compresses a body; an empty one, of a tombstone, stays empty.
func (c *Codec) Pack(body []byte) []byte {
	if len(body) == 0 {
		return []byte{}
	}
	room, _ := c.rooms.Get().(*[]byte)
	if room == nil {
		room = new([]byte)
	}
	defer c.rooms.Put(room)
	*room = slices.Grow((*room)[:0], header+s2.MaxEncodedLen(len(body)))
	packed := (*room)[:cap(*room)]
	packed[0], packed[1] = form, c.number
	binary.LittleEndian.PutUint32(packed[2:], crc32.Checksum(body, castagnoli))
	return bytes.Clone(packed[:header+len(c.dictionary.Encode(packed[header:], body))])
}

var (
	// errDamaged says that a packed body is not as it was packed.
	errDamaged = errors.New("unpack a body: it is damaged")
	// errTooLong says that it claims to be longer than anything that is packed.
	errTooLong = errors.New("unpack a body: it is too long")
)

// Unpack is the reverse of packing. The result is the caller's.
func (c *Codec) Unpack(packed []byte) ([]byte, error) {
	switch {
	case len(packed) == 0:
		return nil, nil
	case packed[0] != form:
		body, err := c.before.DecodeAll(packed, nil)
		if err != nil {
			return nil, fmt.Errorf("unpack a body: %w", err)
		}
		return body, nil
	case len(packed) < header:
		return nil, errDamaged
	case packed[1] != c.number:
		return nil, fmt.Errorf("unpack a body: it was packed with dictionary %d, not %d; is this program older than the one that did?", packed[1], c.number)
	}
	if size, err := s2.DecodedLen(packed[header:]); err != nil {
		return nil, errDamaged
	} else if size > maxBody {
		return nil, errTooLong
	}
	body, err := c.dictionary.Decode(nil, packed[header:])
	if err != nil || crc32.Checksum(body, castagnoli) != binary.LittleEndian.Uint32(packed[2:]) {
		return nil, errDamaged
	}
	return body, nil
}

// Close releases the goroutines of the decoder.
func (c *Codec) Close() { c.before.Close() }
