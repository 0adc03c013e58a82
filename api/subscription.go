package api

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// maxSubscriptions is how many one owner may have (our own figure).
const maxSubscriptions = 20

// Subscriptions says how notifications are offered (R4 subscription.html, with
// topics by the Subscriptions R5 Backport guide).
type Subscriptions struct {
	// Policy says why an endpoint must not be called, nil if it may; the error is a
	// sentence for the client.
	Policy interface{ Allows(endpoint *url.URL) error }
	// Kick wakes whoever calls the endpoints.
	Kick func()
}

// subscriptionRoutes are there if notifications are offered.
func (s *Server) subscriptionRoutes() []route {
	if s.options.Subscriptions == nil {
		return nil
	}
	const path = "/fhir/Subscription"
	return []route{
		{http.MethodPost, path, "Subscription", "create", "", s.createSubscription},
		{http.MethodGet, path, "Subscription", "search-type", "", s.searchSubscriptions},
		{http.MethodGet, path + "/:id", "Subscription", "read", "", s.readSubscription},
		{http.MethodPut, path + "/:id", "Subscription", "update", "", s.updateSubscription},
		{http.MethodDelete, path + "/:id", "Subscription", "delete", "", s.deleteSubscription},
		{http.MethodGet, path + "/$status", "Subscription", "", "status", s.subscriptionsStatus},
		{http.MethodPost, path + "/$status", "Subscription", "", "status", s.subscriptionsStatus},
		{http.MethodGet, path + "/:id/$status", "Subscription", "", "status", s.subscriptionStatus},
		{http.MethodPost, path + "/:id/$status", "Subscription", "", "status", s.subscriptionStatus},
		{http.MethodGet, path + "/:id/$events", "Subscription", "", "events", s.subscriptionEvents},
		{http.MethodPost, path + "/:id/$events", "Subscription", "", "events", s.subscriptionEvents},
		{http.MethodGet, "/fhir/Basic", "Basic", "search-type", "", s.searchFixed("Basic", topics())},
		{http.MethodGet, "/fhir/Basic/:id", "Basic", "read", "", readTopic},
	}
}

// topics is the one topic, as a Basic. Its status is a modifier extension, which
// Decode refuses as it must, so that it is found by the rest of it.
func topics() []fixed {
	document, err := fhir.Decode([]byte(`{"resourceType":"Basic","id":"` + subscription.TopicID + `","code":` + subscription.TopicCode + `}`))
	if err != nil {
		panic("api: the topic is not FHIR: " + err.Error())
	}
	defer document.Release()
	return []fixed{newFixed("Basic", subscription.TopicID, subscription.Basic(), document.Root())}
}

func readTopic(c *gin.Context) (reply, error) {
	if c.Param("id") != subscription.TopicID {
		return reply{}, store.ErrNotFound
	}
	return reply{status: http.StatusOK, body: subscription.Basic(), etag: `W/"` + subscription.TopicVersion + `"`, cache: cacheCurrent}, nil
}

// notified records that a version of a score is an event.
func (s *Server) notified(tx store.Tx, written store.Resource) error {
	if s.options.Subscriptions == nil {
		return nil
	}
	return tx.Event(written.Key, written.Version)
}

// asking is a Subscription on its way into the store.
type asking struct {
	server *Server
	asked  subscription.Subscription
	// body is the resource without its secrets, rights what its client may be told.
	body, rights []byte
	// id is that of the resource; update says that it must be there.
	id      string
	update  bool
	ifMatch int64

	result store.Subscription
}

// takeSubscription reads what a client sent, and everything that is wrong with it.
func (s *Server) takeSubscription(c *gin.Context) (*asking, error) {
	body, err := s.body(c)
	if err != nil {
		return nil, err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	root := document.Root()
	if root.Type() != "Subscription" {
		return nil, fail(http.StatusBadRequest, fhir.IssueStructure, "The body must be a Subscription.")
	}
	if id := c.Param("id"); id != "" && !root.Get("id").Is(id) {
		return nil, failures(http.StatusBadRequest, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueInvalid, Class: fhir.Malformed,
			Expression: "Subscription.id", Text: "The id of the resource must be there and equal the id in the URL."})
	}
	a := &asking{server: s, id: c.Param("id"), update: c.Param("id") != ""}
	if a.asked, err = subscription.Read(root, s.options.BaseURL, time.Now()); err != nil {
		return nil, err
	}
	if err := s.options.Subscriptions.Policy.Allows(a.asked.Endpoint); err != nil {
		return nil, failures(http.StatusUnprocessableEntity, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueForbidden,
			Expression: "Subscription.channel.endpoint", Text: err.Error()})
	}
	if latest := time.Now().Add(subscription.MaxLife); a.asked.End.IsZero() || a.asked.End.After(latest) {
		a.asked.End = latest
	}
	a.body = subscription.Stored(document, a.asked.End)
	a.rights, err = rightsOf(c.Request.Context())
	return a, err
}

// createSubscription takes a new one.
func (s *Server) createSubscription(c *gin.Context) (reply, error) {
	if c.GetHeader("If-None-Exist") != "" {
		return reply{}, fail(http.StatusPreconditionFailed, fhir.IssueNotSupported, "A Subscription cannot be created on a condition; search for it, and update the one that is found.")
	}
	a, err := s.takeSubscription(c)
	if err != nil {
		return reply{}, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return reply{}, err
	}
	a.id = id.String()
	return s.putSubscription(c, a, http.StatusCreated)
}

