package main

import (
	"net/http"
	"net/url"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// anywhere allows every endpoint: none is called here.
type anywhere struct{}

// Allows lets an endpoint through.
func (anywhere) Allows(*url.URL) error { return nil }

// signingKey is an invented key of 32 bytes.
const signingKey = "AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8="

// wish is a Subscription as a portal sends it; id is "" for a new one.
func wish(id string) []byte {
	const backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-"
	if id != "" {
		id = `"id":"` + id + `",`
	}
	return []byte(`{"resourceType":"Subscription",` + id + `"status":"requested","reason":"To show scores as they come","criteria":"` + subscription.Topic + `",` +
		`"_criteria":{"extension":[{"url":"` + backport + `filter-criteria","valueString":"Observation?status=final"}]},` +
		`"channel":{"extension":[{"url":"` + backport + `heartbeat-period","valueUnsignedInt":60},{"url":"` + backport + `timeout","valueUnsignedInt":10},` +
		`{"url":"` + backport + `max-count","valuePositiveInt":20},{"url":"` + subscription.SecretExtension + `","valueBase64Binary":"` + signingKey + `"}],"type":"rest-hook","endpoint":"https://hook.fernway-portal.example/scores",` +
		`"payload":"application/fhir+json","_payload":{"extension":[{"url":"` + backport + `payload-content","valueCode":"id-only"}]},"header":["Authorization: Bearer x"]}}`)
}

// notifications saves a Subscription, its status and events, the topic, and a
// notification of each kind as an endpoint gets it.
func (e *emitter) notifications(s store.Store) {
	id := e.call(http.MethodPost, "/Subscription", wish(""), http.StatusCreated).id()
	for _, name := range []string{"notified-one", "notified-two"} {
		e.call(http.MethodPost, "/QuestionnaireResponse", e.encode(assessment{form: forms["self"], method: "direct", name: name, percent: "20", itch: "6.5", sleep: "4", grade: "moderate"}.response("completed", "")), http.StatusCreated)
	}
	if e.err != nil {
		return
	}
	rights := api.SubscriptionRights{Base: base}
	_, err := s.Distribute(e.ctx, 100, func(r store.Resource, among []store.Subscription, _ func(store.Key, int64) (store.Resource, error)) (all []int) {
		document, err := fhir.Decode(r.Body)
		if err != nil {
			return nil
		}
		defer document.Release()
		for i, each := range among {
			private, err := subscription.ParsePrivate(each.Private)
			if may, _ := rights.Permits(private.Rights, document.Root()); err == nil && may {
				all = append(all, i)
			}
		}
		return all
	})
	e.fail(err)
	e.get("Subscription", "/Subscription/"+id)
	e.get("Bundle-searchset-Subscription", "/Subscription?status=requested")
	e.get("Bundle-subscription-status", "/Subscription/"+id+"/$status")
	e.get("Bundle-subscription-events", "/Subscription/"+id+"/$events")
	e.get("Basic-topic", "/Basic/"+subscription.TopicID)
	e.messages(id, s)
}

// messages saves what an endpoint gets.
func (e *emitter) messages(id string, s store.Store) {
	events, err := s.Events(e.ctx, id, 1, 10, 10)
	e.fail(err)
	at := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	for kind, content := range map[subscription.Kind][]subscription.Content{
		subscription.Handshake: {subscription.IDOnly}, subscription.Heartbeat: {subscription.IDOnly}, subscription.Notification: {subscription.IDOnly, subscription.Empty},
	} {
		for _, each := range content {
			m := subscription.Message{
				Base: base, Subscription: id, ID: "6b9cf2d2-3d5e-4c0c-8a5f-0a5b2f6f3f01", StatusID: "6b9cf2d2-3d5e-4c0c-8a5f-0a5b2f6f3f02",
				Kind: kind, Status: "active", Total: 2, Content: each, At: at,
			}
			if kind == subscription.Notification {
				for _, event := range events {
					m.Events = append(m.Events, subscription.Event{
						Number: event.Number, At: event.At, Focus: event.Key.String(), Version: event.Version, Context: []string{"QuestionnaireResponse/" + event.Key.ID},
					})
				}
			}
			e.save("Bundle-notification-"+string(kind)+"-"+string(each), m.Bundle())
		}
	}
}
