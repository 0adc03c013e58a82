package sandbox

import (
	"net/http"
	"slices"
	"strconv"
	"time"
)

// instantLayout is the FHIR instant this server writes: milliseconds, UTC.
const instantLayout = "2006-01-02T15:04:05.000Z07:00"

// key names a resource of this server.
type key struct {
	kind string
	id   string
}

func (k key) String() string { return k.kind + "/" + k.id }

// version is one stored version of a resource. A deletion is a version without a tree.
type version struct {
	key     key
	number  int
	updated time.Time
	method  string // the HTTP method that made it, for the history Bundle
	tree    *object
	body    []byte
}

func (v *version) deleted() bool { return v.tree == nil }
func (v *version) etag() string  { return `W/"` + strconv.Itoa(v.number) + `"` }
func (v *version) path() string  { return v.key.String() + "/_history/" + strconv.Itoa(v.number) }

// state is everything stored. It has no lock of its own: the server's is held around every use. Writes go in place and
// leave an undo step behind, so that a failed transaction costs only what it has written.
type state struct {
	// versioned says that resources tell their versions.
	versioned bool
	versions  map[key][]*version
	order     map[string][]key // per type, in order of first creation: searches answer in a stable order
	index     map[string][]key // type and identifier -> resources whose current version carries it
	undo      []func()
}

func newState(versioned bool) *state {
	return &state{versioned: versioned, versions: map[key][]*version{}, order: map[string][]key{}, index: map[string][]key{}}
}

// current answers the newest version, which may be a deletion, or nil when the id was never used.
func (st *state) current(k key) *version {
	all := st.versions[k]
	if len(all) == 0 {
		return nil
	}
	return all[len(all)-1]
}

// live answers the newest version unless there is none or it is a deletion.
func (st *state) live(k key) *version {
	v := st.current(k)
	if v == nil || v.deleted() {
		return nil
	}
	return v
}

// put stores the tree as the next version: it sets id, meta.versionId and meta.lastUpdated and keeps the rest of meta.
func (st *state) put(k key, tree *object, method string, now time.Time) *version {
	v := &version{key: k, number: len(st.versions[k]) + 1, updated: now, method: method, tree: tree}
	tree.setAfter("resourceType", "id", k.id)
	meta := tree.child("meta")
	if meta == nil {
		meta = obj()
	}
	meta.remove("versionId")
	if st.versioned {
		meta.set("versionId", strconv.Itoa(v.number))
	}
	meta.set("lastUpdated", now.UTC().Format(instantLayout))
	tree.setAfter("id", "meta", meta)
	v.body = encode(tree)
	st.add(v)
	return v
}

// remove stores a deletion as the next version.
func (st *state) remove(k key, now time.Time) *version {
	v := &version{key: k, number: len(st.versions[k]) + 1, updated: now, method: http.MethodDelete}
	st.add(v)
	return v
}

func (st *state) add(v *version) {
	before := st.live(v.key)
	st.unindex(before)
	if len(st.versions[v.key]) == 0 {
		st.order[v.key.kind] = append(st.order[v.key.kind], v.key)
	}
	st.versions[v.key] = append(st.versions[v.key], v)
	st.reindex(v)
	st.undo = append(st.undo, func() { st.drop(v, before) })
}

// drop takes the newest version away again.
func (st *state) drop(v, before *version) {
	st.unindex(v)
	all := st.versions[v.key]
	st.versions[v.key] = all[:len(all)-1]
	if len(all) == 1 {
		delete(st.versions, v.key)
		st.order[v.key.kind] = slices.DeleteFunc(st.order[v.key.kind], func(k key) bool { return k == v.key })
	}
	st.reindex(before)
}

// commit forgets the undo steps and answers how many writes there were.
func (st *state) commit() { st.undo = nil }

// rollback undoes every write since the last commit, newest first.
func (st *state) rollback() {
	for i := len(st.undo) - 1; i >= 0; i-- {
		st.undo[i]()
	}
	st.undo = nil
}

func (st *state) reindex(v *version) {
	if v == nil || v.deleted() {
		return
	}
	for _, name := range identifierNames(v) {
		st.index[name] = append(st.index[name], v.key)
	}
}

func (st *state) unindex(v *version) {
	if v == nil || v.deleted() {
		return
	}
	for _, name := range identifierNames(v) {
		st.index[name] = slices.DeleteFunc(st.index[name], func(k key) bool { return k == v.key })
		if len(st.index[name]) == 0 {
			delete(st.index, name)
		}
	}
}

// identifierNames are the index entries of a version, each once.
func identifierNames(v *version) []string {
	var names []string
	for _, item := range v.tree.list("identifier") {
		if id, ok := item.(*object); ok {
			names = append(names, indexName(v.key.kind, id.text("system"), id.text("value")))
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func indexName(kind, system, value string) string { return kind + "\x00" + system + "\x00" + value }
