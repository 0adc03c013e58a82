package api

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"strings"
	"sync"

	"github.com/klauspost/compress/gzip"

	"tidemark.example/tidemark/fhir"
)

// Limits of compressed bodies. A bundle of hundreds of like responses is
// compressed to about a fiftieth; a bomb to a thousandth.
const (
	maxInflation  = 200
	freeInflation = 64 << 10
)

// minCompressed is the shortest answer worth compressing: it still fits into
// one packet of a network.
const minCompressed = 1200

// coding says whether an answer may, or must, be compressed.
type coding uint8

const (
	plain coding = iota
	mayCompress
	mustCompress
)

// acceptedCoding reads Accept-Encoding (RFC 9110 section 12.5.3): gzip where it
// is liked at least as well as no coding at all.
func acceptedCoding(header http.Header) (coding, error) {
	given := header.Values("Accept-Encoding")
	switch {
	case len(given) == 0:
		return plain, nil
	case len(given) == 1 && given[0] == "gzip":
		return mayCompress, nil
	}
	zipped, identity, other := -1, -1, -1
	for _, part := range splitList(strings.Join(given, ",")) {
		name, parameter, _ := strings.Cut(part, ";")
		_, weight, _ := strings.Cut(strings.TrimSpace(parameter), "=")
		quality, ok := qualityOf(strings.TrimSpace(weight))
		if !ok {
			continue
		}
		switch strings.ToLower(strings.TrimSpace(name)) {
		case "gzip", "x-gzip":
			zipped = max(zipped, quality)
		case "identity":
			identity = quality
		case "*":
			other = quality
		}
	}
	if zipped < 0 {
		zipped = other
	}
	if identity < 0 && other == 0 {
		identity = 0
	}
	switch {
	case identity == 0 && zipped <= 0:
		return plain, fail(http.StatusNotAcceptable, fhir.IssueNotSupported, "The server answers as gzip or without a Content-Encoding; accept one of them.")
	case identity == 0:
		return mustCompress, nil
	case zipped > 0 && zipped >= identity:
		return mayCompress, nil
	}
	return plain, nil
}

// compresses says whether a body of that size is compressed.
func (c coding) compresses(size int) bool {
	return c == mustCompress || c == mayCompress && size >= minCompressed
}

var zippers = sync.Pool{New: func() any {
	w, err := gzip.NewWriterLevel(nil, gzip.BestSpeed)
	if err != nil {
		panic(err) // the level is one of gzip's own
	}
	return w
}}

// zip compresses an answer. Answers carry no secret beside what the request
// chose: tokens travel in headers, so their length tells nothing (BREACH).
func zip(body []byte) []byte {
	w := zippers.Get().(*gzip.Writer)
	defer zippers.Put(w)
	return zipWith(w, body)
}

// zipBest compresses what is published, once.
func zipBest(body []byte) []byte {
	w, err := gzip.NewWriterLevel(nil, gzip.BestCompression)
	if err != nil {
		panic(err) // the level is one of gzip's own
	}
	return zipWith(w, body)
}

func zipWith(w *gzip.Writer, body []byte) []byte {
	out := bytes.NewBuffer(make([]byte, 0, len(body)/4+64))
	w.Reset(out)
	_, err := w.Write(body)
	if err = errors.Join(err, w.Close()); err != nil {
		panic(err) // writing to memory does not fail
	}
	return out.Bytes()
}

// isGzip names the one coding that bodies are taken in; x-gzip is its old name.
func isGzip(coding string) bool {
	return strings.EqualFold(coding, "gzip") || strings.EqualFold(coding, "x-gzip")
}

// contentCoding is that of the request; "" for none.
func contentCoding(header http.Header) string {
	given := strings.TrimSpace(strings.Join(header.Values("Content-Encoding"), ","))
	if strings.EqualFold(given, "identity") {
		return ""
	}
	return given
}

func readableCoding(header http.Header) error {
	if given := contentCoding(header); given != "" && !isGzip(given) {
		return unsupportedMedia("The server takes bodies as they are or with Content-Encoding: gzip, once.")
	}
	return nil
}

// inflater reads a compressed body within the limits of size and ratio.
type inflater struct {
	source     *counted
	gzip       *gzip.Reader
	out, limit int64
}

// counted counts what is read and keeps the source's own failure, which is told
// from a fault of the compression by it.
type counted struct {
	from io.Reader
	n    int64
	err  error
}

// Read implements io.Reader.
func (c *counted) Read(p []byte) (int, error) {
	n, err := c.from.Read(p)
	c.n += int64(n)
	if err != nil && !errors.Is(err, io.EOF) {
		c.err = err
	}
	return n, err
}

var inflaters = sync.Pool{New: func() any { return new(gzip.Reader) }}

func newInflater(from io.Reader, limit int64) (*inflater, error) {
	i := &inflater{source: &counted{from: from}, gzip: inflaters.Get().(*gzip.Reader), limit: limit}
	if err := i.gzip.Reset(i.source); err != nil {
		i.release()
		return nil, i.fault(err)
	}
	return i, nil
}

func (i *inflater) release() { inflaters.Put(i.gzip) }

// Read implements io.Reader.
func (i *inflater) Read(p []byte) (int, error) {
	n, err := i.gzip.Read(p)
	i.out += int64(n)
	switch {
	case i.out > i.limit:
		return n, &http.MaxBytesError{Limit: i.limit}
	case i.out > freeInflation && i.out > i.source.n*maxInflation:
		return n, fail(http.StatusRequestEntityTooLarge, fhir.IssueTooLong, "The body is compressed further than any FHIR resource is; send it as it is.")
	case err == nil || errors.Is(err, io.EOF):
		return n, err
	}
	return n, i.fault(err)
}

// fault tells a body that is no gzip from a connection that failed.
func (i *inflater) fault(err error) error {
	if i.source.err != nil {
		return i.source.err
	}
	return failures(http.StatusBadRequest, fhir.Issue{
		Severity: fhir.Error, Code: fhir.IssueStructure, Class: fhir.Malformed,
		Text: "The body is not the gzip that Content-Encoding says it is, or its end is missing (" + err.Error() + ").",
	})
}
