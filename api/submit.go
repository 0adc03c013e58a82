package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// submission is one response on its way into the store. It is prepared
// outside the transaction and may be applied more than once, since a failed
// batch is replayed.
type submission struct {
	server   *Server
	response questionnaire.Response
	// id is that of the resource to update, or of the one to create; while it is
	// applied, that of the one found. planned is what it starts from.
	id, planned string
	update      bool
	// ifMatch is the version an update expects, 0 for any; ifNoneMatch holds the
	// tags that the current version must not have.
	ifMatch     int64
	ifNoneMatch string
	// ifNoneExist is the search of a conditional create, where that of a
	// conditional update; nil for none.
	ifNoneExist, where *condition
	digest             string
	identifier         string
	// statement is what the sender says of the origin of what it writes, nil for
	// nothing.
	statement *statement
	// born is what is known of the patient's birth, past what was read of the
	// patient's other scores before the transaction, and mayKnow says whether the
	// sender may hear of them; see remarks.go.
	born    questionnaire.Born
	past    past
	mayKnow bool

	result submitted
}

// submitted is what became of a submission.
type submitted struct {
	status   int
	resource store.Resource
	// scored is the band of a score that was written, "" if none was; told are the
	// warnings about it that the response does not show by itself, for the sender.
	scored string
	told   fhir.Issues
	// followed says that a version of the score came of it.
	followed bool
	// replayed says that nothing was written, because it had been before; first
	// is then the version that was, 0 for the current one.
	replayed bool
	first    int64
}

// prepare decodes nothing and locks nothing; it works out everything that does
// not depend on what is stored.
func (s *Server) prepare(response questionnaire.Response) *submission {
	sub := &submission{server: s, response: response, digest: response.Root.Digest()}
	if identifier := response.Root.Get("identifier"); identifier.Exists() {
		if value := identifier.Get("value"); value.Exists() {
			sub.identifier = identifier.Get("system").Text() + "|" + value.Text()
		}
	}
	return sub
}

// create makes it a new resource, under an id that sorts by time, so that the
// database writes in one place.
func (sub *submission) create() error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	sub.planned = id.String()
	return nil
}

// keys are the identity keys that the job reads or takes.
func (sub *submission) keys() []string {
	keys := []string{sub.contentKey()}
	if sub.identifier != "" {
		keys = append(keys, sub.identifierKey())
	}
	return keys
}

// contentKey recognises the same content again; identifierKey the same
// business identifier with whatever content.
func (sub *submission) contentKey() string    { return "content:" + sub.digest }
func (sub *submission) identifierKey() string { return "identifier:" + sub.identifier }

// apply is the job: everything in it is one submission's part of a batch.
func (sub *submission) apply(tx store.Tx) error {
	sub.result, sub.id = submitted{}, sub.planned
	switch {
	case sub.update:
		return sub.applyUpdate(tx)
	case sub.where != nil:
		return sub.applyWhere(tx)
	}
	return sub.applyCreate(tx)
}

// applyWhere is the conditional update (R4 http.html 3.1.0.4.3): the one match
// is updated, and without any a resource is created.
func (sub *submission) applyWhere(tx store.Tx) error {
	id := sub.response.Root.Get("id")
	match, found, err := sub.where.find(tx)
	switch {
	case err != nil:
		return err
	case !found && sub.ifMatch != 0:
		return stale(sub.ifMatch, 0)
	case !found && id.Exists():
		return fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "Nothing matches, and ids are given by this server; leave the id out to create the response.")
	case !found:
		return sub.applyCreate(tx)
	case id.Exists() && !id.Is(match.ID):
		return failures(http.StatusBadRequest, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueInvalid, Class: fhir.Malformed, Expression: id.Path(),
			Text: "The condition matches a resource of another id; leave the id out, or send the one that matches.",
		})
	}
	sub.id = match.ID
	return sub.applyUpdate(tx)
}

// applyCreate asks for the sender's own condition first: what it finds there is
// answered with 200, as R4 http.html 3.1.0.8.1 says, even if it is a repetition.
func (sub *submission) applyCreate(tx store.Tx) error {
	end, err := sub.acting(tx, auth.Create)
	defer end()
	if err != nil {
		return err
	}
	if sub.ifNoneExist != nil {
		if done, err := sub.conditional(tx); done || err != nil {
			return err
		}
	}
	if done, err := sub.repeated(tx); done || err != nil {
		return err
	}
	if sub.identifier != "" {
		_, identity, found, err := sub.named(tx)
		if err != nil {
			return err
		}
		if found {
			return sub.amendByIdentifier(tx, identity)
		}
	}
	return sub.write(tx, http.MethodPost, store.Resource{})
}

