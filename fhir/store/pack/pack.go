// Package pack compresses what the databases keep: the bodies of resources and
// the events of the audit trail. The disk is the limit of both databases, and
// FHIR JSON shrinks to a third or less.
package pack

import (
	_ "embed"
	"fmt"
	"runtime"

	"github.com/klauspost/compress/zstd"
)

// maxBody is the largest body that is unpacked, in bytes: far above what the
// server accepts, and a bound on what a damaged database can make it allocate.
const maxBody = 64 << 20

// Codec packs bodies with zstd at its fastest level, which on FHIR JSON saves
// most of what the slower ones do. It is safe for concurrent use.
type Codec struct {
	encoder *zstd.Encoder
	decoder *zstd.Decoder
}

// auditDictionary are AuditEvents of invented clients. Events are mostly alike,
// and what they share with these takes hardly any room or time: 2300 bytes become
// about 150. It must never change, or what was packed with it is lost; a better
// one gets the next number and is added to what is unpacked with.
//
//go:embed audit-1.dict
var auditDictionary []byte

// resourceDictionary are a Provenance, a response with the items' texts, and its score,
// as the service stored them of an invented family. What resources share with these is
// most of them: a score of 12000 bytes becomes about 350, where it was 2100 without. It
// must never change either.
//
//go:embed resource-1.dict
var resourceDictionary []byte

// The numbers that frames carry of what they were packed with.
const (
	auditDictionaryID    = 1
	resourceDictionaryID = 2
)

// New makes a codec for the bodies of resources; its buffers are reused from
// body to body.
func New() (*Codec, error) {
	return makeCodec([]zstd.EOption{zstd.WithEncoderDictRaw(resourceDictionaryID, resourceDictionary)},
		[]zstd.DOption{zstd.WithDecoderDictRaw(resourceDictionaryID, resourceDictionary)})
}

// NewAudits makes a codec for AuditEvents.
func NewAudits() (*Codec, error) {
	return makeCodec([]zstd.EOption{zstd.WithEncoderDictRaw(auditDictionaryID, auditDictionary)},
		[]zstd.DOption{zstd.WithDecoderDictRaw(auditDictionaryID, auditDictionary)})
}

// packingWindow is how far back, in bytes, a body's repetitions are looked for.
const packingWindow = 256 << 10

func makeCodec(packing []zstd.EOption, unpacking []zstd.DOption) (*Codec, error) {
	encoder, err := zstd.NewWriter(nil, append(packing,
		zstd.WithEncoderLevel(zstd.SpeedFastest),
		// A body is a few kilobytes; the default window would keep 8 MB for each
		// processor and store.
		zstd.WithWindowSize(packingWindow),
		zstd.WithEncoderConcurrency(runtime.GOMAXPROCS(0)))...)
	if err != nil {
		return nil, fmt.Errorf("make the compressor: %w", err)
	}
	decoder, err := zstd.NewReader(nil, append(unpacking,
		zstd.WithDecoderConcurrency(0),
		zstd.WithDecoderMaxMemory(maxBody))...)
	if err != nil {
		return nil, fmt.Errorf("make the decompressor: %w", err)
	}
	return &Codec{encoder: encoder, decoder: decoder}, nil
}

// pack compresses a body; an empty one, of a tombstone, stays empty.
func (c *Codec) pack(body []byte) []byte {
	if len(body) == 0 {
		return []byte{}
	}
	return c.encoder.EncodeAll(body, make([]byte, 0, len(body)/2))
}

// Unpack is the reverse of packing. The result is the caller's.
func (c *Codec) Unpack(packed []byte) ([]byte, error) {
	if len(packed) == 0 {
		return nil, nil
	}
	body, err := c.decoder.DecodeAll(packed, nil)
	if err != nil {
		return nil, fmt.Errorf("unpack a body: %w", err)
	}
	return body, nil
}

// Packing is a body that another goroutine compresses while the writer goes on.
type Packing struct {
	packed []byte
	done   chan struct{}
}

// Start begins to compress a body, which must not be changed meanwhile.
func (c *Codec) Start(body []byte) *Packing {
	p := &Packing{done: make(chan struct{})}
	go func() {
		p.packed = c.pack(body)
		close(p.done)
	}()
	return p
}

// Wait gives the compressed body.
func (p *Packing) Wait() []byte {
	<-p.done
	return p.packed
}

// Close releases the decoder's goroutines.
func (c *Codec) Close() { c.decoder.Close() }
