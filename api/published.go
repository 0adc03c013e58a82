package api

import (
	"bytes"
	"net/http"
	"slices"
	"strings"
	"sync"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// How long what is published may be kept by caches. What is current may be
// succeeded by a new version; a version never changes.
var (
	cacheCurrent = []string{"public, max-age=300"}
	cacheVersion = []string{"public, max-age=31536000, immutable"}
)

// private are the same for answers that were authorised.
var private = map[*string][]string{
	&cacheCurrent[0]: {"private, max-age=300"},
	&cacheVersion[0]: {"private, max-age=31536000, immutable"},
}

// publishedTypes are the types of what is published.
var publishedTypes = []string{"Questionnaire", "CodeSystem", "ValueSet", "StructureDefinition", "OperationDefinition"}

// edition is one version of something published, byte for byte as it was
// authored, compressed ahead, with what searches find it by.
type edition struct {
	questionnaire.Published
	zipped func() []byte
	fixed  fixed
}

// shelf is what is published by type, the newest version of each first.
type shelf map[string][]*edition

// ours is the shelf of what this program publishes.
var ours = sync.OnceValue(func() shelf { return newShelf(questionnaire.All()) })

// newShelf prepares resources for being served. What is served does not decode
// as FHIR is a fault of the build and panics.
func newShelf(all []questionnaire.Published) shelf {
	sh := shelf{}
	for _, p := range all {
		sh[p.Type] = append(sh[p.Type], newEdition(p))
	}
	for _, editions := range sh {
		slices.SortStableFunc(editions, func(a, b *edition) int {
			if c := strings.Compare(a.ID, b.ID); c != 0 {
				return c
			}
			return questionnaire.CompareVersions(b.Version, a.Version)
		})
		for i, e := range editions {
			if i > 0 && editions[i-1].ID == e.ID {
				e.fixed.body = withVersionID(e.JSON, e.Version)
			}
		}
	}
	return sh
}

func newEdition(p questionnaire.Published) *edition {
	document, err := fhir.Decode(p.JSON)
	if err != nil {
		panic("api: " + p.Type + "/" + p.ID + " is not FHIR: " + err.Error())
	}
	defer document.Release()
	e := &edition{Published: p, zipped: sync.OnceValue(func() []byte { return zipBest(p.JSON) })}
	e.fixed = newFixed(p.Type, p.ID, p.JSON, document.Root())
	return e
}

// withVersionID puts the version into meta, which tells the editions of one
// resource apart within a Bundle (bdl-7); only the newest stands there as it was
// authored.
func withVersionID(body []byte, version string) []byte {
	document, err := fhir.Decode(body)
	if err != nil {
		panic("api: what is published is not FHIR: " + err.Error())
	}
	defer document.Release()
	member := `"versionId":"` + version + `"`
	meta := document.Root().Get("meta")
	if !meta.Exists() {
		return bytes.Replace(body, []byte("{"), []byte(`{"meta":{`+member+`},`), 1)
	}
	with := append([]byte("{"+member+","), bytes.TrimPrefix(meta.Raw(), []byte("{"))...)
	return bytes.Replace(body, meta.Raw(), with, 1)
}

// current is the newest active version of an id, else the newest of all.
func (sh shelf) current(resource, id string) (*edition, bool) {
	var newest *edition
	for _, e := range sh[resource] {
		switch {
		case e.ID != id:
		case e.Status == "active":
			return e, true
		case newest == nil:
			newest = e
		}
	}
	return newest, newest != nil
}

func (sh shelf) version(resource, id, version string) (*edition, bool) {
	for _, e := range sh[resource] {
		if e.ID == id && e.Version == version {
			return e, true
		}
	}
	return nil, false
}

// fixed lists what is published of a type for searches.
func (sh shelf) fixed(resource string) []fixed {
	var all []fixed
	for _, e := range sh[resource] {
		all = append(all, e.fixed)
	}
	return all
}

func (e *edition) reply(cache []string) reply {
	return reply{status: http.StatusOK, body: e.JSON, zipped: e.zipped, etag: `W/"` + e.Version + `"`, cache: cache}
}

// readPublished answers the newest active version of a form, code system or
// value set.
func (s *Server) readPublished(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		found, ok := s.shelf.current(resource, c.Param("id"))
		if !ok && resource == "Questionnaire" {
			return s.readForm(c.Param("id"))
		}
		if !ok {
			return reply{}, store.ErrNotFound
		}
		return found.reply(cacheCurrent), nil
	}
}

// vreadPublished answers one version, for ever; version ids are the versions
// themselves.
func (s *Server) vreadPublished(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		found, ok := s.shelf.version(resource, c.Param("id"), c.Param("vid"))
		if !ok && resource == "Questionnaire" {
			if form, registered := s.vreadForm(c.Param("id"), c.Param("vid")); registered {
				return form, nil
			}
		}
		if !ok {
			return reply{}, fail(http.StatusNotFound, fhir.IssueNotFound, "There is no such version; the version ids of what is published are its versions, as 1.0.0.")
		}
		return found.reply(cacheVersion), nil
	}
}

// fixedOf prepares what was registered while the program ran.
func fixedOf(p questionnaire.Published) fixed { return newEdition(p).fixed }

// vreadForm answers a version of a form that an operator registered, by the
// number under which it is stored.
func (s *Server) vreadForm(id, version string) (reply, bool) {
	for _, form := range s.options.Forms.registered() {
		if form.ID == id && form.StoredVersion == version {
			return formReply(form), true
		}
	}
	return reply{}, false
}

// devices are this software as Devices, one for each version of the arithmetic.
func (s *Server) devices() []fixed {
	var all []fixed
	for _, version := range s.options.Algorithms.Versions() {
		body := observation.Device(version)
		document, err := fhir.Decode(body)
		if err != nil {
			panic("api: the Device is not FHIR: " + err.Error())
		}
		all = append(all, newFixed("Device", observation.DeviceOf(version), body, document.Root()))
		document.Release()
	}
	return all
}