// updateSubscription takes the next version of one: other wishes, another key, or
// the wish to begin again.
func (s *Server) updateSubscription(c *gin.Context) (reply, error) {
	if _, err := keyOf("Subscription", c.Param("id")); err != nil {
		return reply{}, err
	}
	a, err := s.takeSubscription(c)
	if err != nil {
		return reply{}, err
	}
	if a.ifMatch, err = ifMatch(c.GetHeader("If-Match")); err != nil {
		return reply{}, err
	}
	return s.putSubscription(c, a, http.StatusOK)
}

func (s *Server) putSubscription(c *gin.Context, a *asking, status int) (reply, error) {
	if err := s.options.Store.Write(c.Request.Context(), nil, a.apply); err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	s.options.Subscriptions.Kick()
	r := subscriptionReply(status, a.result)
	r.location = s.options.BaseURL + "/Subscription/" + a.id
	switch preference(prefer(c), "return") {
	case "minimal":
		r.body, r.prefer = nil, "minimal"
	case "OperationOutcome":
		r.body, r.prefer = fhir.Issues{}.JSON(), "OperationOutcome"
	case "representation":
		r.prefer = "representation"
	}
	return r, nil
}

// apply is the job.
func (a *asking) apply(tx store.Tx) error {
	does := auth.Create
	if a.update {
		does = auth.Update
	}
	end, err := acting(tx, "Subscription", does)
	defer end()
	if err != nil {
		return err
	}
	before, err := a.before(tx)
	if err != nil {
		return err
	}
	private, err := subscription.ParsePrivate(before.Private)
	if err != nil {
		return &fault{"a stored subscription cannot be read", err}
	}
	now, wrong := a.asked.Secrets(private)
	if wrong != "" {
		return failures(http.StatusUnprocessableEntity, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueRequired, Expression: "Subscription.channel", Text: wrong})
	}
	now.Rights = a.rights
	next := store.Subscription{ID: a.id, Body: a.body, Private: now.Bytes(), SubscriptionState: store.SubscriptionState{
		Status: store.SubscriptionOff, Sent: before.Sent,
	}}
	if a.asked.On {
		next.Status, next.Due = store.SubscriptionRequested, tx.Now()
	}
	a.result, err = tx.PutSubscription(next)
	return err
}

// before is what is there: for a create nothing, and room for one more.
func (a *asking) before(tx store.Tx) (store.Subscription, error) {
	if !a.update {
		count, err := tx.Subscriptions("")
		if err == nil && count >= maxSubscriptions {
			err = fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "There are "+strconv.Itoa(count)+" subscriptions of yours already; delete one, or update it.")
		}
		return store.Subscription{}, err
	}
	before, err := tx.Subscription(a.id)
	if errors.Is(err, store.ErrNotFound) {
		return before, fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "No Subscription of this id exists, and ids are given by this server; create with POST.")
	}
	if err != nil {
		return before, err
	}
	return before, staleSubscription(a.ifMatch, before.Version)
}

func staleSubscription(expected, current int64) error {
	if stale(expected, current) == nil {
		return nil
	}
	return fail(http.StatusPreconditionFailed, fhir.IssueConflict, "The Subscription has changed since: its version is "+strconv.FormatInt(current, 10)+". Read it again and repeat.")
}

// deleteSubscription removes one; what is not there is as good as deleted.
func (s *Server) deleteSubscription(c *gin.Context) (reply, error) {
	key, err := keyOf("Subscription", c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	expected, err := ifMatch(c.GetHeader("If-Match"))
	if err != nil {
		return reply{}, err
	}
	err = s.options.Store.Write(c.Request.Context(), nil, func(tx store.Tx) error {
		end, err := acting(tx, "Subscription", auth.Delete)
		defer end()
		if err != nil {
			return err
		}
		before, err := tx.Subscription(key.ID)
		if errors.Is(err, store.ErrNotFound) {
			return nil
		}
		if err == nil {
			err = staleSubscription(expected, before.Version)
		}
		if err != nil {
			return err
		}
		return tx.DeleteSubscription(key.ID)
	})
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	return reply{status: http.StatusNoContent}, nil
}

// readSubscription answers one.
func (s *Server) readSubscription(c *gin.Context) (reply, error) {
	found, err := s.subscriptionOf(c.Request.Context(), c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	return subscriptionReply(http.StatusOK, found), nil
}

// subscriptionOf reads one of those that a request may see.
func (s *Server) subscriptionOf(ctx context.Context, id string) (store.Subscription, error) {
	key, err := keyOf("Subscription", id)
	if err != nil {
		return store.Subscription{}, err
	}
	found, err := s.options.Store.Subscription(ctx, key.ID)
	return found, stored(ctx, err)
}

func subscriptionReply(status int, s store.Subscription) reply {
	return reply{status: status, body: subscriptionBody(s), etag: etag(s.Version), lastModified: s.LastUpdated}
}

// subscriptionBody is the resource as it is now.
func subscriptionBody(s store.Subscription) []byte {
	return subscription.Current(s.Body, fhir.Stamp{ID: s.ID, Version: s.Version, LastUpdated: s.LastUpdated}, string(s.Status), s.Fault)
}

// searchSubscriptions finds among those of whoever asks.
func (s *Server) searchSubscriptions(c *gin.Context) (reply, error) {
	all, err := s.options.Store.Subscriptions(c.Request.Context(), nil)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	found := make([]fixed, len(all))
	for i, each := range all {
		body := subscriptionBody(each)
		document, err := fhir.Decode(body)
		if err != nil {
			return reply{}, &fault{"a stored subscription does not decode", err}
		}
		found[i] = newFixed("Subscription", each.ID, body, document.Root())
		document.Release()
	}
	return s.searchFixed("Subscription", found)(c)
}