// acting begins a step in which the content sent must be the sender's to write.
func (sub *submission) acting(tx store.Tx, does auth.Interaction) (end func(), err error) {
	end, err = acting(tx, "QuestionnaireResponse", does)
	if err == nil {
		err = admit(tx, sub.patient())
	}
	return end, err
}

// patient is what the patient of the content is found by.
func (sub *submission) patient() string {
	return patientKey(sub.response.Root.Get("subject"), sub.server.options.BaseURL)
}

// repeated finds the same content, which is to be answered as the first time.
func (sub *submission) repeated(tx store.Tx) (bool, error) {
	_, identity, found, err := sub.content(tx)
	if err != nil || !found {
		return false, err
	}
	current, err := tx.Get(identity.Key)
	if err != nil {
		return false, err
	}
	first, err := strconv.ParseInt(identity.Digest, 10, 64)
	if err != nil {
		return false, &fault{"the version of a content key", err}
	}
	sub.result = submitted{status: http.StatusOK, resource: current, replayed: true, first: first}
	if first == 1 {
		sub.result.status = http.StatusCreated
	}
	return true, nil
}

// asFirst gives a repetition the version that its content became, where there
// are later ones by now.
func (s *Server) asFirst(ctx context.Context, sub *submission) error {
	r := &sub.result
	if r.replayed {
		defer func() { sub.toldBefore(ctx) }()
	}
	if r.first == 0 || r.first == r.resource.Version {
		return nil
	}
	first, err := s.options.Store.Version(asServer(ctx), r.resource.Key, r.first)
	if err != nil {
		return fmt.Errorf("api: reading what a repetition was answered with: %w", stored(ctx, err))
	}
	r.resource = first
	return nil
}

// content finds the identity of this very content and the key it is kept
// under. A deleted response keeps its key; the next one of the same content has
// one that names it, so that a repetition of the new one is still recognised.
func (sub *submission) content(tx store.Tx) (name string, identity store.Identity, found bool, err error) {
	return chained(tx, sub.contentKey(), func(current store.Resource) bool { return !current.Deleted })
}

// named finds the response of the same business identifier, and the key that is
// kept under. One that the sender may not see is not in the way of another.
func (sub *submission) named(tx store.Tx) (name string, identity store.Identity, found bool, err error) {
	return chained(tx, sub.identifierKey(), func(store.Resource) bool { return true })
}

// chained follows an identity key from one resource that does not count, or
// that the sender may not see, to the next.
func chained(tx store.Tx, name string, counts func(store.Resource) bool) (string, store.Identity, bool, error) {
	for {
		identity, found, err := tx.Identity(name)
		if err != nil || !found {
			return name, store.Identity{}, false, err
		}
		current, err := tx.Get(identity.Key)
		if err == nil && counts(current) {
			return name, identity, true, nil
		}
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return name, store.Identity{}, false, err
		}
		name += " after " + identity.Key.ID
	}
}

// conditional holds If-None-Exist (R4 http.html 3.1.0.8.1).
func (sub *submission) conditional(tx store.Tx) (bool, error) {
	match, found, err := sub.ifNoneExist.find(tx)
	if found {
		sub.result = submitted{status: http.StatusOK, resource: match, replayed: true}
	}
	return found, err
}

// amendByIdentifier lets a sender that knows only its own identifier amend or
// retract; anything else under a used identifier is a mistake.
func (sub *submission) amendByIdentifier(tx store.Tx, identity store.Identity) error {
	if current, err := tx.Get(identity.Key); err != nil {
		return err
	} else if current.Deleted {
		return failures(http.StatusConflict, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueDuplicate, Expression: sub.response.Root.Get("identifier").Path(),
			Text: "The response with this identifier was deleted, and what was deleted does not come back; send this one under a new identifier.",
		})
	}
	if status := sub.response.Status; status != questionnaire.Amended && status != questionnaire.EnteredInError {
		return failures(http.StatusConflict, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueDuplicate, Expression: sub.response.Root.Get("identifier").Path(),
			Text: "A response with this identifier but other content is stored as " + identity.Key.String() +
				". Send status amended if the answers were corrected, or a new identifier if this is another assessment.",
		})
	}
	sub.id = identity.Key.ID
	return sub.applyUpdate(tx)
}

