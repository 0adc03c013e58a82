package fhir

import (
	"strings"

	"tidemark.example/tidemark/fhir/schema"
)

// BundleEntries finds the entries of a Bundle by what references call them.
type BundleEntries struct {
	// urls are the fullUrl of each entry, bases what stands before their
	// [type]/[id], versions the meta.versionId of their resources; "" where there
	// is none.
	urls, bases, versions []string
}

// EntriesOf reads the names of all entries of a Bundle.
func EntriesOf(bundle Node) BundleEntries {
	var b BundleEntries
	for entry := range bundle.Each("entry") {
		url := entry.Get("fullUrl").Text()
		base := ""
		if reference, ok := ParseReference([]byte(url)); ok {
			base = reference.Base
		}
		b.urls, b.bases = append(b.urls, url), append(b.bases, base)
		b.versions = append(b.versions, entry.Get("resource").Get("meta").Get("versionId").Text())
	}
	return b
}

// Resolve finds the entry that a reference within another entry names, and says
// whether it names a version (R4 bundle.html 2.36.4.1): a relative reference is
// made absolute with the base of the fullUrl of the entry it stands in; urn:uuid
// and urn:oid match as they are; a version must be that of the resource.
func (b BundleEntries) Resolve(from int, text string) (entry int, versioned, found bool) {
	reference, ok := ParseReference([]byte(text))
	if !ok {
		entry, found = b.find(text, "")
		return entry, false, found
	}
	if reference.Base == "" {
		if b.bases[from] == "" {
			return 0, false, false
		}
		reference.Base = b.bases[from]
	}
	version := reference.Version
	reference.Version = ""
	entry, found = b.find(reference.String(), version)
	return entry, version != "", found
}

func (b BundleEntries) find(url, version string) (int, bool) {
	for i := range b.urls {
		if url != "" && b.urls[i] == url && (version == "" || b.versions[i] == version) {
			return i, true
		}
	}
	return 0, false
}

// IsURN says whether a text is a name that has a meaning only in its Bundle.
func IsURN(text string) bool {
	return strings.HasPrefix(text, "urn:uuid:") || strings.HasPrefix(text, "urn:oid:")
}

// ConditionalReference reads [base/]Type?query, a search that stands for a
// reference in a transaction (R4 http.html 3.1.0.11.2); base is without its slash.
func ConditionalReference(text string) (base, kind, query string, ok bool) {
	path, query, ok := strings.Cut(text, "?")
	slash := strings.LastIndexByte(path, '/')
	kind = path[slash+1:]
	if !ok || slash == 0 || schema.ResourceName([]byte(kind)) == "" {
		return "", "", "", false
	}
	return path[:max(slash, 0)], kind, query, true
}
