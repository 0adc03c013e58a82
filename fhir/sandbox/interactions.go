package sandbox

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"
)

// idPattern is FHIR's id type (R4 datatypes.html#id).
var idPattern = regexp.MustCompile(`^[A-Za-z0-9.\-]{1,64}$`)

// operation is one interaction, from an HTTP request or from an entry of a Bundle.
type operation struct {
	method      string
	kind        string
	id          string
	history     bool   // the path has /_history
	version     string // and then maybe a version
	query       url.Values
	ifMatch     string
	ifNoneMatch string
	ifNoneExist string
	ifModified  string
	tree        *object // the body, for POST and PUT
	// capabilities and transaction are what has no type in its path.
	capabilities, transaction bool
}

// result is what an interaction did. Errors are *problem values.
type result struct {
	status  int
	version *version // the resource read or written
	bundle  *object  // for searches and histories
	written bool     // version is new
}

// session runs operations on the locked state: one per HTTP request.
type session struct {
	st     *state
	opts   *Options
	quirks quirks
	base   string
	strict bool
	now    time.Time
	// minimal leaves resources out of the answer to a transaction.
	minimal bool
	// bundled says that a transaction is carried out, and assigned is the id that
	// the entry at hand was given.
	bundled  bool
	assigned string
	// searched are the searches that may be answered as before, see Kind.HAPI.
	searched hapiSearches
}

// run carries out one operation.
func (s *session) run(op operation) (result, error) {
	switch {
	case op.capabilities:
		return s.capabilities()
	case op.transaction:
		return s.transaction(op.tree)
	case s.opts.Kind.TransactionOnly && !s.bundled && op.method != http.MethodGet && op.method != http.MethodHead:
		return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "this server writes by transactions only")
	}
	if !s.opts.supports(op.kind) {
		return result{}, refuse(http.StatusNotFound, codeNotSupported, "this server has no resource type %q", op.kind)
	}
	if op.id != "" && !idPattern.MatchString(op.id) {
		return result{}, refuse(http.StatusBadRequest, codeValue, "the id in the URL does not match [A-Za-z0-9-.]{1,64}")
	}
	switch op.method {
	case http.MethodGet, http.MethodHead:
		return s.get(op)
	case http.MethodPost:
		return s.create(op)
	case http.MethodPut:
		return s.update(op)
	case http.MethodDelete:
		return s.delete(op)
	}
	return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "%s is not supported here", op.method)
}

// get serves read, vread, history and search (R4 http.html 3.1.0.1, .2, .9, .12).
func (s *session) get(op operation) (result, error) {
	k := key{op.kind, op.id}
	switch {
	case op.id == "" && !op.history:
		return s.search(op)
	case op.id == "":
		return result{}, refuse(http.StatusNotFound, codeNotSupported, "the history of a whole type is not offered")
	case op.history && op.version == "":
		return s.historyOf(k)
	case op.history:
		return s.vread(k, op.version)
	}
	v := s.st.current(k)
	if v == nil {
		return result{}, refuse(http.StatusNotFound, codeNotFound, "no such %s", op.kind)
	}
	if v.deleted() {
		return result{}, refuse(http.StatusGone, codeDeleted, "this %s was deleted", op.kind)
	}
	if notModified(op, v) {
		return result{status: http.StatusNotModified, version: v}, nil
	}
	return result{status: http.StatusOK, version: v}, nil
}

// notModified is the conditional read (R4 http.html 3.1.0.1.1): If-None-Match wins over If-Modified-Since.
func notModified(op operation, v *version) bool {
	if op.ifNoneMatch != "" {
		return op.ifNoneMatch == v.etag()
	}
	since, err := http.ParseTime(op.ifModified)
	return err == nil && !v.updated.Truncate(time.Second).After(since)
}

func (s *session) vread(k key, number string) (result, error) {
	for _, v := range s.st.versions[k] {
		if strings.TrimSuffix(strings.TrimPrefix(v.etag(), `W/"`), `"`) != number {
			continue
		}
		if v.deleted() {
			return result{}, refuse(http.StatusGone, codeDeleted, "this version is the deletion")
		}
		return result{status: http.StatusOK, version: v}, nil
	}
	return result{}, refuse(http.StatusNotFound, codeNotFound, "no such version of this %s", k.kind)
}

// historyOf answers the versions of one resource, newest first.
func (s *session) historyOf(k key) (result, error) {
	all := s.st.versions[k]
	if len(all) == 0 {
		return result{}, refuse(http.StatusNotFound, codeNotFound, "no such %s", k.kind)
	}
	entries := []any{}
	for i := len(all) - 1; i >= 0; i-- {
		entries = append(entries, s.historyEntry(all[i]))
	}
	return result{status: http.StatusOK, bundle: obj("resourceType", "Bundle", "type", "history", "total", len(entries),
		"link", []any{obj("relation", "self", "url", s.base+"/"+k.String()+"/_history")}, "entry", entries)}, nil
}