func (sub *submission) key() store.Key {
	return store.Key{Type: "QuestionnaireResponse", ID: sub.id}
}

func (sub *submission) observationKey() store.Key {
	return store.Key{Type: "Observation", ID: sub.id}
}

func (sub *submission) applyUpdate(tx store.Tx) error {
	end, err := sub.acting(tx, auth.Update)
	defer end()
	if err != nil {
		return err
	}
	current, err := tx.Get(sub.key())
	switch {
	case errors.Is(err, store.ErrNotFound):
		return fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "No resource of this id exists, and ids are given by this server; create with POST.")
	case err != nil:
		return err
	case current.Deleted:
		return fail(http.StatusGone, fhir.IssueDeleted, "The response was deleted, and what was deleted does not come back; send a new one.")
	}
	document, err := fhir.Decode(current.Body)
	if err != nil {
		return &fault{"a stored response does not decode", err}
	}
	defer document.Release()
	if document.Root().Digest() == sub.digest {
		// Also under an If-Match that is stale by now: the first attempt made it so
		// (RFC 9110 section 13.1.1 lets what has succeeded already be answered).
		sub.result = submitted{status: http.StatusOK, resource: current, replayed: true}
		return nil
	}
	if err := stale(sub.ifMatch, current.Version); err != nil {
		return err
	}
	if sub.ifNoneMatch != "" && sameTag(sub.ifNoneMatch, etag(current.Version)) {
		return fail(http.StatusPreconditionFailed, fhir.IssueConflict, "If-None-Match names the version that is stored: "+strconv.FormatInt(current.Version, 10)+".")
	}
	if issues := sub.checkTransition(document.Root()); len(issues) > 0 {
		return failures(http.StatusUnprocessableEntity, issues...)
	}
	return sub.write(tx, http.MethodPut, current)
}

// transitions are the status changes allowed (standards: SDC form manager); an
// amendment is a change after completion and says so.
var transitions = map[questionnaire.Status][]questionnaire.Status{
	questionnaire.InProgress: {questionnaire.InProgress, questionnaire.Completed, questionnaire.Stopped, questionnaire.EnteredInError},
	questionnaire.Stopped:    {questionnaire.Stopped, questionnaire.EnteredInError},
	questionnaire.Completed:  {questionnaire.Amended, questionnaire.EnteredInError},
	questionnaire.Amended:    {questionnaire.Amended, questionnaire.EnteredInError},
}

// checkTransition holds what an update may change. An amendment keeps its
// patient, its form and its identifier, or it would be another assessment.
func (sub *submission) checkTransition(before fhir.Node) []fhir.Issue {
	var issues []fhir.Issue
	rule := func(member, text string) {
		at := sub.response.Root.Get(member)
		if !at.Exists() {
			at = sub.response.Root
		}
		issues = append(issues, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueBusinessRule, Expression: at.Path(), Text: text})
	}
	from := questionnaire.Status(before.Get("status").Text())
	allowed := false
	var names []string
	for _, to := range transitions[from] {
		allowed = allowed || to == sub.response.Status
		names = append(names, string(to))
	}
	switch {
	case from == questionnaire.EnteredInError:
		rule("status", "The response was entered in error, and nothing leaves that status; send a new response.")
	case !allowed:
		rule("status", "The stored response is "+string(from)+"; an update may be "+strings.Join(names, " or ")+".")
	}
	after := sub.response.Root
	if patientKey(after.Get("subject"), sub.server.options.BaseURL) != patientKey(before.Get("subject"), sub.server.options.BaseURL) {
		rule("subject", "An update keeps its subject; retract this response and send a new one for the other patient.")
	}
	if sub.response.Form != nil {
		if form, ok := sub.server.options.Forms.Catalog().Form(before.Get("questionnaire").Text()); ok && form.URL != sub.response.Form.URL {
			rule("questionnaire", "An update keeps its form; retract this response and send a new one.")
		}
	}
	if b := before.Get("identifier"); b.Exists() && sub.response.Status != questionnaire.EnteredInError &&
		(!after.Get("identifier").Get("value").Is(b.Get("value").Text()) || after.Get("identifier").Get("system").Text() != b.Get("system").Text()) {
		rule("identifier", "An update keeps its identifier.")
	}
	return issues
}

