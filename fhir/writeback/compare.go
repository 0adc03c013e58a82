package writeback

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
)

// unsaid are the members of a resource that say nothing clinical or belong to
// the server that holds it.
var unsaid = []string{"id", "meta", "text"}

// comparer compares resources of ours with those of a target, whose own base
// may or may not stand in references.
type comparer struct{ base string }

// same says whether two resources say the same, see the package comment.
func (c comparer) same(ours, theirs map[string]any) bool {
	return c.sameValue("", clinical(ours), clinical(theirs))
}

// clinical is a resource without what is not compared.
func clinical(tree map[string]any) map[string]any {
	kept := make(map[string]any, len(tree))
	for name, value := range tree {
		if !slices.Contains(unsaid, name) {
			kept[name] = value
		}
	}
	return kept
}

// sameValue compares two values of a member of that name.
func (c comparer) sameValue(name string, a, b any) bool {
	switch a := a.(type) {
	case map[string]any:
		b, ok := b.(map[string]any)
		return ok && c.sameObject(a, b)
	case []any:
		b, ok := b.([]any)
		return ok && slices.EqualFunc(a, b, func(x, y any) bool { return c.sameValue(name, x, y) })
	case json.Number:
		b, ok := b.(json.Number)
		return ok && sameNumber(a, b)
	case string:
		b, ok := b.(string)
		return ok && c.sameText(name, a, b)
	default:
		return a == b
	}
}

// sameObject compares two objects, whatever the order of their members.
func (c comparer) sameObject(a, b map[string]any) bool {
	if len(a) != len(b) {
		return false
	}
	for name, value := range a {
		other, ok := b[name]
		if !ok || !c.sameValue(name, value, other) {
			return false
		}
	}
	return true
}

// sameNumber compares by value: 2.50 is 2.5. What is too long for a decimal is
// compared as written.
func sameNumber(a, b json.Number) bool {
	x, xOK := fhir.ParseDecimal([]byte(a))
	y, yOK := fhir.ParseDecimal([]byte(b))
	if a == b || !xOK || !yOK {
		return a == b
	}
	return trimmed(x) == trimmed(y)
}

// trimmed is a decimal without zeros at its end.
func trimmed(d fhir.Decimal) fhir.Decimal {
	for d.Scale > 0 && d.Unscaled%10 == 0 {
		d.Unscaled, d.Scale = d.Unscaled/10, d.Scale-1
	}
	return d
}

// sameText compares strings: references without the target's own base, and
// moments in whatever offset and precision they are written.
func (c comparer) sameText(name, a, b string) bool {
	if a == b {
		return true
	}
	if name == "reference" {
		a, b = strings.TrimPrefix(a, c.base+"/"), strings.TrimPrefix(b, c.base+"/")
		return a == b || isDevice(a) && isLocal(b, "Device") || isDevice(b) && isLocal(a, "Device")
	}
	x, err := time.Parse(time.RFC3339, a)
	if err != nil {
		return false
	}
	y, err := time.Parse(time.RFC3339, b)
	return err == nil && x.Equal(y)
}

// isDevice says whether a reference is to our Device as it is stored here. A
// target that got the Device in a transaction refers to its own copy instead;
// that it is ours, the identifier beside the reference says.
func isDevice(reference string) bool {
	base, _, ours := deviceNamed(reference)
	return ours && base != ""
}

// isLocal says whether a reference is to a resource of that type on the same
// server.
func isLocal(reference, kind string) bool {
	id, found := strings.CutPrefix(reference, kind+"/")
	return found && !strings.Contains(id, ":")
}

// ReadBack is what a target's answer shows of what it kept. The names of
// elements in it are those that were sent, without positions.
type ReadBack struct {
	// Checked says that the answer had the resource in it; nothing is known
	// otherwise.
	Checked bool
	// Dropped are elements that were sent and are not there, Changed those that
	// are there with another value. Each element is named once.
	Dropped, Changed []string
}

// Complete says that everything sent is known to be kept as it was.
func (r ReadBack) Complete() bool {
	return r.Checked && len(r.Dropped) == 0 && len(r.Changed) == 0
}

// readBack lists what is missing or other than it was sent. What a target adds
// is its own affair.
func (c comparer) readBack(sent, kept map[string]any) ReadBack {
	r := ReadBack{Checked: true}
	c.compareObject(&r, "", clinical(sent), clinical(kept))
	slices.Sort(r.Dropped)
	slices.Sort(r.Changed)
	r.Dropped, r.Changed = slices.Compact(r.Dropped), slices.Compact(r.Changed)
	return r
}

