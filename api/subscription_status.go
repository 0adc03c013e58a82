package api

import (
	"context"
	"errors"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// maxEvents is the most events that one $events answers.
const maxEvents = 1000

// subscriptionStatus is $status of one (the guide, backport-subscription-status).
func (s *Server) subscriptionStatus(c *gin.Context) (reply, error) {
	found, err := s.subscriptionOf(c.Request.Context(), c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	return s.statuses([]store.Subscription{found}, "/"+found.ID+"/$status")
}

// subscriptionsStatus is $status of all that are asked for by id and by status;
// of several values one must hold, repeated or by commas, as in a search (R4
// search.html 3.1.1.3.1).
func (s *Server) subscriptionsStatus(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	all, err := s.options.Store.Subscriptions(c.Request.Context(), nil)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	ids, statuses := allOf(values["id"]), allOf(values["status"])
	asked := "/$status"
	if query := (url.Values{"id": ids, "status": statuses}).Encode(); query != "" {
		asked += "?" + query
	}
	return s.statuses(slices.DeleteFunc(all, func(each store.Subscription) bool {
		return len(ids) > 0 && !slices.Contains(ids, each.ID) || len(statuses) > 0 && !slices.Contains(statuses, string(each.Status))
	}), asked)
}

// allOf are the values of a parameter that may be repeated, of which any will do.
func allOf(repeated []string) (all []string) {
	for _, value := range repeated {
		all = append(all, alternatives(value)...)
	}
	return all
}

// statuses answers a searchset of the status of each; asked is what gives the
// same again, for its self link.
func (s *Server) statuses(all []store.Subscription, asked string) (reply, error) {
	b := newSearchset(s.options.BaseURL)
	b.links = append(b.links, link{"self", s.options.BaseURL + "/Subscription" + asked})
	total := len(all)
	b.total = &total
	for _, each := range all {
		m, err := s.message(each, subscription.QueryStatus)
		if err != nil {
			return reply{}, err
		}
		b.addAt("urn:uuid:"+m.StatusID, m.StatusResource(), "match")
	}
	return reply{status: http.StatusOK, body: b.close()}, nil
}

// message is what can be told of a subscription without its events.
func (s *Server) message(from store.Subscription, kind subscription.Kind) (subscription.Message, error) {
	document, err := fhir.Decode(from.Body)
	if err != nil {
		return subscription.Message{}, &fault{"a stored subscription does not decode", err}
	}
	defer document.Release()
	asked, err := subscription.Read(document.Root(), s.options.BaseURL, time.Time{})
	if err != nil {
		return subscription.Message{}, &fault{"a stored subscription cannot be read", err}
	}
	return subscription.Message{
		Base: s.options.BaseURL, Subscription: from.ID, ID: uuid.NewString(), StatusID: uuid.NewString(), Kind: kind,
		Status: string(from.Status), Fault: from.Fault, Total: from.Events, Content: asked.Content, At: time.Now(),
	}, nil
}

// subscriptionEvents is $events: what has been told, and what is still to be (the
// guide, backport-subscription-events). Content, which the guide calls a hint, is
// what the subscription has.
func (s *Server) subscriptionEvents(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	ctx := c.Request.Context()
	found, err := s.subscriptionOf(ctx, c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	bounds := [2]int64{1, math.MaxInt64}
	for i, name := range []string{"eventsSinceNumber", "eventsUntilNumber"} {
		if text := values.Get(name); text != "" {
			if bounds[i], err = strconv.ParseInt(text, 10, 64); err != nil || bounds[i] < 0 {
				return reply{}, badInput(fhir.IssueValue, name+" is the number of an event.")
			}
		}
	}
	events, err := s.options.Store.Events(ctx, found.ID, bounds[0], bounds[1], maxEvents)
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	m, err := s.message(found, subscription.QueryEvent)
	if err != nil {
		return reply{}, err
	}
	for _, e := range events {
		told := subscription.Event{Number: e.Number, At: e.At, Version: e.Version}
		if err := s.focus(ctx, &told, e); err != nil {
			return reply{}, err
		}
		m.Events = append(m.Events, told)
	}
	return reply{status: http.StatusOK, body: m.Bundle()}, nil
}

// focus names the score of an event, if whoever asks may read it: what they may
// not, has a number only. Nothing of it is given, so that none of it is noted as
// read.
func (s *Server) focus(ctx context.Context, told *subscription.Event, e store.Event) error {
	grant := grantOf(ctx)
	if s.options.Auth == nil {
		told.Focus = e.Key.String()
		return nil
	}
	if grant == nil {
		return nil
	}
	score, err := s.raw.Version(ctx, e.Key, e.Version)
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return stored(ctx, err)
	}
	document, err := fhir.Decode(score.Body)
	if err != nil {
		return &fault{"a stored score does not decode", err}
	}
	defer document.Release()
	if rightsOfGrant(grant).scores(document.Root(), s.options.BaseURL) {
		told.Focus = e.Key.String()
	}
	return nil
}