func (s *session) historyEntry(v *version) *object {
	request, status := obj("method", v.method, "url", v.key.String()), "200 OK"
	if v.number == 1 {
		status = "201 Created"
	}
	entry := obj("fullUrl", s.base+"/"+v.key.String())
	if v.deleted() {
		status = "204 No Content"
	} else {
		entry.set("resource", v.tree)
	}
	if v.method == http.MethodPost {
		request.set("url", v.key.kind)
	}
	entry.set("request", request)
	entry.set("response", obj("status", status, "etag", v.etag(), "lastModified", v.updated.UTC().Format(instantLayout)))
	return entry
}

func (s *session) search(op operation) (result, error) {
	wanted, err := criteria(s.opts.Kind.searchParameters(op.kind), op.kind, op.query, s.strict)
	if err != nil {
		return result{}, err
	}
	address := op.kind + "?" + op.query.Encode()
	if before := s.searched.recall(address, s.now); before != nil {
		return result{status: http.StatusOK, bundle: before}, nil
	}
	bundle, err := searchset(s.find(op.kind, wanted), op.kind, s.base, op.query, wanted)
	if err != nil {
		return result{}, err
	}
	if s.searched != nil {
		s.searched[address] = hapiSearch{s.now, bundle}
	}
	return result{status: http.StatusOK, bundle: bundle}, nil
}

// find searches, unless the index is lagging behind (fault StaleSearch).
func (s *session) find(kind string, wanted []criterion) []*version {
	if s.quirks.staleSearch {
		return nil
	}
	return s.st.find(kind, wanted, s.base)
}

// matching resolves the criteria of a conditional interaction. They are always read strictly: a criterion that is
// silently left out would let the write hit the wrong resource.
func (s *session) matching(kind string, query url.Values) ([]*version, error) {
	wanted, err := criteria(s.opts.Kind.searchParameters(kind), kind, query, true)
	if err != nil {
		return nil, err
	}
	if len(wanted) == 0 {
		return nil, refuse(http.StatusBadRequest, codeRequired, "a conditional interaction needs at least one search criterion")
	}
	found := s.find(kind, wanted)
	if len(found) > 1 {
		return nil, refuse(http.StatusPreconditionFailed, codeMultiple, "%d resources match the criteria", len(found))
	}
	return found, nil
}

// create serves POST [type] and its conditional form (R4 http.html 3.1.0.8, 3.1.0.8.1).
func (s *session) create(op operation) (result, error) {
	if op.id != "" || op.history {
		return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "POST goes to [type], not to an instance")
	}
	if err := s.acceptable(op); err != nil {
		return result{}, err
	}
	if op.ifNoneExist != "" && !s.opts.Kind.IgnoreIfNoneExist {
		existing, err := s.existing(op)
		if err != nil || existing != nil {
			return result{status: http.StatusOK, version: existing}, err
		}
	}
	return s.store(key{op.kind, s.newID()}, op, http.StatusCreated)
}

// newID is the id of what is created: the one that the transaction has decided
// on, else a new one.
func (s *session) newID() string {
	if s.assigned != "" {
		return s.assigned
	}
	return s.opts.NewID()
}

func (s *session) existing(op operation) (*version, error) {
	if status := s.refusesConditionalCreate(); status != 0 {
		return nil, refuse(status, codeNotSupported, "conditional create is not supported")
	}
	query, err := url.ParseQuery(strings.TrimPrefix(op.ifNoneExist, "?"))
	if err != nil {
		return nil, refuse(http.StatusBadRequest, codeValue, "If-None-Exist is not a query")
	}
	found, err := s.matching(op.kind, query)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found[0], nil
}

// update serves PUT [type]/[id], update as create and conditional update (R4 http.html 3.1.0.4, .4.1, .4.3).
func (s *session) update(op operation) (result, error) {
	if op.history {
		return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "a version cannot be updated")
	}
	if err := s.acceptable(op); err != nil {
		return result{}, err
	}
	if op.id == "" {
		return s.conditionalUpdate(op)
	}
	if op.tree.text("id") != op.id {
		return result{}, refuse(http.StatusBadRequest, codeValue, "the id of the body is not the id of the URL")
	}
	return s.put(key{op.kind, op.id}, op)
}