// asSent stands for the digest of a copy that is what was sent.
const asSent = "as-sent"

// accept tells what a target made of what it took, and the digest by which its
// copy is known to be so. That it has another value, status or patient is never
// accepted, whenever it came about.
func (c comparer) accept(sent, kept map[string]any) (ReadBack, string) {
	if c.same(sent, kept) {
		return ReadBack{Checked: true}, asSent
	}
	r := c.readBack(sent, kept)
	if r.essential() {
		return r, asSent
	}
	return r, c.digest(kept)
}

// essential says whether what differs changes what a chart says of the patient.
func (r ReadBack) essential() bool {
	return slices.ContainsFunc(slices.Concat(r.Dropped, r.Changed), func(path string) bool {
		first, _, _ := strings.Cut(path, ".")
		return first == "status" || first == "subject" || strings.HasPrefix(first, "value")
	}) || slices.ContainsFunc(r.Changed, func(path string) bool { return strings.Contains(path, ".value") })
}

// digest is the same for copies that say the same, whatever the order of members
// and the way in which numbers and moments are written.
func (c comparer) digest(tree map[string]any) string {
	text, _ := json.Marshal(c.canonical("", clinical(tree))) // of what was read as JSON
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:16])
}

// canonical writes the value of a member of that name in one way.
func (c comparer) canonical(name string, value any) any {
	switch v := value.(type) {
	case map[string]any:
		members := make(map[string]any, len(v))
		for each, member := range v {
			members[each] = c.canonical(each, member)
		}
		return members
	case []any:
		all := make([]any, len(v))
		for i, each := range v {
			all[i] = c.canonical(name, each)
		}
		return all
	case json.Number:
		if d, ok := fhir.ParseDecimal([]byte(v)); ok {
			return trimmed(d)
		}
	case string:
		if name == "reference" {
			return strings.TrimPrefix(v, c.base+"/")
		}
		if at, err := time.Parse(time.RFC3339, v); err == nil {
			return at.UTC()
		}
	}
	return value
}

func (c comparer) compareObject(r *ReadBack, path string, sent, kept map[string]any) {
	for name, value := range sent {
		at := strings.TrimPrefix(path+"."+name, ".")
		other, ok := kept[name]
		if !ok {
			r.Dropped = append(r.Dropped, at)
			continue
		}
		c.compareValue(r, at, name, value, other)
	}
}

func (c comparer) compareValue(r *ReadBack, path, name string, sent, kept any) {
	if c.sameValue(name, sent, kept) {
		return
	}
	switch s := sent.(type) {
	case map[string]any:
		if k, ok := kept.(map[string]any); ok {
			c.compareObject(r, path, s, k)
			return
		}
	case []any:
		if k, ok := kept.([]any); ok {
			c.compareList(r, path, name, s, k)
			return
		}
	}
	r.Changed = append(r.Changed, path)
}

// compareList pairs the elements that are the same first, so that one that is
// missing does not make all behind it look changed; the order is not judged.
func (c comparer) compareList(r *ReadBack, path, name string, sent, kept []any) {
	rest := slices.Clone(kept)
	var unpaired []any
	for _, s := range sent {
		at := slices.IndexFunc(rest, func(k any) bool { return c.sameValue(name, s, k) })
		if at < 0 {
			unpaired = append(unpaired, s)
			continue
		}
		rest = slices.Delete(rest, at, at+1)
	}
	for i, s := range unpaired {
		if i >= len(rest) {
			r.Dropped = append(r.Dropped, path)
			return
		}
		c.compareValue(r, path, name, s, rest[i])
	}
}

// ahead says whether the target's resource comes from a later version of the
// same source than ours.
func (c comparer) ahead(ours, theirs map[string]any) bool {
	known := c.sources(ours)
	for source, version := range c.sources(theirs) {
		if before, ok := known[source]; ok && version > before {
			return true
		}
	}
	return false
}

// sources are the versions of what a resource says it is derived from.
func (c comparer) sources(tree map[string]any) map[string]int64 {
	found := map[string]int64{}
	all, _ := tree["derivedFrom"].([]any)
	if about, ok := tree["context"].(map[string]any); ok {
		// A DocumentReference has it there.
		all, _ = about["related"].([]any)
	}
	for _, each := range all {
		object, _ := each.(map[string]any)
		text, _ := object["reference"].(string)
		text = strings.TrimPrefix(text, c.base+"/")
		if reference, ok := fhir.ParseReference([]byte(text)); ok {
			version, err := json.Number(reference.Version).Int64()
			reference.Version = ""
			if err == nil {
				found[reference.String()] = version
			}
		}
	}
	return found
}
