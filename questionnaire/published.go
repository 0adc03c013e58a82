package questionnaire

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"sync"
)

// Base is where all our canonical URLs start.
const Base = "https://tidemark.example/fhir"

// Canonical URLs of the terminology that code refers to.
const (
	ScoradSystem      = Base + "/CodeSystem/scorad"
	GradeSystem       = Base + "/CodeSystem/scorad-grade"
	BandSystem        = Base + "/CodeSystem/severity-band"
	DataQualitySystem = Base + "/CodeSystem/data-quality"
	ReceiptSystem     = Base + "/CodeSystem/receipt"
	UCUM              = "http://unitsofmeasure.org"
)

//go:embed published/*.json
var files embed.FS

// Published is one resource as it was authored.
type Published struct {
	Type, ID, URL, Version, Name, Title, Status, Date string
	// Constrains is the type that a StructureDefinition is a profile of, "" for
	// what is none.
	Constrains string
	// JSON is what is served; it must not be changed.
	JSON []byte
}

// All lists everything published, by type, id and version.
var All = sync.OnceValue(func() []Published {
	paths, err := fs.Glob(files, "published/*.json")
	if err != nil {
		panic(fmt.Errorf("questionnaire: %w", err))
	}
	var all []Published
	for _, path := range paths {
		all = append(all, load(path))
	}
	return all
})

func load(path string) Published {
	data, err := files.ReadFile(path)
	if err != nil {
		panic(fmt.Errorf("questionnaire: %w", err))
	}
	var meta struct {
		ResourceType, ID, URL, Version, Name, Title, Status, Date string
		Type                                                      any // true or false in an OperationDefinition
	}
	if err := json.Unmarshal(data, &meta); err != nil {
		panic(fmt.Errorf("questionnaire: %s: %w", path, err))
	}
	constrains, _ := meta.Type.(string)
	return Published{
		Type: meta.ResourceType, ID: meta.ID, URL: meta.URL, Version: meta.Version,
		Name: meta.Name, Title: meta.Title, Status: meta.Status, Date: meta.Date, Constrains: constrains, JSON: data,
	}
}

// Find resolves a canonical of a type: url|version exactly, a bare url to the
// newest active version.
func Find(resourceType, canonical string) (Published, bool) {
	url, version, exact := strings.Cut(canonical, "|")
	var found Published
	for _, p := range All() {
		if p.Type != resourceType || p.URL != url {
			continue
		}
		switch {
		case exact && p.Version == version:
			return p, true
		case !exact && p.Status == "active" && newer(p.Version, found.Version):
			found = p
		}
	}
	return found, found.URL != ""
}

// Profiles lists the canonical URLs of what is published as a profile of a
// resource type.
func Profiles(resourceType string) []string {
	var urls []string
	for _, p := range All() {
		if p.Type == "StructureDefinition" && p.Constrains == resourceType && !slices.Contains(urls, p.URL) {
			urls = append(urls, p.URL)
		}
	}
	return urls
}

// newer compares semantic versions; any is newer than none.
func newer(a, b string) bool { return b == "" || CompareVersions(a, b) > 0 }

// CompareVersions orders versions of what is published by their numbers
// (semver, without pre-releases): negative if a is older than b.
func CompareVersions(a, b string) int { return slices.Compare(numbers(a), numbers(b)) }

func numbers(version string) []int {
	var parts []int
	for part := range strings.SplitSeq(version, ".") {
		n := 0
		for _, c := range part {
			if c >= '0' && c <= '9' {
				n = n*10 + int(c-'0')
			}
		}
		parts = append(parts, n)
	}
	return parts
}
