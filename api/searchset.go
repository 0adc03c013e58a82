package api

import (
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir"
)

// link leads to a page of a search.
type link struct{ relation, url string }

// searchset is a Bundle of results, written as it goes.
type searchset struct {
	base  string
	body  []byte
	links []link
	// total is the number of matches, nil if it was not asked for.
	total *int
}

func newSearchset(base string) *searchset { return &searchset{base: base} }

// add writes an entry: a match, or what comes along with it (include).
func (b *searchset) add(reference string, resource []byte, mode string) {
	b.addAt(b.base+"/"+reference, resource, mode)
}

// addAt writes an entry under a URL of its own.
func (b *searchset) addAt(url string, resource []byte, mode string) {
	b.next()
	b.body = append(b.body, `{"fullUrl":"`+url+`","resource":`...)
	b.body = append(b.body, resource...)
	b.body = append(b.body, `,"search":{"mode":"`+mode+`"}}`...)
}

// outcome writes an entry that tells about the search.
func (b *searchset) outcome(resource []byte) {
	b.next()
	b.body = append(b.body, `{"resource":`...)
	b.body = append(b.body, resource...)
	b.body = append(b.body, `,"search":{"mode":"outcome"}}`...)
}

// next begins an entry.
func (b *searchset) next() {
	if len(b.body) > 0 {
		b.body = append(b.body, ',')
	}
}

// close writes the Bundle.
func (b *searchset) close() []byte {
	head := `{"resourceType":"Bundle","type":"searchset","timestamp":"` + time.Now().UTC().Format(fhir.InstantFormat) + `"`
	if b.total != nil {
		head += `,"total":` + strconv.Itoa(*b.total)
	}
	for i, l := range b.links {
		head += [...]string{`,"link":[`, `,`}[min(i, 1)] + `{"relation":"` + l.relation + `","url":` + strconv.Quote(l.url) + `}`
	}
	if len(b.links) > 0 {
		head += `]`
	}
	out := make([]byte, 0, len(head)+len(b.body)+16)
	out = append(out, head...)
	if len(b.body) > 0 {
		out = append(out, `,"entry":[`...)
		out = append(out, b.body...)
		out = append(out, ']')
	}
	return append(out, '}')
}