// write puts the response and what follows from its status.
func (sub *submission) write(tx store.Tx, method string, before store.Resource) error {
	written, err := tx.Put(sub.key(), method, sub.responseIndex(), func(version int64, at time.Time) ([]byte, error) {
		stamp := fhir.Stamp{ID: sub.id, Version: version, LastUpdated: at}
		return fhir.AppendStamped(nil, sub.response.Root, stamp, nil), nil
	})
	if err != nil {
		return err
	}
	if err := sub.identify(tx, written.Version); err != nil {
		return err
	}
	if sub.statement != nil {
		if err := sub.statement.keep(tx, target{written.Key, written.Version, sub.patient()}); err != nil {
			return err
		}
	}
	sub.result = submitted{status: http.StatusCreated, resource: written}
	if before.Version != 0 {
		sub.result.status = http.StatusOK
	}
	switch {
	case sub.response.Status.Scored():
		return sub.writeScore(tx, written)
	case sub.response.Status == questionnaire.EnteredInError:
		source := written.Key.String() + "/_history/" + strconv.FormatInt(written.Version, 10)
		sub.result.followed, err = sub.server.retract(tx, retraction{id: sub.id, performer: sub.response.Performer, source: source, derived: true})
		return err
	}
	return nil
}

// identify keeps what a repetition of this very content is answered with.
func (sub *submission) identify(tx store.Tx, version int64) error {
	content := store.Identity{Key: sub.key(), Digest: strconv.FormatInt(version, 10)}
	// Two responses without identifiers may be amended to the same content; the
	// first keeps the key, and the second is found by its id.
	name, taken, found, err := sub.content(tx)
	if err == nil && (!found || taken.Key == content.Key) {
		err = tx.PutIdentity(name, content)
	}
	if err != nil {
		return err
	}
	if sub.identifier == "" {
		return nil
	}
	if name, err = sub.ownName(tx); err != nil {
		return err
	}
	return tx.PutIdentity(name, store.Identity{Key: sub.key(), Digest: sub.digest})
}

// ownName is the key that the identifier of this response is kept under: its own
// if it has one, else the first that is free or that is seen to be taken.
func (sub *submission) ownName(tx store.Tx) (string, error) {
	name := sub.identifierKey()
	if identity, found, err := tx.Identity(name); err != nil || !found || identity.Key == sub.key() {
		return name, err
	}
	first, _, taken, err := sub.named(tx)
	if err != nil || !taken {
		return first, err
	}
	own, _, found, err := chained(tx, sub.identifierKey(), func(r store.Resource) bool { return r.Key == sub.key() })
	if found {
		return own, err
	}
	return first, err
}

// scoreIdentifier is stable over all versions of a response.
func (sub *submission) scoreIdentifier() string {
	if identifier := sub.response.Root.Get("identifier"); identifier.Get("value").Exists() {
		return observation.Identifier(identifier.Get("system").Text(), identifier.Get("value").Text())
	}
	return observation.Identifier(observation.ResponseIdentifierSystem, sub.id)
}

// submit runs one submission in the store's next batch.
func (s *Server) submit(ctx context.Context, sub *submission) error {
	s.foresee(ctx, sub)
	if err := s.options.Store.Write(ctx, sub.keys(), sub.apply, sub.ahead()...); err != nil {
		return stored(ctx, err)
	}
	s.submitted(sub)
	return s.asFirst(ctx, sub)
}

// submitted counts what was committed and wakes the write-back.
func (s *Server) submitted(sub *submission) {
	if sub.result.replayed {
		s.metrics.accepted("replayed")
		return
	}
	s.metrics.accepted(string(sub.response.Status))
	if sub.result.scored != "" {
		s.metrics.scores.WithLabelValues(sub.result.scored, sub.response.Form.Rater.String()).Inc()
	}
	s.kicked(sub.result.followed)
}

// kicked counts the version of a score that was committed, if one was, and wakes
// the write-back.
func (s *Server) kicked(followed bool) {
	if followed {
		s.metrics.followed()
	}
	if s.options.Kick != nil {
		s.options.Kick()
	}
}
