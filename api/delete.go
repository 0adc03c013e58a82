package api

import (
	"context"
	"errors"
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// deletion is one response on its way out (R4 http.html 3.1.0.7). Its score
// stays and becomes entered-in-error: a chart must see what was taken back.
type deletion struct {
	server *Server
	// id is that of the response, or where finds it.
	id    string
	where *condition
	// ifMatch is the version expected, 0 for any.
	ifMatch int64
	// statement is what the sender says of the deletion, nil for nothing.
	statement *statement

	// tombstone is what the deletion left; its version is 0 if there was nothing
	// to delete. done says that this deletion wrote it.
	tombstone store.Resource
	done      bool
	// followed says that a version of the score came of it.
	followed bool
}

// deleteResponse deletes one response by its id.
func (s *Server) deleteResponse(c *gin.Context) (reply, error) {
	if _, err := keyOf("QuestionnaireResponse", c.Param("id")); err != nil {
		return reply{}, err
	}
	return s.delete(c, &deletion{server: s, id: c.Param("id")})
}

// deleteWhere deletes the response that a search finds (conditional delete,
// R4 http.html 3.1.0.7.1); several are refused.
func (s *Server) deleteWhere(c *gin.Context) (reply, error) {
	where, err := s.condition("The condition of the deletion", c.Request.URL.RawQuery)
	if err != nil {
		return reply{}, err
	}
	return s.delete(c, &deletion{server: s, where: where})
}

func (s *Server) delete(c *gin.Context, d *deletion) (reply, error) {
	var err error
	if d.ifMatch, err = ifMatch(c.GetHeader("If-Match")); err != nil {
		return reply{}, err
	}
	if d.statement, err = s.headerStatement(c); err != nil {
		return reply{}, err
	}
	defer d.statement.release()
	if err := s.options.Store.Write(c.Request.Context(), d.keys(), d.apply); err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	s.deleted(d)
	r := reply{status: http.StatusNoContent}
	if d.tombstone.Version != 0 {
		r.etag, r.lastModified = etag(d.tombstone.Version), d.tombstone.LastUpdated
		r.link = s.receiptLink(d.tombstone.Key)
	}
	switch preference(prefer(c), "return") {
	case "minimal":
		r.prefer = "minimal"
	case "OperationOutcome":
		r.status, r.prefer, r.body = http.StatusOK, "OperationOutcome", d.outcome().JSON()
	}
	return r, nil
}

// outcome says what was done.
func (d *deletion) outcome() fhir.Issues {
	text := "The response was deleted; its score, if there was one, is entered-in-error."
	if !d.done {
		text = "There was nothing to delete."
	}
	return fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational, Text: text}}
}

// deleted counts what was committed and wakes the write-back.
func (s *Server) deleted(d *deletion) {
	if !d.done {
		return
	}
	s.metrics.accepted("deleted")
	s.kicked(d.followed)
}

// keys are none: a deletion takes no identity, and leaves those of the response
// with it, so that what was deleted is not sent again by mistake.
func (d *deletion) keys() []string { return nil }

// apply is the job. What is not there is as good as deleted, and so is what was
// deleted before, whatever version a repetition expects.
func (d *deletion) apply(tx store.Tx) error {
	d.tombstone, d.done, d.followed = store.Resource{}, false, false
	end, err := acting(tx, "QuestionnaireResponse", auth.Delete)
	defer end()
	if err != nil {
		return err
	}
	key := store.Key{Type: "QuestionnaireResponse", ID: d.id}
	if d.where != nil {
		match, found, err := d.where.find(tx)
		if err != nil {
			return err
		}
		if !found {
			return stale(d.ifMatch, 0)
		}
		key = match.Key
	}
	current, err := tx.Get(key)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return stale(d.ifMatch, 0)
	case err != nil:
		return err
	case current.Deleted:
		d.tombstone = current
		return nil
	}
	if err := stale(d.ifMatch, current.Version); err != nil {
		return err
	}
	if d.tombstone, err = tx.Delete(key); err != nil {
		return err
	}
	d.done = true
	if d.statement != nil {
		patient, err := d.server.patientOf(context.Background(), current)
		if err != nil {
			return err
		}
		if err := d.statement.keep(tx, target{key, d.tombstone.Version, patient}); err != nil {
			return err
		}
	}
	d.followed, err = d.server.retract(tx, retraction{
		id: key.ID, role: observation.Removal,
		source: key.String() + "/_history/" + strconv.FormatInt(current.Version, 10),
	})
	return err
}
