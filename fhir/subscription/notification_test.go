package subscription_test

import (
	"encoding/json"
	"encoding/xml"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/subscription"
)

// TestNotificationsHaveTheShapeOfTheGuide: names and types of the parameters are
// those of backport-subscription-status-r4, and the rules of payloads.html hold.
func TestNotificationsHaveTheShapeOfTheGuide(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 4, 19, 30, 0, 0, time.FixedZone("", 3600))
	m := subscription.Message{
		Base: "https://tidemark.brindlemoor.example/fhir", Subscription: "7", ID: "b", StatusID: "s", Kind: subscription.Notification,
		Status: "active", Total: 3, Content: subscription.IDOnly, At: at,
		Events: []subscription.Event{
			{Number: 2, At: at, Focus: "Observation/1", Version: 1, Context: []string{"QuestionnaireResponse/1"}},
			{Number: 3, At: at, Version: 4},
		},
	}
	require.JSONEq(t, `{"resourceType":"Bundle","id":"b","type":"history","timestamp":"2026-03-04T18:30:00.000Z",
		"meta":{"profile":["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-notification-r4"]},
		"entry":[{"fullUrl":"urn:uuid:s","resource":{"resourceType":"Parameters","id":"s",
			"meta":{"profile":["http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription-status-r4"]},"parameter":[
			{"name":"subscription","valueReference":{"reference":"https://tidemark.brindlemoor.example/fhir/Subscription/7"}},
			{"name":"topic","valueCanonical":"https://tidemark.example/fhir/SubscriptionTopic/score"},
			{"name":"status","valueCode":"active"},{"name":"type","valueCode":"event-notification"},
			{"name":"events-since-subscription-start","valueString":"3"},
			{"name":"notification-event","part":[{"name":"event-number","valueString":"2"},{"name":"timestamp","valueInstant":"2026-03-04T18:30:00.000Z"},
				{"name":"focus","valueReference":{"reference":"https://tidemark.brindlemoor.example/fhir/Observation/1"}},
				{"name":"additional-context","valueReference":{"reference":"https://tidemark.brindlemoor.example/fhir/QuestionnaireResponse/1"}}]},
			{"name":"notification-event","part":[{"name":"event-number","valueString":"3"},{"name":"timestamp","valueInstant":"2026-03-04T18:30:00.000Z"}]}]},
			"request":{"method":"GET","url":"https://tidemark.brindlemoor.example/fhir/Subscription/7/$status"},"response":{"status":"200"}},
		{"fullUrl":"https://tidemark.brindlemoor.example/fhir/Observation/1","request":{"method":"POST","url":"Observation"},
			"response":{"status":"201","etag":"W/\"1\"","lastModified":"2026-03-04T18:30:00.000Z"}}]}`, string(m.Bundle()))

	m.Content = subscription.Empty
	var empty struct {
		Entry []struct {
			Resource struct {
				Parameter []struct {
					Name string
					Part []struct{ Name string }
				}
			}
		}
	}
	require.NoError(t, json.Unmarshal(m.Bundle(), &empty))
	require.Len(t, empty.Entry, 1, "no entry but the status")
	for _, p := range empty.Entry[0].Resource.Parameter {
		require.NotEqual(t, "topic", p.Name)
		for _, part := range p.Part {
			require.Contains(t, []string{"event-number", "timestamp"}, part.Name)
		}
	}
	m.Fault = "The endpoint answered 500."
	for _, body := range [][]byte{m.Bundle(), m.StatusResource()} {
		document, err := fhir.Decode(body)
		require.NoError(t, err, "it is R4")
		document.Release()
	}
}

// TestTheTopicSaysForPeopleWhatItSaysForPrograms: every filter is in both.
func TestTheTopicSaysForPeopleWhatItSaysForPrograms(t *testing.T) {
	t.Parallel()
	var topic struct {
		Language  string
		Text      struct{ Status, Div string }
		Extension []struct {
			URL       string
			ValueUri  string
			Extension []struct{ URL, ValueString string }
		}
	}
	require.NoError(t, json.Unmarshal(subscription.Basic(), &topic))
	require.Equal(t, "en", topic.Language)
	require.Equal(t, "generated", topic.Text.Status)
	require.Equal(t, subscription.Topic, topic.Extension[0].ValueUri)
	filters := 0
	for _, e := range topic.Extension {
		for _, part := range e.Extension {
			if part.URL == "filterParameter" {
				filters++
				require.Contains(t, topic.Text.Div, "<li>Filter "+part.ValueString+": ")
			}
		}
	}
	require.Equal(t, 4, filters)
	require.NoError(t, xml.Unmarshal([]byte(topic.Text.Div), new(any)), "it is XHTML")
}

// TestSecretsAreKeptBySendingThemBackWithheld covers the order of headers of one
// name, and what cannot be kept.
func TestSecretsAreKeptBySendingThemBackWithheld(t *testing.T) {
	t.Parallel()
	before := subscription.Private{Key: []byte("k"), Headers: []subscription.Header{{"X-A", "1"}, {"X-B", "2"}, {"X-A", "3"}}}
	s := subscription.Subscription{Keep: true, Headers: []subscription.Header{{"X-A", subscription.Withheld}, {"X-A", subscription.Withheld}, {"X-C", "4"}}}
	now, fault := s.Secrets(before)
	require.Empty(t, fault)
	require.Equal(t, []subscription.Header{{"X-A", "1"}, {"X-A", "3"}, {"X-C", "4"}}, now.Headers)
	require.Equal(t, before.Key, now.Key)
	again, err := subscription.ParsePrivate(now.Bytes())
	require.NoError(t, err)
	require.Equal(t, now, again)
	_, fault = s.Secrets(subscription.Private{Headers: before.Headers})
	require.Contains(t, fault, "signing key")
	s.Keep = false
	now, fault = s.Secrets(before)
	require.Empty(t, fault)
	require.Nil(t, now.Key, "left out is taken away")
	_, fault = s.Secrets(subscription.Private{Headers: before.Headers[:2]})
	require.Contains(t, fault, "header")
}
