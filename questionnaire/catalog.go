package questionnaire

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"tidemark.example/tidemark/scoring"
)

// Catalog is a set of forms that responses may answer: the published ones and
// those of portals that were mapped to them. It never changes, so that any
// number of readers may use it while another takes its place.
type Catalog struct {
	forms       []*Form
	byCanonical map[string]*Form
	algorithm   scoring.Algorithm
}

// Ours is the catalog of the published forms alone.
var Ours = sync.OnceValue(func() *Catalog {
	catalog, err := (&Catalog{algorithm: scoring.Published().Newest()}).With(Forms()...)
	if err != nil {
		panic(err)
	}
	return catalog
})

// With makes a catalog with further forms in it. Two forms of one url|version
// are an error.
func (c *Catalog) With(forms ...*Form) (*Catalog, error) {
	more := &Catalog{forms: append(slices.Clone(c.forms), forms...), byCanonical: map[string]*Form{}, algorithm: c.algorithm}
	for _, form := range more.forms {
		if _, taken := more.byCanonical[form.Canonical]; taken {
			return nil, fmt.Errorf("questionnaire: the form %s is there twice", form.Canonical)
		}
		more.byCanonical[form.Canonical] = form
	}
	return more, nil
}

// At makes a catalog in which the bare url of a form means this version of it,
// as it did when a response that does not name one was read.
func (c *Catalog) At(form *Form) *Catalog {
	at := &Catalog{forms: c.forms, byCanonical: maps.Clone(c.byCanonical), algorithm: c.algorithm}
	at.byCanonical[form.URL] = form
	return at
}

// By makes a catalog whose responses are scored by another version of the
// arithmetic.
func (c *Catalog) By(algorithm scoring.Algorithm) *Catalog {
	return &Catalog{forms: c.forms, byCanonical: c.byCanonical, algorithm: algorithm}
}

// Forms lists the catalog in the order in which it was put together.
func (c *Catalog) Forms() []*Form { return slices.Clone(c.forms) }

// Form resolves a canonical: url|version exactly, a bare url to the newest
// active version, or, where none is active, to the newest there is.
func (c *Catalog) Form(canonical string) (*Form, bool) {
	if form, ok := c.byCanonical[canonical]; ok {
		return form, true
	}
	if strings.Contains(canonical, "|") {
		return nil, false
	}
	var found *Form
	for _, form := range c.forms {
		if form.URL == canonical && (found == nil || form.supersedes(found)) {
			found = form
		}
	}
	return found, found != nil
}

// supersedes says whether the form stands for their url rather than the other.
func (f *Form) supersedes(other *Form) bool {
	if (f.Status == "active") != (other.Status == "active") {
		return f.Status == "active"
	}
	return newer(f.Version, other.Version)
}

// canonicalOf is the canonical of the form with a logical id, which may have a
// version behind it; "" if there is none.
func (c *Catalog) canonicalOf(id string) string {
	id, version, exact := strings.Cut(id, "|")
	for _, form := range c.forms {
		switch {
		case form.ID == id && exact:
			return form.URL + "|" + version
		case form.ID == id:
			return form.URL
		}
	}
	return ""
}

// canonicals lists the forms for a refusal.
func (c *Catalog) canonicals() string {
	var all []string
	for _, form := range c.forms {
		all = append(all, form.Canonical)
	}
	return strings.Join(all, ", ")
}