func (s *session) conditionalUpdate(op operation) (result, error) {
	if status := s.refusesConditionalUpdate(); status != 0 {
		return result{}, refuse(status, codeNotSupported, "conditional update is not supported")
	}
	found, err := s.matching(op.kind, op.query)
	if err != nil {
		return result{}, err
	}
	given := op.tree.text("id")
	if s.opts.Kind.HAPI {
		given = "" // it gives ids of its own
	}
	switch {
	case len(found) == 1 && given != "" && given != found[0].key.id:
		return result{}, refuse(http.StatusBadRequest, codeValue, "the id of the body is not that of the one match")
	case len(found) == 1:
		return s.put(found[0].key, op)
	case given != "":
		return s.put(key{op.kind, given}, op)
	}
	return s.put(key{op.kind, s.newID()}, op)
}

// put writes to a known id after the preconditions.
func (s *session) put(k key, op operation) (result, error) {
	if !idPattern.MatchString(k.id) {
		return result{}, refuse(http.StatusBadRequest, codeValue, "the id of the body does not match [A-Za-z0-9-.]{1,64}")
	}
	before := s.st.live(k)
	if err := s.precondition(op, before); err != nil {
		return result{}, err
	}
	if before != nil {
		return s.store(k, op, http.StatusOK)
	}
	if s.opts.Kind.HAPI && s.st.current(k) == nil {
		if err := hapiID(op); err != nil {
			return result{}, err
		}
	}
	if op.id != "" && s.quirks.noUpdateCreate {
		return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "this server does not let a client choose an id")
	}
	if s.quirks.changeIDs {
		k.id = s.opts.NewID()
	}
	return s.store(k, op, http.StatusCreated)
}

// precondition is If-Match, and If-None-Match with a star (R4 http.html 3.1.0.5; RFC 9110 section 13.1).
func (s *session) precondition(op operation, before *version) error {
	if s.opts.Kind.HAPI {
		return hapiPrecondition(op, s.st.current(key{op.kind, op.id}))
	}
	if op.ifNoneMatch == "*" && before != nil {
		return refuse(http.StatusPreconditionFailed, codeConflict, "If-None-Match: the resource exists")
	}
	if op.ifMatch == "" || !s.matchesVersions() {
		return nil
	}
	if before == nil || (op.ifMatch != "*" && op.ifMatch != before.etag()) {
		return refuse(http.StatusPreconditionFailed, codeConflict, "If-Match does not name the current version")
	}
	return nil
}

// delete serves DELETE [type]/[id] and, for at most one match, DELETE [type]?criteria (R4 http.html 3.1.0.7).
func (s *session) delete(op operation) (result, error) {
	k := key{op.kind, op.id}
	if op.history {
		return result{}, refuse(http.StatusMethodNotAllowed, codeNotSupported, "a version cannot be deleted")
	}
	if op.id == "" {
		found, err := s.matching(op.kind, op.query)
		if err != nil || len(found) == 0 {
			return s.deleted(nil), err
		}
		k = found[0].key
	}
	before := s.st.live(k)
	if err := s.precondition(op, before); err != nil {
		return result{}, err
	}
	if before == nil {
		return s.deleted(nil), nil
	}
	return s.deleted(s.st.remove(k, s.now)), nil
}

// deleted is the answer to a deletion, nil if there was nothing to delete.
func (s *session) deleted(v *version) result {
	if s.opts.Kind.HAPI {
		return hapiDeleted()
	}
	return result{status: http.StatusNoContent, version: v, written: v != nil}
}

// acceptable checks the body as far as this server validates: type, and references to patients.
func (s *session) acceptable(op operation) error {
	if op.tree == nil {
		return refuse(http.StatusBadRequest, codeStructure, "the body is missing")
	}
	if op.tree.text("resourceType") != op.kind {
		return refuse(http.StatusBadRequest, codeStructure, "the resourceType of the body is not the type of the URL")
	}
	if _, ok := op.tree.get("id").(string); op.tree.get("id") != nil && !ok {
		return refuse(http.StatusBadRequest, codeStructure, "id is not a string")
	}
	return nil
}

// store keeps the body as the next version.
func (s *session) store(k key, op operation, status int) (result, error) {
	tree := clone(op.tree).(*object)
	if s.opts.Kind.HAPI {
		if err := s.hapiReferences(tree); err != nil {
			return result{}, err
		}
		if before := s.st.live(k); hapiSame(before, tree) {
			return result{status: status, version: before}, nil
		}
	}
	if s.opts.RequirePatients {
		if at := s.unknownPatient(tree, k.kind); at != "" {
			return result{}, &problem{http.StatusUnprocessableEntity, codeNotFound, "the patient referred to is not on this server", at}
		}
	}
	if s.quirks.dropComponents {
		tree.remove("component")
	}
	return result{status: status, version: s.st.put(k, tree, op.method, s.now), written: true}, nil
}
